"""The way a ride took: the same either way round and for shaky satellites, another a street further."""

from __future__ import annotations

import numpy as np
import pytest

from ingest.bikes.routes import PLACES, same_ways, way_of

ALONG = np.linspace(0.0, 1.0, 600)
WOBBLE = np.random.default_rng(7)


def loop(size_deg: float, *, shaken_deg: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    north = 46.0 + size_deg * np.sin(2 * np.pi * ALONG) + WOBBLE.normal(0, shaken_deg, len(ALONG))
    east = 7.0 + size_deg * (1 - np.cos(2 * np.pi * ALONG)) + WOBBLE.normal(0, shaken_deg, len(ALONG))
    return north, east


def test_a_loop_is_the_same_either_way_round_and_half_of_it_is_another():
    north, east = loop(0.03)
    ways = [way_of(north, east), way_of(north[::-1], east[::-1]), way_of(north[:300], east[:300])]

    assert same_ways(ways) == [0, 0, None]


def test_there_and_back_again_is_one_way():
    there = 46.0 + 0.05 * ALONG
    ways = [way_of(there, np.full(600, 7.0)), way_of(there[::-1], np.full(600, 7.0))]

    assert same_ways(ways) == [0, 0]


def test_satellites_may_shake_and_a_wider_loop_is_another():
    ways = [
        way_of(*loop(0.03)),
        way_of(*loop(0.03, shaken_deg=5e-5)),
        way_of(*loop(0.05)),
        way_of(*loop(0.05)),
    ]

    assert same_ways(ways) == [0, 0, 1, 1]


def test_a_way_goes_to_its_last_place_and_is_known_from_half_a_kilometre_on():
    assert way_of(np.array([46.0, 46.004, 46.008]), np.full(3, 7.0))[-2] == 46_008
    assert way_of(np.array([46.0, 46.004, 46.0045]), np.full(3, 7.0)) is not None
    assert way_of(np.array([46.0, 46.004, 46.0044]), np.full(3, 7.0)) is None  # 489 m


@pytest.mark.parametrize("shift", [(0.002, 0.0), (-0.002, 0.0), (0.0, 0.002), (0.0, -0.002)])
def test_a_way_is_the_same_across_the_border_of_the_cells_it_is_looked_up_by(shift):
    """Its middle is a thousandth of a degree from such a border, whichever way the satellites drift."""
    middle = 46.008 - shift[0] / 2, 7.008 - shift[1] / 2  # 46 008 and 7 008 are multiples of twelve
    along = 0.05 * (ALONG - 0.5)
    here = way_of(middle[0] + along, middle[1] + along)
    there = way_of(middle[0] + shift[0] + along, middle[1] + shift[1] + along)

    assert same_ways([here, there]) == [0, 0]


def test_degrees_of_longitude_are_as_short_as_they_are_that_far_north():
    """Two ways due north at 70° N, 0.008° apart: 304 m there; at the equator it would be 890 m."""
    north = 70.0 + 0.05 * ALONG
    ways = [way_of(north, np.full(600, east)) for east in (0.0, 0.008)]

    assert same_ways(ways) == [0, 0]


@pytest.mark.parametrize(
    "places", [([], []), ([46.0], [7.0]), ([46.0, 46.0001], [7.0, 7.0]), ([np.nan] * 3,) * 2]
)
def test_without_places_or_nearly_at_rest_no_way_is_known(places):
    assert way_of(*(np.array(column, dtype=float) for column in places)) is None
    assert same_ways([None, None]) == [None, None]


def test_over_the_antimeridian_a_way_has_no_jump():
    way = way_of(np.full(600, -17.0), (179.95 + 0.1 * ALONG + 180.0) % 360.0 - 180.0)

    assert way is not None
    assert len(way) == 2 * PLACES
    assert np.diff(way[1::2]).max() < 20
