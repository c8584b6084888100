"""Which samples can be true."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.ride.plausible_samples import COLUMNS, plausible
from ingest.ride.recording import Column
from tests.ingest.recordings import START_S

TIMES = START_S + np.arange(6.0)


def column(*values: float) -> Column:
    return np.array(values, dtype=np.float64)


def test_sound_samples_pass_unchanged() -> None:
    found = plausible(TIMES, {"power_w": column(0, 1, 2, np.nan, 4, 5)})

    assert np.array_equal(found.columns["power_w"], [0, 1, 2, np.nan, 4, 5], equal_nan=True)
    assert np.array_equal(found.columns["time_s"], TIMES)
    assert set(found.columns) == {"time_s", *COLUMNS}
    assert (found.dropped, found.damage) == ({}, [])


@pytest.mark.parametrize("wrong", [-1.0, 6000.0])
def test_one_impossible_value_is_found_on_either_side_of_what_can_be(wrong: float) -> None:
    found = plausible(TIMES, {"power_w": column(0, 1, wrong, 3, 4, 5)})

    assert np.array_equal(found.columns["power_w"], [0, 1, np.nan, 3, 4, 5], equal_nan=True)
    assert found.dropped == {"impossible power": 1}


@pytest.mark.parametrize("years", [-100, 300])
def test_times_that_are_in_order_and_of_no_age_of_ours_count_for_nothing(years: int) -> None:
    assert len(plausible(TIMES + years * 365.25 * 86400, {}).columns["time_s"]) == 0


def test_the_given_columns_are_not_written_to() -> None:
    speed = column(1, 2, 900, 4, 5, 6)

    plausible(TIMES, {"speed_mps": speed})

    assert speed.tolist() == [1, 2, 900, 4, 5, 6]


@pytest.mark.parametrize(
    ("name", "good", "bad"),
    [
        ("speed_mps", 33.0, [-0.1, 61, np.inf]),
        ("cadence_rpm", 120, [255, -1, np.inf]),
        ("power_w", 1_800, [65_534, -1, np.inf]),
        ("temperature_c", -20, [100, -70, -np.inf]),
        ("altitude_m", 4_800, [12_607, -501, np.inf]),
        ("heart_rate_bpm", 210, [300, -1, np.inf]),
        ("distance_m", 400_000, [4e7, -1, np.inf]),
    ],
)
def test_an_impossible_value_goes_alone(name: str, good: float, bad: list[float]) -> None:
    found = plausible(
        TIMES,
        {name: column(good, *bad, good, good), "power_w" if name != "power_w" else "speed_mps": TIMES * 0},
    )

    assert np.array_equal(found.columns[name], [good, np.nan, np.nan, np.nan, good, good], equal_nan=True)
    assert list(found.dropped.values()) == [3]
    assert next(iter(found.dropped)).startswith("impossible ")
    assert len(found.columns["time_s"]) == 6


def test_half_a_place_is_none() -> None:
    found = plausible(
        TIMES, {"latitude_deg": TIMES * 0 + 35, "longitude_deg": column(-118, np.nan, -118, -118, 181, -118)}
    )

    assert np.isnan(found.columns["latitude_deg"]).tolist() == [False, True, False, False, True, False]
    assert found.dropped == {"impossible place": 2}


def test_the_gulf_of_guinea_is_no_place_to_ride() -> None:
    """Latitude and longitude exactly 0: a receiver that has not found itself yet."""
    found = plausible(
        TIMES, {"latitude_deg": column(0, 0, 0, 35, 35, 35), "longitude_deg": column(0, 0, 0, 9, 9, 9)}
    )

    assert np.isnan(found.columns["latitude_deg"]).tolist() == [True, True, True, False, False, False]
    assert found.dropped == {"place 0° 0°": 3}


def test_crossing_the_date_line_is_no_leap() -> None:
    found = plausible(
        TIMES,
        {
            "latitude_deg": TIMES * 0 + 66,
            "longitude_deg": column(179.999, 179.9999, -179.9999, 179.9999, -179.999, -179.99),
        },
    )

    assert found.dropped == {}


def test_a_ferry_or_a_gap_is_no_leap() -> None:
    """Far from the place before, and it goes on from there: the rider was carried, or the device slept."""
    found = plausible(TIMES, {"latitude_deg": column(35, 35, 35, 36, 36, 36), "longitude_deg": TIMES * 0 + 9})

    assert found.dropped == {}


def test_samples_days_apart_are_not_one_ride() -> None:
    times = np.concatenate((START_S + np.arange(5.0), START_S + 9 * 86_400 + np.arange(20.0)))

    found = plausible(times, {})

    assert len(found.columns["time_s"]) == 20
    assert found.dropped == {"days away from the rest": 5}
    assert found.damage == ["holds samples days apart: only the longest part counts"]


def test_a_night_in_a_tent_is_one_ride() -> None:
    times = np.concatenate((START_S + np.arange(5.0), START_S + 14 * 3600 + np.arange(20.0)))

    assert len(plausible(times, {}).columns["time_s"]) == 25


@given(st.lists(st.integers(0, 30) | st.just(10**7), max_size=40))
def test_as_many_samples_as_possible_keep_their_order(seconds: list[int]) -> None:
    """The most that ascend: never more than a slower way finds, never fewer, and always in order."""
    times = START_S + np.array(seconds, dtype=np.float64)
    longest = [0] * len(seconds)
    for here, second in enumerate(seconds):
        longest[here] = 1 + max((longest[i] for i in range(here) if seconds[i] <= second), default=0)

    found = plausible(times, {})

    backwards = found.dropped.get("time runs backwards", 0)
    assert len(seconds) - backwards == max(longest, default=0)
    assert (np.diff(found.columns["time_s"]) >= 0).all()


def test_the_outermost_values_that_can_be_are_kept_and_the_next_are_not():
    """Judgements, see the module; one column at a time, so that no other one draws the long look."""
    bounds = {
        "altitude_m": (-500.0, 9_000.0),
        "distance_m": (0.0, 5_000_000.0),
        "speed_mps": (0.0, 60.0),
        "cadence_rpm": (0.0, 254.0),
        "power_w": (0.0, 5_000.0),
        "temperature_c": (-60.0, 80.0),
        "heart_rate_bpm": (0.0, 254.0),
    }
    for name, (least, most) in bounds.items():
        for values in ((least, least, most, most, most, most), (least, np.nan, most, most, least, np.nan)):
            within = plausible(TIMES, {name: column(*values)})
            assert (within.dropped, within.columns[name].tolist()[0]) == ({}, least), name
        for wrong in (least - 0.01, most + 0.01):
            for beside in (least, np.nan):
                found = plausible(TIMES, {name: column(beside, most, wrong, most, least, most)})
                assert (
                    np.isnan(found.columns[name]).tolist() == [beside != beside, False, True] + [False] * 3
                ), name
                assert found.dropped == {f"impossible {name.rsplit('_', 1)[0].replace('_', ' ')}": 1}


def test_places_are_within_the_globe_and_whole():
    for north, east, kept in (
        (90.0, 180.0, True), (-90.0, -180.0, True), (90.1, 9.0, False), (-90.1, 9.0, False),
        (89.0, 180.1, False), (89.0, -180.1, False), (np.nan, 9.0, False), (46.0, np.nan, False),
        (0.0, 9.0, True), (46.0, 0.0, True),
        (0.0, 0.0, False),
    ):  # fmt: skip
        found = plausible(TIMES, {"latitude_deg": np.full(6, north), "longitude_deg": np.full(6, east)})
        assert np.isfinite(found.columns["latitude_deg"]).all() == kept, (north, east)
        assert np.isfinite(found.columns["longitude_deg"]).all() == kept, (north, east)
        assert found.dropped == ({} if kept else {"place 0° 0°" if north == 0.0 else "impossible place": 6})


def test_times_are_of_an_age_of_ours_and_no_two_days_apart():
    first, last = 631_152_000.0, 4_102_444_800.0  # the beginnings of 1990 and of 2100
    two_days, half = 48 * 3600.0, 24 * 3600.0
    table = [
        ([first, first + 1.0], 2, {}),
        ([first - 1.0, first], 1, {"impossible time": 1}),
        ([last - 2.0, last - 1.0], 2, {}),
        ([last - 1.0, last], 1, {"impossible time": 1}),
        ([np.nan, START_S, np.inf], 1, {"no time": 2}),
        ([START_S, START_S + two_days], 2, {}),
        ([START_S, START_S + two_days + 1.0], 1, {"days away from the rest": 1}),
        ([START_S, START_S + half, START_S + two_days + half], 3, {}),
        ([START_S, START_S + two_days + 1, START_S + two_days + 2], 2, {"days away from the rest": 1}),
        ([START_S, START_S, START_S + 1.0], 3, {}),
        ([START_S, START_S + 2.0, START_S + 1.0, START_S + 3.0], 3, {"time runs backwards": 1}),
        ([START_S], 1, {}),
        ([], 0, {}),
        ([START_S, START_S + two_days + 1.0, START_S + 3 * two_days], 1, {"days away from the rest": 2}),
    ]
    for times, kept, dropped in table:
        found = plausible(np.array(times, dtype=np.float64), {})
        assert (len(found.columns["time_s"]), found.dropped) == (kept, dropped), times
        assert bool(found.damage) == ("days away from the rest" in dropped)
    later = plausible(np.array([START_S, START_S + two_days + 1.0]), {"power_w": column(1.0, 2.0)})
    assert later.columns["power_w"].tolist() == [1.0], "of runs alike the first"
    back = plausible(np.array([START_S, START_S + 2.0, START_S + 1.0]), {"power_w": column(1.0, 2.0, 3.0)})
    assert back.columns["power_w"].tolist() == [1.0, 3.0]


def test_a_single_place_far_away_is_left_out_and_far_is_half_a_kilometre_or_faster_than_a_plane_lands():
    """More than 500 m, and more than 150 m/s, from both neighbours, that lie near each other."""
    metre = 1.0 / 111_195.0

    def left_out(north_m, east_m=(0.0,) * 6, gap_s=1.0, north=46.0):
        shrink = np.cos(np.radians(north))
        found = plausible(
            START_S + gap_s * np.arange(6.0),
            {
                "latitude_deg": north + np.array(north_m) * metre,
                "longitude_deg": 9.0 + np.array(east_m) * metre / shrink,
            },
        )
        dropped = found.dropped.pop("a place far from its neighbours", 0)
        assert found.dropped == {}
        assert (
            np.isnan(found.columns["latitude_deg"]).sum()
            == np.isnan(found.columns["longitude_deg"]).sum()
            == dropped
        )
        return np.flatnonzero(np.isnan(found.columns["latitude_deg"])).tolist()

    still = [0.0] * 6
    table = [
        ([0, 0, 501, 0, 0, 0], still, 1.0, [2]),
        ([0, 0, -501, 0, 0, 0], still, 1.0, [2]),
        ([0, 0, 499, 0, 0, 0], still, 1.0, []),
        (still, [0, 0, 501, 0, 0, 0], 1.0, [2]),
        (still, [0, 0, 499, 0, 0, 0], 1.0, []),
        ([0, 0, 400, 0, 0, 0], [0, 0, 400, 0, 0, 0], 1.0, [2]),
        ([0, 0, 300, 0, 0, 0], [0, 0, 300, 0, 0, 0], 1.0, []),
        ([0, 0, 1501, 0, 0, 0], still, 10.0, [2]),
        ([0, 0, 1499, 0, 0, 0], still, 10.0, []),
        ([0, 0, 0, 0, 900, 1800], still, 1.0, []),  # on and on
        ([0, 0, 900, 510, 510, 510], still, 1.0, []),  # near one of them, and those far apart
        ([0, 900, 0, 900, 0, 0], still, 1.0, [1, 2, 3]),
        ([900, 0, 0, 0, 0, 900], still, 1.0, []),  # the first and the last have one neighbour
    ]
    for north_m, east_m, gap_s, expected in table:
        assert left_out(north_m, east_m, gap_s) == expected, (north_m, east_m, gap_s)
    some = np.array([46.0, np.nan, 46.0, 46.02, np.nan, 46.0])
    found = plausible(TIMES, {"latitude_deg": some, "longitude_deg": np.where(np.isnan(some), np.nan, 9.0)})
    assert np.isnan(found.columns["latitude_deg"]).tolist() == [False, True, False, True, True, False]
