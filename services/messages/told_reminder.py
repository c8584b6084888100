"""A reminder with the names that its reader knows it by: what messages and buttons are made from."""

from __future__ import annotations

from dataclasses import dataclass

from rules.ledger import Ledger
from rules.reminder import RaisedReminder, Reminder
from rules.vocabulary import Regime, ReminderId


@dataclass(frozen=True, slots=True)
class ToldReminder:
    """A reminder as one rider is told of it. worse: it was told before and has grown since."""

    id: ReminderId
    reminder: Reminder
    chain_name: str
    regime: Regime
    bike_name: str | None = None
    worse: bool = False


def told_reminder(raised: RaisedReminder, ledger: Ledger, *, worse: bool = False) -> ToldReminder:
    """A raised reminder with the names a rider knows."""
    chain = ledger.chain(raised.reminder.chain)
    bike = None if raised.reminder.bike is None else ledger.bike(raised.reminder.bike).name
    return ToldReminder(raised.id, raised.reminder, chain.name, chain.regime, bike, worse)
