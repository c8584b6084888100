"""Snow, ice, salt and dew, one hour at a time, against published values; then a winter's situations."""

from __future__ import annotations

import random

import pytest

from ingest.ground.mud import mud_weight
from ingest.ground.paved_road import BARE, Road, Sky, road_after
from ingest.ground.road_salt import brine_mm, brine_pct, left_after_run_off_g_m2, spreading_likely
from ingest.ground.snow import melt_mm, snow_mm, snow_share_at, wet_bulb_c
from ingest.ground.unpaved_ground import DEW_AT_MOST_MM, OpenGround, open_ground_after, start
from ingest.ground.wetting_and_drying import (
    LOOSE_CAP_MM,
    PAVED_CAP_MM,
    loose_after,
    mean_film_mm,
    paved_after,
)

FROST, THAW = Sky(0.0, 0.0, -4.0, None, 0.0), Sky(0.0, 0.0, 3.0, 85.0, 0.02)


@pytest.mark.parametrize(
    ("air_c", "humidity_pct", "wet_bulb"),
    [
        (20, 50, 13.699),  # Stull 2011, J. Appl. Meteorol. Climatol. 50:2267: its worked example, 13.7 °C
        (1, 90, 0.0545),
        (3, 60, -0.2670),
    ],
)
def test_the_wet_bulb(air_c, humidity_pct, wet_bulb):
    assert wet_bulb_c(air_c, humidity_pct) == pytest.approx(wet_bulb, abs=6e-4)


def test_rain_or_snow_by_wet_bulb():
    # Wang et al. 2019, Geophys. Res. Lett. 46:13825, eq. 1
    shares = {-2: 0.9964, 0: 0.8360, 0.814: 0.5001, 1: 0.4082, 2: 0.0854, 3: 0.0125}
    for wet_bulb, share in shares.items():
        assert snow_share_at(wet_bulb) == pytest.approx(share, abs=1e-4)


def test_the_archives_own_snowfall_is_taken_but_not_in_warm_air():
    # the open archive's documentation: 7 cm of its snowfall are 10 mm of water
    assert snow_mm(10.0, snowfall_cm=7.0, air_c=-1.0, humidity_pct=90.0) == pytest.approx(10.0)
    assert snow_mm(10.0, snowfall_cm=3.5, air_c=0.5, humidity_pct=90.0) == pytest.approx(5.0)
    assert snow_mm(10.0, snowfall_cm=7.0, air_c=12.0, humidity_pct=90.0) == 0.0
    assert snow_mm(2.0, snowfall_cm=None, air_c=-5.0, humidity_pct=None) == 2.0
    assert snow_mm(2.0, snowfall_cm=None, air_c=None, humidity_pct=None) == 0.0


def test_melt_by_warmth_and_by_rain():
    # Kuusisto 1980: open land, 3.51 mm a day and °C; a day at +3 °C
    day = sum(melt_mm(99.0, a_day_mm_per_c=3.51, air_c=3.0, rain_mm=0.0) for _ in range(24))
    assert day == pytest.approx(10.53)
    # heat: 10 mm of rain at 5 °C, 4.19 and 334 kJ/kg
    assert melt_mm(99.0, a_day_mm_per_c=0.0, air_c=5.0, rain_mm=10.0) == pytest.approx(0.6268, abs=5e-4)


def test_brine():
    # CRC Handbook of Chemistry and Physics, 56th ed.: freezing points of NaCl in water
    for percent, freezes_c in ((5, -3.05), (10, -6.56), (15, -10.9), (20, -16.5)):
        assert brine_pct(freezes_c) == pytest.approx(percent)
    # worked out from that table
    rows = {
        (10, -4): 0.1474,
        (10, -1): 0.5841,
        (20, -6.56): 0.18,
        (30, -10.9): 0.17,
        (10, -18.8): 0.0362,  # 21.65 % by mass, half way to the coldest brine
        (10, -21.1): 0,
        (0, -3): 0,
        (0, 2): 0,
    }
    for (salt, air_c), mm in rows.items():
        assert brine_mm(salt, air_c) == pytest.approx(mm, abs=1e-4)


def test_run_off_takes_salt_along():
    # NORTRIP: drainage carries salt with efficiency 1 at continuous mixing
    for run_off_mm, left in {0.3: 0.6065, 0.6: 0.3679, 1: 0.1889, 2: 0.0357, 5: 0.0002}.items():
        assert left_after_run_off_g_m2(1.0, run_off_mm) == pytest.approx(left, abs=5e-5)


def test_a_thaw_hour_and_a_thaw_day():
    road, ground = Road(0.0, 5.0), OpenGround(8.0, 0.0, 9.0, -1.8)
    road, ground = road_after(road, THAW, main=False), open_ground_after(ground, THAW)
    assert road == pytest.approx((0.6, 4.25, 0.0))
    assert ground[:3] == pytest.approx((7.5625, 0.4375, 8.5625))
    for _ in range(23):
        road, ground = road_after(road, THAW, main=False), open_ground_after(ground, THAW)
    assert road == pytest.approx((0.0257, 0.0, 0.0), abs=1e-4)
    assert ground[:3] == pytest.approx((0.0, 1.685, 1.138), abs=1e-3)
    assert mud_weight(ground.topmost_mm) == 1


@pytest.mark.parametrize(
    ("before", "sky", "main", "after"),
    [
        (Road(0.0, 2.0, 10.0), FROST, True, (0.1474, 1.8526, 9.9)),  # brine under the snow
        (
            Road(0.4),
            FROST._replace(et0_mm=0.01),
            False,
            (0.0, 0.395, 0.0),
        ),  # ice, and a little of it sublimes
        (Road(0.0, 0.0, 10.0), Sky(0, 0, 2, 80, 0.05), True, (0.1, 0.0, 9.9)),  # salt draws water
        (Road(0.1, 0.0, 10.0), Sky(0, 0, 2, 60, 0.05), True, (0.04, 0.0, 10.0)),  # in dry air it does not
        (Road(0.2, 0.0, 10.0), Sky(3, 0, 6, None, 0), True, (0.6, 0.0, 0.1299)),  # rain takes it away
        (Road(0.0, 5.0), FROST, True, (0.0, 1.0, 0.0)),  # ploughed
        (BARE, Sky(0, 0, 6, 98, -0.04), False, (0.02, 0.0, 0.0)),  # dew
        (Road(0.0, 0.0, 0.0), Sky(0, 3, -4, 90, 0), False, (0.0, 3.0, 0.0)),  # cold snow wets nothing
        (Road(0.0, 5.0), Sky(0, 0, 0, 80, 0.1), False, (0.0, 5.0, 0.0)),  # at 0 °C it stays as it is
    ],
)
def test_an_hour_on_the_road(before, sky, main, after):
    assert road_after(before, sky, main=main) == pytest.approx(after, abs=1e-4)


def test_a_night_of_dew_wets_gravel_a_little_and_the_soil_not_at_all():
    dewy, ground = Sky(0.0, 0.0, 6.0, 98.0, -0.06), start()
    for _ in range(40):
        ground = open_ground_after(ground, dewy)
        assert 0 < ground.loose_mm <= DEW_AT_MOST_MM
    assert ground[2:] == start()[2:]
    wet = start()._replace(loose_mm=1.0)
    assert open_ground_after(wet, dewy) == wet
    snowed = start()._replace(snow_mm=3.0)
    assert open_ground_after(snowed, Sky(0.0, 0.0, 0.001, 98.0, -0.06)).loose_mm < 0.001


def test_rain_on_snow_goes_through_it():
    ground = open_ground_after(OpenGround(20.0, 0.0, 9.0, -1.8), Sky(4.0, 0.0, 5.0, None, 0.0))
    assert ground.snow_mm == pytest.approx(19.02, abs=2e-3)
    assert 9.0 - ground.depletion_mm == pytest.approx(4.98, abs=2e-3)


def test_salting_needs_frost_in_sight_and_something_to_freeze():
    calm = {"air_ahead_c": [-2.0], "humidity_ahead_pct": [80.0], "precipitation_around_mm": [0.0, None]}
    assert not spreading_likely(**calm, on_road_mm=0.0)
    assert spreading_likely(**calm, on_road_mm=0.3)
    assert spreading_likely(**{**calm, "humidity_ahead_pct": [95.0]}, on_road_mm=0.0)
    assert spreading_likely(**{**calm, "precipitation_around_mm": [0.5]}, on_road_mm=0.0)
    for air in (-12.0, 4.0, None):
        assert not spreading_likely(**{**calm, "air_ahead_c": [air]}, on_road_mm=0.3)


def test_without_frost_snow_or_dew_both_stores_are_the_warm_ones_exactly():
    chance = random.Random(20260)
    road, ground, film_mm, loose_mm = BARE, start(), 0.0, 0.0
    for _ in range(5000):
        rain_mm = chance.choice((0.0, 0.0, 0.0, 0.3, 4.0))
        et0_mm = chance.uniform(0, 0.6)
        sky = Sky(rain_mm, 0.0, chance.uniform(5, 30), chance.uniform(20, 90), et0_mm)
        road, ground = road_after(road, sky, main=True), open_ground_after(ground, sky)
        film_mm = paved_after(film_mm, rain_mm=rain_mm, et0_mm=et0_mm)
        loose_mm = loose_after(loose_mm, rain_mm=rain_mm, et0_mm=et0_mm)
        assert (road.water_mm, road.frozen_mm, ground.loose_mm) == pytest.approx(
            (film_mm, 0.0, loose_mm), abs=1e-12
        )


def test_any_winter_keeps_its_bounds_and_on_quiet_roads_snow_never_dries():
    chance = random.Random(20261)
    for _ in range(60):
        skies = [
            Sky(
                chance.choice((0.0, 0.0, 2.0)), chance.choice((0.0, 0.0, 3.0)), chance.uniform(-25, 12),
                chance.uniform(30, 100), chance.uniform(-0.05, 0.3),
            )
            for _ in range(120)
        ]  # fmt: skip
        more = chance.randrange(120)
        main = quiet = snowier = BARE
        ground = start()
        for n, sky in enumerate(skies):
            main = road_after(main, sky, main=True, salted_now=chance.random() < 0.1)
            quiet = road_after(quiet, sky, main=False)
            fell = sky._replace(snow_mm=sky.snow_mm + 5.0) if n == more else sky
            snowier = road_after(snowier, fell, main=False)
            ground = open_ground_after(ground, sky)
            assert 0 <= main.water_mm <= PAVED_CAP_MM + 1e-12
            assert 0 <= main.salt_g_m2 <= 30
            assert 0 <= ground.loose_mm <= LOOSE_CAP_MM
            assert min(main.frozen_mm, quiet.frozen_mm, ground.snow_mm) >= 0
            assert snowier.water_mm + snowier.frozen_mm >= quiet.water_mm + quiet.frozen_mm - 1e-9


def test_the_film_of_an_hour_is_its_mean_while_it_was_ridden():
    whole = (0.0, 1.0)
    assert mean_film_mm(0.4, 0.2, loses_mm=None, ridden=whole) == pytest.approx(0.3)
    assert mean_film_mm(0.4, 0.2, loses_mm=None, ridden=(0.5, 1.0)) == pytest.approx(0.25)
    # 0.2 mm under a sun that dries 0.4 mm an hour: gone at half past, so half of the mean of its half hour
    assert mean_film_mm(0.2, 0.0, loses_mm=0.4, ridden=whole) == pytest.approx(0.05)
    assert mean_film_mm(0.2, 0.0, loses_mm=0.4, ridden=(0.75, 1.0)) == 0.0
    # ridden from a quarter past on: half of .1 for a third of that time
    assert mean_film_mm(0.2, 0.0, loses_mm=0.4, ridden=(0.25, 1.0)) == pytest.approx(0.05 / 3.0)
    assert mean_film_mm(0.2, 0.0, loses_mm=0.4, ridden=(0.0, 0.5)) == pytest.approx(0.1)
