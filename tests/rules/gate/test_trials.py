"""What may be said of a trial: two like chains, one of each kind, measured, on one bike at a time."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from rules.commands import Command, EndTrial, StartTrial
from rules.gate.apply import applied
from rules.gate.change_sentence import described
from rules.gate.effects import effect, reversed_by
from rules.gate.judge import judge
from rules.gate.verdicts import Accepted, Question, Refused
from rules.ledger import Ledger
from rules.vocabulary import BikeId, ChainId, TrialId
from tests.rules.notation import at, ledger_of

NOW = at("2025-03-20")
MADRID = ZoneInfo("Europe/Madrid")
PLOVER, HERON = BikeId(1), BikeId(2)
BERYL, GALENA, JASPER, ZIRCON, OLD = (ChainId(number) for number in range(1, 6))
HOUSE = """
    rider Ada  zone Europe/Madrid
    bike Plover  of Ada
    bike Heron  of Ada
    chain Beryl   12-speed
    chain Galena  12-speed  wet lube
    chain Jasper  11-speed  wet lube
    chain Zircon  12-speed
    chain Old     12-speed  wet lube
    2025-03-01  measured  Beryl   0.05
    2025-03-01  measured  Galena  0.05
    2025-03-01  measured  Jasper  0.05
    2025-03-01  measured  Old     0.55
    2025-03-02  retired   Old
"""


@pytest.fixture(scope="module")
def house() -> Ledger:
    """Four chains, and a trial under way on Heron."""
    return applied(ledger_of(HOUSE), begin(HERON, at_="2025-03-10"), 1)


def begin(
    bike: int = PLOVER,
    waxed: int = BERYL,
    control: int = GALENA,
    *,
    at_: str = "2025-03-19",
    km: float = 300.0,
) -> StartTrial:
    return StartTrial(BikeId(bike), ChainId(waxed), ChainId(control), at(at_), km, 7)


def verdict(house: Ledger, command: Command) -> object:
    return judge(house, command, now=NOW, zone_of=ZoneInfo)


@pytest.mark.parametrize(
    ("command", "why"),
    [
        (begin(99), "There is no bike 99."),
        (begin(waxed=99), "There is no chain 99."),
        (begin(control=99), "There is no chain 99."),
        (begin(at_="2025-03-21"), "has not come yet"),
        (begin(km=5.0), "The distance from swap to swap must be from ⟨50 km|50⟩ to ⟨2000 km|2000⟩"),
        (begin(waxed=BERYL, control=BERYL), "A trial needs two chains"),
        (begin(waxed=GALENA, control=BERYL), "Galena is wet lube and Beryl waxed. Name the waxed one first"),
        (begin(waxed=BERYL, control=ZIRCON), "Beryl is waxed and Zircon waxed."),
        (begin(HERON), "A trial is under way on Heron already. End that one first."),
        (begin(control=OLD), "Old was retired on 2 March 2025, 13:00; take another one."),
        (EndTrial(TrialId(9), NOW), "There is no trial 9."),
        (EndTrial(TrialId(1), at("2025-03-21")), "has not come yet"),
        (EndTrial(TrialId(1), at("2025-03-09")), "It began on 10 March 2025, 13:00; it cannot end before."),
    ],
    ids=lambda one: str(one)[:50],
)
def test_what_cannot_be_is_refused_with_why(house: Ledger, command: Command, why: str) -> None:
    found = verdict(house, command)
    assert isinstance(found, Refused), found
    assert why in found.why


@pytest.mark.parametrize(
    ("command", "ask"),
    [
        (begin(waxed=ZIRCON), "Zircon was never measured. A trial starts from a reading"),
        (begin(control=JASPER), "Beryl and Jasper are not noted as the same kind of chain (speeds)."),
    ],
    ids=lambda one: str(one)[:50],
)
def test_what_is_odd_is_asked(house: Ledger, command: Command, ask: str) -> None:
    found = verdict(house, command)
    assert isinstance(found, Question), found
    assert ask in found.ask


STORIES = [
    (begin(), "trial on Plover begun: Beryl and Galena"),
    (EndTrial(TrialId(1), NOW), "trial on Heron ended, 20 March 2025"),
]


@pytest.mark.parametrize(("command", "what"), STORIES, ids=lambda one: str(one)[:50])
def test_what_may_be_is_described_and_reversed(house: Ledger, command: Command, what: str) -> None:
    assert verdict(house, command) == Accepted()
    assert described(house, command, MADRID) == what
    after = applied(house, command, 50)
    assert after.trials != house.trials
    assert reversed_by(after, effect(house, after)).trials == house.trials


def test_a_trial_ends_once_and_the_bike_is_free_again(house: Ledger) -> None:
    over = applied(house, EndTrial(TrialId(1), at("2025-03-18")), 0)
    found = verdict(over, EndTrial(TrialId(1), NOW))
    assert isinstance(found, Refused)
    assert "That trial ended on 18 March 2025, 13:00 already." in found.why
    assert verdict(over, begin(HERON)) == Accepted()
    assert isinstance(verdict(over, begin(HERON, at_="2025-03-17")), Refused)
