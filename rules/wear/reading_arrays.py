"""What a household measured, and what its chains went through in between, as arrays for the wear model."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from rules.contamination import history
from rules.ledger import Ledger
from rules.rulebook import Judgement, Rulebook
from rules.vocabulary import BikeId, ChainId, ReadingTool
from rules.wear.chain_readings import KINDS, Read, Worn, heard_together, hour_row, worn_of

Array = NDArray[np.float64]
Whole = NDArray[np.intp]

RANGE_SDS = 3.29  # from the 5 % to the 95 % point of a normal
LEAST_WEIGHT = 0.05  # a range that begins at 0 has no logarithm


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
    # a drive hour with weather behind it, of all that readings end: 1, water, mud, dust, salt
    mean_known: tuple[float, ...] = (1.0, 0.0, 0.0, 0.0, 0.0)

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
    chains = heard_together(
        (
            (
                one.id,
                any(reading.taken_at <= now for reading in ledger.readings_of(one.id)),
                None if one.retired_at is None else one.retired_at.timestamp(),
            )
            for one in ledger.chains
        ),
        target,
    )
    key = ("measured", rulebook, now, chains)
    if key not in ledger.derived:
        ledger.derived[key] = gathered(
            [worn_of(ledger, rulebook, ledger.chain(one), now) for one in chains], rulebook
        )
    found: Measured = ledger.derived[key]
    return found


def gathered(worn: Sequence[Worn], rulebook: Rulebook) -> Measured:
    """Everything that is heard of these chains, as the model wants it."""
    sums = [math.fsum(column) for column in zip(*_known(worn), strict=True)] or [0.0]
    mean_known = tuple(one / sums[0] for one in sums) if sums[0] > 0.0 else (1.0,) + (0.0,) * len(KINDS)
    bikes: dict[BikeId, int] = {}
    parts: list[Part] = []
    taken: list[Taken] = []
    intervals = 0
    for own, chain in enumerate(worn):
        begun: list[int] = [len(parts)]
        for stretch in chain.stretches:
            parts.extend(
                Part(own, bikes.setdefault(one.bike, len(bikes)), intervals, one.hours(mean_known))
                for one in stretch
            )
            intervals += 1
            begun.append(len(parts))
        taken.extend(_taken(own, one, begun[one.stretches_before]) for one in chain.read)
    return Measured(
        chains=tuple(one.chain for one in worn),
        waxed=tuple(one.waxed for one in worn),
        limits_pct=tuple(one.limit_pct for one in worn),
        assumed=tuple(_assumed(rulebook.judgement(f"weight.{kind}")) for kind in KINDS),
        bikes=tuple(bikes),
        parts=tuple(parts),
        taken=tuple(taken),
        intervals=intervals,
        mean_known=mean_known,
    )


def _known(worn: Iterable[Worn]) -> Iterator[tuple[float, ...]]:
    """The hours with weather behind them that readings end."""
    for chain in worn:
        for stretch in chain.stretches:
            yield from (one.known for one in stretch)


def _assumed(judgement: Judgement) -> tuple[float, float]:
    """A weight as a prior: the rulebook's value, its range read as 5 to 95 %."""
    low = max(judgement.low, LEAST_WEIGHT)
    return max(judgement.value, low), math.log(judgement.high / low) / RANGE_SDS


def _taken(chain: int, read: Read, parts_before: int) -> Taken:
    return Taken(
        chain,
        ReadingTool(read.tool),
        read.instrument,
        -math.inf if read.over_pct is None else read.over_pct,
        math.inf if read.under_pct is None else read.under_pct,
        math.nan if read.exact_pct is None else read.exact_pct,
        read.drive_h,
        parts_before,
    )
