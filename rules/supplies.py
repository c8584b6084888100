"""What stands on the shelf: how much of each supply is left, by the care that was logged, and until when.

A bath is spent in two ways: a little wax leaves with each chain, and what the chains bring in stays. What one
use takes is common practice without a source unless the rider said otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

from rules.contamination import NOTHING, history
from rules.dates_and_numbers import ZoneOf, day, listed, number, utc
from rules.ledger import Ledger
from rules.rulebook import Rulebook
from rules.vocabulary import Supply, SupplyKind, Treatment, TreatmentKind

PACE_DAYS = 91  # a season: how often a thing was used lately
SOON = timedelta(weeks=3)  # before it runs out, it is told
SOON_USES = 1.0
COVERS = 0.5  # of a bath that must be left for a chain to lie under; labelled assumption
BATH_GRIT_H = 400.0  # ten chains at their limit; labelled assumption: go by what comes out


@dataclass(frozen=True, slots=True)
class Use:
    """How one kind of supply is used up. a_use: what one use takes. Common practice, no source."""

    unit: str
    a_use: float
    range: tuple[float, float]
    deed: str
    deeds: str
    kinds: frozenset[TreatmentKind]


USES: Mapping[SupplyKind, Use] = {
    SupplyKind.BATH: Use(
        "g", 7.0, (1.0, 50.0), "immersion", "immersions", frozenset({TreatmentKind.IMMERSION})
    ),
    SupplyKind.DRIP_WAX: Use("ml", 6.0, (0.5, 50.0), "drip", "drips", frozenset({TreatmentKind.DRIP})),
    SupplyKind.SOLVENT: Use(
        "ml",
        150.0,
        (5.0, 2000.0),
        "chain cleaned",
        "chains cleaned",
        frozenset({TreatmentKind.STRIP, TreatmentKind.CLEAN}),
    ),
    # a third of a link: its maker says how often it may be opened
    SupplyKind.QUICK_LINKS: Use(
        "links",
        1.0 / 3.0,
        (0.1, 1.0),
        "opening",
        "openings",
        frozenset({TreatmentKind.IMMERSION, TreatmentKind.CLEAN}),
    ),
}


@dataclass(frozen=True, slots=True)
class Stand:
    """How one supply stands."""

    supply: Supply
    uses: int  # since it was begun
    left: float  # in its unit, of what can be used
    uses_left: float
    grit_h: float  # what a bath was brought; 0 for the rest
    by: datetime | None  # when it runs out at the recent pace; None = not in sight
    soon: bool  # worth a word
    sentence: str


def stands(ledger: Ledger, rulebook: Rulebook, *, now: datetime, zone_of: ZoneOf = utc) -> tuple[Stand, ...]:
    """How does each supply in use stand, the next to run out first?"""
    zone = zone_of(ledger.riders[0].time_zone if ledger.riders else "UTC")
    found = []
    for supply in ledger.supplies:
        if supply.begun_at > now or (supply.ended_at is not None and supply.ended_at <= now):
            continue
        use = USES[supply.kind]
        a_use = supply.a_use or use.a_use
        times = _uses(ledger, supply, now)
        left = max(0.0, _usable(supply) - a_use * len(times))
        uses_left = left / a_use
        grit_h = 0.0
        if supply.kind is SupplyKind.BATH:
            grit_h = _brought(ledger, rulebook, times)
            mean = grit_h / len(times) if times else 0.0
            if mean > 0.0:
                uses_left = min(uses_left, max(0.0, BATH_GRIT_H - grit_h) / mean)
        by = _runs_out(times, uses_left, supply.begun_at, now)
        soon = uses_left <= SOON_USES or (by is not None and by <= now + SOON)
        head = f"{_name(supply)}: {len(times)} {use.deed if len(times) == 1 else use.deeds} since "
        said = f"{head}{day(supply.begun_at, zone)}, {number(left, 0)} {use.unit} left to use"
        if supply.kind is SupplyKind.BATH:
            said += f", {number(grit_h, 0)} of {number(BATH_GRIT_H, 0)} grit-hours taken up"
        if uses_left < 1.0:
            said += "; it is used up."
        elif by is None:
            said += f"; enough for {number(math.floor(uses_left), 0)} more."
        else:
            said += f"; at the recent pace until about {day(by, zone)}."
        found.append(Stand(supply, len(times), left, uses_left, grit_h, by, soon, said))
    found.sort(key=lambda one: (one.uses_left >= 1.0, one.by is None, one.by or now, one.supply.id))
    return tuple(found)


def cost_of(ledger: Ledger, rulebook: Rulebook, treatment: Treatment) -> float | None:
    """What did this use up of the supplies in use then? None: the price of what it takes is unknown.

    A bath is done for by the wax that leaves or by the grit that stays: whichever takes the larger share.
    """
    found, known = 0.0, False
    for kind, use in USES.items():
        if treatment.kind not in use.kinds:
            continue
        link = kind is SupplyKind.QUICK_LINKS
        if link and ledger.fitting_of(treatment.chain, treatment.done_at) is None:
            continue
        supply = _in_use(ledger, kind, treatment.done_at)
        if supply is not None and supply.price is not None:
            share = (supply.a_use or use.a_use) / _usable(supply)
            if kind is SupplyKind.BATH:
                share = max(share, _brought(ledger, rulebook, [(treatment.done_at, treatment)]) / BATH_GRIT_H)
            found += supply.price * min(1.0, share)
            known = known or not link
    return found if known else None


def _in_use(ledger: Ledger, kind: SupplyKind, at: datetime) -> Supply | None:
    """The newest of this kind that was in use."""
    here = [
        one
        for one in ledger.supplies
        if one.kind is kind and one.begun_at <= at and (one.ended_at is None or at < one.ended_at)
    ]
    return max(here, key=lambda one: (one.begun_at, one.id), default=None)


def _usable(supply: Supply) -> float:
    return supply.amount * (1.0 - COVERS) if supply.kind is SupplyKind.BATH else supply.amount


def running_out(found: Iterable[Stand], zone: tzinfo = UTC) -> str:
    """What to get before it runs out, in a few words; empty = nothing."""
    said = [
        f"{_name(one.supply).lower()} (" + (f"lasts until {day(one.by, zone)})" if one.by else "almost gone)")
        for one in found
        if one.soon
    ]
    return f"Soon to be got: {listed(said)}" if said else ""


def _uses(ledger: Ledger, supply: Supply, now: datetime) -> list[tuple[datetime, Treatment | None]]:
    """When it was used, and by which treatment; a link is opened too when a chain goes on."""
    kinds = USES[supply.kind].kinds
    found: list[tuple[datetime, Treatment | None]] = []
    for one in ledger.treatments:
        on_the_bike = supply.kind is not SupplyKind.QUICK_LINKS or ledger.fitting_of(one.chain, one.done_at)
        if one.kind in kinds and on_the_bike and supply.begun_at <= one.done_at <= now:
            found.append((one.done_at, one))
    if supply.kind is SupplyKind.QUICK_LINKS:
        found += [(one.fitted_at, None) for one in ledger.fittings if supply.begun_at <= one.fitted_at <= now]
    return sorted(found, key=lambda one: one[0])


def _brought(ledger: Ledger, rulebook: Rulebook, times: list[tuple[datetime, Treatment | None]]) -> float:
    """What the chains carried when they went in. [grit-hours of dirt]"""
    dips = {treatment for _, treatment in times}
    brought = 0.0
    for chain in sorted({one.chain for one in dips if one is not None}):
        before = NOTHING
        for entry in history(ledger, chain, rulebook).entries:
            if entry.fact in dips:
                brought += before.grit_h
            before = entry.since_immersion
    return brought


def _runs_out(
    times: list[tuple[datetime, Treatment | None]], uses_left: float, begun_at: datetime, now: datetime
) -> datetime | None:
    since = max(begun_at, now - timedelta(days=PACE_DAYS))
    lately = sum(at >= since for at, _ in times)
    if uses_left < 1.0:
        return now
    span_days = max(28.0, (now - since) / timedelta(days=1))
    days = uses_left * span_days / lately if lately else math.inf
    return now + timedelta(days=days) if days <= 3660.0 else None


def _name(supply: Supply) -> str:
    kind = supply.kind.value.capitalize()
    return f"{kind} {supply.name}" if supply.name else kind
