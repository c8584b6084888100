"""A recording summed up: hours that add up, places that are real, and polite refusals."""

from __future__ import annotations

import os
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.errors import NotARide, UnreadableFile
from ingest.ride.geometry import wrapped
from ingest.ride.motion import intervals_of
from ingest.ride.recording import SensorSeen
from ingest.ride.runner_cadence import runs_like, turns_a_gear
from ingest.ride.sketch import sketch_of
from ingest.ride.summary import TrackPoint, summarise, track_points
from rules.vocabulary import DriveMethod
from tests.ingest.rides import METRES_PER_DEGREE, NOON, NOW, recording, ridden, seconds, without
from tests.read_one import read


def summed(one, **how):
    return summarise(one, now=NOW, **how)


# Hours


def test_a_ride_over_two_full_hours_is_cut_there():
    time = seconds(7200)
    one = recording(
        time,
        start=NOON + timedelta(minutes=30),
        speed_mps=6.0,
        distance_m=6 * time,
        cadence_rpm=np.where(time <= 3600, 85, 0),
        altitude_m=300 + 0.1 * time,
        latitude_deg=46 + 6 * time / METRES_PER_DEGREE,
        longitude_deg=9.0,
    )
    ride = summed(one)
    assert [hour.hour_start.hour for hour in ride.hours] == [12, 13, 14]
    assert [hour.drive_s for hour in ride.hours] == pytest.approx([1800, 1800, 0])
    assert [hour.moving_s for hour in ride.hours] == pytest.approx([1800, 3600, 1800])
    assert [hour.distance_m for hour in ride.hours] == pytest.approx([10800, 21600, 10800])
    assert [hour.mean_speed_mps for hour in ride.hours] == pytest.approx([6, 6, 6])
    assert [hour.climb_m for hour in ride.hours] == pytest.approx([180, 360, 180], abs=0.1)
    assert ride.hours[1].latitude_deg == pytest.approx(46 + 6 * 3600 / METRES_PER_DEGREE, abs=1e-4)
    assert ride.started_at == NOON + timedelta(minutes=30)
    assert ride.ended_at == NOON + timedelta(minutes=150)


@given(
    st.lists(
        st.tuples(st.floats(0.2, 5000), st.floats(0, 15), st.sampled_from([0.0, 80.0, np.nan])),
        min_size=2,
        max_size=60,
    ),
    st.integers(0, 3599),
)
def test_hours_always_add_up_to_the_ride(rows, offset_s):
    one = recording(
        np.cumsum([0.0] + [gap for gap, _, _ in rows]),
        start=NOON + timedelta(seconds=offset_s),
        speed_mps=[6.0] + [speed for _, speed, _ in rows],
        distance_m=np.cumsum([0.0] + [min(gap, 60) * speed for gap, speed, _ in rows]),
        cadence_rpm=[80.0] + [rpm for _, _, rpm in rows],
        altitude_m=np.cumsum([0.0] + [speed / 30 for _, speed, _ in rows]),
    )
    try:
        ride = summed(one, said_ride=True)
    except NotARide:
        return
    assert sum(hour.drive_s for hour in ride.hours) == pytest.approx(ride.drive_s, abs=1e-6)
    assert sum(hour.moving_s for hour in ride.hours) == pytest.approx(ride.moving_s, abs=1e-6)
    assert sum(hour.distance_m for hour in ride.hours) == pytest.approx(ride.distance_m, abs=1e-6)
    assert sum(hour.climb_m for hour in ride.hours) == pytest.approx(ride.climb_m, abs=1e-6)
    assert [hour.hour_start for hour in ride.hours] == sorted({hour.hour_start for hour in ride.hours})
    assert all(0 <= hour.drive_s <= 3600 + 1e-6 and hour.moving_s <= 3600 + 1e-6 for hour in ride.hours)
    assert ride.drive_low_s <= ride.drive_s <= ride.drive_high_s


def test_the_hours_of_a_long_rest_are_not_hours_of_riding():
    time = np.concatenate((seconds(1200), 5 * 3600 + seconds(1200)))
    ride = summed(recording(time, speed_mps=6.0, cadence_rpm=80, distance_m=6 * np.arange(len(time))))
    assert [hour.hour_start.hour for hour in ride.hours] == [12, 17]
    assert sum(hour.drive_s for hour in ride.hours) == pytest.approx(ride.drive_s)


def test_a_pause_that_spans_hours_stays_empty():
    start = NOON.timestamp()
    time = np.concatenate((seconds(600), [3 * 3600 + 0.0], 3 * 3600 + 1 + seconds(600)))
    one = recording(time, speed_mps=6.0, cadence_rpm=80, pauses=((start + 600, start + 3 * 3600 - 2),))
    ride = summed(one)
    assert [hour.hour_start.hour for hour in ride.hours] == [12, 15]
    assert ride.drive_s == pytest.approx(600 + 2 + 601)


# Distance


def test_the_devices_own_count_goes_before_speed_and_speed_before_places():
    time = seconds(1000)
    place = {"latitude_deg": 46 + 4 * time / METRES_PER_DEGREE, "longitude_deg": 9.0}
    assert summed(recording(time, distance_m=6 * time, speed_mps=5.0, **place)).distance_m == pytest.approx(
        6000
    )
    assert summed(recording(time, speed_mps=5.0, **place)).distance_m == pytest.approx(5000)
    assert summed(recording(time, **place)).distance_m == pytest.approx(4000, rel=1e-3)


def test_an_interval_of_which_nothing_tells_how_far_has_no_metres():
    speed = np.full(61, 7.0)
    speed[30] = np.nan
    assert summed(recording(seconds(60), speed_mps=speed)).distance_m == pytest.approx(59 * 7.0)


def test_a_counter_that_starts_again_goes_on_counting():
    time = seconds(1200)
    chained = np.where(time <= 600, 6 * time, 6 * (time - 600))
    assert summed(recording(time, distance_m=chained, speed_mps=6.0)).distance_m == pytest.approx(7200)


def test_a_counter_that_jumps_is_not_believed():
    time = seconds(600)
    ride = summed(recording(time, distance_m=6 * time + np.where(time > 300, 5000, 0), cadence_rpm=80))
    assert ride.distance_m == pytest.approx(6 * 599)
    assert ride.dropped == {"impossible jumps": 1}


def test_a_counter_with_holes_loses_nothing():
    time = seconds(1200)
    holes = np.where((time > 100) & (time < 400) & (time % 7 != 0), np.nan, 6 * time)
    assert summed(recording(time, distance_m=holes, cadence_rpm=80)).distance_m == pytest.approx(7200)


def test_a_counter_that_never_counts_is_no_counter():
    time = seconds(1000)
    ride = summed(
        recording(time, distance_m=0.0, latitude_deg=46 + 5 * time / METRES_PER_DEGREE, longitude_deg=9.0)
    )
    assert ride.distance_m == pytest.approx(5000, rel=1e-3)


def test_a_receiver_that_jitters_in_the_cafe_rides_nowhere():
    dice = np.random.default_rng(4)
    time = seconds(3600)
    ridden_m = np.minimum(6 * time, 6 * 1800)
    jitter = np.convolve(dice.normal(0, 1.0, len(time) + 20), np.ones(21) / 21, "valid")
    latitude = 46 + (ridden_m + jitter) / METRES_PER_DEGREE
    ride = summed(recording(time, latitude_deg=latitude, longitude_deg=9.0))
    assert ride.moving_s == pytest.approx(1800, rel=0.02)
    assert ride.distance_m == pytest.approx(10800, rel=0.02)


def test_one_place_far_off_is_left_out_and_counted():
    time = seconds(1000)
    latitude = 46 + 5 * time / METRES_PER_DEGREE
    latitude[500] = 0.0
    ride = summed(recording(time, latitude_deg=latitude, longitude_deg=9.0))
    assert ride.distance_m == pytest.approx(5000, rel=0.01)
    assert ride.dropped["impossible jumps"] == 2


# Places


def test_the_mean_place_of_an_hour_over_the_date_line_is_on_it():
    time = seconds(3000)
    east = 6 * (time - 1500) / METRES_PER_DEGREE
    ride = summed(recording(time, latitude_deg=0.0, longitude_deg=wrapped(180 + east), cadence_rpm=80))
    assert abs(ride.hours[0].longitude_deg) == pytest.approx(180, abs=1e-3)
    assert ride.distance_m == pytest.approx(18000, rel=1e-3)
    assert {round(abs(point.longitude_deg)) for point in track_points(ride.track)} == {180}


@pytest.mark.parametrize("sub_sport", ["indoor_cycling", "spin", "indoor_trainer"])
def test_an_indoor_ride_has_drive_hours_and_no_place(sub_sport):
    one = recording(
        seconds(1800), sub_sport=sub_sport, cadence_rpm=90, power_w=200, latitude_deg=46.0, longitude_deg=9.0
    )
    ride = summed(one)
    assert (ride.indoor, ride.virtual) == (True, False)
    assert ride.drive_s == 1800
    assert ride.moving_s == 1800
    assert [(hour.latitude_deg, hour.longitude_deg) for hour in ride.hours] == [(None, None)]
    assert ride.track == b""


def test_cadence_without_a_place_is_a_trainer_unless_the_file_says_road():
    assert summed(recording(seconds(600), cadence_rpm=90)).indoor
    assert summed(recording(seconds(600), power_w=200)).indoor
    assert not summed(recording(seconds(600), cadence_rpm=90, speed_mps=7.0, sub_sport="road")).indoor
    wheel_only = summed(recording(seconds(600), speed_mps=7.0))
    assert not wheel_only.indoor, "a dead receiver on the road: the place is not known, the weather neither"
    assert wheel_only.hours[0].latitude_deg is None


def test_a_place_that_stands_still_while_the_wheel_turns_is_a_trainers():
    time = seconds(3600)
    stands = recording(
        time,
        cadence_rpm=90,
        speed_mps=8.0,
        distance_m=8 * time,
        latitude_deg=46 + 1e-5 * np.sin(time),
        longitude_deg=9.0,
    )
    assert summed(stands).indoor
    oval = {
        "latitude_deg": 46 + 3e-4 * np.sin(time / 5),
        "longitude_deg": 9 + 6e-4 * np.cos(time / 5),
    }
    assert not summed(replace(stands, **oval)).indoor, "a velodrome is small, but not that small"


@pytest.mark.parametrize(("sport", "sub_sport"), [("cycling", "virtual_activity"), ("VirtualRide", None)])
def test_a_virtual_ride_never_keeps_its_fictional_place(sport, sub_sport):
    ride = summed(replace(ridden(30), sport=sport, sub_sport=sub_sport))
    assert (ride.indoor, ride.virtual, ride.track) == (True, True, b"")
    assert all(hour.latitude_deg is None and hour.longitude_deg is None for hour in ride.hours)
    assert np.isnan(sketch_of(ride.sketch).latitude_deg).all()
    assert ride.drive_s > 0


def test_an_indoor_wheel_that_shows_nought_is_a_wheel_without_a_sensor():
    assert (
        summed(recording(seconds(600), sub_sport="indoor_cycling", cadence_rpm=90, speed_mps=0.0)).drive_s
        == 600
    )


# Sensors that are there and say nothing


def test_a_cadence_of_nought_over_kilometres_is_no_cadence():
    time = seconds(3600)
    one = recording(time, speed_mps=6.0, distance_m=6 * time, cadence_rpm=0, power_w=0, altitude_m=100.0)
    ride = summed(one)
    assert ride.drive_method is DriveMethod.REQUIRED_POWER
    assert ride.drive_s == pytest.approx(3600, abs=10)
    assert ride.dropped["samples of a cadence that never moved"] == 3601
    assert ride.dropped["samples of a power that never moved"] == 3601


def test_two_sensors_in_one_second_are_one_sample():
    time = np.repeat(seconds(600), 2)
    first = np.arange(len(time)) % 2 == 0
    one = recording(time, speed_mps=np.where(first, 6.0, np.nan), cadence_rpm=np.where(first, np.nan, 80.0))
    assert summed(one).drive_s == 600


# Kinds of sport


@pytest.mark.parametrize(
    ("sport", "sub_sport", "share"),
    [
        ("cycling", "road", 0.0),
        ("cycling", "gravel_cycling", 0.7),
        ("cycling", "mountain", 0.9),
        ("cycling", "mixed_surface", 0.5),
        ("cycling", "generic", None),
        ("cycling", None, None),
        ("Mountain Biking", None, 0.9),
        ("gravel ride", None, 0.7),
        ("e_biking", "e_bike_mountain", 0.9),
    ],
)
def test_the_sub_sport_suggests_the_ground(sport, sub_sport, share):
    assert summed(replace(ridden(20), sport=sport, sub_sport=sub_sport)).unpaved_share == share


@pytest.mark.parametrize(
    "sport",
    [
        *(None, "", "cycling", "e_biking", "generic", "unknown", "Ride", "Biking", "9", "brunch bike ride"),
        *("VirtualRide", "Radfahren", "Rennrad", "cyclisme", "vélo", "Bicicletta", "trekking bike", "E-Bike"),
    ],
)
def test_bicycle_and_nameless_sports_are_welcome(sport):
    assert summed(replace(ridden(20), sport=sport)).drive_s > 0


@pytest.mark.parametrize(
    "sport",
    [
        "running",
        "Run",
        "hiking",
        "walking",
        "swimming",
        "trail running",
        "alpine_skiing",
        "driving",
        "motorcycling",
        "Car trip",
        "horseback riding",
        "Laufen",
        "Trailrunning",
        "Wandern",
        "course à pied",
        "randonnée",
        "Corsa",
        "hardlopen",
        "Motorbike",
    ],
)
def test_other_sports_are_refused_politely_and_the_rider_may_overrule(sport):
    one = replace(ridden(20), sport=sport)
    with pytest.raises(
        NotARide, match=r"ride\.fit: says it is “.+”, not a bicycle ride; if it was a bicycle ride"
    ):
        summed(one)
    assert summed(one, said_ride=True).drive_s > 0


@pytest.mark.parametrize("sub_sport", ["indoor_rowing", "treadmill", "cardio_training", "strength_training"])
def test_other_indoor_efforts_are_refused_too(sub_sport):
    one = recording(seconds(600), sport="fitness_equipment", sub_sport=sub_sport, cadence_rpm=28, power_w=150)
    with pytest.raises(NotARide, match=f"says it is “{sub_sport.replace('_', ' ')}”"):
        summed(one)


CYCLING_SUB_SPORTS = (  # those of the FIT profile
    *("generic", "spin", "indoor_cycling", "road", "mountain", "downhill", "recumbent", "cyclocross", "bmx"),
    *("hand_cycling", "track_cycling", "gravel_cycling", "commuting", "mixed_surface", "virtual_activity"),
    *("e_bike_fitness", "e_bike_mountain"),
)


@pytest.mark.parametrize("sub_sport", CYCLING_SUB_SPORTS)
def test_no_kind_of_cycling_is_taken_for_another_sport(sub_sport):
    assert summed(replace(ridden(20), sub_sport=sub_sport)).drive_s > 0


def on_foot(speed_mps, spread, **columns):
    """A track of one hour at about this speed, with a place and an altitude, no sport and no sensors."""
    time = seconds(3600)
    speed = speed_mps * (1 + spread * np.sin(time / 90))
    return recording(
        time,
        sport=None,
        latitude_deg=46 + np.cumsum(speed) / METRES_PER_DEGREE,
        longitude_deg=9.0,
        altitude_m=500.0,
        **columns,
    )


@pytest.mark.parametrize(
    ("one", "why"),
    [
        (on_foot(1.3, 0.3), "walking pace"),
        (on_foot(3.0, 0.15), "runner's even pace"),
        (on_foot(12.0, 0.75), "as only a motor can"),
        (on_foot(18.0, 0.2), "at a motor's pace"),
        (on_foot(32.0, 0.2), "like a motor vehicle"),
        (on_foot(230.0, 0.05), "faster than any bicycle"),
    ],
    ids=["hike", "run", "town car", "country car", "motorway", "plane"],
)
def test_a_file_that_names_no_sport_is_judged_by_its_pace(one, why):
    with pytest.raises(NotARide, match=why):
        summed(one)


# Metres of a stride of both legs by speed, 30 runners: Leacox 2025, as ../shared's reference gives it.
STRIDE_SPEED_MPS, STRIDE_M = (2.68, 3.16, 3.83), (1.90, 2.20, 2.58)


@pytest.mark.parametrize("counts_steps", [False, True])
@pytest.mark.parametrize("speed_mps", [3.2, 3.4])
def test_a_run_with_a_cadence_and_no_sport_is_known_by_its_stride(speed_mps, counts_steps):
    time = seconds(3600)
    speed = speed_mps * (1 + 0.1 * np.sin(time / 90))
    legs_rpm = speed * 60 / np.interp(speed, STRIDE_SPEED_MPS, STRIDE_M)
    one = on_foot(speed_mps, 0.1, cadence_rpm=np.round(legs_rpm * (2 if counts_steps else 1)))
    with pytest.raises(NotARide, match="counts steps" if counts_steps else "as a runner's do"):
        summed(one)


def test_a_gear_that_is_turned_evenly_without_a_rest_is_a_ride_all_the_same():
    """A fixed gear of 3.4 m a turn on the flat: legs as even as a runner's, but the metres a turn stay."""
    time = seconds(3600)
    speed = 5.5 * (1 + 0.07 * np.sin(time / 90))
    summed(on_foot(5.5, 0.07, cadence_rpm=np.round(speed * 60 / 3.4)))


def test_a_slow_bicycle_with_the_same_metres_a_turn_is_a_ride():
    """32/51 teeth at 85 rpm goes 2.0 m/s: a gear's metres do not grow with speed, and legs rest."""
    time = seconds(3600)
    turns = np.where(time % 300 < 250, 85 * (1 + 0.15 * np.sin(time / 70)), 0.0)
    speed = np.maximum(np.where(turns > 0, turns, 70) * 32 / 51 * 2.2 / 60, 0.6)
    one = recording(
        time,
        sport=None,
        latitude_deg=46 + np.cumsum(speed) / METRES_PER_DEGREE,
        longitude_deg=9.0,
        altitude_m=500.0,
        cadence_rpm=turns,
    )
    assert summed(one).drive_s > 2500


def test_an_hour_indoors_with_a_heart_alone_is_a_ride_on_its_riders_word():
    one = recording(seconds(3600), sport=None, heart_rate_bpm=120 + 10 * np.sin(seconds(3600) / 60))
    with pytest.raises(NotARide, match="nothing in it moves"):
        summed(one)
    told = summed(one, said_ride=True)
    assert told.drive_s == pytest.approx(0.85 * 3600)
    assert (told.drive_low_s, told.drive_high_s) == pytest.approx((0.75 * 3600, 0.95 * 3600))
    assert told.drive_method is DriveMethod.MOVING_SHARE
    assert told.indoor


@pytest.mark.parametrize("speed_mps", [4.0, 6.0, 9.0])
def test_riding_paces_are_not_taken_for_walking_or_driving(speed_mps):
    assert summed(on_foot(speed_mps, 0.6)).distance_m == pytest.approx(3600 * speed_mps, rel=0.03)


def test_a_slow_ride_that_says_cycling_is_a_ride():
    assert summed(replace(on_foot(1.3, 0.3), sport="cycling")).moving_s > 3000


def test_the_drive_home_after_a_ride_is_left_out():
    time = seconds(3600)
    speed = np.where(time <= 2400, 7.0, 31.0)
    one = recording(
        time,
        speed_mps=speed,
        distance_m=np.cumsum(speed),
        cadence_rpm=np.where(time <= 2400, 85, np.nan),
        altitude_m=300.0,
    )
    ride = summed(one)
    assert ride.distance_m == pytest.approx(2400 * 7, rel=0.05)
    assert ride.dropped["seconds carried by a motor"] == pytest.approx(1200, abs=40)
    assert ride.drive_s == pytest.approx(2400, abs=60)


def test_nothing_moving_is_no_ride():
    with pytest.raises(NotARide, match="nothing in it moves"):
        summed(recording(seconds(600), speed_mps=0.0, latitude_deg=46.0, longitude_deg=9.0))


# Times


@pytest.mark.parametrize(
    ("start", "why"),
    [
        (datetime(1989, 12, 31, tzinfo=UTC), "dated before 1990"),
        (NOW + timedelta(days=1, seconds=1), "dated in the future"),
    ],
)
def test_times_no_ride_can_have_are_refused(start, why):
    with pytest.raises(UnreadableFile, match=why) as caught:
        summed(recording(seconds(600), start=start, speed_mps=6.0))
    assert not isinstance(caught.value, NotARide)


def test_a_clock_a_few_hours_ahead_is_accepted():
    assert summed(recording(seconds(600), start=NOW + timedelta(hours=12), speed_mps=6.0)).moving_s == 600


def test_single_impossible_times_are_dropped_and_counted():
    time = seconds(600)
    one = recording(time, speed_mps=6.0)
    one.time_s[-1] += 10 * 365 * 86400
    assert summed(one).dropped == {"samples at impossible times": 1}


@pytest.mark.parametrize("samples", [0, 1])
def test_too_few_samples_are_refused(samples):
    with pytest.raises(UnreadableFile, match="sample"):
        summed(recording(np.zeros(samples)))


# Real recordings

WITH_CADENCE = (
    "road-ride-cadence-temperature-heart",
    "road-ride-big-endian-ant-ids-power-battery",
    "short-ride-cadence",
)
WITHOUT_CADENCE = (
    "road-ride-no-cadence",
    "mountain-ride-no-cadence",
    "mountain-ride-interleaved-electronic-shifting",
    "ride-misaligned-field-sizes",
)


@pytest.fixture(scope="module")
def corpus():
    folder = os.environ.get("GRITLEDGER_CORPUS", "")
    if not Path(folder, "fit").is_dir():
        pytest.skip("no real rides here: set GRITLEDGER_CORPUS to a folder with fit/ and gpx/")
    return Path(folder)


def summed_from(corpus, name):
    recording = read((corpus / name).read_bytes(), name)
    return recording, summarise(recording, now=datetime(2030, 1, 1, tzinfo=UTC))


@pytest.mark.parametrize("name", [*WITH_CADENCE, *WITHOUT_CADENCE])
def test_real_rides_cover_the_distance_and_at_most_the_time_their_device_says(corpus, name):
    recording, ride = summed_from(corpus, f"fit/{name}.fit")
    assert ride.distance_m == pytest.approx(recording.session_distance_m, rel=5e-4)
    assert 0.4 * ride.moving_s < ride.drive_s < ride.moving_s <= recording.session_timer_s * 1.001
    assert not ride.indoor
    assert all(hour.latitude_deg is not None for hour in ride.hours if hour.moving_s > 60)


@pytest.mark.parametrize("name", WITH_CADENCE)
def test_the_band_of_required_power_holds_the_cadence_that_was_hidden_from_it(corpus, name):
    recording, ride = summed_from(corpus, f"fit/{name}.fit")
    guess = summarise(without(recording, "cadence_rpm", "power_w"), now=NOW)
    assert ride.drive_method is DriveMethod.CADENCE
    assert guess.drive_method is DriveMethod.REQUIRED_POWER
    assert guess.drive_low_s <= ride.drive_s <= guess.drive_high_s


def test_a_real_trainer_is_indoors_and_a_real_car_and_a_real_hike_are_no_rides(corpus):
    _, ride = summed_from(corpus, "fit/indoor-trainer.fit")
    assert ride.indoor
    assert ride.drive_s > 2000
    assert {hour.latitude_deg for hour in ride.hours} == {None}
    for refused, why in (
        ("around-visnjan-with-car", "as only a motor can"),
        ("korita-zbevnica", "walking pace"),
    ):
        with pytest.raises(NotARide, match=why):
            summed_from(corpus, f"gpx/{refused}.gpx")


# What is carried along


def test_what_the_file_says_is_kept():
    device, meter = SensorSeen("head unit", serial=7), SensorSeen("power meter", ant_number=42)
    one = replace(
        ridden(20),
        title=" To the lake ",
        device=device,
        sensors=(meter,),
        damage=("its checksum is wrong",),
        dropped={"latitude out of range": 2},
        session_started_at=NOON - timedelta(seconds=20),
    )
    ride = summed(one)
    assert (ride.title, ride.device, ride.sensors) == ("To the lake", device, (meter,))
    assert (ride.damage, ride.dropped) == (("its checksum is wrong",), {"latitude out of range": 2})
    assert ride.started_at == NOON - timedelta(seconds=20)
    assert one.dropped == {"latitude out of range": 2}, "the recording itself is never changed"
    assert sketch_of(ride.sketch).identity == "serial 7"


def test_a_track_is_small_true_and_decodable():
    one = ridden(180, seed=5)
    track = summed(one).track
    assert len(track) < 4000
    points = track_points(track)
    assert 100 < len(points) <= 400
    rows = [point.offset_s for point in points]
    assert rows == sorted(rows)
    assert (rows[0], rows[-1]) == (0, 10800)
    for point in points[:: len(points) // 20]:
        assert point.latitude_deg == pytest.approx(one.latitude_deg[point.offset_s], abs=0.51e-5)
        assert point.longitude_deg == pytest.approx(one.longitude_deg[point.offset_s], abs=0.51e-5)
        assert point.speed_mps == pytest.approx(one.speed_mps[point.offset_s], abs=0.0051)
        assert point.cadence_rpm == round(one.cadence_rpm[point.offset_s])


def test_a_track_without_sensors_has_speed_from_its_places_and_no_cadence():
    points = track_points(
        summed(without(ridden(60), "speed_mps", "distance_m", "cadence_rpm", "power_w")).track
    )
    assert all(point.cadence_rpm is None for point in points)
    assert all(point.speed_mps is not None for point in points)
    assert points[0] == TrackPoint(
        0, *(points[0].latitude_deg, points[0].longitude_deg), points[0].speed_mps, None
    )


@pytest.mark.parametrize(
    "broken", [b"x", b"\x00" * 40, summed(ridden(20)).sketch], ids=["x", "zeros", "a sketch"]
)
def test_what_is_no_track_is_refused(broken):
    assert track_points(b"") == []
    with pytest.raises(ValueError, match="not a packed track"):
        track_points(broken)
    with pytest.raises(ValueError, match="not a packed sketch"):
        sketch_of(summed(ridden(20)).track)


@pytest.mark.parametrize(("lasts_s", "tells"), [(300, True), (299, False)])
def test_five_minutes_of_legs_show_whose_they_are(lasts_s, tells):
    time = seconds(lasts_s)
    rolls = recording(time, speed_mps=5.0, cadence_rpm=np.where(time % 10 < 8, 80.0, 0.0))
    runs = recording(time, speed_mps=3.0, cadence_rpm=170.0)
    assert turns_a_gear(rolls, intervals_of(rolls)) is tells
    assert (runs_like(runs, intervals_of(runs)) is not None) is tells


def test_legs_that_rest_all_the_way_are_a_bicycles():
    one = recording(seconds(600), speed_mps=8.0, cadence_rpm=0.0)
    assert turns_a_gear(one, intervals_of(one))
    assert runs_like(one, intervals_of(one)) is None


def test_the_slowest_turn_is_a_turn_and_no_standing():
    """One sample in fifty at one turn a minute among eighty: not even, so no runner's."""
    time = seconds(1200)
    even = recording(time, speed_mps=80 / 60 * 2.2, cadence_rpm=np.where(time % 50 == 0, 0.0, 80.0))
    slow = replace(even, cadence_rpm=np.where(time % 50 == 0, 1.0, 80.0))
    told = [runs_like(one, intervals_of(one)) for one in (even, slow)]
    assert told[0] is not None
    assert told[1] is None
