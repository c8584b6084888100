"""A fair trial: the lot, the turns by what was ridden, what is promised, and what may be claimed."""

from __future__ import annotations

import hashlib
import re
from dataclasses import replace
from datetime import timedelta
from itertools import product

import pytest

from rules.rulebook import default_rulebook
from rules.trial import order, turn
from rules.units import SI, said
from rules.vocabulary import BikeId, ChainId, Trial, TrialId
from rules.wear.comparison import compare
from rules.wear.trial_pairs import FEWEST_PAIRS, flips, found_by_trials, pair_power, promise
from tests.rules.notation import at, ledger_of

RULEBOOK = default_rulebook()
WAXED, LUBED = ChainId(1), ChainId(2)
START = at("2025-01-01 06:00")
NOW = at("2025-12-01")
CHAINS = "chain Beryl  12-speed\nchain Galena  12-speed  wet lube\n"


def trial(seed=0, **values):
    return replace(Trial(TrialId(1), BikeId(1), WAXED, LUBED, START, 300.0, seed), **values)


def first_turn_of(chain):
    """A seed whose lot gives this chain the first turn, and the other one the third."""
    return next(seed for seed in range(99) if order(trial(seed), 3)[0] == chain != order(trial(seed), 3)[2])


def test_the_lot_is_fair_and_the_same_whenever_it_is_asked():
    firsts = [order(trial(seed), 1)[0] for seed in range(400)]
    assert 160 < firsts.count(WAXED) < 240
    for seed in range(20):
        turns = order(trial(seed), 12)
        assert order(trial(seed), 5) == turns[:5]
        for pair in range(0, 12, 2):
            assert {turns[pair], turns[pair + 1]} == {WAXED, LUBED}


def house(rides, one=None):
    """Days of 4 h = 100 km on Plover, on the chain named."""
    names = {"B": "Beryl", "G": "Galena"}
    lines = [CHAINS]
    for day, chain in enumerate(rides, start=1):
        when = START + timedelta(days=day)
        lines.append(f"{when:%Y-%m-%d} 07:00  fitted  {names[chain]}  on Plover")
        lines.append(f"{when:%Y-%m-%d} 08:00  rode  4 h  on Plover  dry")
    return replace(ledger_of("\n".join(lines)), trials=(one or trial(first_turn_of(WAXED)),))


def stand(rides, one=None):
    ledger = house(rides, one)
    return turn(ledger, ledger.trials[0], now=NOW)


def test_turns_follow_what_was_ridden():
    begun = stand("BB")
    assert (begun.number, begun.chain, begun.ridden_km, begun.swap_due) == (
        1,
        WAXED,
        pytest.approx(200.0),
        False,
    )
    assert said(begun.sentence, SI) == "Beryl has ridden 200 of 300 km of turn 1."
    over = stand("BBB")
    assert (over.swap_due, over.next_chain) == (True, LUBED)
    assert (
        said(over.sentence, SI) == "Beryl has ridden 300 of 300 km of turn 1: swap it for Galena on Plover."
    )
    swapped = stand("BBBG")
    assert (swapped.number, swapped.chain, swapped.ridden_km) == (2, LUBED, pytest.approx(100.0))
    assert stand("BBBBBB").ridden_km == pytest.approx(600.0)  # late is late, and still turn 1


def test_the_same_chain_goes_on_into_the_next_pair_without_a_swap():
    # the lot of the second pair gives the third turn to Galena, whose turn the second is
    third = stand("BBBGGG" + "G")
    assert (third.number, third.chain, third.swap_due) == (3, LUBED, False)
    assert third.ridden_km == pytest.approx(100.0)


def test_what_is_ridden_out_of_turn_is_counted_and_said():
    wrong = stand("BG")
    assert (wrong.chain, wrong.ridden_km, wrong.off_plan_km) == (
        WAXED,
        pytest.approx(100.0),
        pytest.approx(100.0),
    )
    assert (
        said(wrong.sentence, SI)
        == "Beryl has ridden 100 of 300 km of turn 1; it is not on Plover now: fit it."
    )


def test_a_third_chain_is_none_of_it():
    ledger = house("BB")
    spare = ledger_of(
        CHAINS + "2025-02-01  fitted  Tin  on Plover\n2025-02-02 08:00  rode  4 h  on Plover  dry\n"
    )
    fitted = replace(
        spare,
        fittings=(*ledger.fittings, *(replace(one, id=9) for one in spare.fittings)),
        rides=(*ledger.rides, *(replace(one, id=9) for one in spare.rides)),
        trials=ledger.trials,
    )
    stands = turn(fitted, fitted.trials[0], now=NOW)
    assert (stands.ridden_km, stands.off_plan_km) == (pytest.approx(200.0), 0.0)


def test_rides_before_after_or_without_a_chain_are_none_of_it():
    late = trial(first_turn_of(WAXED), started_at=START + timedelta(days=2, hours=2))
    assert stand("BBB", late).ridden_km == pytest.approx(200.0)
    ended = trial(first_turn_of(WAXED), ended_at=START + timedelta(days=2, hours=3))
    over = stand("BBBB", ended)
    assert over.ridden_km == pytest.approx(200.0)
    assert said(over.sentence, SI) == "The trial on Plover ended in its turn 1."
    bare = house("B")
    nothing = replace(bare, rides=(), fittings=())
    assert turn(nothing, nothing.trials[0], now=NOW).ridden_km == 0.0
    unfitted = replace(bare, fittings=())
    assert turn(unfitted, unfitted.trials[0], now=NOW).ridden_km == 0.0


def test_flips_of_coins_by_hand():
    # five pairs that all favour wax: 1 in 32; and against every way of signing them
    gaps = [-0.5, -0.2, -0.1, -0.4, -0.3]
    assert flips(gaps) == pytest.approx(1 / 32)
    mixed = [-0.5, 0.2, -0.1, -0.4]
    ways = [
        sum(sign * abs(gap) for sign, gap in zip(signs, mixed, strict=True))
        for signs in product((1, -1), repeat=4)
    ]
    assert flips(mixed) == pytest.approx(sum(one <= sum(mixed) + 1e-12 for one in ways) / 16)


@pytest.mark.parametrize(
    ("pairs", "wear_ratio", "spread", "reached"),
    # measured elsewhere by the same two rules, on simulated households
    [(5, 0.5, 0.2, 0.86), (5, 0.7, 0.2, 0.41), (6, 0.7, 0.2, 0.63), (5, 0.5, 0.4, 0.50), (6, 0.5, 0.4, 0.75)],
)
def test_what_pairs_find(pairs, wear_ratio, spread, reached):
    assert pair_power(pairs, wear_ratio, spread) == pytest.approx(reached, abs=0.08)
    assert pair_power(pairs, wear_ratio, spread, 0.3) < reached - 0.1  # read less well, less is found


def test_pairs_claim_rarely_where_nothing_is_and_four_never():
    assert all(pair_power(5, 1.0, spread) <= 0.05 for spread in (0.2, 0.4, 0.6))
    assert pair_power(4, 0.3, 0.2) == 0.0


def test_what_could_be_found_is_said_before_it_begins():
    told = promise(house("B" * 40), BikeId(1), now=at("2025-03-01"), pairs_before=2)
    assert told[0].endswith(f"It takes {FEWEST_PAIRS} pairs; you have 2.")
    assert told[1].startswith(
        "With 5 pairs of chains that differ by a factor 1.2 or so, read by caliper after "
    )
    assert "a halving of wear would be shown in " in told[1]
    assert said(told[2], SI).startswith(
        "At last year's 4000 km on Plover, and about 2500 km to half a chain's limit, "
    )
    assert "that is about 6 years." in told[2]  # five pairs, one chain after the other
    much = promise(house("B" * 250), BikeId(1), now=NOW)[2]
    assert said(much, SI).startswith("At last year's 25000 km on Plover, and about 2500 km to half a chain's")
    assert "that is about 1 year." in much
    assert len(promise(house("B"), BikeId(1), now=at("2025-03-01"))) == 3
    assert len(promise(house(""), BikeId(1), now=at("2025-03-01"))) == 2


def pairs_of(count, ratio):
    """So many pairs on one bike, one after the other, each measured three times; waxed wears ratio times."""
    lines, trials, day = [], [], START
    for pair in range(count):
        for name, lube, slope in ((f"W{pair}", "", 0.002 * ratio), (f"L{pair}", "wet lube", 0.002)):
            lines.append(f"chain {name}  12-speed  {lube}")
            lines.append(f"{day:%Y-%m-%d} 05:00  fitted  {name}  on Plover")
            for turn_day in range(1, 31):
                when = day + timedelta(days=turn_day)
                lines.append(f"{when:%Y-%m-%d} 08:00  rode  4 h  on Plover  dry")
                if turn_day % 10 == 0:
                    wear = 0.04 + slope * (1 + 0.04 * pair) * 4 * turn_day
                    lines.append(f"{when:%Y-%m-%d} 20:00  measured  {name}  {wear:.3f}")
            day += timedelta(days=32)
        trials.append(
            Trial(TrialId(pair + 1), BikeId(1), ChainId(2 * pair + 1), ChainId(2 * pair + 2), START, 300.0, 1)
        )
    return replace(ledger_of("\n".join(lines)), trials=tuple(trials))


def test_trials_claim_only_with_pairs_enough_and_both_rules():
    found = found_by_trials(pairs_of(5, 0.4), RULEBOOK, now=at("2026-12-01"))
    assert (found.pairs, found.p, found.claimed) == (5, pytest.approx(1 / 32), True)
    figures = re.search(
        r"^By 5 pairs in fair trials wax wears less: waxed chains wore at ([\d.]+) times the rate of "
        r"wet-lube ones \(90 %, with all chains: ([\d.]+) to ([\d.]+)\); coins would say so in 3.1 %.$",
        found.sentence,
    )
    assert figures is not None
    middle, low, high = map(float, figures.groups())
    assert low < 0.4 < high < 1.0  # 0.4 is the truth
    ratio = compare(pairs_of(5, 0.4), RULEBOOK, now=at("2026-12-01")).ratio
    assert middle == pytest.approx(ratio.value, abs=0.006)  # one figure wherever it is told
    few = found_by_trials(pairs_of(3, 0.4), RULEBOOK, now=at("2026-12-01"))
    assert (few.pairs, few.claimed) == (3, False)
    assert few.sentence.startswith("3 pairs of the 5 that it takes; waxed chains wore at 0.")
    assert few.sentence.endswith("): too few for coins to tell it from chance.")
    alike = found_by_trials(pairs_of(5, 1.0), RULEBOOK, now=at("2026-12-01"))
    assert not alike.claimed
    assert alike.sentence.startswith("5 pairs; waxed chains wore at ")
    assert alike.sentence.endswith("): coins cannot tell it from chance.")
    worse = found_by_trials(pairs_of(5, 2.5), RULEBOOK, now=at("2026-12-01"))
    assert (worse.p, worse.claimed) == (1.0, False)
    still = replace(pairs_of(1, 0.4), rides=())  # measured, and never ridden: of its wear nothing is known
    assert found_by_trials(still, RULEBOOK, now=at("2026-12-01")).sentence == (
        "1 pair of the 5 that it takes: too few for coins to tell it from chance."
    )
    none = found_by_trials(house("B"), RULEBOOK, now=NOW)
    assert none.sentence == "No pair has two readings on each side since it began."


def test_what_was_measured_before_a_pair_took_turns_or_after_says_nothing_of_it():
    ledger, now = pairs_of(1, 0.4), at("2026-12-01")
    read = sorted(one.taken_at for one in ledger.readings)
    for began, ended, pairs in (
        (read[0] - timedelta(hours=1), None, 1),
        (read[0], None, 1),  # of three readings of the first chain, one starts it
        (read[1], None, 0),  # one is left of it
        (read[0], read[4], 1),
        (read[0], read[3], 0),  # one of the second chain
    ):
        trial = replace(ledger.trials[0], started_at=began, ended_at=ended)
        assert found_by_trials(replace(ledger, trials=(trial,)), RULEBOOK, now=now).pairs == pairs


def test_the_lot_is_the_last_bit_of_the_first_byte_of_what_the_seed_and_the_pair_make():
    """So that anyone can draw it again: SHA-256 of 'seed/pair' (FIPS 180-4), odd = the waxed chain first."""
    for seed in range(12):
        firsts = [hashlib.sha256(f"{seed}/{pair}".encode()).hexdigest()[1] in "13579bdf" for pair in range(4)]
        assert [one is WAXED for one in order(trial(seed), 8)[::2]] == firsts
    assert len(order(trial(1), 7)) == 7
