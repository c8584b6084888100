"""Undo: the ledger becomes what it would be had something never been said, in whatever order it was said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import reduce
from zoneinfo import ZoneInfo

from rules.commands import AddRider
from rules.dates_and_numbers import listed
from rules.gate.apply import applied
from rules.gate.effects import effect, reversed_by
from rules.gate.replay import Replay, Said, without
from rules.ledger import Ledger
from rules.roles import objection
from rules.vocabulary import RiderId
from services.app import App
from services.store import Change, FactRefused, NeedsConfirmation, NotAllowed, Transaction
from services.use_cases.judge_bikes import judge_later
from services.use_cases.record_change import (
    A_RIDER,
    Done,
    ledger_for,
    moves_bikes,
    rides_counted_by,
    take_back_rows,
    with_bikes,
    with_rulebook,
)
from services.use_cases.rename_in_rulebook import renames
from services.use_cases.update_reminders import reckon


@dataclass(frozen=True, slots=True)
class Undoing:
    """What undoing a change takes along: what cannot stand without it, and why, oldest first."""

    change: Change
    also: tuple[tuple[Change, str], ...]

    @property
    def question(self) -> str:
        """What is asked before more than one thing is undone."""
        named = [f"{one.number} ({one.what}: {why})" for one, why in self.also]
        return f"Undoing “{self.change.what}” undoes what cannot stand without it: {listed(named)} Undo all?"


def undo(
    app: App, number: int | None = None, *, now: datetime, by: str = A_RIDER, confirmed: bool = False
) -> Done:
    """Take back something said, the newest by default, and what cannot stand without it.

    Raises NotFound, FactRefused; NeedsConfirmation, which names the others, when there are any.
    """
    with app.store.writing() as tx:
        meant = _meant(tx, number)
        standing = tx.changes.standing(since=meant.number)  # what was said before it stays as it is
        ledger = ledger_for(tx, [one.command for one in standing if one.command is not None])
        undoing, replay = _undoing(tx, ledger, standing, meant)
        if undoing.also and not confirmed:
            raise NeedsConfirmation(undoing.question)
        gone = [*(one for one, _ in undoing.also), undoing.change]
        _refuse_riders_with_rides(tx, ledger, gone)
        _refuse_what_they_may_not_say(app, ledger, gone)
        by = app.speaker(by)
        for one in sorted(gone, key=lambda one: one.number, reverse=True):
            assert one.command is not None
            take_back_rows(tx, one.command, one.rows, now, by)
            along = None if one is undoing.change else undoing.change.number
            tx.changes.mark_undone(one.number, at=now, by=by, along_with=along)
        tx.facts.write(ledger, replay.ledger, at=now, by=by, why="undone")
        _keep_effects(tx, standing, replay)
        said = [f"Undone: {undoing.change.what}."]
        said += [f"Undone with it: {one.what}." for one, _ in undoing.also]
        if any(one.command is not None and moves_bikes(one.command) for one in gone):
            judge_later(tx, now)
        done = Done(undoing.change.number, tuple(said), renamed=renames(ledger, replay.ledger))
        done = with_rulebook(tx, app, done)
        done = replace(done, sentences=(*done.sentences, *reckon(tx, app, now=now).sentences))
    return with_bikes(app, done, now=now)


def _meant(tx: Transaction, number: int | None) -> Change:
    meant = tx.changes.last() if number is None else tx.changes.get(number)
    if meant is None:
        raise FactRefused("There is nothing to undo.")
    if meant.undone_at is not None:
        raise FactRefused(f"“{meant.what}” was undone already.")
    if meant.command is None:
        raise FactRefused(
            f"“{meant.what}” was said before this version kept what it takes to undo it; say the right thing "
            "anew instead."
        )
    return meant


def _undoing(
    tx: Transaction, ledger: Ledger, standing: Sequence[Change], meant: Change
) -> tuple[Undoing, Replay]:
    start = reduce(reversed_by, [one.effect for one in reversed(standing)], ledger)
    said = [
        Said(one.number, one.at, one.command, one.made, rides_counted_by(tx, one.command, one.rows))
        for one in standing
        if one.command is not None
    ]
    replay = without(start, said, meant.number, zone_of=ZoneInfo)
    by_number = {one.number: one for one in standing}
    also = tuple((by_number[one], why) for one, why in sorted(replay.refused.items()))
    return Undoing(meant, also), replay


def _keep_effects(tx: Transaction, standing: Sequence[Change], replay: Replay) -> None:
    """What the changes that remain do to the facts, now that another one is gone before them."""
    for one in standing:
        before = replay.before.get(one.number)
        if before is None or one.command is None:
            continue
        now = effect(before, applied(before, one.command, one.made))
        if now != one.effect:
            tx.changes.keep_effect(one.number, now)


def _refuse_what_they_may_not_say(app: App, ledger: Ledger, gone: Sequence[Change]) -> None:
    """Who may not say a thing may not take it back."""
    for one in gone:
        if one.command is not None and (no := objection(app.member, ledger, one.command)):
            raise NotAllowed(no)


def _refuse_riders_with_rides(tx: Transaction, ledger: Ledger, gone: Sequence[Change]) -> None:
    """Rides are nobody's word, and they need their rider."""
    riders = [RiderId(one.made) for one in gone if isinstance(one.command, AddRider)]
    names = sorted(ledger.rider(rider).name for rider in riders if tx.rides.count(rider=rider))
    if names:
        raise FactRefused(
            f"Rides of {listed(names)} have been read, and a ride needs its rider. Change the name or the "
            "address instead."
        )
