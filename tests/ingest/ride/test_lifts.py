"""What legs did and what a rope or a van did, on days made by hand; thresholds are unproven on real days."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from ingest.errors import UnreadableFile
from ingest.ride.lifts import AT_WORK_BPM, _heart, _rests, _rope, _spans, climbs
from ingest.ride.motion import intervals_of
from ingest.ride.recording import Recording
from ingest.ride.summary import LOOKS_CARRIED, RideSummary, summarise
from tests.ingest.lift_days import DOWN, day
from tests.ingest.recordings import corpus
from tests.ingest.rides import NOW, recording
from tests.read_one import read


def summed(one: Recording) -> RideSummary:
    return summarise(one, now=NOW)


def test_a_shuttled_day_counts_no_pedalling_in_the_van() -> None:
    """Six climbs at 900 to 1 150 m an hour with a heart at rest, as a rider's own file showed."""
    runs = [leg for n in range(6) for leg in ((12.0, 6.0, 900.0 + 50 * n, 82.0), DOWN)]

    found = summed(day(*runs, wobble=0.2, turns=True))

    assert found.dropped["seconds carried uphill"] == pytest.approx(6 * 12 * 60, rel=0.1)
    assert found.drive_s < 15 * 60


def test_a_rope_is_known_by_its_speed_and_its_line() -> None:
    """Twelve minutes at 2.5 m/s and 1 500 m an hour, straight, no heart rate."""
    one = day((20.0, 6.0, 100.0, 0.0), (12.0, 2.5, 1500.0, 0.0), DOWN, wobble=0.01)
    nothing = np.full(len(one), np.nan)

    found = summed(replace(one, heart_rate_bpm=nothing))

    assert found.dropped["seconds carried uphill"] == pytest.approx(720, rel=0.15)


def test_a_climb_is_from_its_first_rising_second_to_its_last_with_short_halts_in_it() -> None:
    rising = np.zeros(1000, dtype=bool)
    rising[100:200] = rising[225:400] = True  # 25 s between: a halt
    rising[440:600] = True  # 40 s between, and too short
    rising[700:880] = True

    assert _spans(rising, np.arange(1001.0)) == [(100, 400), (700, 880)]


@pytest.mark.parametrize("wobble", [0.1, 0.2])
@pytest.mark.parametrize("heart", [None, 150.0])
@pytest.mark.parametrize("rate_mph", [500.0, 800.0, 1100.0])
def test_a_climb_by_legs_is_pedalled(rate_mph: float, heart: float | None, wobble: float) -> None:
    one = day((20.0, 6.0, 100.0, 130.0), (30.0, 3.5, rate_mph, heart or 0.0), DOWN, wobble=wobble, turns=True)
    if heart is None:
        one = replace(one, heart_rate_bpm=np.full(len(one), np.nan))

    found = summed(one)

    assert "seconds carried uphill" not in found.dropped
    assert found.drive_s > 45 * 60


def test_a_climb_that_may_be_a_lift_widens_the_band_instead_of_being_cut() -> None:
    """One van ride with a heart at rest: likely enough to doubt, not to leave out."""
    found = summed(day((30.0, 6.0, 100.0, 130.0), (10.0, 6.0, 900.0, 85.0), DOWN, wobble=0.2, turns=True))

    assert "seconds carried uphill" not in found.dropped
    assert found.drive_low_s < found.drive_s - 500
    assert 500 < found.dropped[LOOKS_CARRIED] < 700
    drive_min = found.drive_s / 60
    assert found.doubt == f"10 of its {drive_min:.0f} drive minutes look carried uphill"


def test_a_ride_whose_climbs_were_pedalled_is_not_doubted() -> None:
    found = summed(day((30.0, 6.0, 100.0, 130.0), (10.0, 3.0, 600.0, 150.0), DOWN, wobble=0.2, turns=True))

    assert (found.doubt, LOOKS_CARRIED in found.dropped) == ("", False)


def test_a_motor_bike_rides_its_climbs() -> None:
    runs = [leg for _ in range(4) for leg in ((12.0, 6.0, 1000.0, 82.0), DOWN)]
    found = summed(replace(day(*runs, wobble=0.2, turns=True), sub_sport="e_bike_mountain"))

    assert "seconds carried uphill" not in found.dropped


def test_no_real_ride_whose_cadence_is_hidden_loses_a_climb() -> None:
    """Real rides (GRITLEDGER_CORPUS, readers' own files): their climbs were pedalled, cadence says so."""
    for path in corpus("fit"):
        try:
            one = read(path.read_bytes(), path.name)
        except UnreadableFile:
            continue
        if one.sport == "cycling" and one.has_cadence and one.has_place:
            nothing = np.full(len(one), np.nan)
            found = summarise(replace(one, cadence_rpm=nothing, power_w=nothing), now=NOW.replace(year=2030))
            assert "seconds carried uphill" not in found.dropped, path.name


def test_a_strap_that_lost_the_skin_is_no_slower_heart() -> None:
    one = day((20.0, 6.0, 100.0, 130.0))
    lost = one.heart_rate_bpm.copy()
    lost[300:310] = 0.0

    heart = _heart(replace(one, heart_rate_bpm=lost))

    assert np.nanmin(heart) > 125


@pytest.mark.parametrize(("bpm", "rests"), [(AT_WORK_BPM, False), (AT_WORK_BPM - 1, None)])
def test_a_heart_at_work_is_no_passengers_from_that_beat_on(bpm: float, rests: bool | None) -> None:
    assert _rests(np.full(60, bpm), np.full(60, 50.0), 0, 59) is rests


def test_a_rope_keeps_within_three_hundredths_of_its_speed_and_goes_straight() -> None:
    """ln 30, or ln 100 from eight minutes on; ten times as likely straight, and as unlikely on bends."""
    count = 601
    time_s = np.arange(float(count))
    made = recording(time_s, latitude_deg=46.0 + time_s * 2.5 / 111_195.0, longitude_deg=9.0)
    lost = replace(made, latitude_deg=np.full(count, np.nan))
    bent = replace(made, longitude_deg=9.0 + np.where(time_s < 300, time_s, 600 - time_s) * 0.7 / 77_242.0)
    straighter = replace(
        made, longitude_deg=9.0 + np.where(time_s < 300, time_s, 600 - time_s) * 0.4 / 77_242.0
    )
    even = np.full(600, 2.5)

    def wobbling(share: float) -> np.ndarray:
        return even * (1.0 + share * np.where(np.arange(600) % 2, 1.0, -1.0))

    short, long, line = math.log(30.0), math.log(100.0), math.log(10.0)
    table = [
        (made, even, 0, 600, long + line),  # the first and the last minute may be the way there
        (made, even, 0, 599, short + line),
        (lost, even, 0, 600, long),
        (bent, even, 0, 600, long - line),
        (straighter, even, 0, 600, long + line),
        (made, wobbling(0.029), 0, 600, long + line),
        (made, wobbling(0.031), 0, 600, 0.0),
        (made, np.zeros(600), 0, 600, 0.0),
        (made, np.full(600, np.nan), 0, 600, 0.0),
        (made, even, 0, 121, 0.0),
        (made, even, 0, 122, short + line),
    ]
    for one, speed, begin, end, expected in table:
        assert _rope(one, speed, begin, end) == pytest.approx(expected), (begin, end, expected)


def test_a_heart_rests_works_or_does_not_tell() -> None:
    watts = np.full(300, 201.0)
    table = [
        (99.9, 0.0, 201.0, True),
        (100.0, 0.0, 201.0, None),
        (99.9, 0.0, 200.0, None),
        (110.0, 15.1, 201.0, True),
        (110.0, 15.0, 201.0, None),
        (119.9, 0.0, 201.0, None),
        (120.0, 0.0, 201.0, False),
        (120.0, 0.0, 0.0, False),
    ]
    for mean, falls, power, expected in table:
        heart = mean + falls * (0.5 - np.linspace(0.0, 1.0, 301))
        assert _rests(heart, watts * power / 201.0, 0, 300) is expected, (mean, falls, power)
    assert _rests(np.where(np.arange(301) == 300, np.nan, 80.0), watts, 0, 300) is None


def test_a_strap_that_repeats_itself_or_tells_less_than_a_minute_tells_nothing() -> None:
    beats = 100.0 + np.where(np.arange(300) % 2, 1.1, -1.1)
    for heart, told in (
        (beats, True),
        (np.where(np.arange(300) < 60, beats, np.nan), True),
        (np.where(np.arange(300) < 59, beats, np.nan), False),
        (np.where(np.arange(300) < 60, beats, 0.0), True),
        (100.0 + (beats - 100.0) * 0.9, False),
    ):
        found = _heart(recording(np.arange(300.0), heart_rate_bpm=heart))
        assert bool(np.isfinite(found).any()) is told


def test_long_climbs_are_judged_by_every_sign_there_is() -> None:
    """Odds before: 3 to 97; a resting heart 20 times, for each climb like it; what no legs can 100 times."""

    def judged(
        rate_mph: float, minutes: float, watts: float, beats: float = np.nan, **more: object
    ) -> list[float]:
        time_s = np.arange(minutes * 60.0 + 1)
        heart = beats + np.where(time_s % 2, 1.5, -1.5)
        one = recording(
            time_s, altitude_m=time_s * rate_mph / 3600.0, heart_rate_bpm=heart, speed_mps=3.0, **more
        )
        intervals = intervals_of(one)
        uneven = replace(intervals, speed_mps=3.0 + np.sin(time_s[1:] / 40.0))
        found = climbs(one, uneven, lambda: np.full(len(time_s) - 1, watts))
        return [math.log(climb.chance / (1.0 - climb.chance)) for climb in found]

    before, heart, beyond = math.log(0.03 / 0.97), math.log(20.0), math.log(100.0)
    an_hour_w, five_minutes_w = 6.4 * 72, 7.6 * 72
    for told, expected in (
        (judged(500.0, 10, 190.0), before),
        (judged(500.0, 10, 210.0, 90.0), before + heart),
        (judged(500.0, 10, 190.0, 130.0), before - heart),
        (judged(1679.0, 10, 190.0), before),
        (judged(1681.0, 10, 190.0), before + beyond),
        (judged(500.0, 60, an_hour_w - 1.0), before),
        (judged(500.0, 60, an_hour_w + 1.0), before + beyond),
        (judged(500.0, 5, five_minutes_w - 1.0), before),
        (judged(500.0, 5, five_minutes_w + 1.0), before + beyond),
    ):
        assert told == pytest.approx([expected])
    assert judged(399.0, 10, 190.0) == judged(500.0, 2.9, 190.0) == []
    assert len(judged(401.0, 10, 190.0)) == len(judged(500.0, 3.0, 190.0)) == 1
    assert judged(500.0, 10, 190.0, cadence_rpm=60.0) == judged(500.0, 10, 190.0, power_w=150.0) == []
