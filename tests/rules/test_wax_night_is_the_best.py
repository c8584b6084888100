"""The plan of a wax night costs what the best of all evenings costs, on five hundred invented households."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.vocabulary import ChainId, Supply, SupplyId, SupplyKind, Trial, TrialId
from rules.wax_night import plan, ridden_tomorrow
from tests.rules.notation import at, ledger_of, plain_limits
from tests.rules.wax_night_by_brute_force import best_spares, cheapest, cost, invented, told, worth_of

NOW = at("2025-06-30")
RULEBOOK = plain_limits()


@pytest.mark.parametrize("block", range(10))
def test_no_other_subset_order_or_giving_out_of_spares_is_cheaper(block):
    for seed in range(50 * block, 50 * block + 50):
        house = invented(seed)
        ledger = ledger_of(told(house))
        shelf = []
        if house.dips_left is not None:  # 7 g leave with each chain, and half must stay
            shelf.append(Supply(SupplyId(1), SupplyKind.BATH, 14.0 * house.dips_left + 1.0, NOW))
        if house.strips_left is not None:
            shelf.append(Supply(SupplyId(2), SupplyKind.SOLVENT, 150.0 * house.strips_left + 1.0, NOW))
        ledger = replace(ledger, supplies=tuple(shelf))
        needed = [one.id for one in ledger.bikes if one.name in house.needed]
        found = plan(ledger, RULEBOOK, now=NOW, needed=needed, pot_holds=house.pot)
        chains = {one.name: one for one in house.chains}
        swapped = {ledger.chain(one.off).name for one in found.swaps}
        assert sum(worth_of(house, chains[one]) for one in swapped) == pytest.approx(best_spares(house)), seed
        assert len({one.on for one in found.swaps}) == len(found.swaps)
        order = tuple(chains[one.name] for batch in found.batches for one in batch)
        assert cost(house, order, swapped) == pytest.approx(cheapest(house, swapped)), seed


TWO = """
    2025-06-01        fitted    Copper  on Plover
    2025-06-01        fitted    Slate   on Curlew
    2025-06-01 13:00  immersed  Copper
    2025-06-01 13:00  immersed  Slate
    2025-06-02 06:00  rode      15 h    on Plover  dry
    2025-06-02 06:00  rode      10 h    on Curlew  dry
"""


def names(found):
    return [[one.name for one in batch] for batch in found.batches]


def test_a_bath_that_is_good_for_one_takes_the_one_that_is_worth_it_and_an_empty_one_is_renewed():
    bath = Supply(SupplyId(1), SupplyKind.BATH, 15.0, NOW)
    found = plan(replace(ledger_of(TWO), supplies=(bath,)), RULEBOOK, now=NOW)
    assert names(found) == [["Copper"]]
    assert found.left_out == ((ChainId(2), "Slate has to wait: the bath is good for no more."),)
    spent = replace(bath, amount=10.0)
    found = plan(replace(ledger_of(TWO), supplies=(spent,)), RULEBOOK, now=NOW)
    assert names(found) == [["Slate", "Copper"]]
    assert any(step.what.startswith("The bath is used up") for step in found.steps)


def test_without_solvent_a_new_chain_waits():
    solvent = Supply(SupplyId(1), SupplyKind.SOLVENT, 100.0, NOW)
    found = plan(replace(ledger_of(TWO + "chain Tin\n"), supplies=(solvent,)), RULEBOOK, now=NOW)
    assert names(found) == [["Slate", "Copper"]]
    assert found.left_out == ((ChainId(3), "Tin has to wait: the solvent reaches no further."),)


TRIAL = (
    TWO
    + """
    chain Galena  12-speed  wet lube
    2025-05-01        fitted    Galena  on Plover
    2025-05-02        removed   Galena
    2025-05-03        fitted    Tin     on Plover
    2025-05-04        removed   Tin
    2025-06-10        immersed  Tin
"""
)


def on_trial(block_km, text=TRIAL, **more):
    ledger = ledger_of(text)
    copper, _, galena = ledger.chains[:3]
    assert galena.name == "Galena"
    trial = Trial(
        TrialId(1), ledger.bikes[0].id, copper.id, galena.id, at("2025-06-01 18:00"), block_km, 1, **more
    )
    return replace(ledger, trials=(trial,))


def lot(ledger, first):
    """A seed by which this chain has the first turn."""
    from rules.trial import order

    (trial,) = ledger.trials
    seed = next(seed for seed in range(50) if order(replace(trial, seed=seed), 1)[0] == first)
    return replace(ledger, trials=(replace(trial, seed=seed),))


def test_a_trial_keeps_its_chains_to_their_turns():
    waxed = ChainId(1)
    over = plan(lot(on_trial(100.0), waxed), RULEBOOK, now=NOW)
    assert [one.sentence for one in over.swaps] == [
        "The turn of the trial is over: take Copper off Plover and fit Galena."
    ]
    assert over.ready_tonight == (2,)  # Plover has Galena
    running = plan(lot(on_trial(2000.0), waxed), RULEBOOK, now=NOW)
    assert running.swaps == ()  # Tin would fit, but it is Copper's turn
    assert set(running.ready_tonight) == {1, 2}
    ended = plan(lot(on_trial(2000.0, ended_at=at("2025-06-20")), waxed), RULEBOOK, now=NOW)
    assert [one.sentence for one in ended.swaps] == ["Take Copper off Plover and fit Tin, which is fresh."]
    worn = TRIAL + "2025-06-20  measured  Galena  over 0.75\n"
    assert plan(lot(on_trial(100.0, worn), waxed), RULEBOOK, now=NOW).swaps == ()
    off = TRIAL + "2025-06-25  removed  Copper\n"
    assert plan(lot(on_trial(100.0, off), waxed), RULEBOOK, now=NOW).swaps == ()


def test_the_trials_other_chain_goes_in_the_pot_before_it_goes_on():
    text = (
        TRIAL
        + """
    2025-06-05        removed   Copper
    2025-06-05        fitted    Galena  on Plover
    2025-06-06 06:00  rode      8 h     on Plover  dry
    """
    )
    found = plan(lot(on_trial(150.0, text), ChainId(3)), RULEBOOK, now=NOW)
    assert [one.sentence for one in found.swaps] == [
        "The turn of the trial is over: after the pot take Galena off Plover and fit Copper."
    ]
    assert set(found.ready_tonight) == {1, 2}


def test_tomorrows_rides_say_which_bikes_must_be_ready():
    text = TWO + "".join(
        f"2025-06-{day:02} 06:30  rode  0.5 h  on Curlew  dry\n" for day in (10, 17, 24)
    )  # Tuesdays; NOW is a Monday
    ledger = ledger_of("rider Ada\nrider Ben\n" + text)
    assert ridden_tomorrow(ledger, now=NOW) == {2}
    nothing = ledger_of(
        "".join(f"2025-06-{day:02} 06:30  rode  0.5 h  on nothing  dry\n" for day in (10, 17, 24))
    )
    assert ridden_tomorrow(nothing, now=NOW) == frozenset()
