"""One evening at the pot for several households: an act of care is kept in each, whole or not at all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from rules.commands import LogTreatment
from rules.vocabulary import ChainId, TreatmentKind
from services.app import App
from services.store import StoreError
from services.use_cases.record_change import record
from services.use_cases.undo import undo


@dataclass(frozen=True, slots=True)
class Share:
    """The chains of one household in the pot. app: its tools, in the hands of whoever stands there."""

    household: int
    name: str
    app: App
    chains: tuple[ChainId, ...]


@dataclass(frozen=True, slots=True)
class Kept:
    """What became of a household's share. number: of the act, for undoing it; 0 = not kept."""

    household: int
    sentence: str
    number: int = 0


def immersed(
    shares: Sequence[Share], *, minutes: float | None = None, note: str = "", now: datetime
) -> tuple[Kept, ...]:
    """These chains were immersed: one act a household. What one of them refuses holds up no other.

    minutes: of all chains together; each household bears its chains' share.
    """
    total = sum(len(one.chains) for one in shares)
    kept = []
    for one in shares:
        first, *rest = one.chains
        share = None if minutes is None else minutes * len(one.chains) / total
        act = LogTreatment(first, TreatmentKind.IMMERSION, now, minutes=share, note=note, also=tuple(rest))
        try:
            done = record(one.app, act, now=now)
        except StoreError as error:
            kept.append(Kept(one.household, f"{one.name}: not logged. {error}"))
            continue
        kept.append(Kept(one.household, f"{one.name}: {done.sentences[0]}", done.number))
    return tuple(kept)


def undo_acts(acts: Sequence[tuple[str, App, int]], *, now: datetime) -> tuple[str, ...]:
    """Take back acts of several households, each by its number; what became of each."""
    said = []
    for name, app, number in acts:
        try:
            said.append(f"{name}: {undo(app, number, now=now).sentences[0]}")
        except StoreError as error:
            said.append(f"{name}: not undone. {error}")
    return tuple(said)
