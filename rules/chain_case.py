"""One chain as the judges of rules.reminders see it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, tzinfo

from rules.contamination import ChainHistory, Entry, history
from rules.ledger import Ledger, RiddenHour
from rules.reminder import ReminderKind
from rules.rulebook import Judgement, Rulebook
from rules.vocabulary import Bike, Chain, Regime, Rider
from rules.wording import ZoneOf

HAIR = 1e-9  # a sum of floats that reads as the limit has reached it


@dataclass(frozen=True, slots=True)
class Case:
    """One chain as the judges see it."""

    ledger: Ledger
    rulebook: Rulebook
    chain: Chain
    past: ChainHistory
    bike: Bike | None  # it is on this bike now
    last_bike: Bike | None  # or it was last on this one
    rider: Rider
    zone: tzinfo
    now: datetime
    worn_chance: float

    @property
    def waxed(self) -> bool:
        return self.chain.regime is Regime.WAXED

    @property
    def name(self) -> str:
        """'the chain Copper on Plover'."""
        return f"the chain {self.chain.name}" + (f" on {self.bike.name}" if self.bike else "")

    def limit(self, short_key: str) -> Judgement:
        return self.rulebook.limit(short_key, chain=self.chain, bike=self.last_bike, rider=self.rider)

    def urgency(self, total: float, limit: float) -> int:
        return 2 if total >= limit * self.limit("overdue").value - HAIR else 0


def case_of(
    ledger: Ledger, rulebook: Rulebook, chain: Chain, now: datetime, zone_of: ZoneOf, worn_chance: float
) -> Case | None:
    past = history(ledger, chain.id, rulebook).until(now)
    if not past.entries:
        return None
    fitting = ledger.fitting_of(chain.id, now)
    bike = None if fitting is None else ledger.bike(fitting.bike)
    begun = [fitting for fitting in ledger.fittings_of(chain.id) if fitting.fitted_at <= now]
    last_bike = bike or (ledger.bike(begun[-1].bike) if begun else None)
    rider = whom_to_tell(ledger, past, last_bike)
    return Case(
        ledger, rulebook, chain, past, bike, last_bike, rider, zone_of(rider.time_zone), now, worn_chance
    )


def whom_to_tell(ledger: Ledger, past: ChainHistory, bike: Bike | None) -> Rider:
    """Who rode this chain last on this bike, else the bike's owner, else the first rider of the household."""
    if bike is None:
        return ledger.riders[0]
    for entry in reversed(past.entries):
        if isinstance(entry.fact, RiddenHour):
            if entry.fact.ride.bike == bike.id:
                return ledger.rider(entry.fact.ride.rider)
            break
    return ledger.rider(bike.owner)


def key_of(kind: ReminderKind, case: Case, origin: str) -> str:
    return f"{kind}:{case.chain.id}:{origin}"


def happened_by(entry: Entry) -> datetime:
    """When the fact was over: a ridden hour at its end, everything else at once."""
    return entry.fact.ends_at if isinstance(entry.fact, RiddenHour) else entry.at
