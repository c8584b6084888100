"""What a recording tells about its bike, and that it survives being kept."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime
from types import SimpleNamespace

import numpy as np
import pytest

from ingest.bikes.pedalled_gears import BINS, GPS_NOISE, WHEEL_NOISE, GearHistogram, gears_seen
from ingest.bikes.ride_clues import RideClues, clues_of
from ingest.ride.recording import GearChange, Recording, SensorSeen
from rules.vocabulary import RiderId
from tests.read_one import read
from tests.second_households import invent

INA = RiderId(1)
COLUMNS = (
    *("time_s", "latitude_deg", "longitude_deg", "altitude_m", "distance_m", "speed_mps", "cadence_rpm"),
    *("power_w", "temperature_c", "heart_rate_bpm"),
)
START_S = datetime(
    2025, 5, 4, 1, 30, tzinfo=UTC
).timestamp()  # Sunday in Greenwich, Saturday evening at 105° W


def recording(minutes: int = 60, **more: object) -> Recording:
    """Steady riding due north at 7.5 m/s, ten minutes each in six gears of a 46-tooth ring on 2.155 m."""
    time_s = START_S + np.arange(0.0, minutes * 60.0, 2.0)
    speed = np.full(len(time_s), 7.5)
    cog = np.array([15, 17, 19, 21, 23, 25])[(np.arange(len(time_s)) * 6) // len(time_s)]
    distance = 7.5 * (time_s - START_S)
    nothing = np.full(len(time_s), np.nan)
    made = Recording(
        file_name="made.fit",
        reader="",
        time_s=time_s,
        latitude_deg=39.4 + distance / 111_195.0,
        longitude_deg=np.full(len(time_s), -104.9),
        altitude_m=nothing,
        distance_m=distance,
        speed_mps=speed,
        cadence_rpm=7.5 * 60 / (46 / cog * 2.155),
        power_w=nothing,
        temperature_c=nothing,
        heart_rate_bpm=nothing,
        sport="cycling",
        sub_sport="road",
        device=SensorSeen("head unit", serial=9),
    )
    return replace(made, **more)  # type: ignore[arg-type]


def clues(made: Recording, **told: float) -> RideClues:
    summary = SimpleNamespace(
        started_at=datetime.fromtimestamp(made.time_s[0], UTC),
        ended_at=datetime.fromtimestamp(made.time_s[-1], UTC),
        moving_s=made.time_s[-1] - made.time_s[0],
        distance_m=made.distance_m[-1],
        climb_m=0.0,
        indoor=False,
        unpaved_share=0.0,
    )
    vars(summary).update(told)
    return clues_of(made, summary, INA)


def test_gears_are_read_from_speed_and_cadence():
    found = clues(recording()).gears

    assert found is not None
    assert found.gears_held == 6
    expected = np.log([46 / cog * 2.155 for cog in (25, 23, 21, 19, 17, 15)])
    assert gears_seen(np.bincount(found.bins, found.seconds, BINS)) == pytest.approx(expected, abs=0.006)
    assert sum(found.seconds) == pytest.approx(3600, abs=60)


def test_no_cadence_is_no_gears_and_zero_cadence_is_coasting():
    nothing = recording()
    length = len(nothing)

    assert clues(replace(nothing, cadence_rpm=np.full(length, np.nan))).gears is None
    assert clues(replace(nothing, cadence_rpm=np.zeros(length))).gears is None


def test_samples_far_apart_are_no_gear_held():
    made = recording()
    every = slice(None, None, 8)  # one in sixteen seconds
    columns = {name: getattr(made, name)[every] for name in COLUMNS}

    assert clues(replace(made, **columns)).gears is None


def test_speed_is_found_from_distance_or_places_when_the_file_has_none():
    made = recording()
    length = len(made)
    by_distance = clues(replace(made, speed_mps=np.full(length, np.nan))).gears
    by_place = clues(
        replace(made, speed_mps=np.full(length, np.nan), distance_m=np.full(length, np.nan))
    ).gears

    assert by_distance is not None
    assert by_place is not None
    assert by_distance.gears_held == by_place.gears_held == 6


def test_a_wheel_sensor_is_trusted_closer_than_satellites():
    wheel = (SensorSeen("speed", serial=5),)

    assert clues(recording()).gears.noise == GPS_NOISE
    assert clues(recording(sensors=wheel)).gears.noise == WHEEL_NOISE


def test_a_wheel_sensor_set_for_a_smaller_wheel_is_found_out_and_put_right():
    wheel = (SensorSeen("speed", serial=5),)
    made = recording(sensors=wheel)
    short = 2.105 / 2.298
    told_short = replace(made, distance_m=made.distance_m * short, speed_mps=made.speed_mps * short)

    right, off = clues(made), clues(told_short)

    assert right.wheel_off == pytest.approx(0.0, abs=0.002)
    assert off.wheel_off == pytest.approx(math.log(2.298 / 2.105), abs=0.002)
    shifted, lines = (np.bincount(one.gears.bins, one.gears.seconds, BINS) for one in (off, right))
    assert gears_seen(shifted) == pytest.approx(gears_seen(lines), abs=0.01)


def test_a_minute_in_motion_has_a_speed_and_less_has_none():
    assert clues(recording(), moving_s=60.0, distance_m=420.0).speed_mps == 7.0
    assert clues(recording(), moving_s=59.9, distance_m=420.0).speed_mps is None


def test_a_wheel_that_turns_in_one_place_is_not_held_against_its_track():
    made = recording(sensors=(SensorSeen("speed", serial=5),))
    on_the_spot = replace(made, latitude_deg=np.full(len(made), 39.4))
    assert clues(on_the_spot).wheel_off is None


def test_the_weekday_is_the_riders_not_greenwichs():
    assert clues(recording()).weekday == 5


def test_a_heart_rate_strap_and_the_head_unit_are_no_sensors_of_a_bike():
    worn = (SensorSeen("heart rate", serial=1), SensorSeen("radar", serial=2), SensorSeen("light"))

    assert [s.identity for s in clues(recording(sensors=worn)).sensors] == ["serial 2"]


def test_reported_shifts_are_kept_once_each():
    changes = tuple(GearChange(START_S + n, 46, 15 + 2 * (n % 3)) for n in range(30))

    assert clues(recording(gear_changes=changes)).shifts == ((46, 15), (46, 17), (46, 19))


def test_plain_words_are_no_choice():
    assert clues(recording(sub_sport="generic")).activity is None
    assert clues(recording(profile_name="Storm bike")).activity == "storm bike"
    assert clues(recording(profile_name="Cycling")).activity == "road"


def test_all_of_it_survives_being_kept():
    for ride in invent("solo4", 3, 12).rides:
        found = clues(read(ride.data, ride.name))
        assert RideClues.from_json(found.to_json()) == found
        assert len(found.to_json()) < 9000


def test_gears_that_are_no_histogram_are_refused():
    kept = clues(recording()).to_json()

    with pytest.raises(ValueError, match="read the ride's file again"):
        RideClues.from_json(kept.replace('"gears":[0.028,', '"gears":[0.028,6,9000,'))


@pytest.mark.parametrize(
    "flat", [[0.01, 1, 5, 10, 5, 20], [0.01, 1, 6, 10, 5, 20], [0.01, 1, 5], [0.01, 1, -1, 9]]
)
def test_bins_in_no_order_twice_or_beside_the_table_are_refused(flat):
    with pytest.raises(ValueError, match="not a histogram"):
        GearHistogram.unpacked(flat)
