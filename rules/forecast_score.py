"""How good forecasts have been: P(wet) held against final tags, beside the month's share of wet rides."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from rules.dates_and_numbers import number
from rules.ledger import Ledger
from rules.rulebook import Rulebook
from rules.vocabulary import Ride, Tier

ENOUGH_RIDES = 60


@dataclass(frozen=True, slots=True)
class Scored:
    """One ride that a forecast was made for."""

    at: datetime
    chance: float  # of a wet hour, as it was forecast the evening before
    month_share: float  # of rides with one, in this month of all years before the ride
    wet: bool  # by the final tags


@dataclass(frozen=True, slots=True)
class Score:
    """The forecast's Brier score beside that of the month's share: 0 = always right, lower is better."""

    rides: int
    forecast: float | None  # None = no ride to hold it against yet
    month_share: float | None
    speaks: bool  # whether its advice is given unasked
    sentence: str


def scored_rides(ledger: Ledger, rulebook: Rulebook, kept: Mapping[datetime, float]) -> tuple[Scored, ...]:
    """Which rides can the forecasts be held against? By start.

    kept: P(wet) of clock hours, as forecast the evening before. Only rides with nothing but final tags count.
    """
    wet_from = rulebook.weights.wet_from
    wet_by_month: Counter[int] = Counter()
    all_by_month: Counter[int] = Counter()
    found = []
    for ride in sorted(ledger.rides, key=lambda one: (one.started_at, one.id)):
        wet = _wet(ride, wet_from)
        if wet is None:
            continue
        month = ride.started_at.month
        if all(hour.hour_start in kept for hour in ride.hours):
            share = (wet_by_month[month] + 1.0) / (all_by_month[month] + 2.0)
            chance = max(kept[hour.hour_start] for hour in ride.hours)
            found.append(Scored(ride.started_at, chance, share, wet))
        all_by_month[month] += 1
        wet_by_month[month] += wet
    return tuple(found)


def score(scored: Sequence[Scored]) -> Score:
    """Does the forecast beat the month's share? Over the newest sixty rides; with fewer, it has the benefit.

    Brier, G. W. 1950, Monthly Weather Review 78:1 (from memory): the mean square of chance less outcome.
    """
    newest = scored[-ENOUGH_RIDES:]
    if not newest:
        return Score(0, None, None, True, "No ride has been held against a forecast yet.")
    ours, months = (
        math.fsum((chance - one.wet) ** 2 for one, chance in zip(newest, chances, strict=True)) / len(newest)
        for chances in ([one.chance for one in newest], [one.month_share for one in newest])
    )
    speaks = len(newest) < ENOUGH_RIDES or ours < months
    said = (
        f"Held against the final tags of {len(newest)} ride{'s' if len(newest) > 1 else ''}, the forecast's "
        f"error is {number(ours, 3)}, that of the month's share of wet rides {number(months, 3)} (0 is best)."
    )
    if not speaks:
        said += " It does not beat the month, so nothing is said unasked."
    return Score(len(newest), ours, months, speaks, said)


def _wet(ride: Ride, wet_from: float) -> bool | None:
    """Whether an hour of the ride was wet on paved ground; None = not settled, or under a roof."""
    tags = [hour.tag for hour in ride.hours]
    if ride.indoor or not tags or any(one is None or one.tier is not Tier.FINAL for one in tags):
        return None
    return any((one.paved_water or 0.0) >= wet_from for one in tags if one is not None)
