"""What legs did and what a rope or a van did, on days made by hand; thresholds are unproven on real days."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ingest.errors import UnreadableFile
from ingest.ride.lifts import AT_WORK_BPM, _heart, _rests, _spans
from ingest.ride.recording import Recording
from ingest.ride.summary import LOOKS_CARRIED, RideSummary, summarise
from tests.ingest.lift_days import DOWN, day
from tests.ingest.recordings import corpus
from tests.ingest.rides import NOW
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
