"""The last year cared for another way: the rider's own hours, walked again under other rules.

First what was logged is walked, and must give the ledger's own totals; then the rider's limits, as if every
reminder had been followed; then other ways. How wear grows on a used-up film and with dirt was measured by
nobody: those two numbers are drawn from wide ranges, the same draws for every way, so that differences are
surer than either figure.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, tzinfo
from statistics import median
from typing import NamedTuple

import numpy as np

from rules.contamination import history
from rules.dates_and_numbers import ZoneOf, number, utc
from rules.ledger import Ledger, RiddenHour
from rules.limits_in_force import judgements_for
from rules.rulebook import Rulebook
from rules.vocabulary import (
    Bike,
    BikeId,
    Chain,
    Condition,
    OwnValue,
    Regime,
    Treatment,
    TreatmentKind,
)
from rules.wear.chain_readings import hour_row
from rules.wear.model import WAX
from rules.wear.percentiles import triple
from rules.wear.posterior import SEED, fit
from rules.wear.reading_arrays import Array, mean_known_hour, measured
from rules.year.simulation import Hour, Walk, Way, walk

YEAR = timedelta(days=365)
DRAWS, LATENESSES = 40, 6
ALIKE = 0.2  # logged care this near to the limits' own counts as the rider's habit
LEAST_HOURS = 20.0  # of riding in the year: with less, nothing is worth comparing
STARVED_WEAR = (math.log(1.0), 0.5)  # ln of the extra wear when the film lasts twice its limit
DIRTY_WEAR = (math.log(0.5), 0.5)  # ln of the extra wear at 40 grit-hours of dirt
MOST_STARVED, MOST_DIRTY = 3.0, 2.0
FULL_FILM_H, FULL_DIRT_H = 12.0, 40.0  # the grit-hours these are said at: no limit moves them
WORTH_A_WORD, WORTH_A_WORD_MIN = (
    0.15,
    30.0,
)  # share of the year's minutes, and minutes, that are worth advising
MUCH_MORE_WEAR = 1.15  # a way that costs more wear than this is not offered
WET = (Condition.WET, Condition.MUDDY)
# Minutes of hands where fewer than three were logged. Common practice, no source.
MINUTES: Mapping[str, float] = {
    "wipe": 3.0,
    "drip": 6.0,
    "swap": 4.0,
    "immersion": 25.0,
    "another chain in the pot": 10.0,
    "oil": 3.0,
    "clean": 15.0,
}


@dataclass(frozen=True, slots=True)
class Lived:
    """A way and its year. Triples are the 10, 50 and 90 % points."""

    way: Way
    deeds: Mapping[str, float]
    minutes: tuple[float, float, float]
    wear: tuple[float, float, float]  # by the rider's own limits = 1


@dataclass(frozen=True, slots=True)
class AnotherWay:
    """A bike's year as it was, by its limits, and otherwise."""

    bike: BikeId
    name: str
    distance_km: float
    logged: Mapping[str, float]
    logged_minutes: float
    own: Lived
    others: tuple[Lived, ...]
    habit: bool  # the logged care is about what the limits ask for
    offered: tuple[Lived, ...]  # fewer minutes, and not much more wear; the best first
    sentences: tuple[str, ...]


def another_way(
    ledger: Ledger, rulebook: Rulebook, *, now: datetime, zone_of: ZoneOf = utc
) -> tuple[AnotherWay, ...]:
    """How would the last year have gone, cared for otherwise? For each bike that wears a waxed chain."""
    weights, less_wax = _drawn(ledger, rulebook, now)
    found = []
    for bike in ledger.bikes:
        chain = ledger.chain_on(bike.id, now)
        if chain is None or chain.regime is not Regime.WAXED:
            continue
        zone = zone_of(ledger.rider(bike.owner).time_zone)
        hours, km = _hours(ledger, rulebook, bike.id, now, zone)
        if sum(hour.row[0] for hour in hours) >= LEAST_HOURS:
            own = own_way(ledger, rulebook, chain, now)
            limit = judgements_for(ledger, rulebook, chain, now).limit
            others = other_ways(
                own,
                limit("oil").value,
                limit("clean").value,
                limit("drip").high,
                limit("immersion").high,
            )
            draws = _draws_of(hours, weights, less_wax)
            found.append(_lived_otherwise(ledger, bike, hours, km, own, others, draws, now))
    return tuple(found)


def taken_over(
    year: AnotherWay, name: str, ledger: Ledger, rulebook: Rulebook, *, now: datetime
) -> tuple[tuple[OwnValue, ...], str]:
    """Which limits make this way the bike's own? Or why limits alone do not.

    For the bike; where its chain has a limit of its own, which would go before, for the chain.
    """
    lived = next((one for one in year.others if one.way.name == name), None)
    if lived is None:
        known = ", ".join(f"“{one.way.name}”" for one in year.others)
        return (), f"There is no way “{name[:60]}” for {year.name}; known: {known}."
    own, way = year.own.way, lived.way
    if not can_be_taken_over(year, lived):
        return (), (
            f"“{way.name.capitalize()}” takes more than other limits: other chains, or another way of "
            f"lubricating {year.name}. Note those as you do them; the reminders follow."
        )
    chain = ledger.chain_on(year.bike, now)
    chains_own = {} if chain is None else rulebook.overrides.get(("chain", chain.name), {})
    found = []
    for key, before, after in (("drip", own.film_h, way.film_h), ("immersion", own.dirt_h, way.dirt_h)):
        if after != before and chain is not None and key in chains_own:
            found.append(OwnValue("chain", chain.id, key, after))
        elif after != before:
            found.append(OwnValue("bike", year.bike, key, after))
    return tuple(found), ""


def can_be_taken_over(year: AnotherWay, lived: Lived) -> bool:
    """Whether limits alone make this way the bike's own?"""
    own, way = year.own.way, lived.way
    return replace(way, name=own.name, film_h=own.film_h, dirt_h=own.dirt_h) == own


def advice(found: Sequence[AnotherWay]) -> str:
    """Which other way is worth a word, once a season? The one that saves most hands; empty = none enough."""
    best: tuple[float, str] = (0.0, "")
    for year in found:
        for lived in year.offered:
            saved = year.own.minutes[1] - lived.minutes[1]
            if saved >= WORTH_A_WORD_MIN and saved >= WORTH_A_WORD * year.own.minutes[1]:
                low, high = (100.0 * (lived.wear[place] - 1.0) for place in (0, 2))
                said = (
                    f"A thought for {year.name}: {lived.way.name} would have saved {number(saved / 60.0)} of "
                    f"{number(year.own.minutes[1] / 60.0)} h in the last year, with wear {low:+.0f} to "
                    f"{high:+.0f} %, four times out of five. gritledger what-if --year shows the others."
                )
                best = max(best, (saved, said))
    return best[1]


def other_ways(
    own: Way, oil_h: float, clean_h: float, most_film_h: float = math.inf, most_dirt_h: float = math.inf
) -> tuple[Way, ...]:
    """What else could be done? oil_h, clean_h: the limits of a lubed chain; most: as far as limits may go."""
    film_h, dirt_h = min(4.0 / 3.0 * own.film_h, most_film_h), min(1.5 * own.dirt_h, most_dirt_h)
    ways = (
        replace(own, name="two chains in turn", chains=2, drips=False),
        replace(own, name="three chains in turn", chains=3, drips=False),
        replace(own, name="a longer wait for the pot", dirt_h=dirt_h),
        replace(own, name="drips farther apart", film_h=film_h),
        replace(own, name="drips and pot farther apart", film_h=film_h, dirt_h=dirt_h),
        replace(own, name="immersion only", drips=False),
        replace(own, name="drip only", baths=False),
        replace(own, name="oil instead", film_h=oil_h, dirt_h=clean_h, oiled=True, starved=1.0),
    )
    return tuple(way for way in ways if replace(way, name=own.name) != own)


def own_way(ledger: Ledger, rulebook: Rulebook, chain: Chain, now: datetime) -> Way:
    """The limits that hold for this chain, followed to the letter."""
    limit = judgements_for(ledger, rulebook, chain, now).limit
    return Way(
        "by your limits",
        limit("drip").value,
        limit("immersion").value,
        limit("wet_ride").value,
        limit("wet_ride_expires").value,
        rulebook.judgement("weight.starved").value,
    )


def _drawn(ledger: Ledger, rulebook: Rulebook, now: datetime) -> tuple[Array, Array]:
    """Draws of the weights, and of ln wear waxed / wet lube: by the readings, or by what is assumed."""
    dice = np.random.default_rng(SEED)
    found = fit(measured(ledger, rulebook, now=now))
    picked = dice.permutation(len(found.draws))[:DRAWS]
    wax = found.wax[picked] if found.wax is not None else WAX[0] + WAX[1] * dice.standard_normal(DRAWS)
    return found.weights[picked], wax


def _hours(
    ledger: Ledger, rulebook: Rulebook, bike: BikeId, now: datetime, zone: tzinfo
) -> tuple[list[Hour], float]:
    """The year's ride hours on a bike, in order, and its kilometres."""
    mean_known, first = mean_known_hour(ledger, rulebook), now - YEAR
    rows: list[tuple[datetime, Hour]] = []
    km = 0.0
    for chain in sorted({one.chain for one in ledger.fittings if one.bike == bike}):
        for entry in history(ledger, chain, rulebook).until(now).entries:
            if entry.exposure is None or not isinstance(entry.fact, RiddenHour) or entry.at <= first:
                continue
            if entry.fact.ride.bike == bike:
                local = entry.at.astimezone(zone)
                put = entry.exposure
                wet_h = put.drive_h if put.condition in WET else 0.0
                row = hour_row(put, mean_known)
                rows.append((entry.at, Hour(local.date().toordinal(), row, put.grit_h, wet_h)))
                km += entry.fact.hour.distance_m / 1000.0
    rows.sort(key=lambda one: one[0])
    return [hour for _, hour in rows], km


class _Draws(NamedTuple):
    """What wear is reckoned with, the same for every way."""

    grit_h: Array  # hours x draws
    starved: Array
    dirty: Array
    less_wax: Array  # ln wear waxed / wet lube


def _draws_of(hours: Sequence[Hour], weights: Array, less_wax: Array) -> _Draws:
    dice = np.random.default_rng(SEED + 2)
    starved = np.exp(STARVED_WEAR[0] + STARVED_WEAR[1] * dice.standard_normal(DRAWS))
    dirty = np.exp(DIRTY_WEAR[0] + DIRTY_WEAR[1] * dice.standard_normal(DRAWS))
    return _Draws(np.array([hour.row for hour in hours]) @ weights.T, starved, dirty, less_wax)


def _lived_otherwise(
    ledger: Ledger,
    bike: Bike,
    hours: Sequence[Hour],
    km: float,
    own: Way,
    others_of: Sequence[Way],
    draws: _Draws,
    now: datetime,
) -> AnotherWay:
    minutes = _minutes(ledger, now)
    logged = _logged(ledger, bike.id, now)

    def year(way: Way) -> tuple[list[Walk], Array]:
        walks = [walk(hours, way, np.random.default_rng((SEED, late))) for late in range(LATENESSES)]
        return walks, np.mean([_wear(one, way, draws) for one in walks], axis=0)

    own_walks, own_wear = year(own)
    lived = [_lived(own, own_walks, own_wear / own_wear, minutes)]
    for way in others_of:
        walks, wear = year(way)
        lived.append(_lived(way, walks, wear / own_wear, minutes))
    own_lived, others = lived[0], tuple(lived[1:])
    habit = all(
        abs(logged.get(kind, 0.0) - own_lived.deeds.get(kind, 0.0))
        <= max(1.0, ALIKE * own_lived.deeds.get(kind, 0.0))
        for kind in ("immersion", "drip")
    )
    offered = tuple(
        sorted(
            (
                one
                for one in others
                if one.minutes[2] < own_lived.minutes[1] and one.wear[2] <= MUCH_MORE_WEAR
            ),
            key=lambda one: one.minutes[1],
        )[:2]
    )
    logged_minutes = math.fsum(minutes[kind] * count for kind, count in logged.items())
    sentences = tuple(_sentences(bike.name, logged, logged_minutes, own_lived, offered, habit))
    return AnotherWay(
        bike.id, bike.name, km, logged, logged_minutes, own_lived, others, habit, offered, sentences
    )


def _wear(one: Walk, way: Way, draws: _Draws) -> Array:
    """Wear of the year in each draw, in grit-hours of a fresh film and a clean chain."""
    film = np.maximum(0.0, one.film_h / FULL_FILM_H - 1.0)[:, None]
    dry = np.ones_like(draws.grit_h) if way.oiled else np.minimum(MOST_STARVED, 1.0 + draws.starved * film)
    dirt = 1.0 + draws.dirty * np.minimum(MOST_DIRTY, one.dirt_h / FULL_DIRT_H)[:, None]
    found = (draws.grit_h * dry * dirt).sum(axis=0)
    return np.asarray(found * np.exp(-draws.less_wax) if way.oiled else found)


def _lived(way: Way, walks: Sequence[Walk], wear: Array, minutes: Mapping[str, float]) -> Lived:
    took = np.array([sum(minutes[kind] * count for kind, count in one.deeds.items()) for one in walks])
    kinds = sorted({kind for one in walks for kind in one.deeds})
    deeds = {kind: float(np.mean([one.deeds[kind] for one in walks])) for kind in kinds}
    return Lived(way, deeds, triple(took), triple(wear))


def _minutes(ledger: Ledger, now: datetime) -> dict[str, float]:
    """What each deed takes: the household's own middle where it was noted three times, else assumed."""
    found = dict(MINUTES)
    for kind in (
        TreatmentKind.WIPE,
        TreatmentKind.DRIP,
        TreatmentKind.IMMERSION,
        TreatmentKind.OIL,
        TreatmentKind.CLEAN,
    ):
        noted = [
            one.minutes
            for one in ledger.treatments
            if one.kind is kind and one.minutes is not None and one.done_at <= now
        ]
        if len(noted) >= 3:
            found[kind.value] = median(noted)
    return found


def _logged(ledger: Ledger, bike: BikeId, now: datetime) -> dict[str, float]:
    """What was logged in the year on chains of this bike, by kind."""
    counts: Counter[str] = Counter()
    for treatment in _treatments(ledger, bike, now):
        counts[treatment.kind.value] += 1
    return {kind: float(count) for kind, count in counts.items() if kind in MINUTES}


def _treatments(ledger: Ledger, bike: BikeId, now: datetime) -> list[Treatment]:
    found = []
    for treatment in ledger.treatments:
        fitting = ledger.last_fitting_of(treatment.chain, treatment.done_at)
        if fitting is not None and fitting.bike == bike and now - YEAR < treatment.done_at <= now:
            found.append(treatment)
    return found


def _sentences(
    name: str,
    logged: Mapping[str, float],
    logged_minutes: float,
    own: Lived,
    offered: Sequence[Lived],
    habit: bool,
) -> list[str]:
    baths, drips = (own.deeds.get(kind, 0.0) for kind in ("immersion", "drip"))
    said = [
        f"{name}, the last year: {_count(logged.get('immersion', 0.0), 'immersion')} and "
        f"{_count(logged.get('drip', 0.0), 'drip')} logged, about {number(logged_minutes / 60.0)} h of "
        f"hands; by its limits {_count(baths, 'immersion')} and {_count(drips, 'drip')}, "
        f"{number(own.minutes[1] / 60.0)} h."
    ]
    if not habit:
        said.append(
            "What was logged is not what the limits ask for: your habits differ, or not all was noted. The "
            "other ways are held against the limits, not against what you did."
        )
    for one in offered:
        low, high = (100.0 * (one.wear[place] - 1.0) for place in (0, 2))
        said.append(
            f"{one.way.name.capitalize()}: {number(one.minutes[1] / 60.0)} h instead, with wear {low:+.0f} "
            f"to {high:+.0f} %, four times out of five."
        )
    if not offered:
        said.append("None of the other ways takes fewer minutes without clearly more wear.")
    return said


def _count(count: float, noun: str) -> str:
    return f"{number(count, 0)} {noun}{'' if round(count) == 1 else 's'}"
