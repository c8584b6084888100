"""Every job that a reminder may ask for has its steps, and hot wax is its maker's matter."""

from __future__ import annotations

from itertools import product

from rules.bench_steps import STEPS, steps_of
from rules.reminder import ReminderKind
from rules.vocabulary import Regime


def test_every_work_has_its_steps_in_few_words():
    assert set(STEPS) == set(product(ReminderKind, Regime))
    for kind, regime in STEPS:
        steps = steps_of(kind, regime)
        assert 2 <= len(steps) <= 3
        assert all(step.endswith((".", "?")) and len(step.split()) <= 30 for step in steps)


def test_how_warm_the_wax_is_its_maker_says():
    (into,) = [
        step
        for (kind, _), steps in STEPS.items()
        if kind is ReminderKind.IMMERSION
        for step in steps
        if "°C" in step
    ]
    assert "as its maker says" in into


def test_a_salted_chain_is_rinsed_first_and_rust_is_named():
    for regime in Regime:
        wiped = steps_of(ReminderKind.WIPE_AND_DRIP, regime)
        rinsed, *rest = steps_of(ReminderKind.WIPE_AND_DRIP, regime, salted=True)
        assert rinsed.startswith("Rinse it today")
        assert "dry" in rinsed
        assert "rust" in rinsed
        assert tuple(rest) == wiped[1:]
