"""Drive time by cadence, by required power and as a share of moving time; each with its band."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.ride.drive_time import BAND, drive_time, estimated_power_w, required_power_w
from ingest.ride.motion import intervals_of
from rules.vocabulary import DriveMethod
from tests.ingest.rides import recording, ridden, seconds, without


def driven(one):
    intervals = intervals_of(one)
    return drive_time(one, intervals, lambda: estimated_power_w(one, intervals))


@pytest.mark.parametrize(
    ("speed_mps", "slope", "acceleration_mps2", "watts"),
    [
        # Arithmetic from the road-cycling power model of Martin et al., J. Appl. Biomech. 14 (1998) 276-291,
        # with m 80 kg, g 9.80665 m/s², Crr 0.005, CdA 0.35 m², rho 1.2 kg/m³.
        (8.0, 0.0, 0.0, 138.901),
        (10.0, -0.03, 0.0, 13.955),
        (5.0, 0.05, 0.0, 241.727),
        (8.0, 0.0, -0.3, -53.099),
    ],
)
def test_required_power_is_the_published_model(speed_mps, slope, acceleration_mps2, watts):
    assert required_power_w(speed_mps, slope, acceleration_mps2) == pytest.approx(watts, abs=5e-4)


def test_half_an_hour_of_pedalling_and_half_of_coasting_is_half_an_hour():
    time = seconds(3600)
    drive = driven(recording(time, speed_mps=7.0, cadence_rpm=np.where(time <= 1800, 88, 0)))
    assert drive.seconds.sum() == 1800
    assert drive.method is DriveMethod.CADENCE
    assert drive.parts == ((DriveMethod.CADENCE, 1800.0),)
    assert (drive.low_s, drive.high_s) == (pytest.approx(1764), pytest.approx(1836))
    assert drive.lost_s == 0


@pytest.mark.parametrize(("rpm", "turns"), [(19.9, False), (20.0, True)])
def test_twenty_turns_a_minute_are_pedalling(rpm, turns):
    assert bool(driven(recording(seconds(60), speed_mps=5.0, cadence_rpm=rpm)).seconds.any()) is turns


def test_turning_the_cranks_of_a_bike_on_a_stand_is_no_riding_unless_power_says_so():
    still = recording(seconds(60), speed_mps=0.0, cadence_rpm=70)
    assert driven(still).seconds.sum() == 0
    assert driven(recording(seconds(60), speed_mps=0.0, cadence_rpm=70, power_w=120)).seconds.sum() == 60
    assert driven(recording(seconds(60), cadence_rpm=70)).seconds.sum() == 60, (
        "no wheel sensor is not a still wheel"
    )
    assert driven(recording(seconds(60), speed_mps=5.0, cadence_rpm=70, power_w=0)).seconds.sum() == 60


def test_a_missing_cadence_is_not_a_cadence_of_nought():
    hill = {"speed_mps": 4.0, "altitude_m": 100 + 0.2 * seconds(600)}
    missing = driven(recording(seconds(600), **hill))
    nought = driven(recording(seconds(600), cadence_rpm=0, **hill))
    assert nought.seconds.sum() == 0
    assert missing.seconds.sum() == pytest.approx(600, abs=5)
    assert missing.method is DriveMethod.REQUIRED_POWER


def test_a_gap_of_up_to_ten_seconds_is_bridged_by_a_straight_line():
    drive = driven(recording([0, 8, 16], speed_mps=6.0, distance_m=[0, 48, 96], cadence_rpm=[80, 80, 0]))
    assert drive.seconds.tolist() == [
        8.0,
        pytest.approx(8 * 60 / 80),
    ]  # from 80 to 0 rpm, 20 is passed after 6 s
    assert drive.lost_s == 0


def test_of_a_longer_gap_the_last_five_seconds_count_and_the_rest_is_reported_lost():
    time = np.concatenate((seconds(300), 360 + seconds(300)))
    drive = driven(recording(time, speed_mps=6.0, distance_m=6 * time, cadence_rpm=80))
    assert drive.seconds[300] == 5
    assert drive.seconds.sum() == 605
    assert drive.lost_s == 55
    assert drive.high_s == pytest.approx(605 * 1.02 + 55)


def test_a_halt_in_a_gap_is_not_lost_riding():
    drive = driven(
        recording([0, 1, 1801, 1802], speed_mps=[6, 6, 6, 6], distance_m=[0, 6, 12, 18], cadence_rpm=80)
    )
    assert drive.lost_s == 0
    assert drive.seconds.sum() == 2


def test_a_stopped_timer_counts_nothing():
    one = recording(seconds(600), speed_mps=6.0, cadence_rpm=80, pauses=((0.0, 0.0),))
    start = float(one.time_s[0])
    paused = recording(seconds(600), speed_mps=6.0, cadence_rpm=80, pauses=((start + 100, start + 400),))
    overlapping = recording(
        seconds(600), speed_mps=6.0, cadence_rpm=80,
        pauses=((start + 300, start + 400), (start + 100, start + 350)),
    )  # fmt: skip
    assert driven(one).seconds.sum() == 600
    assert driven(paused).seconds.sum() == 300
    assert driven(overlapping).seconds.sum() == 300


def test_cadence_speaks_where_it_is_and_power_where_it_is_not():
    time = seconds(3600)
    cadence = np.where(time <= 2400, np.where(time <= 1200, 85.0, 0.0), np.nan)
    climb = np.maximum(time - 2400, 0) * 0.2
    drive = driven(recording(time, speed_mps=5.0, cadence_rpm=cadence, altitude_m=climb))
    parts = dict(drive.parts)
    assert parts[DriveMethod.CADENCE] == 1200
    assert parts[DriveMethod.REQUIRED_POWER] == pytest.approx(1200, abs=5)
    narrow, wide = BAND[DriveMethod.CADENCE], BAND[DriveMethod.REQUIRED_POWER]
    spread = parts[DriveMethod.CADENCE] * narrow + parts[DriveMethod.REQUIRED_POWER] * wide
    assert drive.high_s - drive.seconds.sum() == pytest.approx(spread)
    assert drive.seconds.sum() - drive.low_s == pytest.approx(spread)


def test_a_descent_is_coasted_and_a_climb_is_pedalled():
    time = seconds(1200)
    altitude = np.where(time <= 600, 0.25 * time, 150 - 0.6 * (time - 600))
    speed = np.where(time <= 600, 4.0, 10.0)
    drive = driven(recording(time, speed_mps=speed, altitude_m=altitude))
    assert drive.seconds[:580].sum() == 580
    assert drive.seconds[620:].sum() == 0


def test_steps_in_the_altitude_do_not_make_the_power_jump():
    time = seconds(600)
    smooth = recording(time, speed_mps=8.0, altitude_m=100 + 0.08 * time)
    stepped = recording(time, speed_mps=8.0, altitude_m=np.floor(100 + 0.08 * time))
    true, jumping = (estimated_power_w(one, intervals_of(one))[30:-30] for one in (smooth, stepped))
    assert true.std() < 1
    assert np.abs(jumping - true).max() < 60, "unsmoothed, a metre in a second is worth 785 W"


def test_measured_power_is_better_than_estimated_power():
    time = seconds(600)
    one = recording(time, speed_mps=8.0, altitude_m=100.0, power_w=np.where(time <= 300, 150.0, 0.0))
    assert driven(one).seconds.sum() == 300
    assert driven(without(one, "power_w")).seconds.sum() == pytest.approx(600, abs=5)


@pytest.mark.parametrize(
    "one",
    [
        recording(seconds(1000), speed_mps=6.0),
        recording(seconds(1000, 20), speed_mps=6.0, distance_m=6 * seconds(1000, 20), altitude_m=100.0),
    ],
    ids=["no altitude", "a sample in 20 s"],
)
def test_where_power_cannot_be_followed_a_share_of_the_moving_time_remains(one):
    drive = driven(one)
    assert drive.method is DriveMethod.MOVING_SHARE
    # common practice, no source: 0.85 of the moving time, 0.75 to 0.95
    assert (drive.low_s, drive.seconds.sum(), drive.high_s) == pytest.approx((750, 850, 950))


def test_a_cadence_every_half_minute_does_not_make_a_sixth_of_a_ride():
    time = seconds(3600, 30)
    drive = driven(
        recording(time, speed_mps=6.0, distance_m=6 * time, cadence_rpm=85, power_w=180, altitude_m=100.0)
    )
    assert drive.parts == ((DriveMethod.MOVING_SHARE, pytest.approx(0.85 * 3600)),)
    assert drive.lost_s == 0


def test_a_motor_turns_no_chain():
    time = seconds(1200)
    speed = np.where(time <= 600, 7.0, 30.0)
    one = recording(time, speed_mps=speed, distance_m=np.cumsum(speed), altitude_m=100.0)
    drive = driven(one)
    assert drive.seconds[:540].sum() == pytest.approx(540, abs=5)
    assert drive.seconds[660:].sum() == 0


@given(
    st.lists(
        st.tuples(st.floats(0.1, 400), st.sampled_from([0.0, 15.0, 60.0, 95.0, np.nan]), st.floats(0, 20))
    )
)
def test_drive_time_never_exceeds_the_seconds_in_action_and_lies_in_its_band(rows):
    time = np.cumsum([0.0] + [gap for gap, _, _ in rows])
    speed = np.array([5.0] + [speed for _, _, speed in rows])
    cadence = np.array([80.0] + [rpm for _, rpm, _ in rows])
    one = recording(time, speed_mps=speed, cadence_rpm=cadence, altitude_m=200.0)
    drive = driven(one)
    assert (drive.seconds >= 0).all()
    assert (drive.seconds <= np.diff(time) + 1e-6).all()
    assert drive.low_s <= drive.seconds.sum() <= drive.high_s
    assert sum(part for _, part in drive.parts) == pytest.approx(drive.seconds.sum())


def test_hidden_cadence_is_found_again_by_required_power():
    """The made-up rider coasts where it goes down; motion alone must tell most of those seconds."""
    one = ridden(90, seed=3)
    truth = driven(one)
    guess = driven(without(one, "cadence_rpm", "power_w"))
    assert guess.method is DriveMethod.REQUIRED_POWER
    agree = ((truth.seconds > 0) == (guess.seconds > 0)).mean()
    assert agree > 0.7


def test_three_samples_are_enough_to_follow_power_and_two_are_not():
    three = recording(seconds(2), speed_mps=7.0, altitude_m=100.0)
    two = recording(seconds(1), speed_mps=7.0, altitude_m=100.0)
    assert np.isfinite(estimated_power_w(three, intervals_of(three))).all()
    assert np.isnan(estimated_power_w(two, intervals_of(two))).all()
