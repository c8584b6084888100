"""Distances against published geodesics and geographiclib; mean places and thinned tracks."""

from __future__ import annotations

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st

from ingest.ride.geometry import (
    MEAN_EARTH_RADIUS_M,
    haversine_m,
    mean_places,
    steps_m,
    thinned,
    unwrapped,
    wrapped,
)

WGS84 = Geodesic.WGS84


def metres(*places: float) -> float:
    return float(haversine_m(*(np.array([place]) for place in places))[0])


def test_the_ellipsoid_of_the_reference_is_wgs84():
    # geographiclib documentation: a = 6378137 m, 1/f = 298.257223563
    assert WGS84.a == 6378137.0
    assert 1 / WGS84.f == pytest.approx(298.257223563, abs=1e-12)


@pytest.mark.parametrize(
    ("places", "published_m", "tolerance"),
    [
        # geographiclib doc/examples.rst, Wellington to Salamanca
        ((-41.32, 174.81, 40.96, -5.50), 19959679.267, 1e-3),
        # geographiclib test/test_geodesic.py, testcases rows 1, 2 and 13
        ((35.60777, -139.44815, -11.17491, -69.95921), 8935244.5604818305, 1e-8),
        ((55.52454, 106.05087, 77.03196, 197.18234), 4105086.1713924406, 1e-8),
        ((-19.79938, -174.47484, -11.99349, -154.35109), 2319004.8601169389, 1e-8),
    ],
)
def test_the_reference_repeats_published_geodesics_and_the_sphere_stays_in_its_band(
    places, published_m, tolerance
):
    assert WGS84.Inverse(*places)["s12"] == pytest.approx(published_m, abs=tolerance)
    assert metres(*places) == pytest.approx(published_m, rel=0.00562)


def test_the_reference_repeats_flinders_peak_to_buninyong():
    # Geodetic Datum of Australia technical manual (from memory): 54972.271 m, azimuth 306°52'05.37", on GRS80
    grs80 = Geodesic(6378137.0, 1 / 298.257222101)

    def degrees(d: float, m: float, s: float) -> float:
        return float(np.sign(d) * (abs(d) + m / 60 + s / 3600))

    line = grs80.Inverse(
        degrees(-37, 57, 3.72030),
        degrees(144, 25, 29.52440),
        degrees(-37, 39, 10.15610),
        degrees(143, 55, 35.38390),
    )
    assert line["s12"] == pytest.approx(54972.271, abs=1e-3)
    assert line["azi1"] % 360 == pytest.approx(degrees(306, 52, 5.37), abs=0.01 / 3600)


@pytest.mark.parametrize(
    ("places", "sphere_m", "ellipsoid_m"),
    [
        # arithmetic from R = (2a + b) / 3 of WGS 84, rounded: 6371008.8 m
        ((0.0, 0.0, 1.0, 0.0), 111195.0802, 110574.3886),
        ((0.0, 0.0, 0.0, 1.0), 111195.0802, 111319.4908),
        ((45.0, 0.0, 46.0, 0.0), 111195.0802, 111141.5485),
        ((52.52, 13.405, 48.137, 11.575), 504338.5961, 504612.7418),
    ],
)
def test_haversine_and_geodesic_differ_as_computed(places, sphere_m, ellipsoid_m):
    assert metres(*places) == pytest.approx(sphere_m, abs=1e-3)
    assert WGS84.Inverse(*places)["s12"] == pytest.approx(ellipsoid_m, abs=1e-3)


def test_the_classic_pair_of_airports_shows_why_the_radius_must_be_stated():
    # Rosetta Code, "Haversine formula", discussion: 2887.26 km with R = 6372.8 km
    airports = (36.12, -86.67, 33.94, -118.40)
    assert metres(*airports) == pytest.approx(2886.448e3, abs=1.0)
    assert metres(*airports) * 6372.8e3 / MEAN_EARTH_RADIUS_M == pytest.approx(2887.260e3, abs=1.0)


def test_the_worst_error_is_north_south_at_the_equator():
    # arithmetic: R over the meridian radius there, a(1 - e²) = 6335439.327 m; "< 0.56 %" is too tight
    tiny = 1e-3
    worst = metres(0.0, 0.0, tiny, 0.0) / WGS84.Inverse(0.0, 0.0, tiny, 0.0)["s12"] - 1
    assert worst == pytest.approx(0.00561437, abs=1e-7)
    polar = (89.99, 0.0, 89.99 + tiny, 0.0)
    assert metres(*polar) / WGS84.Inverse(*polar)["s12"] - 1 == pytest.approx(-0.00446666, abs=1e-7)


@given(st.floats(-89.9, 89.9), st.floats(-180, 180), st.floats(-0.5, 0.5), st.floats(-0.5, 0.5))
def test_haversine_is_within_0_562_percent_of_the_ellipsoid(latitude, longitude, north, east):
    to = (float(np.clip(latitude + north, -90, 90)), longitude + east)
    geodesic = WGS84.Inverse(latitude, longitude, *to)["s12"]
    assert metres(latitude, longitude, *to) == pytest.approx(geodesic, rel=0.00562, abs=1e-3)


def test_a_step_over_the_date_line_is_a_step_not_a_trip_round_the_world():
    steps = steps_m(np.array([0.0, 0.0, 0.0]), np.array([179.9995, -179.9995, np.nan]))
    assert steps[0] == pytest.approx(111.195, abs=0.01)
    assert np.isnan(steps[1])


def test_longitudes_unwrap_and_wrap_back():
    longitude = np.array([179.9, np.nan, -179.9, -179.7, 179.8])
    run = unwrapped(longitude)
    assert np.nanmax(np.abs(np.diff(run[np.isfinite(run)]))) < 0.6
    np.testing.assert_allclose(wrapped(run), longitude, atol=1e-9)
    assert wrapped(np.array([180.0, -180.0, 540.0])).tolist() == [-180.0, -180.0, -180.0]


def test_the_mean_place_near_the_date_line_is_near_the_date_line():
    latitude, longitude = mean_places(
        np.array([10.0, 10.0, 50.0, np.nan]), np.array([179.0, -179.0, 8.0, 8.0]), np.array([0, 2, 3])
    )
    assert abs(longitude[0]) == pytest.approx(180.0)
    assert latitude[0] == pytest.approx(10.0, abs=0.002)
    assert (latitude[1], longitude[1]) == (pytest.approx(50.0), pytest.approx(8.0))
    assert np.isnan(latitude[2])
    assert np.isnan(longitude[2])


def test_a_thinned_track_keeps_its_ends_and_its_shape():
    turn = np.linspace(0, 2 * np.pi, 5000)
    latitude, longitude = 46 + 0.1 * np.sin(turn) + 0.02 * np.sin(9 * turn), 9 + 0.1 * np.cos(turn)
    kept = thinned(latitude, longitude, 200)
    assert len(kept) == 200
    assert (kept[0], kept[-1]) == (0, 4999)
    assert (np.diff(kept) > 0).all()
    off_m = haversine_m(
        latitude,
        longitude,
        np.interp(range(5000), kept, latitude[kept]),
        np.interp(range(5000), kept, longitude[kept]),
    )
    assert off_m.max() < 60  # of a track 79 km long
    evenly = np.linspace(0, 4999, 200).astype(int)
    crude_m = haversine_m(
        latitude,
        longitude,
        np.interp(range(5000), evenly, latitude[evenly]),
        np.interp(range(5000), evenly, longitude[evenly]),
    )
    assert off_m.mean() < 1.5 * crude_m.mean()


def test_a_corner_survives_where_every_other_point_goes():
    east = np.concatenate((np.linspace(0, 1, 500), np.ones(500)))
    north = np.concatenate((np.zeros(500), np.linspace(0, 1, 501)[1:]))
    kept = thinned(north, east, 3)
    assert kept.tolist() == [0, 499, 999]


@pytest.mark.parametrize("shape", ["still", "straight", "spiral"])
def test_no_made_up_track_makes_thinning_slow(shape):
    count = 200_000
    turn = np.arange(count) / 200.0
    latitude, longitude = {
        "still": (np.full(count, 46.0), np.full(count, 9.0)),
        "straight": (np.linspace(40, 50, count), np.full(count, 9.0)),
        "spiral": (1e-3 * turn * np.sin(turn), 1e-3 * turn * np.cos(turn)),
    }[shape]
    # Every point against every other would be 40 thousand million looks: minutes instead of a moment.
    assert len(thinned(latitude, longitude, 400)) == 400


def test_short_tracks_are_left_alone():
    assert thinned(np.array([]), np.array([]), 400).tolist() == []
    assert thinned(np.array([1.0, 2.0]), np.array([1.0, 2.0]), 400).tolist() == [0, 1]
