"""One outing or two? Each case as it happens in a household."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from types import SimpleNamespace

import numpy as np
import pytest

from fixtures.fit_writer import fit_bytes
from fixtures.gpx_writer import gpx_bytes
from ingest.ride.recording import SensorSeen
from ingest.ride.same_ride import (
    Verdict,
    _overlapping,
    _Pair,
    _richer,
    apart_at_places_m,
    recorded_minutes,
    same_outing,
)
from ingest.ride.sketch import PLACES_A_MINUTE, Sketch
from ingest.ride.summary import summarise
from rules.units import SI, said
from tests.ingest.rides import (
    METRES_PER_DEGREE,
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


MINUTES = 20


def sketched(*, north_m=0.0, first_minute=1000, minutes=MINUTES, place=True, **known) -> Sketch:
    """A sketch of a rider who stands still, so many metres north of 46°."""
    nothing = np.full(minutes, np.nan)
    north = 46.0 + np.broadcast_to(np.asarray(north_m, float), PLACES_A_MINUTE * minutes) / METRES_PER_DEGREE
    columns = {
        name: np.broadcast_to(np.asarray(known.pop(name, np.nan), float), minutes)
        for name in ("speed_mps", "cadence_rpm", "heart_rate_bpm", "power_w")
    }
    return Sketch(
        first_minute=first_minute,
        latitude_deg=north if place else np.repeat(nothing, PLACES_A_MINUTE),
        longitude_deg=np.full(PLACES_A_MINUTE * minutes, 9.0 if place else np.nan),
        **columns,
        **({"samples": 1000, "sensors": 0, "damaged": False, "place_share": 1.0, "cadence_share": 0.0}
           | {"power_share": 0.0, "identity": None} | known),
    )  # fmt: skip


def compared(one, other, same_rider=None):
    return _overlapping(one, other, _Pair.of(one, other), same_rider)


def test_what_two_recordings_of_the_same_minutes_are_has_its_edges():
    """Metres between them at all instants; beats, turns and watts in the mean of their minutes."""
    here, most = sketched(), np.repeat([0.0, 5.1], [53, 7])  # of sixty instants more than a tenth
    table = [
        (here, sketched(north_m=1.99), None, "same", "the same places to 2 m"),
        (here, sketched(north_m=2.1), None, "same", "at most 2 m apart"),
        (here, sketched(north_m=0.4), None, "same", "the same places to 1 m"),
        (here, sketched(north_m=most), None, "same", "at most 5 m apart"),
        (here, sketched(north_m=most), False, "not", "nothing measured agrees"),
        (here, sketched(north_m=11.9), None, "same", "nine tenths of the time at most 12 m apart"),
        (here, sketched(north_m=12.1), None, "not", "nothing else shows that one rider made both"),
        (here, sketched(north_m=12.1), True, "same", "one rider cannot ride twice at once"),
        (here, sketched(north_m=99.9), True, "same", "one rider cannot"),
        (here, sketched(north_m=100.1), True, "not", "half the time they are 100 m or more apart"),
        (
            sketched(identity="serial 1"),
            sketched(north_m=50.0, identity="serial 1"),
            False,
            "same",
            "one device",
        ),
        (here, sketched(place=False), None, "not", "nothing else shows"),
    ]
    bodies = (
        ("heart_rate_bpm", 120.0, 3.0, 8.0, "heart rates"),
        ("cadence_rpm", 80.0, 2.0, 8.0, "cadences"),
        ("power_w", 200.0, 0.06, 0.25, "powers"),
    )
    for name, value, near, far, word in bodies:
        for apart, verdict_is, words in (
            (near - 1e-6, "same", f"the {word} agree within"),
            (near * 1.02, "not", "nothing else shows"),
            (far * 0.98, "not", "nothing else shows"),
            (far + 1e-6, "not", f"the {word} differ by"),
        ):
            # a share is of the mean of both: 2 s / (2 + s) further is s of that
            other = value * (1.0 + apart / 2) / (1.0 - apart / 2) if name == "power_w" else value + apart
            one = sketched(**{name: value})
            table.append((one, sketched(north_m=50.0, **{name: other}), None, verdict_is, words))
    beats = {"heart_rate_bpm": 120.0}
    four, five = (np.where(np.arange(MINUTES) < count, 120.0, np.nan) for count in (4, 5))
    table += [
        (sketched(**beats), sketched(north_m=50.0, heart_rate_bpm=five), None, "same", "agree"),
        (sketched(**beats), sketched(north_m=50.0, heart_rate_bpm=four), None, "not", "nothing else"),
        (sketched(power_w=0.0), sketched(north_m=50.0, power_w=0.0), None, "not", "nothing else"),
        (sketched(power_w=0.0), sketched(north_m=50.0, power_w=9.0), None, "not", "differ by 200%"),
        (
            sketched(**beats, cadence_rpm=80.0),
            sketched(north_m=50.0, **beats, cadence_rpm=95.0),
            None,
            "not",
            "differ",
        ),
    ]
    for one, other, same_rider, verdict_is, words in table:
        found = compared(one, other, same_rider)
        assert found.same is (verdict_is == "same"), (words, found)
        assert words in said("; ".join(found.because), SI), found


def test_of_two_recordings_of_one_outing_the_richer_is_kept():
    plain = sketched(heart_rate_bpm=120.0)
    shorter = np.where(np.arange(MINUTES) < 17, 120.0, np.nan)
    table = [
        ({}, "first", "neither tells more"),
        ({"damaged": True}, "first", "not damaged"),
        ({"cadence_share": 0.1}, "second", "more cadence"),
        ({"cadence_share": 0.09}, "first", "neither"),
        ({"place_share": 0.89}, "first", "knows the place"),
        ({"place_share": 0.91}, "first", "neither"),
        ({"power_share": 0.1}, "second", "more power"),
        ({"power_share": 0.09}, "first", "neither"),
        ({"sensors": 1}, "second", "more sensors"),
        ({"identity": "serial 2"}, "second", "names its device"),
        ({"samples": 950}, "first", "more samples"),
        ({"samples": 960}, "first", "neither"),
        ({"samples": 1053}, "second", "more samples"),
        ({"samples": 1052}, "first", "neither"),
        ({"damaged": True, "cadence_share": 1.0}, "first", "not damaged"),
    ]
    for change, keep, why in table:
        found = _richer(plain, replace(plain, **change))
        assert (found[0], why in found[1]) == (keep, True), (change, found)
    no_place = sketched(place=False, heart_rate_bpm=120.0)
    assert _richer(no_place, sketched(place=False, heart_rate_bpm=shorter)) == (
        "first",
        "the first covers more of it",
    )
    assert _richer(sketched(place=False, heart_rate_bpm=shorter), no_place)[0] == "second"
    nearly = np.where(np.arange(MINUTES) < 19, 120.0, np.nan)
    assert "neither" in _richer(no_place, sketched(place=False, heart_rate_bpm=nearly))[1]


def test_how_much_of_the_shorter_one_is_in_both_and_what_comes_after_what(monkeypatch):
    monkeypatch.setattr("ingest.ride.same_ride.sketch_of", lambda one: one)

    def asked(one, other, *, later_min=0.0, same_rider=None):
        """The other begins so long after the first one's end."""
        ended = NOON + timedelta(minutes=one.minutes)
        begins = ended + timedelta(minutes=later_min)
        first = SimpleNamespace(started_at=NOON, ended_at=ended, sketch=one)
        second = SimpleNamespace(
            started_at=begins, ended_at=begins + timedelta(minutes=other.minutes), sketch=other
        )
        both = [same_outing(a, b, same_rider=same_rider) for a, b in ((first, second), (second, first))]
        assert both[0].same == both[1].same
        return said("; ".join(both[0].because), SI)

    def beside(shift, minutes=MINUTES, **known):
        return sketched(first_minute=1000 + shift, minutes=minutes, **known)

    here = sketched()
    table = [
        (beside(10), "10 minutes are in both"),
        (beside(11), "only 45% of the shorter"),
        (beside(17, 6), "3 minutes are in both"),
        (beside(17, 7), "only 43% of the shorter"),
        (beside(18, 5), "one continues the other after 0 min, 0 m from where the other ended: both count"),
        (beside(18, 4), "2 minutes are in both"),
        (beside(19, 2), "a minute is in both"),
        (beside(19, 3), "one continues the other"),
    ]
    for other, words in table:
        assert words in asked(here, other, later_min=other.first_minute - 1000 - MINUTES), words
    six_h = 360.0
    for later_min, known, words in (
        (six_h, {}, "one continues the other after 360 min, 0 m"),
        (six_h + 0.1, {}, "do not overlap"),
        (30.0, {"north_m": 499.0}, "one continues the other after 30 min, 499 m"),
        (30.0, {"north_m": 501.0}, "do not overlap"),
        (30.0, {"place": False}, "do not overlap"),
    ):
        other = beside(MINUTES + round(later_min), **known)
        assert words in asked(here, other, later_min=later_min), (later_min, known)
        assert "do not overlap" in asked(here, other, later_min=later_min, same_rider=False)
    one, other = sketched(identity="serial 1"), beside(50, place=False, identity="serial 1")
    assert asked(one, other, later_min=30.0).endswith("one continues the other after 30 min: both count")
    # what was ridden within twenty seconds of the end and of the start comes off: 5 + 4 m/s for 20 s
    moving = sketched(speed_mps=5.0), beside(50, north_m=679.0, speed_mps=4.0)
    assert "after 30 min, 499 m" in asked(*moving, later_min=30.0)
    assert "do not overlap" in asked(moving[0], beside(50, north_m=681.0, speed_mps=4.0), later_min=30.0)


def test_minutes_with_anything_are_recorded_ones():
    some = np.full(MINUTES, np.nan)
    some[[3, 7]] = 80.0
    found = sketched(place=False, cadence_rpm=some)
    assert recorded_minutes(found) == {1003, 1007}
    lone = sketched()
    lone.latitude_deg[:] = np.nan
    lone.latitude_deg[[1, 5]] = 46.0
    assert recorded_minutes(lone) == {1000, 1001}
    common, apart = apart_at_places_m(sketched(), sketched(first_minute=1005, north_m=30.0))
    assert (common, len(apart)) == (15, 45)
    assert apart == pytest.approx(30.0, abs=0.01)
    assert apart_at_places_m(sketched(), sketched(first_minute=2000))[0] == 0
    few = sketched(place=False)
    few.latitude_deg[:2], few.longitude_deg[:2] = 46.0, 9.0
    assert _Pair.of(sketched(), few).apart_m() == (None, None)
    few.latitude_deg[2], few.longitude_deg[2] = 46.0, 9.0
    assert _Pair.of(sketched(), few).apart_m() == pytest.approx((0.0, 0.0))
