"""A forecast is worth what it was found to be: good ones speak on, bad ones fall silent after sixty rides."""

from __future__ import annotations

import random
from datetime import timedelta

import pytest

from rules.forecast_score import ENOUGH_RIDES, Scored, score, scored_rides
from rules.rulebook import default_rulebook
from tests.rules.notation import at, ledger_of

BEGIN = at("2025-06-01 08:00")
RULEBOOK = default_rulebook()


def year(forecast, rides=ENOUGH_RIDES, seed=1):
    """Rides of which three in ten are wet, under a forecast that is told the truth and given dice."""
    dice = random.Random(seed)
    found = []
    for day in range(rides):
        wet = dice.random() < 0.3
        found.append(Scored(BEGIN + timedelta(days=day), forecast(wet, dice), 0.3, wet))
    return found


def good(wet, dice):
    return 0.8 if wet == (dice.random() < 0.85) else 0.1


def always_rain(wet, dice):
    return 0.9


def dice_alone(wet, dice):
    return dice.random()


@pytest.mark.parametrize("seed", range(20))
def test_a_good_forecast_speaks_and_bad_ones_fall_silent(seed):
    assert score(year(good, seed=seed)).speaks
    for bad in (always_rain, dice_alone):
        stands = score(year(bad, seed=seed))
        assert not stands.speaks
        assert stands.sentence.endswith("It does not beat the month, so nothing is said unasked.")
        assert score(year(bad, ENOUGH_RIDES - 1, seed=seed)).speaks  # not enough to judge it by


def test_a_forecast_that_mends_speaks_again():
    assert score([*year(always_rain), *year(good)]).speaks
    assert not score([*year(good), *year(always_rain)]).speaks


def test_the_month_itself_is_not_better_than_the_month():
    assert not score(year(lambda wet, dice: 0.3)).speaks


def test_brier_by_hand():
    # (0.8 - 1)² = 0.04 and (0.2 - 0)² = 0.04; the month's (0.5 - 1)² and (0.5 - 0)²
    stands = score([Scored(BEGIN, 0.8, 0.5, True), Scored(BEGIN, 0.2, 0.5, False)])
    assert (stands.forecast, stands.month_share) == (pytest.approx(0.04), pytest.approx(0.25))
    assert stands.sentence == (
        "Held against the final tags of 2 rides, the forecast's error is 0.04, that of the month's share of "
        "wet rides 0.25 (0 is best)."
    )
    assert score(()).sentence == "No ride has been held against a forecast yet."


def test_only_settled_rides_that_were_forecast_count():
    ledger = ledger_of("""
        2024-06-20 08:00  rode 1 h  on Plover  wet
        2025-06-01 08:00  rode 1 h  on Plover  wet
        2025-06-02 08:00  rode 2 h  on Plover  dry
        2025-06-03 08:00  rode 1 h  on Plover  dry  indoors
        2025-06-04 08:00  rode 1 h  on Plover
        2025-06-05 08:00  rode 1 h  on Plover  dry
    """)
    kept = {at("2025-06-01 08:00"): 0.7, at("2025-06-02 08:00"): 0.1, at("2025-06-02 09:00"): 0.4}
    kept[at("2025-06-04 08:00")] = 0.3
    first, second = scored_rides(ledger, RULEBOOK, kept)
    # one wet ride of the month known before: (1 + 1) / (1 + 2); then two of two
    assert (first.chance, first.wet, first.month_share) == (0.7, True, pytest.approx(2 / 3))
    assert (second.chance, second.wet, second.month_share) == (0.4, False, pytest.approx(3 / 4))
