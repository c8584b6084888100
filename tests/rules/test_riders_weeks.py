"""Three riders' weeks as they would tell them; what is asked on which evening was fixed before they ran."""

from __future__ import annotations

import pytest

from rules.care_due import due
from rules.contamination import history
from rules.reminder import ReminderKind
from rules.rulebook import default_rulebook
from tests.rules.notation import at, ledger_of

RULEBOOK = default_rulebook()
WIPE, DRIP = ReminderKind.WIPE_AND_DRIP, ReminderKind.DRIP


def asked(text, when):
    """Kinds and chains that are due then, as somebody would say them."""
    ledger = ledger_of(text)
    return [(one.kind, ledger.chain(one.chain).name) for one in due(ledger, RULEBOOK, now=at(when))]


def ridden_h(text, chain, when):
    """What this chain turned over its life, in hours of pedalling."""
    ledger = ledger_of(text)
    number = next(one.id for one in ledger.chains if one.name == chain)
    return history(ledger, number, RULEBOOK).until(at(when)).over_life.drive_h


TO_WORK = """
    rider Ines
    2025-06-01        fitted    Copper  on Plover
    2025-06-01 13:00  immersed  Copper
    2025-06-02 07:00  rode      0.5 h   on Plover  dry
    2025-06-02 17:00  rode      0.5 h   on Plover  dry
    2025-06-03 07:00  rode      0.5 h   on Plover  dry
    2025-06-03 17:00  rode      0.3 h   on Plover  wet
    2025-06-04 07:00  rode      0.4 h   on Plover  wet
    2025-06-04 17:00  rode      0.4 h   on Plover  wet
    2025-06-04 20:00  dripped   Copper
    2025-06-05 07:00  rode      0.4 h   on Plover  wet
    2025-06-05 17:00  rode      0.4 h   on Plover  wet
    2025-06-06 07:00  rode      0.5 h   on Plover  dry
"""


def test_a_commuters_week_with_three_wet_days_is_one_evening_of_work():
    assert asked(TO_WORK, "2025-06-02 20:00") == []
    assert asked(TO_WORK, "2025-06-03 20:00") == []  # twenty minutes of puddles are not half an hour
    assert asked(TO_WORK, "2025-06-04 08:00") == []  # nor is the wet of the morning alone
    assert asked(TO_WORK, "2025-06-04 18:00") == [(WIPE, "Copper")]
    assert asked(TO_WORK, "2025-06-04 21:00") == []  # dripped
    assert asked(TO_WORK, "2025-06-05 20:00") == []  # the spell had its drip
    assert asked(TO_WORK, "2025-06-08 20:00") == []


SWAPPED = """
    rider Ines
    2025-06-01        fitted    Copper  on Plover
    2025-06-01 13:00  immersed  Copper
    2025-06-01 14:00  immersed  Slate
    2025-06-02 08:00  rode      2 h     on Plover  dry
    2025-06-03 08:00  rode      2 h     on Plover  dry
    2025-06-04 08:00  rode      9 h     on Plover  dry
    2025-06-04 20:00  removed   Copper
    2025-06-04 20:05  fitted    Slate   on Plover
    2025-06-05 08:00  rode      3 h     on Plover  dry
    2025-06-06 08:00  rode      2 h     on Plover  dry
    2025-06-07 19:00  immersed  Copper
    2025-06-07 20:00  removed   Slate
    2025-06-07 20:05  fitted    Copper  on Plover
    2025-06-08 08:00  rode      4 h     on Plover  dry
"""


def test_a_spare_goes_on_for_the_rest_of_the_week_and_each_chain_counts_its_own_rides():
    assert asked(SWAPPED, "2025-06-03 20:00") == []
    assert asked(SWAPPED, "2025-06-04 19:00") == [(DRIP, "Copper")]  # 13 hours on a film of 12
    assert asked(SWAPPED, "2025-06-04 21:00") == []  # the fresh one is on; a chain on a nail wants nothing
    assert asked(SWAPPED, "2025-06-08 20:00") == []  # bathed on Saturday, four hours since
    assert ridden_h(SWAPPED, "Copper", "2025-06-08 20:00") == pytest.approx(17.0)
    assert ridden_h(SWAPPED, "Slate", "2025-06-08 20:00") == pytest.approx(5.0)


FORGOT = """
    rider Ines
    2025-06-01        fitted    Copper  on Plover
    2025-06-01 13:00  immersed  Copper
    2025-06-02 08:00  rode      7 h     on Plover  dry
    2025-06-03 08:00  rode      7 h     on Plover  dry
    2025-06-06 08:00  rode      6 h     on Plover  dry
"""
SAID_LATER = FORGOT + "2025-06-02 21:00  dripped  Copper\n"


def test_a_drip_that_is_remembered_on_thursday_moves_the_next_one_to_friday():
    assert asked(FORGOT, "2025-06-02 20:00") == []
    assert asked(FORGOT, "2025-06-03 20:00") == [(DRIP, "Copper")]
    assert asked(SAID_LATER, "2025-06-03 20:00") == []
    assert asked(SAID_LATER, "2025-06-05 20:00") == []
    assert asked(SAID_LATER, "2025-06-06 20:00") == [(DRIP, "Copper")]
    (drip,) = due(ledger_of(SAID_LATER), RULEBOOK, now=at("2025-06-06 20:00"))
    assert drip.sentence == "Copper has 13 grit-hours since the drip of 2 June 2025; the limit is 12."
    by_word = SAID_LATER.replace("6 h     on Plover  dry", "6 h     on Plover  said wet")
    assert (WIPE, "Copper") in asked(by_word, "2025-06-06 20:00")
