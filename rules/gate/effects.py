"""What a command changed in the facts, kept with it, so that the ledger before any command can be had."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from rules.ledger import FAMILIES, Facts, Ledger

NOTHING_LOST = Facts()


@dataclass(frozen=True, slots=True)
class Effect:
    """What a command did to the facts: those as they were that it changed or removed, and what it made.

    made: (family, number) of each fact that was not there before.
    """

    lost: Facts = NOTHING_LOST
    made: tuple[tuple[str, int], ...] = ()


def effect(before: Ledger, after: Ledger) -> Effect:
    """What changed between two ledgers, but for rides."""
    lost: dict[str, Any] = {}
    made: list[tuple[str, int]] = []
    for family in FAMILIES:
        old = {one.id: one for one in getattr(before, family)}
        new = {one.id: one for one in getattr(after, family)}
        lost[family] = tuple(one for number, one in old.items() if new.get(number) != one)
        made += [(family, number) for number in new if number not in old]
    return Effect(Facts(**lost), tuple(made))


def reversed_by(ledger: Ledger, done: Effect) -> Ledger:
    """The ledger as it was before that effect."""
    values: dict[str, Any] = {}
    for family in FAMILIES:
        lost = {one.id: one for one in getattr(done.lost, family)}
        gone = {number for of_family, number in done.made if of_family == family} | lost.keys()
        if gone:
            kept = [one for one in getattr(ledger, family) if one.id not in gone]
            values[family] = tuple(sorted((*kept, *lost.values()), key=lambda one: one.id))
    return replace(ledger, **values) if values else ledger


NO_EFFECT = Effect()
