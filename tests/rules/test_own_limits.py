"""What riders set goes before the rulebook, the newest first, and only for those who are there."""

from __future__ import annotations

from dataclasses import replace

from rules.limits_in_force import judgements_for
from rules.own_limits import in_force, set_for
from rules.rulebook import default_rulebook, parse_rulebook
from rules.vocabulary import OwnLimits, OwnLimitsId, OwnValue
from tests.rules.notation import at, ledger_of

NOW = at("2025-06-30")
HOUSE = ledger_of("rider Ada\nbike Plover of Ada\n2025-06-01 fitted Copper on Plover")
RULEBOOK = default_rulebook()


def said(*limits, number=1):
    return OwnLimits(OwnLimitsId(number), NOW, tuple(OwnValue(*one) for one in limits))


def holds(ledger, key, rulebook=RULEBOOK):
    return judgements_for(ledger, in_force(rulebook, ledger), ledger.chains[0], NOW).limit(key).value


def test_the_newest_holds_and_none_gives_the_rulebooks_back():
    assert in_force(RULEBOOK, HOUSE) is RULEBOOK
    first, second = said(("bike", 1, "drip", 14.0)), said(("bike", 1, "drip", 10.0), number=2)
    both = replace(HOUSE, own_limits=(second, first))
    assert holds(both, "drip") == 10.0
    assert in_force(RULEBOOK, both) is in_force(RULEBOOK, replace(both))
    assert in_force(RULEBOOK, both).version != RULEBOOK.version
    back = replace(both, own_limits=(*both.own_limits, said(("bike", 1, "drip", None), number=3)))
    assert holds(back, "drip") == 12.0
    assert in_force(RULEBOOK, back).overrides == {}
    book = parse_rulebook('[bike."Plover"]\ndrip = 8\n', name="mine.toml", base=RULEBOOK)
    assert (holds(both, "drip", book), holds(back, "drip", book)) == (10.0, 8.0)
    assert book.overrides == {("bike", "Plover"): {"drip": 8.0}}  # the book itself is as it was


def test_weights_count_by_rider_and_strangers_by_nobody():
    ledger = replace(HOUSE, own_limits=(said(("rider", 1, "water", 3.0), ("bike", 9, "drip", 7.0)),))
    book = in_force(RULEBOOK, ledger)
    assert book.weights_for(None, None, ledger.riders[0]).water == 3.0
    assert book.overrides == {("rider", "Ada"): {"water": 3.0}}
    assert set_for(ledger, OwnValue("rider", 1, "water", 3.0)) == "water of Ada set to 3"
    assert set_for(ledger, OwnValue("rider", 1, "water", None)) == "water of Ada left to the rulebook"
    assert set_for(ledger, OwnValue("pump", 7, "drip", 9.0)) == "drip of 7 set to 9"
