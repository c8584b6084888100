"""One chain as the judges of rules.care_due see it."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Any

from rules.contamination import CLEARS_SINCE_DRIP, ChainHistory, Entry, history
from rules.dates_and_numbers import ZoneOf
from rules.ledger import Ledger, RiddenHour
from rules.limits_in_force import ChainJudgements, judgements_for
from rules.reminder import Reminder, ReminderKind
from rules.rulebook import Judgement, Rulebook
from rules.vocabulary import Bike, Chain, Regime, Rider, Treatment

HAIR = 1e-9  # a sum of floats that reads as the limit has reached it


@dataclass(frozen=True, slots=True)
class Case:
    """One chain as the judges see it."""

    ledger: Ledger
    rulebook: Rulebook
    chain: Chain
    past: ChainHistory
    judgements: ChainJudgements
    rider: Rider  # whom to tell
    zone: tzinfo
    now: datetime
    worn_chance: float
    told_at: Collection[datetime] | None  # when its wet evenings were asked for; None = not known

    @property
    def waxed(self) -> bool:
        return self.chain.regime is Regime.WAXED

    @property
    def name(self) -> str:
        """'the chain Copper on Plover'."""
        return f"the chain {self.chain.name}" + (f" on {self.bike.name}" if self.bike else "")

    @property
    def bike(self) -> Bike | None:
        """The bike it is on now."""
        return self.judgements.bike

    @property
    def film_renewed_at(self) -> list[datetime]:
        """When hands gave it a new film, by a drip or by more than that; oldest first."""
        return [
            entry.at
            for entry in self.past.entries
            if isinstance(entry.fact, Treatment) and entry.fact.kind in CLEARS_SINCE_DRIP
        ]

    def reminder(self, kind: ReminderKind, origin: str, **said: Any) -> Reminder:
        """A reminder of this chain, for whom it concerns now unless it is said otherwise.

        origin: the fact that it counts from, such as "ride 12": it sets one cause apart from the next.
        """
        bike = None if self.bike is None else self.bike.id
        whom = {"chain": self.chain.id, "rider": self.rider.id, "bike": bike}
        key, version = f"{kind}:{self.chain.id}:{origin}", self.rulebook.version
        return Reminder(key=key, kind=kind, rulebook_version=version, **(whom | said))

    def limit(self, short_key: str) -> Judgement:
        return self.judgements.limit(short_key)

    def urgency(self, total: float, limit: float) -> int:
        return 2 if total >= limit * self.limit("overdue").value - HAIR else 0


def case_of(
    ledger: Ledger,
    rulebook: Rulebook,
    chain: Chain,
    now: datetime,
    zone_of: ZoneOf,
    worn_chance: float,
    told_at: Collection[datetime] | None,
) -> Case | None:
    past = history(ledger, chain.id, rulebook).until(now)
    if not past.entries:
        return None
    judgements = judgements_for(ledger, rulebook, chain, now)
    rider = judgements.rider or ledger.riders[0]
    zone = zone_of(rider.time_zone)
    return Case(ledger, rulebook, chain, past, judgements, rider, zone, now, worn_chance, told_at)


def happened_by(entry: Entry) -> datetime:
    """When the fact was over: a ridden hour at its end, everything else at once."""
    return entry.fact.ends_at if isinstance(entry.fact, RiddenHour) else entry.at
