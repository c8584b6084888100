"""How far is each limit, and why is nothing asked for yet: answered by the reminders' own functions."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from rules.contamination import (
    CLEARS_SINCE_IMMERSION,
    ChainHistory,
    Totals,
    history,
)
from rules.dates_and_numbers import ZoneOf, day, number, utc
from rules.kinds_of_work import WORKS, work
from rules.ledger import Ledger
from rules.limits_in_force import judgements_for
from rules.reminder import ReminderKind
from rules.rulebook import Rulebook
from rules.vocabulary import (
    Bike,
    BikeId,
    Chain,
    ChainId,
    Reading,
    Regime,
    RiderId,
    Treatment,
)

RECENT_DAYS = 28  # four whole weeks, so that every weekday counts alike
WEEKS_AHEAD = 4  # what is farther off is not told of: at the recent pace that is a guess; our choice


@dataclass(frozen=True, slots=True)
class Outlook:
    """How far one limit of one chain is, and when it comes at the chain's recent pace."""

    chain: ChainId
    bike: BikeId | None
    rider: RiderId  # who rode it last, else the bike's owner
    kind: ReminderKind
    used: float
    limit: float
    unit: str  # "grit-hours", "drive hours", "immersions"
    unknown_h: float  # drive hours in `used` with no weather behind them
    pace_per_day: float | None  # None: the chain was not ridden lately
    by: datetime | None  # when the limit comes at that pace; `now` if it is reached; None: no pace
    sentence: str

    @property
    def left(self) -> float:
        """What is left to the limit; 0 once it is reached."""
        return max(0.0, self.limit - self.used)

    @property
    def share(self) -> float:
        """Share of the limit that is used; 1 = due."""
        return self.used / self.limit


def outlook(
    ledger: Ledger,
    rulebook: Rulebook,
    *,
    now: datetime,
    days: int = RECENT_DAYS,
    zone_of: ZoneOf = utc,
) -> tuple[Outlook, ...]:
    """How far is each limit of each fitted chain, soonest first?

    days: how far back the recent pace looks; a chain fitted less than that ago is judged by its days on the
    bike, but at least seven.
    """
    found: list[Outlook] = []
    for chain in ledger.chains:
        fitting = ledger.fitting_of(chain.id, now)
        if fitting is None or (chain.retired_at is not None and chain.retired_at <= now):
            continue
        past = history(ledger, chain.id, rulebook).until(now)
        span_days = min(float(days), max(7.0, (now - fitting.fitted_at) / timedelta(days=1)))
        pace = _minus(past.over_life, past.until(now - timedelta(days=span_days)).over_life)
        since = now - timedelta(days=span_days)
        dirt_h = math.fsum(e.exposure.dirt_h for e in past.entries if e.exposure is not None and e.at > since)
        bike = ledger.bike(fitting.bike)
        found.extend(_outlooks(ledger, rulebook, chain, bike, past, pace, dirt_h, span_days, now, zone_of))
    found.sort(key=lambda o: (o.by is None, o.by or now, -o.share, o.chain, o.kind))
    return tuple(found)


def _outlooks(
    ledger: Ledger,
    rulebook: Rulebook,
    chain: Chain,
    bike: Bike,
    past: ChainHistory,
    recent: Totals,
    recent_dirt_h: float,  # what is ridden on a used-up film counts more towards an immersion
    span_days: float,
    now: datetime,
    zone_of: ZoneOf,
) -> list[Outlook]:
    judgements = judgements_for(ledger, rulebook, chain, now)
    rider = judgements.rider or ledger.rider(bike.owner)
    zone = zone_of(rider.time_zone)
    since_reading, baths = _since_reading(past)
    rows = (
        (
            ReminderKind.DRIP,
            WORKS[ReminderKind.DRIP, chain.regime].limit,
            past.since_drip.grit_h,
            recent.grit_h,
            past.since_drip,
        ),
        (
            ReminderKind.IMMERSION,
            WORKS[ReminderKind.IMMERSION, chain.regime].limit,
            past.since_immersion.grit_h,
            recent_dirt_h,
            past.since_immersion,
        ),
        (ReminderKind.INSPECTION, "inspection", since_reading.drive_h, recent.drive_h, since_reading),
        (ReminderKind.INSPECTION, "inspection_immersions", float(baths), 0.0, since_reading),
    )
    found = []
    for kind, key, used, ridden, totals in rows:
        limit = judgements.limit(key)
        pace = ridden / span_days if ridden > 0.0 else None
        by = _reached(used, limit.value, pace, now)
        sentence = _sentence(chain, bike, kind, used, limit.value, limit.unit, pace, by, zone)
        found.append(
            Outlook(
                chain=chain.id,
                bike=bike.id,
                rider=rider.id,
                kind=kind,
                used=used,
                limit=limit.value,
                unit=limit.unit,
                unknown_h=totals.unknown_h,
                pace_per_day=pace,
                by=by,
                sentence=sentence,
            )
        )
    return found


def _reached(used: float, limit: float, pace: float | None, now: datetime) -> datetime | None:
    if used >= limit:
        return now
    if pace is None:
        return None
    left_days = (limit - used) / pace
    return None if left_days > 3660.0 else now + timedelta(days=left_days)


def need_of(kind: ReminderKind, regime: Regime) -> str:
    """What a limit runs towards: 'a drip', 'a wear reading'."""
    hands = work(kind, regime)
    return "a wear reading" if hands is None else hands.need


def _sentence(
    chain: Chain,
    bike: Bike,
    kind: ReminderKind,
    used: float,
    limit: float,
    unit: str,
    pace: float | None,
    by: datetime | None,
    zone: tzinfo,
) -> str:
    need = need_of(kind, chain.regime)
    head = f"{chain.name} on {bike.name}: {number(used)} of {number(limit)} {unit} to {need}"
    if used >= limit:
        return f"{head}; due now."
    if by is None:
        why = "" if unit == "immersions" else "; not ridden enough lately to say when"
        return f"{head}{why}."
    weekly = number((pace or 0.0) * 7.0)
    return f"{head}; at its recent {weekly} a week that is about {day(by, zone)}."


def _since_reading(past: ChainHistory) -> tuple[Totals, int]:
    totals, baths = Totals(), 0
    for entry in reversed(past.entries):
        if isinstance(entry.fact, Reading):
            break
        if entry.exposure is not None:
            totals = totals.plus(entry.exposure)
        elif isinstance(entry.fact, Treatment) and entry.fact.kind in CLEARS_SINCE_IMMERSION:
            baths += 1
    return totals, baths


def _minus(later: Totals, earlier: Totals) -> Totals:
    return Totals(
        later.grit_h - earlier.grit_h, later.drive_h - earlier.drive_h, later.unknown_h - earlier.unknown_h
    )


def why_not_yet(
    ledger: Ledger, rulebook: Rulebook, chain: ChainId, *, now: datetime, zone_of: ZoneOf = utc
) -> tuple[str, ...]:
    """Why is nothing asked for on this chain? One sentence per limit that is not reached."""
    name = ledger.chain(chain).name
    retired_at = ledger.chain(chain).retired_at
    if retired_at is not None and retired_at <= now:
        return (f"{name} is retired.",)
    if ledger.fitting_of(chain, now) is None:
        return (f"{name} is on no bike now, so no riding limit counts.",)
    return tuple(
        row.sentence
        for row in outlook(ledger, rulebook, now=now, zone_of=zone_of)
        if row.chain == chain and row.used < row.limit
    )
