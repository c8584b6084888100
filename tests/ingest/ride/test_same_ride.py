"""One outing or two? Each case as it happens in a household."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from fixtures.fit_writer import fit_bytes
from fixtures.gpx_writer import gpx_bytes
from ingest.ride.recording import SensorSeen
from ingest.ride.same_ride import Verdict, same_outing
from ingest.ride.summary import summarise
from rules.units import SI, said
from tests.ingest.rides import (
    NOON,
    NOW,
    as_companion,
    as_second_device,
    part,
    recording,
    ridden,
    seconds,
    without,
)
from tests.read_one import read

HEAD_UNIT, WATCH = SensorSeen("head unit", serial=1001), SensorSeen("head unit", serial=2002)
BODY = ("cadence_rpm", "heart_rate_bpm", "power_w")


def summed(one, **how):
    return summarise(one, now=NOW, **how)


def verdict(one, other, **how):
    return same_outing(summed(one), summed(other), **how)


def kind(found: Verdict) -> str:
    """How two recordings that are not the same outing belong together, by the sentence that says so."""
    assert not found.same
    if found.because[-1].startswith("one continues the other"):
        return "continues"
    apart = ("only ", "but half the time", "they do not overlap")
    return "different" if found.because[-1].startswith(apart) else "together"


def test_a_file_exported_again_is_the_same_outing():
    one = replace(ridden(60), device=HEAD_UNIT)
    again = verdict(one, one)
    assert (again.same, again.keep) == (True, "first")
    assert again.because[0].endswith("minutes are in both")


def test_the_gpx_of_a_fit_is_the_same_outing_and_the_fit_is_kept():
    fit = replace(ridden(60), device=HEAD_UNIT, sensors=(SensorSeen("power meter", ant_number=5),))
    gpx = without(replace(fit, device=None, sensors=(), reader="gpx"), *BODY, "speed_mps", "distance_m")
    for rounded in (
        gpx,
        replace(gpx, latitude_deg=gpx.latitude_deg.round(6), longitude_deg=gpx.longitude_deg.round(6)),
    ):
        assert verdict(fit, rounded).same
        assert verdict(fit, rounded, same_rider=False).same, "a file copied to the other rider's folder"
        assert verdict(fit, rounded).keep == "first"
        assert verdict(rounded, fit).keep == "second"
        assert "the first has more cadence" in verdict(fit, rounded).because


def test_real_bytes_of_one_ride_as_fit_as_smart_fit_and_as_gpx_are_one_outing():
    one = replace(ridden(60), device=HEAD_UNIT)
    fit = summed(read(fit_bytes(one), "ride.fit"))
    smart = summed(read(fit_bytes(replace(one, device=None), smart=True), "smart.fit"))
    gpx = summed(read(gpx_bytes(one, extensions=False), "ride.gpx"))
    for other in (smart, gpx):
        both = same_outing(fit, other)
        assert (both.same, both.keep) == (True, "first")
        assert same_outing(other, fit).keep == "second"
    friend = summed(read(fit_bytes(replace(as_companion(one), device=WATCH)), "friend.fit"))
    assert [same_outing(other, friend).same for other in (fit, smart)] == [False, False]


@pytest.mark.parametrize("seed", range(5))
def test_two_devices_on_one_rider_are_one_outing(seed):
    head_unit = replace(ridden(75, seed=seed), device=HEAD_UNIT)
    watch = replace(as_second_device(head_unit, seed=seed + 50), device=WATCH)
    both = verdict(head_unit, watch)
    assert both.same
    assert any("heart rates agree" in sentence for sentence in both.because)
    bare = without(watch, *BODY)
    assert verdict(head_unit, bare, same_rider=True).same
    assert verdict(head_unit, bare, same_rider=True).keep == "first"
    assert verdict(bare, head_unit).same, "never more than a receiver's error apart"


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("same_rider", [None, False, True])
def test_two_riders_riding_together_are_two_outings(seed, same_rider):
    one = replace(ridden(75, seed=seed), device=HEAD_UNIT)
    companion = replace(as_companion(one, seed=seed + 90), device=WATCH)
    both = verdict(one, companion, same_rider=same_rider)
    assert not both.same
    assert kind(both) == "together"
    assert both.keep is None
    assert any("differ by" in sentence for sentence in both.because)


def test_riders_without_sensors_who_ride_together_are_told_apart_by_the_gap_between_them():
    one = without(ridden(75), *BODY)
    companion = without(as_companion(ridden(75), behind_s=4.0), *BODY)
    assert kind(verdict(one, companion)) == "together"
    assert kind(verdict(one, companion, same_rider=False)) == "together"
    assert verdict(one, companion, same_rider=True).same, "one rider cannot ride twice at once"


def test_after_lunch_the_ride_continues():
    whole = replace(ridden(120), device=HEAD_UNIT)
    morning = part(whole, 0, 3600)
    afternoon = part(whole, 3605, len(whole))
    afternoon = replace(afternoon, time_s=afternoon.time_s + 2700)
    for one, other in ((morning, afternoon), (afternoon, morning)):
        split = verdict(one, other)
        assert (split.same, split.keep, kind(split)) == (False, None, "continues")
        assert "continues the other after 45 min" in split.because[0]
        assert "both count" in split.because[0]


def test_a_ride_that_starts_elsewhere_or_much_later_does_not_continue():
    morning = ridden(60)
    elsewhere = ridden(60, seed=2, start=NOON + timedelta(hours=2), latitude=46.5)
    tomorrow = replace(morning, time_s=morning.time_s + 20 * 3600)
    assert kind(verdict(morning, elsewhere)) == "different"
    assert kind(verdict(morning, tomorrow)) == "different"
    assert kind(verdict(part(morning, 0, 1800), part(morning, 1805, 3600), same_rider=False)) == "different"


def test_half_a_day_in_one_file_and_its_part_in_another_are_one_outing_and_the_longer_is_kept():
    whole = replace(ridden(120), device=HEAD_UNIT)
    second_half = replace(as_second_device(part(whole, 3600, len(whole))), device=WATCH)
    both = verdict(second_half, whole)
    assert (both.same, both.keep) == (True, "second")
    assert both.because[-1] == "the second covers more of it"


def test_two_rides_at_the_same_time_in_different_places_are_different():
    one, other = ridden(60), ridden(60, seed=2, latitude=46.2)
    apart = verdict(one, other, same_rider=True)
    assert kind(apart) == "different"
    assert "km or more apart" in said(apart.because[1], SI)


def test_meeting_for_a_part_of_the_way_is_not_the_same_outing():
    one = ridden(120)
    met = replace(ridden(120, seed=8, start=NOON + timedelta(minutes=80)))
    assert kind(verdict(one, met)) == "different"
    assert "of the shorter recording is in the other" in verdict(one, met).because[0]


def test_indoors_the_body_decides():
    one = replace(
        without(ridden(60), "latitude_deg", "longitude_deg"), sub_sport="indoor_cycling", device=HEAD_UNIT
    )
    twin = replace(one, device=WATCH, power_w=one.power_w * 1.03)
    other = replace(as_companion(ridden(60)), sub_sport="indoor_cycling", device=WATCH)
    assert verdict(one, twin).same
    assert kind(verdict(one, other)) == "together"
    silent = recording(seconds(3600), sub_sport="indoor_cycling", speed_mps=8.0)
    assert not verdict(one, silent).same, "nothing to compare is no agreement"
    assert verdict(one, silent, same_rider=True).same


def test_one_device_cannot_be_on_two_rides():
    one = replace(without(ridden(60), *BODY), device=HEAD_UNIT)
    smoothed = replace(one, latitude_deg=one.latitude_deg + 15e-5)
    assert not verdict(one, replace(smoothed, device=WATCH)).same
    assert verdict(one, smoothed).same
    assert "one device recorded both" in verdict(one, smoothed).because[1]


def test_the_whole_file_is_kept_rather_than_the_damaged_one():
    one = ridden(60)
    cut = replace(part(one, 0, 3500), damage=("ends early",))
    assert verdict(cut, one).keep == "second"
    assert verdict(one, cut).because[-1] == "the first is not damaged"


def test_short_outings_are_compared_too():
    minute = part(replace(ridden(20), device=HEAD_UNIT), 0, 100)
    watch = replace(as_second_device(minute), device=WATCH)
    assert verdict(minute, watch, same_rider=True).same


def test_over_the_date_line_places_are_compared_as_neighbours():
    one = ridden(60, latitude=0.0, longitude=179.999)
    west = np.where(one.longitude_deg > 180, one.longitude_deg - 360, one.longitude_deg)
    assert verdict(replace(one, longitude_deg=west), replace(one, longitude_deg=west)).same


def test_a_sketch_takes_a_kilobyte_and_a_half_an_hour():
    assert len(summed(ridden(180)).sketch) < 4500
