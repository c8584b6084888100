"""Which streets a track lies on, and how much of it was unpaved: lengths known beforehand."""

from __future__ import annotations

import numpy as np
import pytest

from ingest.ground.street_surface import Ground, Street, StreetMap, StreetSurface, ground_of
from ingest.ground.street_surface import street_surface as surface_on
from tests.street_map import northwards

pytest.importorskip("shapely", reason="street maps need the extra 'surface'")

HERE = (-31.0, 21.0)


def columns(places):
    latitude, longitude = np.array(places, dtype=float).T
    return latitude, longitude


def street_surface(latitude, longitude, streets):
    return surface_on(latitude, longitude, StreetMap(streets))


def street(places, ground):
    return Street(ground, *columns(places))


def track(metres, start=HERE, **more):
    return columns(northwards(start, metres, **more))


def after(metres, start=HERE):
    return (start[0] + metres / 111_195, start[1])


@pytest.mark.parametrize(
    ("tags", "ground"),
    [
        ({"surface": "asphalt"}, Ground.PAVED),
        ({"surface": "concrete:plates"}, Ground.PAVED),
        ({"surface": "fine_gravel"}, Ground.UNPAVED),
        ({"surface": "Compacted "}, Ground.UNPAVED),
        ({"surface": "asphalt;concrete"}, Ground.PAVED),
        ({"surface": "asphalt;gravel"}, None),
        ({"surface": "yes"}, None),
        ({"surface": "yes", "tracktype": "grade3"}, Ground.UNPAVED),
        ({"surface": "gravel", "tracktype": "grade1"}, Ground.UNPAVED),
        ({"surface": "asphalt;gravel", "tracktype": "grade1"}, None),
        ({"tracktype": "grade1"}, Ground.PAVED),
        ({"highway": "track"}, None),  # not guessed from the kind of road
        ({}, None),
    ],
)
def test_a_streets_tags_name_its_ground(tags, ground):
    assert ground_of(tags) is ground


def test_a_track_over_three_streets_is_measured_by_length():
    streets = [
        street(northwards(HERE, 3000), Ground.PAVED),
        street(northwards(after(3000), 1000), Ground.UNPAVED),
        street(northwards(after(4000), 1000), None),
    ]
    found = street_surface(*track(6000), streets)
    assert found.length_m == pytest.approx(6000, abs=1)
    # at each border a street reaches on to the next piece of 20 m, and past its end by the reach of 30 m
    assert (found.paved_m, found.unpaved_m) == pytest.approx((3000, 1000), abs=40)
    assert (found.no_tag_m, found.off_map_m) == pytest.approx((1000, 1000), abs=40)
    assert found.unpaved_share == pytest.approx(0.25, abs=0.01)
    assert found.untold_share == pytest.approx(2 / 6, abs=0.01)


def test_of_two_streets_side_by_side_the_nearer_is_ridden():
    road, path = northwards(HERE, 2000), northwards(HERE, 2000, east_m=25)
    streets = [street(road, Ground.PAVED), street(path, Ground.UNPAVED)]
    assert street_surface(*track(2000, east_m=4), streets).unpaved_share == 0.0
    assert street_surface(*track(2000, east_m=21), streets).unpaved_share == 1.0


def test_a_street_that_is_only_crossed_is_not_ridden():
    latitude = after(1000)[0]
    crossing = [(latitude, HERE[1] - 0.01), (latitude, HERE[1] + 0.01)]
    track_of_mine = street(northwards(HERE, 2000, east_m=12), Ground.UNPAVED)
    found = street_surface(*track(2000), [street(crossing, Ground.PAVED), track_of_mine])
    assert (found.paved_m, found.unpaved_share) == (0.0, 1.0)
    alone = street_surface(*track(2000), [street(crossing, Ground.PAVED)])
    assert alone.off_map_m == pytest.approx(2000, abs=1)


def test_a_street_ridden_against_its_drawing_counts():
    backwards = street(list(reversed(northwards(HERE, 1000))), Ground.UNPAVED)
    assert street_surface(*track(1000), [backwards]).unpaved_share == 1.0


def test_a_street_out_of_reach_is_none():
    found = street_surface(*track(1000), [street(northwards(HERE, 1000, east_m=60), Ground.PAVED)])
    assert found.off_map_m == pytest.approx(1000, abs=1)
    assert found.unpaved_share is None


def test_a_map_that_tells_less_than_half_is_not_heard():
    streets = [street(northwards(HERE, 900), Ground.UNPAVED), street(northwards(after(900), 1100), None)]
    assert street_surface(*track(2000), streets).unpaved_share is None
    assert StreetSurface(250, 750, 500, 500).unpaved_share == 0.75
    assert StreetSurface(0, 0, 0, 0).unpaved_share is None
    assert StreetSurface(0, 0, 0, 0).untold_share == 1.0


def test_no_streets_and_a_track_of_one_point_are_silent():
    assert street_surface(*track(1000), []).off_map_m == pytest.approx(1000, abs=1)
    lone = street([HERE], Ground.PAVED)
    assert street_surface(*track(1000), [lone]).paved_m == 0.0
    assert street_surface(np.array([1.0]), np.array([2.0]), [lone]).length_m == 0.0


def test_the_date_line_is_no_border():
    east, west = (10.0, 179.9995), (10.0, -179.9995)  # 110 m apart, across the line
    line = [(10.0, 179.99), east, west, (10.0, -179.99)]
    found = street_surface(*columns(line), [street(line, Ground.UNPAVED)])
    assert found.length_m == pytest.approx(0.02 * 111_195 * np.cos(np.radians(10)), rel=0.001)
    assert (found.unpaved_share, found.untold_share) == (1.0, 0.0)


def test_one_map_serves_rides_on_both_sides_of_the_globe():
    here, there = northwards((10.0, 0.0), 1000), [(10.0, 179.9995), (10.0, -179.9995)]
    both = [street(here, Ground.PAVED), street(there, Ground.UNPAVED)]
    # seen from here, the street at the date line would lie right across the world
    across = columns([(10.0, 0.0), (10.0, 0.01)])
    assert street_surface(*columns(here), both).unpaved_share == 0.0
    assert street_surface(*across, both).unpaved_m == 0.0
    assert street_surface(*columns(there), both).unpaved_share == 1.0
