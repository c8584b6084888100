"""When a chain reaches its wear limit by the household's readings, or why nobody can say."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import NamedTuple

import numpy as np

from rules.contamination import ChainHistory, Entry, history
from rules.dates_and_numbers import number
from rules.ledger import Ledger, RiddenHour
from rules.limits_in_force import judgements_for
from rules.rulebook import Rulebook
from rules.vocabulary import BikeId, Chain, ChainId, Reading
from rules.wear.chain_readings import Worn, worn_of
from rules.wear.future_riding import blocks_of, ridden
from rules.wear.model import RUNNING_IN_H, stretch_variance
from rules.wear.percentiles import triple
from rules.wear.posterior import SEED, WearFit, fit
from rules.wear.reading_arrays import Array, Measured, measured

# The late end of four chances in five over the early one: beyond, a date is worth no ink. A gauge's steps are
# never sharp: refusing their wide ranges too left those of chains that merely looked near their end.
MOST_TIMES, MOST_TIMES_BY_GAUGE = 3.0, 4.0
# One chain in four begins to wear half again to three times as fast somewhere between half of its limit and
# nine tenths, which no reading before that can show: labelled assumption, for wear ends fast and nobody has
# published where that begins.
LATE_SHARE, LATE_FROM, LATE_TIMES = 0.25, (0.5, 0.9), (1.5, 3.0)
MOST_DAYS = 11_000.0  # thirty years
BY_CALIPER = "a caliper says more than a gauge's steps"


class Measure(StrEnum):
    """What a life is told in."""

    DRIVE_HOURS = "drive hours"
    KILOMETRES = "km"

    def of(self, entry: Entry) -> float:
        """What one line of a chain's history adds."""
        if entry.exposure is None or not isinstance(entry.fact, RiddenHour):
            return 0.0
        return entry.exposure.drive_h if self is Measure.DRIVE_HOURS else entry.fact.hour.distance_m / 1000.0

    def over_life(self, past: ChainHistory) -> float:
        """What a chain has behind it."""
        return math.fsum(self.of(entry) for entry in past.entries)


@dataclass(frozen=True, slots=True)
class WearPoint:
    """A reading, and what the chain had behind it when it was taken."""

    reading: Reading
    x: float  # in the measure, over life


@dataclass(frozen=True, slots=True)
class Refusal:
    """No forecast, and what it would take. The chance that it is worn already is said all the same."""

    chain: ChainId
    sentence: str
    wants: str
    chance_worn: float


@dataclass(frozen=True, slots=True)
class Forecast:
    """When a chain reaches its limit. Triples are the 10, 50 and 90 % points."""

    chain: ChainId
    measure: Measure
    limit_pct: float
    x_now: float
    worn_now_pct: tuple[float, float, float]
    rate: tuple[float, float, float]  # % per unit of the measure, ridden as lately
    life: tuple[float, float, float]  # of the measure, over the whole life, at which the limit is reached
    left: tuple[float, float, float]  # of the measure, from now; 0 = reached
    on: tuple[datetime, datetime, datetime] | None  # at the recent pace; None = not ridden lately
    chance_worn: float  # probability that the limit is reached now
    readings: int
    rests_on: str  # whose readings were heard
    sentence: str


@dataclass(frozen=True, slots=True)
class Lives:
    """A chain's wear as equally likely draws: where it stands, and at which total it reaches its limit."""

    worn_now_pct: Array
    drive_h: Array  # drive hours over life at the limit
    distance_km: Array
    rate_pct_per_drive_h: Array  # ridden as lately


def wear_points(past: ChainHistory, measure: Measure) -> tuple[WearPoint, ...]:
    """Which readings does this chain have, and at which total was each taken?"""
    points, x = [], 0.0
    for entry in past.entries:
        if entry.exposure is not None:
            x += measure.of(entry)
        elif isinstance(entry.fact, Reading):
            points.append(WearPoint(entry.fact, x))
    return tuple(points)


def forecast(
    ledger: Ledger,
    rulebook: Rulebook,
    chain: ChainId,
    *,
    now: datetime,
    measure: Measure = Measure.DRIVE_HOURS,
    days: int = 28,
    facts: Measured | None = None,
) -> Forecast | Refusal:
    """When will this chain be worn out? Or why nobody can say.

    days: how far back the recent pace looks.  facts: of the chains heard with it; None = gathered from the
    ledger.
    """
    one = ledger.chain(chain)
    past = history(ledger, chain, rulebook).until(now)
    points = wear_points(past, measure)
    if not points:
        sentence = f"{one.name} was never measured."
        return Refusal(chain, sentence, "Take a reading when it is next clean.", 0.0)
    facts = facts or measured(ledger, rulebook, now=now, target=chain)
    lives = lives_of(ledger, rulebook, one, fit(facts), now=now)
    limit_pct = _limit_pct(ledger, rulebook, one, now)
    chance = float((lives.worn_now_pct >= limit_pct).mean())
    x_now = measure.over_life(past)
    draws = lives.drive_h if measure is Measure.DRIVE_HOURS else lives.distance_km
    life = triple(draws)
    left = triple(np.maximum(0.0, draws - x_now))
    by_gauge = all(point.reading.exact_pct is None for point in points)
    too_wide = life[2] > MOST_TIMES * life[0] and left[1] > 0.0
    if too_wide and (not by_gauge or life[2] > MOST_TIMES_BY_GAUGE * life[0]):
        return _refused(one, points, life, x_now, measure, chance, by_gauge)
    pace = _pace(past, measure, now, days)
    per_drive_h = 1.0 if measure is Measure.DRIVE_HOURS else _km_per_drive_h(past)
    return Forecast(
        chain=chain,
        measure=measure,
        limit_pct=limit_pct,
        x_now=x_now,
        worn_now_pct=triple(lives.worn_now_pct),
        rate=triple(lives.rate_pct_per_drive_h / per_drive_h),
        life=life,
        left=left,
        on=None if pace is None else _dates(left, pace, now),
        chance_worn=chance,
        readings=len(points),
        rests_on=_rests_on(len(points), facts.chains_measured - 1),
        sentence=_sentence(one.name, limit_pct, left, measure, chance, points[-1].reading)
        + (f" Too wide to plan by: {BY_CALIPER}." if too_wide else ""),
    )


def lives_of(ledger: Ledger, rulebook: Rulebook, chain: Chain, found: WearFit, *, now: datetime) -> Lives:
    """Where does this chain stand in each draw, and when is its limit reached, ridden as lately?

    The way ahead is the household's own: weeks ridden on its bike, or by the chain, drawn anew each time.
    """
    dice = np.random.default_rng((SEED, int(chain.id)))
    fitting = ledger.last_fitting_of(chain.id, now)
    bike = None if fitting is None else fitting.bike
    past = history(ledger, chain.id, rulebook).until(now)
    worn = worn_of(ledger, rulebook, chain, now)
    stand, limit_pct = _stand(found, worn, bike, dice), worn.limit_pct
    blocks = blocks_of(ledger, rulebook, chain, now, found.facts.mean_known)
    hours, km, per_drive_h = ridden(grit_ahead(stand, limit_pct, dice), found.weights, blocks, dice)
    return Lives(
        worn_now_pct=stand.worn_now_pct,
        drive_h=worn.drive_h + hours,
        distance_km=Measure.KILOMETRES.over_life(past) + km,
        rate_pct_per_drive_h=stand.rate
        * per_drive_h
        * (1.0 + 2.0 * stand.kappa * stand.z_now / limit_pct)
        / (1.0 + 0.5 * stand.kappa),
    )


class _Stand(NamedTuple):
    """Where a chain stands in each draw. [% but for the rate, in % per grit-hour, and kappa]"""

    worn_now_pct: Array
    z_now: Array  # of it steady wear, as at mid-life
    rate: Array
    kappa: Array
    start: Array
    running_in: Array


def _stand(found: WearFit, worn: Worn, bike: BikeId | None, dice: np.random.Generator) -> _Stand:
    """Where does this chain stand now? bike: where it is, or was last."""
    model, draws = found.model, found.draws
    own = found.facts.chains.index(worn.chain)
    since = np.zeros(5)
    for one in worn.since:
        since += one.hours(found.facts.mean_known)
    rate = np.exp(found.log_rate(worn.chain, bike))
    row = found.facts.last_reading(worn.chain)
    grit_since = found.weights @ since
    z_now = rate * grit_since * _stray(grit_since, dice)
    if row is not None:
        z_now = z_now + model.steady_pct(draws)[:, row]
    kappa = np.exp(draws[:, model.at.acceleration])
    start = draws[:, model.at.starts.start + own]
    running_in = np.exp(draws[:, model.at.running_in])
    grown = z_now * (1.0 + kappa * z_now / worn.limit_pct) / (1.0 + 0.5 * kappa)
    worn_now = start + running_in * (1.0 - math.exp(-worn.drive_h / RUNNING_IN_H)) + grown
    return _Stand(worn_now, z_now, rate, kappa, start, running_in)


def grit_ahead(stand: _Stand, limit_pct: float, dice: np.random.Generator) -> Array:
    """In how many grit-hours is the limit reached, in each draw? Below 0: so many ago."""
    count, before = len(stand.rate), stand.start + stand.running_in
    z_limit = steady_wear(limit_pct, before, stand.kappa, limit_pct)
    z_late = steady_wear(dice.uniform(*LATE_FROM, count) * limit_pct, before, stand.kappa, limit_pct)
    to_go = np.maximum(0.0, z_limit - np.maximum(stand.z_now, z_late))
    late = to_go * (dice.random(count) < LATE_SHARE)
    times = LATE_TIMES[0] * (LATE_TIMES[1] / LATE_TIMES[0]) ** dice.random(count)
    ahead = (z_limit - stand.z_now - late * (1.0 - 1.0 / times)) / stand.rate
    return np.asarray(np.where(ahead > 0.0, ahead * _stray(np.maximum(ahead, 0.0), dice), ahead))


def chance_worn(facts: Measured, worn: Worn, bike: BikeId | None) -> float:
    """With which probability is this chain over its limit now? facts: of the chains heard with it."""
    stand = _stand(fit(facts), worn, bike, np.random.default_rng((SEED, int(worn.chain))))
    return float((stand.worn_now_pct >= worn.limit_pct).mean())


def steady_wear(pct: float | Array, before: float | Array, kappa: float | Array, limit_pct: float) -> Array:
    """At how much steady wear is this elongation reached? [%]

    before: what is no wear proper: the start and the running-in. kappa: the acceleration at the limit.
    """
    reach = 1.0 + 4.0 * kappa * (pct - before) * (1.0 + 0.5 * kappa) / limit_pct
    return np.asarray(limit_pct * (np.sqrt(np.maximum(reach, 0.0)) - 1.0) / (2.0 * kappa))


def _stray(grit_h: Array, dice: np.random.Generator) -> Array:
    """How far a stretch that no reading ends may be off its rate: a factor with mean 1."""
    sd = np.sqrt(stretch_variance(grit_h))
    return np.asarray(np.exp(sd * dice.standard_normal(grit_h.shape) - 0.5 * sd * sd))


def _refused(
    one: Chain,
    points: Sequence[WearPoint],
    life: tuple[float, float, float],
    x_now: float,
    measure: Measure,
    chance: float,
    by_gauge: bool,
) -> Refusal:
    sentence = (
        f"Not enough is known yet to say when {one.name} is worn: by its {len(points)} "
        f"reading{'s' if len(points) > 1 else ''} anything from {number(life[0], 0)} to "
        f"{number(life[2], 0)} {measure} of life is likely."
    )
    early = max(0.05 * life[1], life[0] - x_now)  # a reading comes too late on a chain that is worn
    more = min(early, max(0.15 * life[1], 0.5 * life[1] - x_now))
    better = f"; {BY_CALIPER}" if by_gauge else ""
    wants = f"Another reading after about {number(more, 0)} more {measure}{better}"
    return Refusal(one.id, sentence, f"{wants}.", chance)


def _rests_on(readings: int, others: int) -> str:
    own = f"{readings} reading{'s' if readings > 1 else ''} of its own"
    if not others:
        return own
    return f"{own}, and those of {others} other chain{'s' if others > 1 else ''} of this household"


def _sentence(
    name: str,
    limit_pct: float,
    left: tuple[float, float, float],
    measure: Measure,
    chance_worn: float,
    last: Reading,
) -> str:
    if last.over_pct is not None and last.over_pct >= limit_pct:
        return (
            f"The {number(last.over_pct, 2)} % step of the gauge dropped into {name}: it is at its limit of "
            f"{number(limit_pct, 2)} % or past it."
        )
    if left[1] <= 0.0:
        return f"{name} is past {number(limit_pct, 2)} % by its readings, with a chance of {chance_worn:.0%}."
    return (
        f"{name} reaches {number(limit_pct, 2)} % in about {number(left[1], 0)} {measure}; "
        f"four times out of five in {number(left[0], 0)} to {number(left[2], 0)}."
    )


def _km_per_drive_h(past: ChainHistory) -> float:
    hours = past.over_life.drive_h
    return Measure.KILOMETRES.over_life(past) / hours if hours > 0.0 else 1.0


def _pace(past: ChainHistory, measure: Measure, now: datetime, days: int) -> float | None:
    """What was ridden per day lately; None = not ridden."""
    since = now - timedelta(days=days)
    ridden = math.fsum(measure.of(entry) for entry in past.entries if entry.at > since)
    return ridden / days if ridden > 0.0 else None


def _dates(
    left: tuple[float, float, float], pace: float, now: datetime
) -> tuple[datetime, datetime, datetime]:
    """The days at which so much will have been ridden; never further than thirty years."""
    low, middle, high = (now + timedelta(days=min(hours / pace, MOST_DAYS)) for hours in left)
    return low, middle, high


def chances_worn(ledger: Ledger, rulebook: Rulebook, *, now: datetime) -> Mapping[ChainId, float]:
    """With which probability is each measured chain over its limit now? For rules.care_due.due."""
    fitted = [
        chain
        for chain in ledger.chains
        if ledger.fitting_of(chain.id, now) is not None
        and any(reading.taken_at <= now for reading in ledger.readings_of(chain.id))
    ]
    found = {}
    for chain in fitted:
        fitting = ledger.fitting_of(chain.id, now)
        facts = measured(ledger, rulebook, now=now, target=chain.id)
        worn = worn_of(ledger, rulebook, chain, now)
        found[chain.id] = chance_worn(facts, worn, None if fitting is None else fitting.bike)
    return found


def _limit_pct(ledger: Ledger, rulebook: Rulebook, chain: Chain, now: datetime) -> float:
    """The wear limit that holds for a chain where it is now."""
    return judgements_for(ledger, rulebook, chain, now).wear_limit().value
