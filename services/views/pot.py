"""Chains of several households for one pot: each that asks for an immersion, where it is, and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from rules.vocabulary import TreatmentKind
from services.views.bench import Need, need_of
from services.views.chain_state import ChainState, state_of
from services.views.snapshot import Snapshot

_COUNTS = ("No chain", "One chain", "Two chains", "Three chains", "Four chains", "Five chains", "Six chains")
_MORE = ("Seven", "Eight", "Nine", "Ten", "Eleven", "Twelve")


@dataclass(frozen=True, slots=True)
class PotRow:
    """One chain for the pot. key: 'household:chain', for the form."""

    household: int
    household_name: str
    need: Need
    state: ChainState

    @property
    def key(self) -> str:
        """Which chain of which household."""
        return f"{self.household}:{self.need.chain.id}"


def pot_rows(household: int, name: str, snapshot: Snapshot, now: datetime) -> list[PotRow]:
    """The chains of one household that want an immersion now, most pressing first."""
    needs = (need_of(snapshot, one) for one in snapshot.most_pressing_first)
    return [
        PotRow(household, name, need, state_of(snapshot, need.chain, now))
        for need in needs
        if need.answer is TreatmentKind.IMMERSION and need.waits_for_hands
    ]


def pot_headline(rows: Sequence[PotRow]) -> str:
    """'Eleven chains for tonight's pot'."""
    count = len(rows)
    words = _COUNTS[count] if count < len(_COUNTS) else ""
    more = count - len(_COUNTS)
    return f"{words or (_MORE[more] if more < len(_MORE) else str(count)) + ' chains'} for tonight’s pot"
