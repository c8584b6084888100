"""The dust index: AP-42 as a ratio, and AP-42 as published: worked values of section 13.2.2 (11/2006)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.ground.dust import dust_index, watering_efficiency_pct

KMH = 1 / 3.6
AIR_DRY_M3M3 = 0.06


def index(**changes):
    usual = {"speed_mps": 20 * KMH, "soil_moisture_m3m3": AIR_DRY_M3M3, "rain_mm": 0.0, "film_mm": 0.0}
    usual["dry_soil_m3m3"] = AIR_DRY_M3M3
    return dust_index(**{**usual, **changes})


def test_a_dry_public_gravel_road_at_twenty_is_one():
    assert index() == pytest.approx(1)
    assert index(speed_mps=None) == pytest.approx(1)


@pytest.mark.parametrize(("silt_pct", "kmh"), [(6.4, 20), (11.0, 30), (11.0, 12), (6.4, 40)])
def test_the_index_is_the_published_equation_as_a_ratio(silt_pct, kmh):
    # AP-42 13.2.2 eq. 1b without its tailpipe constant, over itself at 6.4 % and 20 km/h, both dry (0.5 %)
    def raised(silt, speed):
        # PM10: 1.8 lb/mile, silt to the power 1, speed to 0.5, moisture to 0.2 (tables 13.2.2-2 and -4)
        return 1.8 * (silt / 12) * (speed / 1.609344 / 30) ** 0.5 / (0.5 / 0.5) ** 0.2

    expected = raised(silt_pct, kmh) / raised(6.4, 20)
    assert index(silt_pct=silt_pct, speed_mps=kmh * KMH) == pytest.approx(expected)


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
def test_moist_soil_dusts_by_the_watering_curve(ratio, left):
    # AP-42 figure 13.2.2-2
    assert index(soil_moisture_m3m3=ratio * AIR_DRY_M3M3) == pytest.approx(left)


def test_the_index_is_capped_at_three():
    assert index(silt_pct=11.0, speed_mps=90 * KMH, soil_moisture_m3m3=0.0) == 3


@given(st.floats(0.01, 0.4), st.floats(0.01, 0.4), st.floats(0, 15), st.floats(0.02, 0.2))
def test_moister_ground_is_never_dustier(a, b, speed_mps, dry):
    drier, moister = sorted((a, b))
    less = index(soil_moisture_m3m3=moister, speed_mps=speed_mps, dry_soil_m3m3=dry)
    assert 0 <= less <= index(soil_moisture_m3m3=drier, speed_mps=speed_mps, dry_soil_m3m3=dry) + 1e-12


@pytest.mark.parametrize(("control_pct", "left"), [(0, 7.1), (62, 2.7), (68, 2.3), (74, 1.8), (80, 1.4)])
def test_watering_leaves_what_the_worked_table_prints(control_pct, left):
    # Table 13.2.2-5: 7.1 lb/VMT uncontrolled; the moisture ratio that the curve needs for it is between 1 and
    # 3
    ratio = 1.0
    while watering_efficiency_pct(ratio) < control_pct:
        ratio += 0.001
    assert 7.1 * (1 - watering_efficiency_pct(ratio) / 100) == pytest.approx(left, abs=0.06)
    assert 1 <= ratio <= 3


@pytest.mark.parametrize(
    ("ratio", "pct"), [(0.5, 0), (1, 0), (1.2, 15), (1.5, 37.5), (2, 75), (3, 81.667), (5, 95), (9, 95)]
)
def test_the_watering_curve(ratio, pct):
    # Figure 13.2.2-2, read off its vector path: vertices (0, 0), (1, 0), (2, 75), (5, 95)
    assert watering_efficiency_pct(ratio) == pytest.approx(pct, abs=1e-3)
