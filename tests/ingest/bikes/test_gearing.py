"""Gears, cadence and speed against arithmetic, circumferences against the printed cycle-computer table."""

from __future__ import annotations

import pytest

from ingest.bikes.gearing import circumference_from_size_m, development_m, speed_mps


def test_development_is_one_turn_of_the_crank():
    # arithmetic: 50 / 17 · 2.105 m and 32 / 50 · 2.298 m
    assert development_m(50, 17, 2.105) == pytest.approx(6.191176, abs=1e-6)
    assert development_m(32, 50, 2.298) == pytest.approx(1.47072, abs=1e-6)


def test_speed_follows_from_cadence_and_gear():
    # arithmetic: cadence / 60 · development
    assert speed_mps(90, 50, 17, 2.105) == pytest.approx(9.286765, abs=1e-6)
    assert speed_mps(90, 50, 17, 2.105) * 3.6 == pytest.approx(33.432353, abs=1e-6)
    assert speed_mps(85, 32, 50, 2.298) == pytest.approx(2.08352, abs=1e-6)


COG_STEPS = ((11, 12, 9.09), (12, 13, 8.33), (13, 15, 15.38), (28, 32, 14.29), (42, 50, 19.05))


@pytest.mark.parametrize(("smaller", "larger", "percent"), COG_STEPS)
def test_neighbouring_cogs_are_far_enough_apart_to_be_told(smaller, larger, percent):
    # arithmetic on cog sizes in common use
    step = development_m(50, smaller, 2.105) / development_m(50, larger, 2.105) - 1
    assert step * 100 == pytest.approx(percent, abs=0.01)


@pytest.mark.parametrize(
    ("width_mm", "computed_mm", "printed_mm"),
    [(23, 2099, 2096), (25, 2111, 2105), (28, 2130, 2136), (32, 2155, 2155), (35, 2174, 2168)],
)
def test_a_wheel_is_a_circle_through_the_crown_of_its_tyre(width_mm, computed_mm, printed_mm):
    # Bead seat 622 mm: ISO 5775 (from memory). Printed: the cycle-computer table as on
    # spudd64.com, "What is the circumference of a 700x23c bike tire?" (from memory), ±1 %.
    assert circumference_from_size_m(width_mm, 622) * 1000 == pytest.approx(computed_mm, abs=1)
    assert circumference_from_size_m(width_mm, 622) * 1000 == pytest.approx(printed_mm, rel=0.01)
