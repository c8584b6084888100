"""When a chain reaches its wear limit by its readings, or why nobody can say."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from rules.contamination import ChainHistory, history
from rules.judgements import judgements_for
from rules.ledger import Ledger
from rules.rulebook import Rulebook
from rules.straight_line import Span, crossing, least_squares
from rules.vocabulary import Chain, ChainId, Reading
from rules.wear_model import (
    READING_SD_PCT,
    Array,
    Measure,
    Posterior,
    SlopePrior,
    WearPoint,
    falling_chance,
    first_prior,
    posterior,
)
from rules.wording import number

__all__ = [
    "READING_SD_PCT",
    "Forecast",
    "Measure",
    "Refusal",
    "WearPoint",
    "chances_worn",
    "forecast",
    "learned_prior",
    "line_check",
    "wear_points",
]

# Labelled assumption: two chains of one rider differ by a factor 1.5 now and then.
CHAIN_TO_CHAIN_LOG_SD = 0.4
ENOUGH_SHARE = 0.25  # of the expected life must be ridden before a forecast is worth its ink
FALLING_CHANCE = 0.05  # above this, the readings alone do not even say that the chain wears
FEWEST_FOR_A_LINE = 4


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
    slope: tuple[float, float, float]  # % per unit of the measure
    life: tuple[float, float, float]  # of the measure, over the whole life, at which the limit is reached
    left: tuple[float, float, float]  # of the measure, from now; 0 = reached
    on: tuple[datetime, datetime, datetime] | None  # at the recent pace; None = not ridden lately
    chance_worn: float  # probability that the limit is reached now
    line: Span | None  # cross-check by least squares with a 90 % interval, given enough exact readings
    readings: int
    prior: SlopePrior
    sentence: str


def wear_points(past: ChainHistory, measure: Measure) -> tuple[WearPoint, ...]:
    """Which readings does this chain have, and at which total was each taken?"""
    points, x = [], 0.0
    for entry in past.entries:
        if entry.exposure is not None:
            x += measure.of(entry)
        elif isinstance(entry.fact, Reading):
            points.append(WearPoint(entry.fact, x))
    return tuple(points)


def _points_until(
    ledger: Ledger, rulebook: Rulebook, chain: ChainId, measure: Measure, now: datetime
) -> tuple[WearPoint, ...]:
    key = ("wear points", chain, measure, rulebook)
    if key not in ledger.derived:
        ledger.derived[key] = wear_points(history(ledger, chain, rulebook), measure)
    points: tuple[WearPoint, ...] = ledger.derived[key]
    return tuple(point for point in points if point.reading.taken_at <= now)


def learned_prior(
    ledger: Ledger, rulebook: Rulebook, chain: Chain, measure: Measure, *, now: datetime
) -> SlopePrior:
    """What do the household's other chains of the same regime say of this one's slope?

    Each chain with at least two readings is one witness; the assumed prior is one more. Log-normal, with a
    stated spread from chain to chain.
    """
    first = first_prior(measure)
    centres, precisions = [math.log(first.median)], [1.0 / first.log_sd**2]
    for other in ledger.chains:
        if other.id == chain.id or other.regime is not chain.regime:
            continue
        points = _points_until(ledger, rulebook, other.id, measure, now)
        if len(points) < 2:
            continue
        key = ("ln slope", other.id, measure, rulebook, len(points))
        if key not in ledger.derived:
            ledger.derived[key] = _log_slope(posterior(points, first))
        low, middle, high = ledger.derived[key]
        own_sd = (high - low) / 2.0
        centres.append(middle)
        precisions.append(1.0 / (own_sd**2 + CHAIN_TO_CHAIN_LOG_SD**2))
    if len(centres) == 1:
        return first
    mean = sum(c * p for c, p in zip(centres, precisions, strict=True)) / sum(precisions)
    log_sd = math.sqrt(1.0 / sum(precisions) + CHAIN_TO_CHAIN_LOG_SD**2)
    count = len(centres) - 1
    because = f"{count} earlier chain{'s' if count > 1 else ''} of this household, {chain.regime}"
    return SlopePrior(math.exp(mean), log_sd, because)


def _log_slope(found: Posterior) -> tuple[float, float, float]:
    """The 16, 50 and 84 % points of ln slope."""
    low, middle, high = found.quantiles(np.log(found.slopes()), (0.1587, 0.5, 0.8413))
    return low, middle, high


def forecast(
    ledger: Ledger,
    rulebook: Rulebook,
    chain: ChainId,
    *,
    now: datetime,
    measure: Measure = Measure.DRIVE_HOURS,
    prior: SlopePrior | None = None,
    days: int = 28,
) -> Forecast | Refusal:
    """When will this chain be worn out? Or why nobody can say.

    prior: None = learned from the household's other chains. days: how far back the recent pace looks.
    """
    one = ledger.chain(chain)
    past = history(ledger, chain, rulebook).until(now)
    points = _points_until(ledger, rulebook, chain, measure, now)
    if not points:
        sentence = f"{one.name} was never measured."
        return Refusal(chain, sentence, "Take a reading when it is next clean.", 0.0)
    prior = prior or learned_prior(ledger, rulebook, one, measure, now=now)
    found = posterior(points, prior)
    limit_pct = _limit_pct(ledger, rulebook, one, now)
    x_now = measure.over_life(past)
    chance = found.chance_over(limit_pct, x_now)
    life = found.quantiles(_life(found, limit_pct), (0.1, 0.5, 0.9))
    last_x = points[-1].x
    if last_x < ENOUGH_SHARE * life[1]:
        wanted = ENOUGH_SHARE * life[1] - last_x
        return Refusal(
            chain,
            f"Not enough wear yet to say when {one.name} is worn: the last reading was at "
            f"{number(last_x, 0)} of perhaps {number(life[1], 0)} {measure}.",
            f"A reading after {number(max(1.0, last_x + wanted - x_now), 0)} more {measure}.",
            chance,
        )
    falling = falling_chance(points, prior)
    if falling > FALLING_CHANCE:
        return Refusal(
            chain,
            f"The readings of {one.name} do not show yet that it wears: "
            f"with a chance of {falling:.0%} they could as well stand still.",
            "Another reading, with the same tool.",
            chance,
        )
    left = (max(0.0, life[0] - x_now), max(0.0, life[1] - x_now), max(0.0, life[2] - x_now))
    worn = found.quantiles(found.elongation(x_now), (0.1, 0.5, 0.9))
    slope = found.quantiles(found.slopes(), (0.1, 0.5, 0.9))
    pace = _pace(past, measure, now, days)
    on = None if pace is None else _dates(left, pace, now)
    return Forecast(
        chain=chain,
        measure=measure,
        limit_pct=limit_pct,
        x_now=x_now,
        worn_now_pct=(worn[0], worn[1], worn[2]),
        slope=(slope[0], slope[1], slope[2]),
        life=(life[0], life[1], life[2]),
        left=left,
        on=on,
        chance_worn=chance,
        line=line_check(points, limit_pct),
        readings=len(points),
        prior=prior,
        sentence=_sentence(one.name, limit_pct, left, measure, chance),
    )


def _sentence(
    name: str, limit_pct: float, left: tuple[float, float, float], measure: Measure, chance_worn: float
) -> str:
    if left[1] <= 0.0:
        return f"{name} is past {number(limit_pct, 2)} % by its readings, with a chance of {chance_worn:.0%}."
    return (
        f"{name} reaches {number(limit_pct, 2)} % in about {number(left[1], 0)} {measure}; "
        f"four times out of five in {number(left[0], 0)} to {number(left[2], 0)}."
    )


def _life(found: Posterior, limit_pct: float) -> Array:
    """What will have been ridden when the limit is reached, at every grid point."""
    return np.asarray((limit_pct - found.intercept[:, None]) / found.slope[None, :])


def _pace(past: ChainHistory, measure: Measure, now: datetime, days: int) -> float | None:
    """What was ridden per day lately; None = not ridden."""
    since = now - timedelta(days=days)
    ridden = math.fsum(measure.of(entry) for entry in past.entries if entry.at > since)
    return ridden / days if ridden > 0.0 else None


def _dates(
    left: tuple[float, float, float], pace: float, now: datetime
) -> tuple[datetime, datetime, datetime]:
    """The days at which so much will have been ridden; never further than thirty years."""
    days = [min(hours / pace, 11_000.0) for hours in left]
    return (
        now + timedelta(days=days[0]),
        now + timedelta(days=days[1]),
        now + timedelta(days=days[2]),
    )


def line_check(points: Sequence[WearPoint], limit_pct: float) -> Span | None:
    """When does a straight line through the exact readings of one tool reach the limit? [measure's hours]

    The frequentist's second opinion, 90 % by Fieller; None with fewer than four such readings, or no slope.
    """
    if points[-1].reading.exact_pct is None:
        return None
    tool = points[-1].reading.tool
    exact = [(point.x, point.reading.exact_pct) for point in points if point.reading.tool is tool]
    xs = [x for x, y in exact if y is not None]
    ys = [y for _, y in exact if y is not None]
    if len(xs) < FEWEST_FOR_A_LINE or min(xs) == max(xs):
        return None
    return crossing(least_squares(xs, ys), limit_pct, confidence=0.9)


def chances_worn(ledger: Ledger, rulebook: Rulebook, *, now: datetime) -> Mapping[ChainId, float]:
    """With which probability is each measured chain over its limit now? For rules.reminders.due."""
    found, measure = {}, Measure.DRIVE_HOURS
    for chain in ledger.chains:
        points = _points_until(ledger, rulebook, chain.id, measure, now)
        if points and ledger.fitting_of(chain.id, now) is not None:
            past = history(ledger, chain.id, rulebook).until(now)
            prior = learned_prior(ledger, rulebook, chain, measure, now=now)
            limit_pct = _limit_pct(ledger, rulebook, chain, now)
            found[chain.id] = posterior(points, prior).chance_over(limit_pct, past.over_life.drive_h)
    return found


def _limit_pct(ledger: Ledger, rulebook: Rulebook, chain: Chain, now: datetime) -> float:
    """The wear limit that holds for a chain where it is now."""
    return judgements_for(ledger, rulebook, chain, now).wear_limit().value
