"""Bare soil as FAO-56 prints it."""

from __future__ import annotations

import pytest

from ingest.ground.topsoil import (
    LOAM,
    TABLE_19,
    Soil,
    Texture,
    drying_reduction,
    total_evaporable_mm,
)

# FAO-56 table 19 (as two page-cited transcriptions have it): texture, field capacity, wilting point, REW, TEW
PRINTED = [
    ("sand", (0.07, 0.17), (0.02, 0.07), (2, 7), (6, 12)),
    ("loamy sand", (0.11, 0.19), (0.03, 0.10), (4, 8), (9, 14)),
    ("sandy loam", (0.18, 0.28), (0.06, 0.16), (6, 10), (15, 20)),
    ("loam", (0.20, 0.30), (0.07, 0.17), (8, 10), (16, 22)),
    ("silt loam", (0.22, 0.36), (0.09, 0.21), (8, 11), (18, 25)),
    ("silt", (0.28, 0.36), (0.12, 0.22), (8, 11), (22, 26)),
    ("silt clay loam", (0.30, 0.37), (0.17, 0.24), (8, 11), (22, 27)),
    ("silty clay", (0.30, 0.42), (0.17, 0.29), (8, 12), (22, 28)),
    ("clay", (0.32, 0.40), (0.20, 0.24), (8, 12), (22, 29)),
]


@pytest.mark.parametrize(("texture", "capacity", "wilting", "readily", "total"), PRINTED)
def test_table_19_as_printed(texture, capacity, wilting, readily, total):
    row = TABLE_19[Texture(texture)]
    assert (row.field_capacity, row.wilting_point) == (capacity, wilting)
    assert (row.readily_evaporable_mm, row.total_evaporable_mm) == (readily, total)


@pytest.mark.parametrize(("texture", "capacity", "wilting", "readily", "total"), PRINTED)
def test_equation_73_at_mid_range_falls_inside_the_printed_total(texture, capacity, wilting, readily, total):
    assert total[0] <= Soil.typical(Texture(texture)).total_evaporable_mm <= total[1]


@pytest.mark.parametrize(
    ("capacity", "wilting", "total_mm"), [(0.25, 0.12, 19.0), (0.15, 0.065, 11.75), (0.23, 0.11, 17.5)]
)
def test_total_evaporable_water(capacity, wilting, total_mm):
    # FAO-56 eq. 73 on the middles of table 19, depth 0.10 m: loam, loamy sand, sandy loam
    assert total_evaporable_mm(capacity, wilting) == pytest.approx(total_mm, abs=1e-12)


def test_the_default_soil_is_loam():
    assert (LOAM.total_evaporable_mm, LOAM.readily_evaporable_mm) == (pytest.approx(19.0), pytest.approx(9.0))


@pytest.mark.parametrize(
    ("depletion_mm", "reduction"), [(0, 1), (9, 1), (12, 0.7), (15, 0.4), (19, 0), (25, 0)]
)
def test_drying_slows_as_the_layer_empties(depletion_mm, reduction):
    # FAO-56 eq. 74 with TEW 19, REW 9
    assert drying_reduction(depletion_mm, Soil(0.25, 19, 9)) == pytest.approx(reduction, abs=1e-12)
