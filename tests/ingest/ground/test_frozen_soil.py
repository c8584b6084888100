"""When soil is frozen and when it is hard: the borders, by hand."""

from __future__ import annotations

import pytest

from ingest.ground.frozen_soil import is_frozen, is_hard


@pytest.mark.parametrize(("mild_h", "cold_h", "cold_c", "hard"), [
    (36, 12, -1.1, True),
    (36, 12, -1.0, False),
    (36, 11, -1.1, False),
    (0, 3, -1.1, True),  # no more is known
])  # fmt: skip
def test_what_tyres_work_is_hard_after_twelve_cold_hours_and_never_under_snow(
    mild_h: int, cold_h: int, cold_c: float, hard: bool
) -> None:
    air_c = [5.0] * mild_h + [cold_c] * cold_h
    assert is_hard(air_c, snow_lies=False) is hard
    assert not is_hard(air_c, snow_lies=True)


def test_soil_is_frozen_by_the_mean_of_all_hours() -> None:
    assert is_frozen([-3.0] * 24 + [0.5] * 24)  # -1.25 °C
    assert not is_frozen([-3.0] * 24 + [1.0] * 24)  # -1.0 °C
    assert not is_hard([-3.0] * 24 + [0.5] * 24, snow_lies=False), "the last twelve were mild"
