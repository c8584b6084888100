"""Gears, cadence and speed against arithmetic, circumferences against the printed cycle-computer table."""

from __future__ import annotations

import pytest

from ingest.bikes.pedalled_gears import development_m


def test_development_is_one_turn_of_the_crank():
    # arithmetic: 50 / 17 · 2.105 m and 32 / 50 · 2.298 m
    assert development_m(50, 17, 2.105) == pytest.approx(6.191176, abs=1e-6)
    assert development_m(32, 50, 2.298) == pytest.approx(1.47072, abs=1e-6)


def test_speed_follows_from_cadence_and_gear():
    # arithmetic: cadence / 60 · development
    assert 90 / 60 * development_m(50, 17, 2.105) == pytest.approx(9.286765, abs=1e-6)  # m/s at 90 rpm
    assert 90 / 60 * development_m(50, 17, 2.105) * 3.6 == pytest.approx(33.432353, abs=1e-6)
    assert 85 / 60 * development_m(32, 50, 2.298) == pytest.approx(2.08352, abs=1e-6)


COG_STEPS = ((11, 12, 9.09), (12, 13, 8.33), (13, 15, 15.38), (28, 32, 14.29), (42, 50, 19.05))


@pytest.mark.parametrize(("smaller", "larger", "percent"), COG_STEPS)
def test_neighbouring_cogs_are_far_enough_apart_to_be_told(smaller, larger, percent):
    # arithmetic on cog sizes in common use
    step = development_m(50, smaller, 2.105) / development_m(50, larger, 2.105) - 1
    assert step * 100 == pytest.approx(percent, abs=0.01)
