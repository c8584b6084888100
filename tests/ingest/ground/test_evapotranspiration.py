"""FAO-56 against its own printed examples and against two independent packages."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from ingest.ground.evapotranspiration import (
    ASCE_SHORT_NIGHT_HOUR,
    ASCE_SHORT_SUNLIT_HOUR,
    FAO_DAY,
    FAO_HOUR,
    UNKNOWN_CLEARNESS,
    ReferenceCrop,
    carried_off_mm,
    ground_heat_mj_m2,
    hourly_reference_mm,
    penman_monteith_mm,
    pressure_at_kpa,
    psychrometric_kpa_per_c,
    resistance_s_m,
    saturation_vapour_pressure_kpa,
    slope_kpa_per_c,
    sun,
    sunshine_from_warmth_mj_m2,
    wind_at_2m_mps,
)
from tests.airport_year import AIRPORTS, airport_year


def test_saturation_vapour_pressure_as_printed():
    # FAO-56 eq. 11 and example 3, p. 69: 24.5 °C and 15 °C, mean 2.39 kPa
    assert saturation_vapour_pressure_kpa(15.0) == pytest.approx(1.7053, abs=1e-4)
    assert saturation_vapour_pressure_kpa(24.5) == pytest.approx(3.0746, abs=1e-4)
    mean = (saturation_vapour_pressure_kpa(15.0) + saturation_vapour_pressure_kpa(24.5)) / 2
    assert mean == pytest.approx(2.39, abs=0.005)


def test_pressure_and_psychrometric_constant_as_printed():
    # FAO-56 eqs 7 and 8, example 2, p. 63: 1800 m -> 81.8 kPa -> 0.054 kPa/°C
    assert pressure_at_kpa(1800) == pytest.approx(81.8, abs=0.06)
    assert psychrometric_kpa_per_c(81.8) == pytest.approx(0.0544, abs=5e-4)


def test_slope_as_printed():
    # FAO-56 eq. 13, example 17, p. 111: 30.2 °C -> 0.246 kPa/°C
    assert slope_kpa_per_c(30.2) == pytest.approx(0.246, abs=5e-4)


def test_wind_brought_down_to_two_metres_as_printed():
    # FAO-56 eq. 47, example 14, p. 92: 3.2 m/s at 10 m -> 2.4 m/s
    assert wind_at_2m_mps(1.0) == pytest.approx(0.74795, abs=1e-5)
    assert wind_at_2m_mps(3.2) == pytest.approx(2.4, abs=0.01)


def test_a_day_as_printed():
    # FAO-56 example 18, p. 113: Uccle, 6 July: 3.9 mm/day
    et0 = penman_monteith_mm(
        net_radiation_mj_m2=13.28,
        ground_heat_mj_m2=0,
        air_c=16.9,
        wind_2m_mps=2.078,
        saturation_kpa=1.997,
        vapour_kpa=1.409,
        slope=slope_kpa_per_c(16.9),
        psychrometric=psychrometric_kpa_per_c(pressure_at_kpa(100)),
        crop=FAO_DAY,
    )
    assert et0 == pytest.approx(3.9, abs=0.05)
    assert et0 == pytest.approx(3.878, abs=0.005)


def test_a_month_as_printed():
    # FAO-56 example 17, p. 110: Bangkok, April: 5.72 mm/day
    et0 = penman_monteith_mm(
        net_radiation_mj_m2=14.33,
        ground_heat_mj_m2=0.14,
        air_c=30.2,
        wind_2m_mps=2,
        saturation_kpa=4.42,
        vapour_kpa=2.85,
        slope=0.246,
        psychrometric=0.0674,
        crop=FAO_DAY,
    )
    assert et0 == pytest.approx(5.72, abs=0.02)


def _ndiaye(
    air_c: float, humidity_pct: float, wind_mps: float, net: float, ground: float, crop: ReferenceCrop
):
    saturation = saturation_vapour_pressure_kpa(air_c)
    return penman_monteith_mm(
        net_radiation_mj_m2=net,
        ground_heat_mj_m2=ground,
        air_c=air_c,
        wind_2m_mps=wind_mps,
        saturation_kpa=saturation,
        vapour_kpa=saturation * humidity_pct / 100,
        slope=slope_kpa_per_c(air_c),
        psychrometric=psychrometric_kpa_per_c(pressure_at_kpa(8)),
        crop=crop,
    )


def test_two_hours_of_one_day_as_printed():
    # FAO-56 eq. 53, example 19 (inputs and book values from memory): N'Diaye, 1 October, 14-15 h 0.63 mm,
    # 2-3 h 0.00 mm; 0.6268 and 0.0044 are arithmetic on those inputs.
    afternoon = _ndiaye(38, 52, 3.3, 1.749, 0.175, FAO_HOUR)
    assert afternoon == pytest.approx(0.63, abs=0.005)
    assert afternoon == pytest.approx(0.6268, abs=5e-4)
    night = _ndiaye(28, 90, 1.9, -0.100, -0.050, FAO_HOUR)
    assert night == pytest.approx(0.00, abs=0.005)
    assert night == pytest.approx(0.0044, abs=5e-4)


def test_the_american_variant_of_the_same_hour_gives_more():
    # ASCE-EWRI 2005, short reference, Cd 0.24 by day (from memory): 0.6559 mm, 4.6 % more than FAO-56
    assert _ndiaye(38, 52, 3.3, 1.749, 0.175, ASCE_SHORT_SUNLIT_HOUR) == pytest.approx(0.6559, abs=1e-3)


def test_the_ground_takes_a_tenth_by_day_and_gives_half_by_night():
    # FAO-56 eqs 45 and 46
    assert ground_heat_mj_m2(1.749) == pytest.approx(0.1749)
    assert ground_heat_mj_m2(-0.100) == pytest.approx(-0.050)


def test_an_hour_worked_by_another_program():
    # RefET's own test (github WSWUP/RefET, tests/test_hourly.py, Fallon, Nevada, 1 July 2015, 18 h UTC,
    # method "asce"): 0.6063515410 mm. It rounds the Stefan-Boltzmann constant to 2.042e-10, ours is
    # 2.043e-10, and its solar geometry differs in the last digits.
    wind_2m = 1.4886432 * 4.87 / np.log(67.8 * 3 - 5.42)
    saturation = saturation_vapour_pressure_kpa(33.2222222222222)
    worked = hourly_reference_mm(
        hour_start=datetime(2015, 7, 1, 18, tzinfo=UTC),
        latitude_deg=39.4575,
        longitude_deg=-118.77388,
        altitude_m=1208.5,
        air_c=33.2222222222222,
        humidity_pct=100 * 1.19900996 / saturation,
        wind_10m_mps=wind_2m / 0.747951,
        shortwave_mj_m2=2.56064688,
        crop=ASCE_SHORT_SUNLIT_HOUR,
    )
    assert worked.et0_mm == pytest.approx(0.6063515410, abs=1e-4)


@pytest.fixture(scope="module")
def laguardia():
    """A year of real hours, with the sun that their warmth suggests."""
    latitude_deg, longitude_deg = AIRPORTS["LGA"]
    year = airport_year("LGA")
    rows, warm = [], []
    for at in sorted(year):
        hour = year[at]
        if None in (hour.temperature_c, hour.humidity_pct, hour.wind_10m_mps):
            continue
        warm = [*warm[-23:], hour.temperature_c]
        outside = sun(at, latitude_deg, longitude_deg).outside_air_mj_m2
        # every third hour clouded over, so that the clearness varies
        cloud = 0.4 if at.day % 3 == 0 else 1.0
        shortwave = cloud * sunshine_from_warmth_mj_m2(outside, max(warm) - min(warm))
        rows.append((at, hour.temperature_c, hour.humidity_pct, hour.wind_10m_mps, shortwave))
    return rows


def _ours(rows, crop_of):
    latitude_deg, longitude_deg = AIRPORTS["LGA"]
    clearness, result = UNKNOWN_CLEARNESS, []
    for at, air_c, humidity_pct, wind_mps, shortwave in rows:
        worked = hourly_reference_mm(
            hour_start=at,
            latitude_deg=latitude_deg,
            longitude_deg=longitude_deg,
            altitude_m=7,
            air_c=air_c,
            humidity_pct=humidity_pct,
            wind_10m_mps=wind_mps,
            shortwave_mj_m2=shortwave,
            clearness_before=clearness,
            crop=crop_of(shortwave),
        )
        clearness = worked.clearness
        result.append(worked.et0_mm)
    return np.array(result)


def test_a_year_of_hours_as_the_eto_package_has_it(laguardia):
    # ETo 2.2 (package registry), FAO-56 hourly, over 8 700 real hours
    from eto import ETo

    columns = list(zip(*laguardia, strict=True))
    package = ETo(
        {
            "T_mean": np.array(columns[1]),
            "RH_mean": np.array(columns[2]),
            "U_z": np.array(columns[3]),
            "R_s": np.array(columns[4]),
        },
        freq="h",
        dates=np.array([at.replace(tzinfo=None) for at in columns[0]], dtype="datetime64[s]"),
        z_msl=7,
        lat=AIRPORTS["LGA"][0],
        lon=AIRPORTS["LGA"][1],
        TZ_lon=0,
        z_u=10,
        rs_rso_init=UNKNOWN_CLEARNESS,
    )
    theirs = package.eto_fao(max_ETo=None, min_ETo=None, decimals=None)
    difference = np.abs(_ours(laguardia, lambda _: FAO_HOUR) - theirs)
    print(f"hours {len(theirs)}, largest difference {difference.max():.2e} mm, year {theirs.sum():.1f} mm")
    assert len(theirs) > 8600
    assert np.ptp(theirs) > 0.6  # hours of dew and hours of strong drying are both in it
    assert difference.max() < 1e-9


def test_a_year_of_sunlit_hours_as_refet_has_them(laguardia):
    # refet 0.5 (package registry), ASCE short reference; sun high enough that its cloud rule is ours
    import refet

    latitude_deg, longitude_deg = AIRPORTS["LGA"]
    high = (
        1.7  # MJ/m² outside the air: under 17° refet takes the sky as clear, and says that this is a stopgap
    )

    def sun_stays_high(at):
        before = at - timedelta(hours=1)
        return all(sun(h, latitude_deg, longitude_deg).outside_air_mj_m2 > high for h in (before, at))

    rows = [row for row in laguardia if sun_stays_high(row[0])]
    columns = list(zip(*rows, strict=True))
    vapour = [saturation_vapour_pressure_kpa(t) * rh / 100 for _, t, rh, _, _ in rows]
    theirs = refet.Hourly(
        tmean=columns[1],
        rs=columns[4],
        uz=columns[3],
        zw=10,
        elev=7,
        lat=latitude_deg,
        lon=longitude_deg,
        doy=np.array([at.timetuple().tm_yday for at in columns[0]]),
        time=np.array([at.hour for at in columns[0]]),
        ea=np.array(vapour),
        method="asce",
    ).eto()
    difference = np.abs(_ours(rows, lambda _: ASCE_SHORT_SUNLIT_HOUR) - theirs)
    print(f"hours {len(rows)}, largest difference {difference.max():.2e} mm")
    assert len(rows) > 1500
    assert difference.max() < 1e-4


def test_the_variants_differ_at_night_as_their_wind_factors_say():
    # ASCE-EWRI 2005 (from memory): 0.96 by night against FAO-56's 0.34 throughout
    fao = _ndiaye(28, 40, 1.9, -0.1, -0.05, FAO_HOUR)
    asce = _ndiaye(28, 40, 1.9, -0.1, -0.05, ASCE_SHORT_NIGHT_HOUR)
    assert 0 < asce < fao


def test_the_sun_is_down_at_midnight_and_never_sets_in_the_arctic_summer():
    assert sun(datetime(2025, 6, 21, 0, tzinfo=UTC), 40, 0).outside_air_mj_m2 == 0
    assert sun(datetime(2025, 6, 21, 0, tzinfo=UTC), 78, 0).outside_air_mj_m2 > 0
    assert sun(datetime(2025, 12, 21, 12, tzinfo=UTC), 78, 0).outside_air_mj_m2 == 0


def test_how_hard_air_gets_at_vapour():
    # FAO-56, box 4: over grass of 12 cm the resistance is 208 s/m at a metre a second
    grass = resistance_s_m(1.0, roughness_m=0.123 * 0.12, lifted_m=2 / 3 * 0.12)
    assert grass == pytest.approx(208, abs=0.5)
    assert resistance_s_m(2.0, roughness_m=0.123 * 0.12, lifted_m=2 / 3 * 0.12) == pytest.approx(grass / 2)
    assert resistance_s_m(1.0, roughness_m=0.005) > grass  # bare ground is smoother


def test_a_wet_road_dries_by_night_too():
    # the gas law: air at 20 °C and half full lacks 1.17 kPa, 8.6 g/m³; 3600 s of it over 296 s/m
    assert carried_off_mm(20, 50, 1 / 0.747951, surface_c=20) == pytest.approx(0.105, abs=1e-3)
    assert carried_off_mm(20, 50, None, surface_c=20) == pytest.approx(0.211, abs=1e-3)  # 2 m/s
    assert carried_off_mm(10, 100, 2.0, surface_c=10) == 0
    assert carried_off_mm(10, 100, 2.0, surface_c=9) < 0 < carried_off_mm(10, 100, 2.0, surface_c=11)
    assert carried_off_mm(20, 50, 0.0, surface_c=20) == 0


def test_the_sun_by_the_days_warmth_is_nothing_without_a_range_and_never_more_than_a_clear_sky():
    # eq. 50: 0.16 times the root of the range; eq. 35 and 36: at most 0.75 of what is outside the air
    for range_c, share in (
        (-1.0, 0.0),
        (0.0, 0.0),
        (0.25, 0.08),
        (9.0, 0.48),
        (21.9, 0.16 * 21.9**0.5),
        (25.0, 0.75),
    ):
        assert sunshine_from_warmth_mj_m2(3.0, range_c) == pytest.approx(3.0 * share), range_c
