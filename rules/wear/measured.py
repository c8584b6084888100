"""What a household measured, and what its chains went through in between, as arrays for the wear model."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from rules.contamination import Exposure, history
from rules.judgements import judgements_for
from rules.ledger import Ledger, RiddenHour
from rules.rulebook import Judgement, Rulebook
from rules.vocabulary import BikeId, Chain, ChainId, Reading, ReadingTool, Regime

Array = NDArray[np.float64]
Whole = NDArray[np.intp]

KINDS = ("water", "mud", "dust", "salt")  # the columns of an exposure after drive hours
RANGE_SDS = 3.29  # from the 5 % to the 95 % point of a normal
LEAST_WEIGHT, WIDEST_SD = 0.05, 0.84  # a range that begins at 0 has no logarithm
MOST_CHAINS = 16  # more would teach little and take long: those in use first, then the last retired


@dataclass(frozen=True, slots=True)
class Part:
    """What one chain was ridden on one bike between two readings."""

    chain: int  # position in Measured.chains
    bike: int  # position in Measured.bikes
    interval: int
    hours: tuple[float, ...]  # drive hours, and drive hours times water, mud, dust, salt


@dataclass(frozen=True, slots=True)
class Taken:
    """One reading, and what lay before it."""

    chain: int
    tool: ReadingTool
    instrument: str  # which one of them
    over_pct: float  # -inf = no step dropped in
    under_pct: float  # inf = all did
    exact_pct: float  # nan = a gauge's
    drive_h: float  # over life
    parts_before: int  # of the whole list; those of its own chain count


@dataclass(frozen=True)
class Measured:
    """Every reading of a household that the model hears, by position. Equal facts are equal."""

    chains: tuple[ChainId, ...]
    waxed: tuple[bool, ...]
    limits_pct: tuple[float, ...]
    assumed: tuple[tuple[float, float], ...]  # by kind: the rulebook's weight, and the sd of its ln
    bikes: tuple[BikeId, ...]
    parts: tuple[Part, ...]
    taken: tuple[Taken, ...]
    intervals: int

    @cached_property
    def part_hours(self) -> Array:
        """parts x 5: drive hours, and those times water, mud, dust, salt."""
        return np.array([part.hours for part in self.parts], dtype=float).reshape(-1, 1 + len(KINDS))

    @cached_property
    def mean_hour(self) -> Array:
        """What an average drive hour of all these chains was like: 1, water, mud, dust, salt."""
        total = self.part_hours.sum(axis=0)
        return np.asarray(total / total[0] if total[0] > 0.0 else np.eye(1 + len(KINDS))[0])

    @cached_property
    def came_before(self) -> Array:
        """readings x parts: 1 where a part was ridden by that chain before that reading."""
        found = np.zeros((len(self.taken), len(self.parts)))
        for row, reading in enumerate(self.taken):
            for column in range(reading.parts_before):
                found[row, column] = float(self.parts[column].chain == reading.chain)
        return found

    def last_reading(self, chain: ChainId) -> int | None:
        """Which row is the last reading of this chain? None = never measured."""
        own = self.chains.index(chain)
        return max((row for row, reading in enumerate(self.taken) if reading.chain == own), default=None)

    @property
    def chains_measured(self) -> int:
        """How many chains have readings?"""
        return len({one.chain for one in self.taken})


def hour_row(exposure: Exposure, mean_known: Sequence[float]) -> tuple[float, ...]:
    """What an hour adds: drive hours, and those times water, mud, dust, salt.

    An hour without weather counts as an average known one: calling it dry would make wear look faster.
    """
    h = exposure.drive_h
    if not exposure.known:
        return tuple(h * share for share in mean_known)
    return (h, h * exposure.water, h * exposure.mud, h * exposure.dust, h * exposure.salt)


def mean_known_hour(ledger: Ledger, rulebook: Rulebook) -> tuple[float, ...]:
    """What an average drive hour with weather behind it is like here: 1, water, mud, dust, salt."""
    key = ("mean known hour", rulebook)
    if key not in ledger.derived:
        sums = np.zeros(1 + len(KINDS))
        for chain in ledger.chains:
            for entry in history(ledger, chain.id, rulebook).entries:
                if entry.exposure is not None and entry.exposure.known:
                    sums += hour_row(entry.exposure, ())
        mean = sums / sums[0] if sums[0] > 0.0 else np.eye(len(sums))[0]
        ledger.derived[key] = tuple(float(one) for one in mean)
    found: tuple[float, ...] = ledger.derived[key]
    return found


def measured(ledger: Ledger, rulebook: Rulebook, *, now: datetime, target: ChainId | None = None) -> Measured:
    """What do the readings up to now rest on?

    Of a household with more chains than are heard at once, those last in use; or, given a target, the lot of
    chains that it is in. A chain never measured is among them too: of it the model knows what it knows of
    others.
    """
    chains = sorted(ledger.chains, key=lambda one: _last_in_use_first(ledger, one, now))
    place = next((at for at, one in enumerate(chains) if one.id == target), 0)
    begin = place - place % MOST_CHAINS
    chains = sorted(chains[begin : begin + MOST_CHAINS], key=lambda one: one.id)
    key = ("measured", rulebook, now, tuple(one.id for one in chains))
    if key not in ledger.derived:
        ledger.derived[key] = _measured(ledger, rulebook, chains, now)
    found: Measured = ledger.derived[key]
    return found


def _measured(ledger: Ledger, rulebook: Rulebook, chains: Sequence[Chain], now: datetime) -> Measured:
    mean_known = mean_known_hour(ledger, rulebook)
    bikes: dict[BikeId, int] = {}
    parts: list[Part] = []
    taken: list[Taken] = []
    intervals = 0
    for own, chain in enumerate(chains):
        sums: dict[int, list[float]] = {}
        drive_h, fresh = 0.0, False
        for entry in history(ledger, chain.id, rulebook).until(now).entries:
            if entry.exposure is not None and isinstance(entry.fact, RiddenHour):
                assert entry.fact.ride.bike is not None  # a chain is ridden on a bike
                bike = bikes.setdefault(entry.fact.ride.bike, len(bikes))
                row = hour_row(entry.exposure, mean_known)
                sums[bike] = [a + b for a, b in zip(sums.get(bike, [0.0] * len(row)), row, strict=True)]
                drive_h += entry.exposure.drive_h
                fresh = True
            elif isinstance(entry.fact, Reading):
                if fresh:
                    parts.extend(Part(own, bike, intervals, tuple(row)) for bike, row in sums.items())
                    intervals += 1
                    sums, fresh = {}, False
                taken.append(_taken(own, entry.fact, drive_h, len(parts)))
    limits = tuple(judgements_for(ledger, rulebook, one, now).wear_limit().value for one in chains)
    return Measured(
        chains=tuple(one.id for one in chains),
        waxed=tuple(one.regime is Regime.WAXED for one in chains),
        limits_pct=limits,
        assumed=tuple(_assumed(rulebook.judgement(f"weight.{kind}")) for kind in KINDS),
        bikes=tuple(bikes),
        parts=tuple(parts),
        taken=tuple(taken),
        intervals=intervals,
    )


def _assumed(judgement: Judgement) -> tuple[float, float]:
    """A weight as a prior: the rulebook's value, its range read as 5 to 95 %."""
    low = max(judgement.low, LEAST_WEIGHT)
    sd = math.log(judgement.high / low) / RANGE_SDS
    return max(judgement.value, low), min(sd, WIDEST_SD)


def _taken(chain: int, reading: Reading, drive_h: float, parts_before: int) -> Taken:
    exact = reading.exact_pct
    over = -math.inf if reading.over_pct is None else reading.over_pct
    under = math.inf if reading.under_pct is None else reading.under_pct
    return Taken(
        chain,
        reading.tool,
        reading.instrument,
        over,
        under,
        math.nan if exact is None else exact,
        drive_h,
        parts_before,
    )


def _last_in_use_first(ledger: Ledger, chain: Chain, now: datetime) -> tuple[bool, float, int]:
    """Chains with readings first, then those in use, then the last retired."""
    bare = not any(reading.taken_at <= now for reading in ledger.readings_of(chain.id))
    return (bare, 0.0 if chain.retired_at is None else -chain.retired_at.timestamp(), -chain.id)
