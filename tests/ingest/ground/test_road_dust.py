"""AP-42 as published: constants and worked values. Sections 13.2.1 (01/2011) and 13.2.2 (11/2006)."""

from __future__ import annotations

import pytest

from ingest.ground.road_dust import (
    DIRT_SILT_PCT,
    GRAMS_PER_KM_IN_LB_MILE,
    GRAVEL_SILT_PCT,
    PAVED_K_G_KM,
    PM2_5,
    PM10,
    PM30,
    SILT_LOAD_G_M2,
    Traffic,
    industrial_unpaved_lb_mile,
    paved_g_km,
    paved_hour_factor,
    public_unpaved_lb_mile,
    watering_efficiency_pct,
    with_wet_days,
)


def test_pounds_a_mile_in_grams_a_kilometre():
    # 13.2.2, p. 13.2.2-4: 1 lb/VMT = 281.9 g/VKT; a pound is 453.59237 g, a mile 1.609344 km
    assert pytest.approx(453.59237 / 1.609344, rel=2e-4) == GRAMS_PER_KM_IN_LB_MILE


def test_constants_of_equation_1a():
    # Table 13.2.2-2, industrial roads: k, a, b for PM2.5, PM10, PM30
    sizes = [PM2_5, PM10, PM30]
    assert [s.k_industrial for s in sizes] == [0.15, 1.5, 4.9]
    assert [s.silt_power_industrial for s in sizes] == [0.9, 0.9, 0.7]
    assert [s.weight_power_industrial for s in sizes] == [0.45, 0.45, 0.45]


def test_constants_of_equation_1b():
    # Tables 13.2.2-2 and 13.2.2-4, public roads (as transcribed in christiaanpauw/EPA4213)
    sizes = [PM2_5, PM10, PM30]
    assert [s.k_public for s in sizes] == [0.18, 1.8, 6.0]
    assert [s.silt_power_public for s in sizes] == [1, 1, 1]
    assert [s.moisture_power_public for s in sizes] == [0.2, 0.2, 0.3]
    assert [s.speed_power_public for s in sizes] == [0.5, 0.5, 0.3]
    assert [s.tailpipe_lb_mile for s in sizes] == [0.00036, 0.00047, 0.00047]


def test_silt_of_public_roads_lies_in_the_fitted_range():
    # Table 13.2.2-1 (from memory): gravel 6.4 % (0.1-15), dirt 11 % (0.83-68); table 13.2.2-3: 1b fits 1.8-35
    # %
    assert (GRAVEL_SILT_PCT, DIRT_SILT_PCT) == (6.4, 11.0)
    assert 1.8 <= GRAVEL_SILT_PCT < DIRT_SILT_PCT <= 25.2


def test_industrial_roads():
    # Arithmetic on equation 1a: silt 12 %, 3 tons is its own reference; then 10 %, 290 tons, the range's end
    assert industrial_unpaved_lb_mile(PM10, silt_pct=12, weight_tons=3) == pytest.approx(1.5)
    worked = [industrial_unpaved_lb_mile(s, silt_pct=10, weight_tons=290) for s in (PM2_5, PM10, PM30)]
    assert worked == pytest.approx([0.99587, 9.95870, 33.73990], abs=1e-5)


@pytest.mark.parametrize(
    ("size", "silt_pct", "speed_mph", "moisture_pct", "lb_mile", "tolerance"),
    [
        (PM10, 6.4, 30, 0.5, 0.95953, 1e-5),
        (PM2_5, 6.4, 30, 0.5, 0.09564, 1e-5),
        (PM30, 6.4, 30, 0.5, 3.19953, 1e-5),
        (PM10, 6.4, 15, 0.2, 0.814880, 1e-6),
        (PM10, 6.4, 15, 2.0, 0.513981, 1e-6),
        (PM10, 11, 20, 0.2, 1.617708, 1e-6),
    ],
)
def test_public_roads(size, silt_pct, speed_mph, moisture_pct, lb_mile, tolerance):
    # Arithmetic on equation 1b
    worked = public_unpaved_lb_mile(size, silt_pct=silt_pct, speed_mph=speed_mph, moisture_pct=moisture_pct)
    assert worked == pytest.approx(lb_mile, abs=tolerance)


def test_a_public_road_in_metric():
    # The first of them: 270.4915 g/VKT
    worked = public_unpaved_lb_mile(PM10, silt_pct=6.4, speed_mph=30, moisture_pct=0.5)
    assert worked * GRAMS_PER_KM_IN_LB_MILE == pytest.approx(270.4915, abs=1e-3)


def test_a_year_with_wet_days():
    # 13.2.2 equation 2: a day with 0.254 mm or more is wet
    gravel = public_unpaved_lb_mile(PM10, silt_pct=6.4, speed_mph=30, moisture_pct=0.5)
    assert with_wet_days(gravel, wet_days=120) == pytest.approx(0.644068, abs=1e-6)
    industrial = industrial_unpaved_lb_mile(PM10, silt_pct=10, weight_tons=290)
    assert with_wet_days(industrial, wet_days=150) == pytest.approx(5.86608, abs=1e-5)


def test_the_mean_weight_of_a_fleet_enters_the_equation():
    # 13.2.2 text: 98 % of 2 tons and 2 % of 20 tons is a fleet of 2.4 tons, not two fleets
    mean = 0.98 * 2 + 0.02 * 20
    assert mean == pytest.approx(2.4, abs=0.05)
    fleet = industrial_unpaved_lb_mile(PM10, silt_pct=12, weight_tons=mean)
    assert fleet == pytest.approx(1.5 * (2.36 / 3) ** 0.45)


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


def test_constants_of_the_paved_equation():
    # 13.2.1 equation 1: k in g/VKT (as the CRAN package vein has them)
    assert PAVED_K_G_KM == {2.5: 0.15, 10: 0.62, 15: 0.77, 30: 3.23}


@pytest.mark.parametrize(
    ("silt_load", "weight", "g_km"), [(0.2, 2, 0.290656), (0.6, 2, 0.789878), (0.03, 2.4, 0.062286)]
)
def test_paved_roads(silt_load, weight, g_km):
    # Arithmetic on 13.2.1 equation 1
    assert paved_g_km(silt_load_g_m2=silt_load, weight_tons=weight) == pytest.approx(g_km, abs=1e-6)


def test_silt_load_by_traffic():
    # Table 13.2.1-2, g/m²: quiet roads are the dustiest
    assert [SILT_LOAD_G_M2[t] for t in Traffic] == [0.6, 0.2, 0.06, 0.03, 0.015]


def test_rain_over_a_paved_year():
    # 13.2.1 equations 2 and 3 (form from memory): 1 - P/4N by days, 1 - 1.2P/N by hours, on the first value
    # above
    dry = paved_g_km(silt_load_g_m2=0.2, weight_tons=2)
    assert with_wet_days(dry, wet_days=120, days=4 * 365) == pytest.approx(0.266767, abs=1e-6)
    assert with_wet_days(dry, wet_days=288, days=8760) == pytest.approx(0.281100, abs=1e-6)


@pytest.mark.parametrize(
    ("rain_mm", "wet_before", "since", "factor"),
    [(0.254, 0, 0, 0), (0.253, 3, 1, 0.8), (0, 3, 3, 0.8), (0, 3, 4, 1), (0, 20, 12, 0.8), (0, 20, 13, 1)],
)
def test_the_hourly_rule_for_paved_roads(rain_mm, wet_before, since, factor):
    # 13.2.1 text as quoted in a secondary source: nothing in a wet hour, then a fifth off for as many hours,
    # 12 at most
    worked = paved_hour_factor(rain_mm=rain_mm, wet_hours_before=wet_before, hours_since_rain=since)
    assert worked == factor


@pytest.mark.parametrize(("silt_load", "ratio"), [(0.2, 930.6), (0.6, 342.4)])
def test_unpaved_roads_are_hundreds_of_times_dustier_than_paved_ones(silt_load, ratio):
    # Why dry paved ground counts as dustless
    gravel = public_unpaved_lb_mile(PM10, silt_pct=6.4, speed_mph=30, moisture_pct=0.5)
    paved = paved_g_km(silt_load_g_m2=silt_load, weight_tons=2)
    assert gravel * GRAMS_PER_KM_IN_LB_MILE / paved == pytest.approx(ratio, abs=0.1)
