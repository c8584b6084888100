"""A fair trial of wax against wet lube: whose turn it is. What trials found: `rules.wear.trial_pairs`.

Two like chains take turns on one bike; a lot says which of them begins each pair of turns. So season, rider,
sprockets and tool fall on both alike. One pair of chains is one witness: it alone can show nothing.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime

from rules.ledger import Ledger
from rules.units import kilometres, without_unit
from rules.vocabulary import ChainId, Trial

USUAL_TURN_KM = 300.0


@dataclass(frozen=True, slots=True)
class Turn:
    """Where a trial stands."""

    trial: Trial
    number: int  # 1 for the first turn
    chain: ChainId  # whose turn it is
    ridden_km: float  # of this turn
    off_plan_km: float  # by the other chain, in all
    swap_due: bool  # the turn is over, and the next is the other chain's
    next_chain: ChainId
    sentence: str


def order(trial: Trial, turns: int) -> tuple[ChainId, ...]:
    """Which chain has the first so many turns? A lot for each pair, the same whenever it is asked."""
    found: list[ChainId] = []
    for pair in range(-(-turns // 2)):
        coin = hashlib.sha256(f"{trial.seed}/{pair}".encode()).digest()[0] & 1
        found += [trial.waxed, trial.control] if coin else [trial.control, trial.waxed]
    return tuple(found[:turns])


def turn(ledger: Ledger, trial: Trial, *, now: datetime) -> Turn:
    """Whose turn is it, and how far is it ridden?

    A turn ends at the first ride, once its distance is behind it, on the chain whose turn is next; what the
    other chain rides before is off the plan, and counted.
    """
    at, ridden_km, off_plan_km = 0, 0.0, 0.0
    plan = order(trial, 2)
    until = now if trial.ended_at is None else min(now, trial.ended_at)
    for ride in ledger.rides_on(trial.bike):
        chain = ledger.chain_of(ride)
        if not trial.started_at <= ride.started_at <= until or chain is None:
            continue
        if ridden_km >= trial.block_km and (plan[at + 1] == plan[at] or chain.id == plan[at + 1]):
            at, ridden_km = at + 1, 0.0
            plan = order(trial, at + 2)
        if chain.id == plan[at]:
            ridden_km += ride.distance_m / 1000.0
        elif chain.id in (trial.waxed, trial.control):
            off_plan_km += ride.distance_m / 1000.0
    over = ridden_km >= trial.block_km
    coming = plan[at + 1]
    due = over and coming != plan[at] and trial.ended_at is None
    return Turn(
        trial,
        at + 1,
        plan[at],
        ridden_km,
        off_plan_km,
        due,
        coming,
        _sentence(ledger, trial, at + 1, plan[at], coming, ridden_km, due),
    )


def _sentence(
    ledger: Ledger,
    trial: Trial,
    number_of: int,
    chain: ChainId,
    coming: ChainId,
    ridden_km: float,
    due: bool,
) -> str:
    bike, one, other = (ledger.bike(trial.bike), ledger.chain(chain), ledger.chain(coming))
    if trial.ended_at is not None:
        return f"The trial on {bike.name} ended in its turn {number_of}."
    ridden = f"{without_unit(kilometres(ridden_km))} of {kilometres(trial.block_km)}"
    said = f"{one.name} has ridden {ridden} of turn {number_of}"
    if due:
        return f"{said}: swap it for {other.name} on {bike.name}."
    worn = ledger.chain_on(trial.bike, trial.started_at if ridden_km == 0.0 else _latest(ledger, trial))
    if worn is not None and worn.id != chain:
        return f"{said}; it is not on {bike.name} now: fit it."
    return f"{said}."


def _latest(ledger: Ledger, trial: Trial) -> datetime:
    rides = ledger.rides_on(trial.bike)
    return rides[-1].started_at if rides else trial.started_at
