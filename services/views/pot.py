"""Chains of several households for one pot: each that asks for an immersion, where it is, and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from rules.dates_and_numbers import in_words
from rules.vocabulary import TreatmentKind
from services.views.bench import Need, need_of
from services.views.chain_state import ChainState, state_of
from services.views.snapshot import Snapshot


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
    return f"{in_words(len(rows))} {'chain' if len(rows) < 2 else 'chains'} for tonight’s pot"
