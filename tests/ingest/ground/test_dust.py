"""The dust index: AP-42 as a ratio."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.ground.dust import dust_index, moisture_pct
from ingest.ground.road_dust import DIRT_SILT_PCT, PM10, public_unpaved_lb_mile
from ingest.weather.hourly import Cell, HourlyWeather
from rules.vocabulary import Tier

KMH = 1 / 3.6
DRY_ROAD_M3M3 = 0.5 * 1.44 / 100  # AP-42's dry surface, 0.5 % by mass


def index(**changes):
    usual = {"speed_mps": 20 * KMH, "soil_moisture_m3m3": DRY_ROAD_M3M3, "rain_mm": 0.0, "film_mm": 0.0}
    return dust_index(**{**usual, **changes})


@pytest.mark.parametrize(
    ("soil", "percent", "factor"),
    [
        (0.02, 1.389, 0.8152),
        (0.05, 3.472, 0.6787),
        (0.10, 6.944, 0.5908),
        (0.20, 13.889, 0.5144),
        (0.30, 20, 0.4782),
    ],
)
def test_soil_moisture_becomes_surface_moisture_and_its_factor(soil, percent, factor):
    # Pérez-Peña et al. 2017, doi 10.1016/j.apr.2016.07.006 (code mpperezp/RPM_MITIGATION): 100 θ / 1.44, 0.2
    # to 20
    assert moisture_pct(soil) == pytest.approx(percent, abs=1e-3)
    assert index(soil_moisture_m3m3=soil) == pytest.approx(factor, abs=1e-3)


def test_moisture_has_a_floor():
    assert moisture_pct(0.0) == 0.2


def test_a_dry_public_gravel_road_at_twenty_is_one():
    assert index() == pytest.approx(1)
    assert index(speed_mps=None) == pytest.approx(1)


@pytest.mark.parametrize(
    ("silt_pct", "kmh", "soil"), [(6.4, 20, 0.05), (11.0, 30, 0.02), (11.0, 12, 0.15), (6.4, 40, 0.1)]
)
def test_the_index_is_the_published_equation_as_a_ratio(silt_pct, kmh, soil):
    # AP-42 13.2.2 eq. 1b without its tailpipe constant, over itself at 6.4 %, 20 km/h and 0.5 %
    def raised(silt, speed, moisture):
        mph = speed / 1.609344
        return PM10.tailpipe_lb_mile + public_unpaved_lb_mile(
            PM10, silt_pct=silt, speed_mph=mph, moisture_pct=moisture
        )

    expected = raised(silt_pct, kmh, moisture_pct(soil)) / raised(6.4, 20, 0.5)
    assert index(silt_pct=silt_pct, speed_mps=kmh * KMH, soil_moisture_m3m3=soil) == pytest.approx(expected)


def test_rain_in_the_hour_leaves_a_fifth():
    # Pérez-Peña et al. 2017: × 0.2 in an hour with more than 0.254 mm
    assert index(rain_mm=0.3) == pytest.approx(0.2)
    assert index(rain_mm=0.2) == pytest.approx(1)


def test_a_film_on_the_loose_layer_lays_the_dust():
    # NORTRIP v14a: none above 0.06 mm
    assert index(film_mm=0.06) == pytest.approx(1)
    assert index(film_mm=0.061) == 0


@pytest.mark.parametrize(
    ("ratio", "left"), [(0.5, 1), (1, 1), (1.2, 0.85), (1.5, 0.625), (2, 0.25), (5, 0.05)]
)
def test_where_the_driest_soil_is_known_the_watering_curve_stands_alone(ratio, left):
    # AP-42 figure 13.2.2-2; never together with the weak power of moisture
    assert index(soil_moisture_m3m3=ratio * 0.06, dry_soil_m3m3=0.06) == pytest.approx(left)


def test_the_index_is_capped_at_three():
    assert index(silt_pct=DIRT_SILT_PCT, speed_mps=90 * KMH, soil_moisture_m3m3=0.0) == 3


@given(
    st.floats(0.01, 0.4), st.floats(0.01, 0.4), st.floats(0, 15), st.one_of(st.none(), st.floats(0.02, 0.2))
)
def test_moister_ground_is_never_dustier(a, b, speed_mps, dry):
    drier, moister = sorted((a, b))
    less = index(soil_moisture_m3m3=moister, speed_mps=speed_mps, dry_soil_m3m3=dry)
    assert 0 <= less <= index(soil_moisture_m3m3=drier, speed_mps=speed_mps, dry_soil_m3m3=dry) + 1e-12


def _hour(at, soil):
    cell = Cell(38.0, -3.0)
    return HourlyWeather(cell, at, "local file", "", Tier.FINAL, at, 0.0, None, 20, 40, 3, 0, soil, 0.1)
