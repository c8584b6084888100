"""Water on the ground: the march against hand arithmetic, and against what is published about drying."""

from __future__ import annotations

from math import exp

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.ground.mud import mud_weight
from ingest.ground.topsoil import LOAM, Soil
from ingest.ground.wetting_and_drying import (
    DRAINAGE_H,
    FULL_FILM_MM,
    LOOSE_CAP_MM,
    PAVED_CAP_MM,
    PAVED_HELD_MM,
    depletion_after,
    loose_after,
    paved_after,
    topmost_after,
    water_weight,
)


def test_published_constants_of_the_film():
    # NORTRIP parameter tables v12 and v14a (metno): 0.6 mm drainable, slow drainage to 0.2 mm in 12 h;
    # loose layer 1.786 mm: Pérez-Peña et al. 2017, doi 10.1016/j.apr.2016.07.006
    assert (PAVED_CAP_MM, PAVED_HELD_MM, DRAINAGE_H) == (0.6, 0.2, 12)
    assert pytest.approx(1.786, abs=0.02) == LOOSE_CAP_MM


def test_paved_film_hour_by_hour():
    # Arithmetic on the published constants: rain 2 mm in the second of ten hours, ET0 0.1 mm/h
    film, films = 0.0, []
    for rain_mm in [0, 2, *[0] * 8]:
        film = paved_after(film, rain_mm=rain_mm, et0_mm=0.1)
        films.append(film)
    assert films == pytest.approx([0, 0.48, 0.3376, 0.2066, 0.0861, 0, 0, 0, 0, 0], abs=1e-4)


def test_paved_film_without_slow_drainage(monkeypatch):
    # The same with drying alone: 0.12 mm an hour off a full film
    monkeypatch.setattr("ingest.ground.wetting_and_drying.DRAINAGE_H", float("inf"))
    film, films = 0.0, []
    for rain_mm in [0, 2, *[0] * 8]:
        film = paved_after(film, rain_mm=rain_mm, et0_mm=0.1)
        films.append(film)
    assert films == pytest.approx([0, 0.48, 0.36, 0.24, 0.12, 0, 0, 0, 0, 0], abs=1e-4)
    weights = [water_weight(f, rain_mm=0) for f in films[:5]]
    assert weights == pytest.approx([0, 0.7818, 0.5636, 0.3455, 0.1273], abs=1e-4)


@pytest.mark.parametrize(("et0_mm", "longest_h"), [(0.05, 11), (0.1, 5.5), (0.2, 2.75), (0.3, 1.8)])
def test_asphalt_dries_within_published_times(et0_mm, longest_h):
    # Drying a NORTRIP film from 0.6 to 0.05 mm by evaporation alone takes 11, 5.5, 2.75 and 1.8 h at these
    # rates; the march drains as well and evaporates 1.2 times ET0, so it must be dry within that, and not
    # within a third.
    film, hours = 0.6, 0
    while film > 0.05:
        film, hours = paved_after(film, rain_mm=0, et0_mm=et0_mm), hours + 1
    assert longest_h / 3 <= hours <= longest_h + 1


def test_bare_loam_day_by_day():
    # FAO-56 eqs 73 and 74, TEW 19, REW 9, coefficient 1.15, from air dry
    loam, depletion, series = Soil(0.25, 19, 9), 19.0, []
    for rain_mm, et0_mm in [(10, 3), (0, 4), (0, 5), (0, 5), (0, 5)]:
        depletion = depletion_after(depletion, rain_mm=rain_mm, et0_mm=et0_mm, soil=loam)
        series.append(depletion)
    assert series == pytest.approx([12.45, 15.463, 17.4968, 18.3611, 18.7285], abs=1e-3)


def test_the_loose_layer_holds_three_times_what_asphalt_does_and_dries_later():
    paved = paved_after(0.0, rain_mm=8, et0_mm=0.1)
    loose = loose_after(0.0, rain_mm=8, et0_mm=0.0)
    assert (paved, loose) == (pytest.approx(0.48), LOOSE_CAP_MM)
    for _ in range(4):
        paved, loose = paved_after(paved, rain_mm=0, et0_mm=0.2), loose_after(loose, rain_mm=0, et0_mm=0.2)
    assert paved == 0
    assert water_weight(loose, rain_mm=0) == 1


@pytest.mark.parametrize(
    ("film_mm", "rain_mm", "weight"),
    [
        (0, 0, 0),
        (0.05, 0, 0),
        (0.325, 0, 0.5),
        (FULL_FILM_MM, 0, 1),
        (5, 0, 1),
        (0, 0.253, 0),
        (0, 0.254, 1),
    ],
)
def test_water_weight_ramps_and_rain_in_the_hour_settles_it(film_mm, rain_mm, weight):
    assert water_weight(film_mm, rain_mm=rain_mm) == pytest.approx(weight)


@pytest.mark.parametrize(
    ("topmost_mm", "weight"),
    [(3.8, 1), (0.9, 1), (0.45, 0.75), (0, 0.5), (-0.45, 0.25), (-0.9, 0), (-3.8, 0)],
)
def test_mud_is_soil_at_field_capacity_and_over(topmost_mm, weight):
    assert mud_weight(topmost_mm) == pytest.approx(weight)


def test_rain_wets_dry_ground_from_the_top():
    dry = -LOAM.total_evaporable_mm / 5
    assert topmost_after(dry, rain_mm=3, et0_mm=0.0) == pytest.approx(dry + 3)
    # two centimetres: 3.8 mm to field capacity, 3.8 mm over it; an hour drains a 24th of what is over it
    assert topmost_after(dry, rain_mm=5, et0_mm=0.0) == pytest.approx(1.2 * exp(-1 / 24))
    assert topmost_after(dry, rain_mm=99, et0_mm=0.0) == pytest.approx(3.8 * exp(-1 / 24))
    assert topmost_after(2.0, rain_mm=0, et0_mm=0.0, drains=False) == 2.0


def test_soaked_ground_drains_to_field_capacity_in_two_or_three_days():
    # FAO-56, chapter 8: field capacity is what a soil holds once excess water has drained
    topmost, after = 3.8, {}
    for hour in range(1, 73):
        topmost = topmost_after(topmost, rain_mm=0, et0_mm=0.0)
        after[hour] = topmost / 3.8
    assert after[24] > 0.3
    assert after[48] == pytest.approx(0.135, abs=0.01)
    assert after[72] <= 0.05


def test_the_topmost_dries_as_the_layer_it_is_part_of():
    topmost, depletion = -LOAM.readily_evaporable_mm / 5, LOAM.readily_evaporable_mm
    for _ in range(200):
        topmost = topmost_after(topmost, rain_mm=0, et0_mm=0.1)
        depletion = depletion_after(depletion, rain_mm=0, et0_mm=0.5)
        assert topmost == pytest.approx(-depletion / 5)


Hours = list[tuple[float, float]]  # rain and drying


def marched(hours: Hours) -> list[tuple[float, float, float, float]]:
    """Film, loose layer, what the soil lacks, and what is over or missing at its top, after each hour."""
    paved, loose, depletion, topmost, found = 0.0, 0.0, LOAM.readily_evaporable_mm, -1.8, []
    for rain_mm, et0_mm in hours:
        paved = paved_after(paved, rain_mm=rain_mm, et0_mm=et0_mm)
        loose = loose_after(loose, rain_mm=rain_mm, et0_mm=et0_mm)
        depletion = depletion_after(depletion, rain_mm=rain_mm, et0_mm=et0_mm)
        topmost = topmost_after(topmost, rain_mm=rain_mm, et0_mm=et0_mm)
        found.append((paved, loose, depletion, topmost))
    return found


@given(st.lists(st.tuples(st.floats(0, 60), st.floats(-0.1, 1.2)), max_size=60))
def test_water_is_never_negative_nor_over_what_the_ground_holds(hours: Hours):
    for paved, loose, depletion, topmost in marched(hours):
        assert -LOAM.total_evaporable_mm / 5 <= topmost <= 3.8
        assert 0 <= paved <= PAVED_CAP_MM
        assert 0 <= loose <= LOOSE_CAP_MM
        assert 0 <= depletion <= LOAM.total_evaporable_mm


@given(st.lists(st.tuples(st.floats(0, 9), st.floats(0, 1)), min_size=1, max_size=48), st.floats(0.1, 9))
def test_more_rain_never_leaves_less_water(hours: Hours, more_mm: float):
    (rain_mm, et0_mm), *later = hours
    less, more = marched(hours)[-1], marched([(rain_mm + more_mm, et0_mm), *later])[-1]
    assert more[0] >= less[0] - 0.033 - 1e-9  # a dry hour drains what a wet one keeps: at most 0.4/12
    assert more[1] >= less[1] - 1e-9
    assert more[2] <= less[2] + 1e-9
    assert more[3] >= less[3] - 1e-9


def test_a_road_dries_by_the_air_alone_where_that_is_quicker():
    assert paved_after(0.2, rain_mm=0, et0_mm=0.01, carried_off_mm=0.05) == pytest.approx(0.15)
    assert paved_after(0.2, rain_mm=0, et0_mm=0.10, carried_off_mm=0.05) == pytest.approx(0.08)
    assert paved_after(0.2, rain_mm=0, et0_mm=-0.02, carried_off_mm=-0.02) == pytest.approx(0.2)
