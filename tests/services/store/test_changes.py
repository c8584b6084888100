"""The log of changes: what was said comes back as it was said, and being undone is a mark."""

from __future__ import annotations

import pytest

from rules.commands import Amend, Command, FitChain, LogTreatment, PlaceSensor, PutRidesOn, SayCondition
from rules.gate.effects import NO_EFFECT, Effect
from rules.ledger import Facts
from rules.vocabulary import BikeId, Chain, ChainId, Condition, Regime, RideId, TreatmentKind
from services.store import Change, FactRefused, NotFound, Store
from services.store.store import Transaction
from tests.services.store.household import DAY, MORNING

SAID: tuple[Command, ...] = (
    LogTreatment(ChainId(1), TreatmentKind.DRIP, MORNING, minutes=8.5, note="“quick”"),
    FitChain(ChainId(1), BikeId(2), MORNING),
    PlaceSensor("serial 4711", "power meter", BikeId(2)),
    PutRidesOn(((RideId(1), BikeId(2)), (RideId(2), None))),
    SayCondition(RideId(1), Condition.MUDDY),
    SayCondition(RideId(1), None),
    Amend("bike", 2, {"until_at": MORNING, "cogs": (11, 13), "unpaved_share": 0.5, "indoor": True}),
    Amend("chain", 1, {"regime": Regime.WET_LUBE, "name": "2026-05-01", "price": None}),
)


def kept(tx: Transaction, command: Command, effect: Effect = NO_EFFECT) -> Change:
    return tx.changes.add("said", command, made=3, rows=(4, 5), effect=effect, at=MORNING, by="Ines")


@pytest.mark.parametrize("command", SAID, ids=lambda one: type(one).__name__)
def test_a_command_comes_back_as_it_was_said(store: Store, command: Command) -> None:
    with store.writing() as tx:
        added = kept(tx, command)
    with store.reading() as tx:
        found = tx.changes.get(added.number)

    assert found == added
    assert found.command == command
    assert (found.made, found.rows, found.by) == (3, (4, 5), "Ines")


def test_what_a_command_changed_comes_back_too(store: Store) -> None:
    lost = Facts(chains=(Chain(ChainId(1), "Basalt", Regime.WET_LUBE, retired_at=MORNING),))
    with store.writing() as tx:
        added = kept(tx, SAID[0], Effect(lost, (("treatments", 3),)))
        assert tx.changes.get(added.number).effect == Effect(lost, (("treatments", 3),))
        tx.changes.keep_effect(added.number, NO_EFFECT)
    with store.reading() as tx:
        assert tx.changes.get(added.number).effect == NO_EFFECT


def test_an_undone_change_stays_in_the_log(store: Store) -> None:
    with store.writing() as tx:
        assert tx.changes.last() is None
        first, second, third = (kept(tx, command) for command in SAID[:3])
        tx.changes.mark_undone(third.number, at=MORNING + DAY, by="Tomás")
        tx.changes.mark_undone(second.number, at=MORNING + DAY, by="Tomás", along_with=third.number)
    with store.reading() as tx:
        assert [one.number for one in tx.changes.all_()] == [third.number, second.number, first.number]
        assert tx.changes.all_(limit=1)[0].undone_at == MORNING + DAY
        assert [one.number for one in tx.changes.all_(limit=1, offset=1)] == [second.number]
        assert tx.changes.all_(text=second.what.upper())[0].what == second.what
        assert (tx.changes.count(), tx.changes.count(text="nobody said so")) == (3, 0)
        assert tx.changes.get(second.number).undone_with == third.number
        assert tx.changes.standing() == (first,)
        assert tx.changes.last() == first
    with store.writing() as tx:
        with pytest.raises(FactRefused, match="undone already"):
            tx.changes.mark_undone(third.number, at=MORNING, by="Ines")
        with pytest.raises(NotFound):
            tx.changes.mark_undone(99, at=MORNING, by="Ines")
