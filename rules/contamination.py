"""What each ride hour put into a chain, and what it carries since its drip, its immersion, and in all."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

from rules.ledger import Fact, Ledger, RiddenHour
from rules.rulebook import Rulebook, Weights
from rules.vocabulary import ChainId, Condition, Regime, Ride, RideHour, Treatment, TreatmentKind

__all__ = ["ChainHistory", "Entry", "Exposure", "Totals", "Weights", "exposure", "history"]

CLEARS_SINCE_DRIP = frozenset(
    {TreatmentKind.DRIP, TreatmentKind.OIL, TreatmentKind.IMMERSION, TreatmentKind.CLEAN}
)
CLEARS_SINCE_IMMERSION = frozenset({TreatmentKind.IMMERSION, TreatmentKind.CLEAN})
A_MOMENT_H = 0.05


class Exposure(NamedTuple):
    """What one ride hour was like for the chain."""

    condition: Condition
    water: float  # 0..1, blended over paved and unpaved ground
    mud: float  # 0..1, blended
    dust: float  # 0..3, blended
    weight: float  # grit-hours per drive hour
    grit_h: float
    drive_h: float
    known: bool  # whether weather, the rider's word or a roof stands behind it
    salt: float = 0.0  # 0..1, of the paved part
    starved_h: float = 0.0  # grit-hours that count once more as dirt: the film was used up

    @property
    def dirt_h(self) -> float:
        """What it put into the joints. [grit-hours]"""
        return self.grit_h + self.starved_h


class Totals(NamedTuple):
    """A running sum over ride hours."""

    grit_h: float = 0.0
    drive_h: float = 0.0
    unknown_h: float = 0.0  # drive hours with no weather behind them, counted as plain hours

    def plus(self, hour: Exposure) -> Totals:
        """The sum with one more hour in it."""
        unknown_h = self.unknown_h if hour.known else self.unknown_h + hour.drive_h
        return Totals(self.grit_h + hour.grit_h, self.drive_h + hour.drive_h, unknown_h)

    def soiled(self, hour: Exposure) -> Totals:
        """The sum with one more hour in it, counted as dirt."""
        more = self.plus(hour)
        return more._replace(grit_h=self.grit_h + hour.dirt_h) if hour.starved_h else more


NOTHING = Totals()


class Entry(NamedTuple):
    """One line of a chain's history: a fact, and the three running totals after it."""

    at: datetime
    fact: Fact
    exposure: Exposure | None  # of a ridden hour; None for every other fact
    since_drip: Totals
    since_immersion: Totals  # as dirt
    over_life: Totals


@dataclass(frozen=True, slots=True)
class ChainHistory:
    """Everything that happened to one chain, in order, with running totals."""

    chain: ChainId
    entries: tuple[Entry, ...]

    @property
    def since_drip(self) -> Totals:
        """What the chain went through since film was last renewed."""
        return self.entries[-1].since_drip if self.entries else NOTHING

    @property
    def since_immersion(self) -> Totals:
        """What the chain went through since it was last cleaned."""
        return self.entries[-1].since_immersion if self.entries else NOTHING

    @property
    def over_life(self) -> Totals:
        """What the chain went through in all."""
        return self.entries[-1].over_life if self.entries else NOTHING

    def until(self, at: datetime) -> ChainHistory:
        """The history as it stood at this instant, what happened at it included.

        A ride that is not over is not there yet: its hours at the end are left off.
        """
        cut = bisect_right(self.entries, at, key=_instant)
        while cut:
            fact = self.entries[cut - 1].fact
            if not isinstance(fact, RiddenHour) or fact.ride.ended_at <= at:
                break
            cut -= 1
        return self if cut == len(self.entries) else ChainHistory(self.chain, self.entries[:cut])


def _instant(entry: Entry) -> datetime:
    return entry.at


def exposure(
    hour: RideHour,
    unpaved_share: float,
    word: Condition | None,
    weights: Weights,
    *,
    indoor: bool = False,
) -> Exposure:
    """How much did this ride hour put into the chain? [grit-hours]

    hour: one hour of a ride, tagged or not.
    unpaved_share: of the ride, 0..1. Paved ground gives neither mud nor dust.
    word: the rider's word on the ride; it overrules the archive and the roof. It says nothing of road salt,
    so what the archive inferred of it stays, unless the word is one without water.
    indoor: under a roof an hour is clean and dry, and needs no weather.
    An hour without weather counts as a plain hour and is reported as unknown, never as dry.
    """
    drive_h = hour.drive_s / 3600.0
    tag = hour.tag
    if word is Condition.UNKNOWN:
        return Exposure(Condition.UNKNOWN, 0.0, 0.0, 0.0, 1.0, drive_h, drive_h, False)
    if word is not None:
        water, mud, dust = weights.words[word]
        salt = (1.0 - unpaved_share) * tag.salt if tag is not None and water > 0.0 and not indoor else 0.0
        weight = weights.weight(water, mud, dust, salt)
        return Exposure(word, water, mud, dust, weight, drive_h * weight, drive_h, True, salt)
    if indoor:
        return Exposure(Condition.DRY, 0.0, 0.0, 0.0, 1.0, drive_h, drive_h, True)
    if tag is None or tag.paved_water is None:
        return Exposure(Condition.UNKNOWN, 0.0, 0.0, 0.0, 1.0, drive_h, drive_h, False)
    # a tag with weather for paved ground only: unpaved ground is at least as wet
    unpaved_water = tag.paved_water if tag.unpaved_water is None else tag.unpaved_water
    water = (1.0 - unpaved_share) * tag.paved_water + unpaved_share * unpaved_water
    mud = unpaved_share * (tag.mud or 0.0)
    dust = unpaved_share * (tag.dust or 0.0)
    salt = (1.0 - unpaved_share) * tag.salt
    weight = weights.weight(water, mud, dust, salt)
    return Exposure(
        weights.condition(water, mud, dust), water, mud, dust, weight, drive_h * weight, drive_h, True, salt
    )


def exposures(ledger: Ledger, ride: Ride, rulebook: Rulebook) -> tuple[Exposure, ...]:
    """How much did each hour of this ride put into its chain?

    By the ride's own unpaved share, or else the bike's usual, and by the weights that hold for chain, bike
    and rider.
    """
    share, indoor = _ground(ledger, ride)
    bike = None if ride.bike is None else ledger.bike(ride.bike)
    weights = rulebook.weights_for(ledger.chain_of(ride), bike, ledger.rider(ride.rider))
    return tuple(exposure(hour, share, ride.word, weights, indoor=indoor) for hour in ride.hours)


def likes(ledger: Ledger, ride: Ride, rulebook: Rulebook) -> frozenset[Condition]:
    """What was this ride like for longer than a moment?"""
    drive_h: dict[Condition, float] = {}
    for one in exposures(ledger, ride, rulebook):
        drive_h[one.condition] = drive_h.get(one.condition, 0.0) + one.drive_h
    return frozenset(word for word, ridden_h in drive_h.items() if ridden_h > A_MOMENT_H)


def _ground(ledger: Ledger, ride: Ride) -> tuple[float, bool]:
    """The unpaved share of a ride, and whether it was under a roof."""
    bike = None if ride.bike is None else ledger.bike(ride.bike)
    share = ride.unpaved_share
    if share is None:
        share = 0.0 if bike is None else bike.unpaved_share
    return share, ride.indoor or (bike is not None and bike.indoor)


def history(ledger: Ledger, chain: ChainId, rulebook: Rulebook) -> ChainHistory:
    """What has this chain been through, fact by fact? Worked out once per ledger and rulebook.

    A drip or oil clears since-drip only: it renews the film and cleans nothing. An immersion, or a clean of a
    wet-lube chain, clears both. A strip and a wipe clear nothing. Over life is never cleared.
    Since immersion counts dirt: what is ridden beyond the film's own limit counts more than once. A lubed
    chain has no such film: it stays wet, and takes in dirt all the time.
    """
    key = ("history", chain, rulebook)
    if key not in ledger.derived:
        ledger.derived[key] = ChainHistory(chain, tuple(_entries(ledger, chain, rulebook)))
    found: ChainHistory = ledger.derived[key]
    return found


def _entries(ledger: Ledger, chain: ChainId, rulebook: Rulebook) -> Iterator[Entry]:
    worn, weights = ledger.chain(chain), rulebook.weights
    since_drip = since_immersion = over_life = NOTHING
    last_ride, share, indoor, film_h = None, 0.0, False, math.inf
    once_more = rulebook.judgement("weight.starved").value - 1.0
    for at, fact in ledger.facts_of(chain):
        hour: Exposure | None = None
        if isinstance(fact, RiddenHour):
            if fact.ride is not last_ride:
                last_ride = fact.ride
                share, indoor = _ground(ledger, last_ride)
                bike = None if last_ride.bike is None else ledger.bike(last_ride.bike)
                rider = ledger.rider(last_ride.rider)
                weights = rulebook.weights_for(worn, bike, rider)
                if worn.regime is Regime.WAXED:
                    film_h = rulebook.limit("drip", chain=worn, bike=bike, rider=rider).value
            hour = exposure(fact.hour, share, fact.ride.word, weights, indoor=indoor)
            same = since_immersion is since_drip  # after an immersion both run together
            begun_h, since_drip = since_drip.grit_h, since_drip.plus(hour)
            beyond_h = since_drip.grit_h - max(film_h, begun_h)
            if beyond_h > 0.0 and once_more > 0.0:
                hour = hour._replace(starved_h=once_more * beyond_h)
            same = same and not hour.starved_h
            since_immersion = since_drip if same else since_immersion.soiled(hour)
            over_life = over_life.plus(hour)
        elif isinstance(fact, Treatment):
            if fact.kind in CLEARS_SINCE_DRIP:
                since_drip = NOTHING
            if fact.kind in CLEARS_SINCE_IMMERSION:
                since_immersion = NOTHING
        yield Entry(at, fact, hour, since_drip, since_immersion, over_life)
