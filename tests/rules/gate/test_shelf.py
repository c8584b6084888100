"""What may be said of supplies and of one's own limits, and what each leaves behind."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from rules.commands import BeginSupply, Command, EndSupply, SetLimits
from rules.gate.apply import applied
from rules.gate.change_sentence import described
from rules.gate.effects import effect, reversed_by
from rules.gate.judge import judge
from rules.gate.verdicts import Accepted, Question, Refused
from rules.ledger import Ledger
from rules.vocabulary import OwnValue, SupplyId, SupplyKind
from tests.rules.notation import at, ledger_of

NOW = at("2025-03-20")
MADRID = ZoneInfo("Europe/Madrid")
BATH, WAX, LINKS = SupplyKind.BATH, SupplyKind.DRIP_WAX, SupplyKind.QUICK_LINKS


@pytest.fixture(scope="module")
def house() -> Ledger:
    """A bath in use since the tenth, a bottle that is empty, a pack of links."""
    ledger = ledger_of("rider Ada  zone Europe/Madrid\nbike Plover  of Ada\nchain Beryl")
    for number, said in enumerate(
        (
            BeginSupply(BATH, 500.0, at("2025-03-10"), "green  pot"),
            BeginSupply(WAX, 120.0, at("2025-03-01")),
            EndSupply(SupplyId(2), at("2025-03-12")),
            BeginSupply(LINKS, 6.0, at("2025-03-01")),
        ),
        start=1,
    ):
        ledger = applied(ledger, said, number)
    return ledger


def own(*values: tuple[str, int, str, float | None]) -> SetLimits:
    return SetLimits(tuple(OwnValue(*one) for one in values), NOW)


@pytest.mark.parametrize(
    ("command", "why"),
    [
        (BeginSupply(BATH, 5.0, NOW), "The amount, in g must be from 50 to 20000"),
        (BeginSupply(WAX, 120.0, NOW, a_use=500.0), "What one drip takes, in ml must be from 0.5 to 50"),
        (BeginSupply(WAX, 120.0, at("2025-03-21")), "has not come yet"),
        (BeginSupply(WAX, 120.0, NOW, price=-1.0), "The price must be from 0 to"),
        (BeginSupply(WAX, 120.0, NOW, name="x" * 90), "The name of a supply is one short line"),
        (BeginSupply(BATH, 500.0, at("2025-03-05")), "A newer bath is in use since 10 March 2025, 13:00"),
        (EndSupply(SupplyId(9), NOW), "There is no supply 9."),
        (EndSupply(SupplyId(2), NOW), "That drip wax ended on 12 March 2025, 13:00 already."),
        (EndSupply(SupplyId(1), at("2025-03-01")), "It began on 10 March 2025, 13:00; it cannot end before."),
        (EndSupply(SupplyId(1), at("2025-03-21")), "has not come yet"),
        (own(), "Say at least one limit or weight"),
        (own(("bike", 9, "drip", 14.0)), "There is no bike 9 to set drip for."),
        (own(("pump", 1, "drip", 14.0)), "There is no pump 1 to set drip for."),
        (own(("bike", 1, "rust", 14.0)), "“rust” is no limit or weight"),
        (own(("bike", 1, "r" * 60, 14.0)), f"“{'r' * 40}” is no limit"),
        (own(("bike", 1, "drip", 99.0)), "Drip, in grit-hours, must be from"),
        (SetLimits((OwnValue("bike", 1, "drip", 14.0),), at("2025-03-21")), "has not come yet"),
        (SetLimits((OwnValue("bike", 1, "drip", 14.0),), NOW, "x" * 2000), "A reason has 2000 characters"),
        (
            own(("bike", 1, "drip", 14.0), ("bike", 1, "drip", 9.0)),
            "Drip is set twice for the same; say which",
        ),
    ],
    ids=lambda one: str(one)[:60],
)
def test_what_cannot_be_is_refused_with_why(house: Ledger, command: Command, why: str) -> None:
    found = judge(house, command, now=NOW, zone_of=ZoneInfo)
    assert isinstance(found, Refused), found
    assert why in found.why


def test_another_bath_while_one_is_in_use_is_asked_about(house: Ledger) -> None:
    another = BeginSupply(BATH, 400.0, at("2025-03-15"))
    found = judge(house, another, now=NOW, zone_of=ZoneInfo)
    assert isinstance(found, Question)
    assert "The bath begun on 10 March 2025, 13:00 is in use: is it used up" in found.ask
    first, _, _, second = applied(house, another, 4).supplies
    assert (first.ended_at, second.ended_at) == (at("2025-03-15"), None)
    assert (first.name, second.name) == ("green pot", "")
    more = applied(house, BeginSupply(LINKS, 2.0, NOW), 5).supplies  # links add up
    assert [one.ended_at for one in more if one.kind is LINKS] == [None, None]


STORIES = [
    (BeginSupply(WAX, 120.0, NOW, "left one", 5.0), "drip wax of 120 ml begun, 20 March 2025"),
    (BeginSupply(LINKS, 2.0, NOW), "quick links of 2 links begun, 20 March 2025"),
    (EndSupply(SupplyId(1), NOW), "bath ended, 20 March 2025"),
    (
        own(("bike", 1, "immersion", 50.0), ("chain", 1, "water", None), ("rider", 1, "salt", 2.5)),
        "immersion of Plover set to 50, water of Beryl left to the rulebook and salt of Ada set to 2.5",
    ),
]


@pytest.mark.parametrize(("command", "what"), STORIES, ids=lambda one: str(one)[:60])
def test_what_may_be_is_described_and_reversed(house: Ledger, command: Command, what: str) -> None:
    assert judge(house, command, now=NOW, zone_of=ZoneInfo) == Accepted()
    assert described(house, command, MADRID) == what
    after = applied(house, command, 50)
    assert after != house
    assert reversed_by(after, effect(house, after)) == house


def test_the_longest_reason_that_is_kept_is_taken(house: Ledger) -> None:
    said = SetLimits((OwnValue("bike", 1, "drip", 14.0),), NOW, "x" * 1000)
    assert isinstance(judge(house, said, now=NOW, zone_of=ZoneInfo), Accepted)
