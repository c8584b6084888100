"""One limit, one truth: whoever asks what holds for a chain hears the same, whatever scope it is set for."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from rules.care_due import due
from rules.contamination import history
from rules.ledger import Ledger
from rules.limits_in_force import judgements_for
from rules.outlook import outlook
from rules.reminder import ReminderKind
from rules.rulebook import WEIGHTS, Rulebook, default_rulebook, parse_rulebook
from rules.rulebook_names import unknown_names
from rules.wax_night import plan
from tests.rules.notation import ledger_of as written

NOW = datetime(2025, 3, 20, 12, tzinfo=UTC)
STORY = """
    rider Ada
    rider Ben
    bike Plover  of Ada
    chain Copper  12-speed
    2025-03-01        fitted    Copper  on Plover
    2025-03-01        immersed  Copper
    2025-03-04 10:30  rode      3 h   on Plover  by Ben  wet
    2025-03-06 10:30  rode      3 h   on Plover  by Ben  wet
"""


HOLDS = "immersion = 10\ndrip = 7\nwear_narrow = 0.4"


def book(text: str) -> Rulebook:
    return parse_rulebook(text, name="mine.toml", base=default_rulebook())


@pytest.fixture
def house() -> Ledger:
    return written(STORY)


@pytest.mark.parametrize(
    "text",
    [
        f"[limit]\n{HOLDS}",
        f'[rider."Ben"]\n{HOLDS}',
        f'[bike."Plover"]\n{HOLDS}\n[rider."Ben"]\nimmersion = 30\ndrip = 20',
        f'[chain."Copper"]\n{HOLDS}\n[bike."Plover"]\nimmersion = 30\ndrip = 20',
    ],
    ids=["everybody", "who rides it", "its bike", "the chain"],
)
def test_a_limit_is_the_same_wherever_it_is_asked_for(house: Ledger, text: str) -> None:
    rules = book(text)
    (chain,) = house.chains
    holds = judgements_for(house, rules, chain, NOW)
    assert (holds.limit("immersion").value, holds.limit("drip").value) == (10.0, 7.0)
    assert holds.wear_limit().value == 0.4

    reminders = {one.kind: one.limit for one in due(house, rules, now=NOW)}
    ahead = {one.kind: one.limit for one in outlook(house, rules, now=NOW)}
    assert (reminders[ReminderKind.IMMERSION], reminders[ReminderKind.DRIP]) == (10.0, 7.0)
    assert (ahead[ReminderKind.IMMERSION], ahead[ReminderKind.DRIP]) == (10.0, 7.0)
    ((dipped,),) = plan(house, rules, now=NOW).batches
    used = history(house, chain.id, rules).until(NOW).since_immersion.grit_h
    assert dipped.share == pytest.approx(used / 10.0)
    assert "of 10 grit-hours" in dipped.because


def test_what_is_set_for_the_owner_is_not_meant_for_who_rides(house: Ledger) -> None:
    rules = book('[rider."Ada"]\nimmersion = 10')
    assert judgements_for(house, rules, house.chains[0], NOW).limit("immersion").value == 40.0
    early = datetime(2025, 3, 2, tzinfo=UTC)  # nobody rode it yet: its bike's owner counts
    assert judgements_for(house, rules, house.chains[0], early).limit("immersion").value == 10.0


def test_on_the_shelf_it_keeps_what_was_set_for_its_last_bike() -> None:
    house = written(STORY + "    2025-03-10        removed   Copper\n")
    rules = book('[bike."Plover"]\nimmersion = 10')
    holds = judgements_for(house, rules, house.chains[0], NOW)
    assert (holds.bike, holds.limit("immersion").value) == (None, 10.0)


def test_a_chain_that_was_on_no_bike_is_the_first_riders_and_nobodys_where_there_is_none() -> None:
    house = written("rider Ada\nchain Copper\n2025-03-01 immersed Copper")
    rules = book('[rider."Ada"]\nimmersion = 10')
    assert judgements_for(house, rules, house.chains[0], NOW).limit("immersion").value == 10.0
    alone = Ledger(chains=house.chains)
    assert judgements_for(alone, rules, house.chains[0], NOW).rider is None


def test_a_riders_own_weights_count_in_the_hours_they_rode(house: Ledger) -> None:
    (chain,) = house.chains
    usual = history(house, chain.id, default_rulebook()).over_life
    heavier = history(house, chain.id, book('[rider."Ben"]\nwater = 4')).over_life
    others = history(house, chain.id, book('[rider."Ada"]\nwater = 4')).over_life
    assert heavier.grit_h > usual.grit_h
    assert others.grit_h == usual.grit_h
    for scope in ('[bike."Plover"]', '[chain."Copper"]'):
        nearer = history(house, chain.id, book(f'{scope}\nwater = 4\n[rider."Ben"]\nwater = 2')).over_life
        assert nearer.grit_h == heavier.grit_h
    assert heavier.drive_h == usual.drive_h


def test_every_weight_set_for_one_of_them_counts() -> None:
    house = written("2025-03-01 fitted Copper on Plover\n2025-03-04 10:30 rode 2 h on Plover salty")
    usual = default_rulebook().weights
    for kind in WEIGHTS:
        heavier = getattr(usual, kind) + 1.0
        for scope in ('[rider."Ada"]', '[bike."Plover"]', '[chain."Copper"]'):
            own = book(f"{scope}\n{kind} = {heavier}")
            weights = own.weights_for(house.chains[0], house.bikes[0], house.riders[0])
            assert weights == replace(usual, **{kind: heavier})
    # two paved hours with a salt index of 0.9
    (chain,) = house.chains
    grit_h = [history(house, chain.id, one).over_life.grit_h for one in (default_rulebook(), book(_SALT))]
    assert grit_h[1] - grit_h[0] == pytest.approx(2.0 * 0.9 * (3.0 - usual.salt))


_SALT = '[bike."Plover"]\nsalt = 3'


def test_a_name_that_is_nobodys_is_named_with_its_line(house: Ledger) -> None:
    rules = book('[rider."Ada"]\ndrip = 8\n\n[bike."Plovr"]\ndrip = 8\n[chain."Zinc 9"]\ndrip = 8')

    misspelt, unknown = unknown_names(rules, house)

    assert misspelt.startswith("mine.toml, line 4: there is no bike “Plovr”")
    assert misspelt.endswith("did you mean “Plover”?")
    assert unknown.startswith("mine.toml, line 6: there is no chain “Zinc 9”")
    assert unknown.endswith("known: Copper.")
    assert unknown_names(rules, Ledger())[0].endswith("known: none yet.")
    assert unknown_names(default_rulebook(), house) == ()
