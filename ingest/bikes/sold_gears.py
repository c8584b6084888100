"""How likely each ride's looks are under every set of gears that bikes are sold with, at every size of wheel.

A comb is a chainring set and a cassette, moved as a whole by the wheel. One table a ride, ln likelihood by
comb and move, serves every bike of the household: what a bike has fitted is a belief over the same combs.
"""

from __future__ import annotations

import base64
import math
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, lru_cache, reduce
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ingest.bikes.gear_samples import GearLooks
from ingest.ride.recording import Column

Teeth = tuple[int, ...]
Table = NDArray[np.float32]


class Comb(NamedTuple):
    """One chainring set with one cassette."""

    rings: Teeth
    cogs: Teeth


# What bikes are sold with, by teeth. Common practice, no source.
RING_SETS: Final[tuple[Teeth, ...]] = (
    (50, 34), (52, 36), (46, 30), (53, 39), (48, 31), (46, 36),
    (30,), (32,), (34,), (36,), (38,), (40,), (42,), (44,),
    (44, 32, 22), (48, 36, 26), (36, 26),
)  # fmt: skip
CASSETTES: Final[tuple[Teeth, ...]] = (
    (11, 12, 13, 14, 15, 17, 19, 21, 23, 25, 28),
    (11, 12, 13, 14, 16, 18, 20, 22, 25, 28, 32),
    (11, 13, 15, 17, 19, 21, 23, 25, 27, 30, 34),
    (12, 13, 14, 15, 16, 17, 19, 21, 23, 25),
    (11, 12, 13, 14, 15, 17, 19, 21, 24, 27, 30),
    (11, 13, 15, 17, 19, 21, 24, 28, 32, 36),
    (11, 13, 15, 17, 19, 21, 24, 28, 32, 37, 42),
    (10, 12, 14, 16, 18, 21, 24, 28, 33, 39, 45, 51),
    (11, 13, 15, 18, 21, 24, 28, 32, 36),
    (11, 13, 15, 18, 21, 24, 28, 32),
)
SOLD: Final = tuple(Comb(rings, cogs) for rings in RING_SETS for cogs in CASSETTES)

USUAL_CIRCUMFERENCE_M = 2.14
STEP = 0.005  # of ln D: no speed sensor is finer
LOWEST_MOVE, HIGHEST_MOVE = -0.06, 0.09  # of ln circumference, from 2.02 to 2.34 m
MOVES: Final[Column] = np.arange(LOWEST_MOVE, HIGHEST_MOVE + STEP / 2, STEP)
SMALLEST_RING, LARGEST_RING, SMALLEST_COG, LARGEST_COG = 20, 60, 9, 54  # teeth
FIRST_SIZE: Final = math.floor((math.log(SMALLEST_RING * USUAL_CIRCUMFERENCE_M) + LOWEST_MOVE) / STEP)
SIZES: Final = math.ceil(math.log(LARGEST_RING / SMALLEST_RING) / STEP) + len(MOVES) + 1  # ring times wheel
FIRST_LINE: Final = (FIRST_SIZE - 1) * STEP - math.log(LARGEST_COG)
LINES: Final[Column] = FIRST_LINE + STEP * np.arange(
    math.ceil(math.log(LARGEST_COG / SMALLEST_COG) / STEP) + SIZES + 2, dtype=np.float64
)

FINEST = 0.005  # of ln D: cadence is counted in whole turns
NOISE_FACTORS = (0.5, 0.8, 1.2, 1.8, 2.6)  # how much blunter or sharper a look is than its inside shows
WIDE_TAIL, TAIL_SHARE = 3.0, 0.1
NO_GEAR_SHARE, NO_GEAR_DENSITY = 0.08, 1.0 / 1.2
SPEEDS_RIDDEN_WIDTH = 0.16  # of ln D: smooths which developments were wanted, leaves which exist
LOOK_COUNTS = 0.35  # of an independent look: neighbours share hills, wind and the receiver's drift
STEPS_A_NAT, MOST_NATS_KEPT = 4.0, 40.0
RIDE_TO_RIDE_MOVE = 0.008  # tyre pressure, and what the device takes the wheel to be

DIGITS: Final = b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz!#$%&()*+-;<=>?@^_`{|}~"
POWERS_OF_85: Final = 85 ** np.arange(4, -1, -1, dtype=np.int64)
DIGIT_OF: Final = np.full(256, -1, dtype=np.int64)
DIGIT_OF[list(DIGITS)] = np.arange(85)


@dataclass(frozen=True, slots=True)
class SoldTable:
    """ln likelihood of a ride's looks under the combs sold, four steps to a nat below the likeliest, packed.

    noise_factor: how much blunter or sharper the looks are than their insides show.  usual: ln likelihood of
    'a bike as sold', the mean of all of them.
    """

    noise_factor: float
    usual: float
    packed: str

    def unpacked(self) -> Table:
        """(combs sold, moves), against the mean of all of them: 'a bike as sold'. Raises ValueError."""
        steps = np.frombuffer(zlib.decompress(_bytes_of(self.packed)), dtype=np.uint8)
        if len(steps) != len(SOLD) * len(MOVES):
            raise ValueError("its gear table is of another list of gears")
        table = steps.astype(np.float32) / STEPS_A_NAT
        table -= math.log(float(np.exp(table, dtype=np.float64).mean()))
        return table.reshape(len(SOLD), len(MOVES))


def _bytes_of(packed: str) -> bytes:
    """What `base64.b85decode` decodes, all fives at once: a household has thousands of tables."""
    letters = packed.encode()
    missing = -len(letters) % 5
    digits = DIGIT_OF[np.frombuffer(letters + b"~" * missing, dtype=np.uint8)].reshape(-1, 5)
    if (digits < 0).any() or (fours := digits @ POWERS_OF_85).max(initial=0) > 0xFFFFFFFF:
        raise ValueError("its gear table is not in base 85")
    decoded: bytes = fours.astype(">u4").tobytes()
    return decoded[: len(decoded) - missing]


def sold_table(looks: GearLooks) -> SoldTable:
    """How well the gears of a ride suit each comb sold."""
    # The noise under which some comb, of whatever bike, does best; the same one then serves every comb.
    some = SOLD[::7]  # seven and ten share no divisor: every cassette has its turn
    widths = (_AtWidth(looks, factor, SOLD) for factor in NOISE_FACTORS)
    best = max(widths, key=lambda one: float(one.table(some).max()))
    table = _moved_a_little(best.table(SOLD) * np.float32(LOOK_COUNTS))
    steps = np.clip(np.rint((table - table.max() + MOST_NATS_KEPT) * STEPS_A_NAT), 0, 255)
    packed = zlib.compress(steps.astype(np.uint8).tobytes(), 6)
    usual = float(table.max()) + math.log(float(np.exp(table - table.max(), dtype=np.float64).mean()))
    return SoldTable(best.factor, round(usual, 3), base64.b85encode(packed).decode())


@lru_cache(maxsize=20_000)
def entered_table(looks: GearLooks, sold: SoldTable, entered: tuple[Comb, ...]) -> Table:
    """The same for combs that are in no list: (combs entered, moves), against 'a bike as sold'."""
    table = _AtWidth(looks, sold.noise_factor, entered).table(entered)
    return _moved_a_little(table * np.float32(LOOK_COUNTS)) - np.float32(sold.usual)


@lru_cache(maxsize=1)
def _smoothed_ridden(looks: GearLooks) -> Column:
    """How much each line's development was ridden, smoothed: a weight for the lines of any comb."""
    developments, _ = looks.columns()
    apart = (LINES[:, None] - developments) / SPEEDS_RIDDEN_WIDTH
    ridden: Column = np.exp(-0.5 * apart * apart).mean(axis=1) + 1e-3
    return ridden


class _AtWidth:
    """The looks of a ride, each as blunt as its inside shows times a factor, against the gears of some combs.

    By cassette and size, the chainring times wheel: the density of each look and the mass behind it.
    """

    def __init__(self, looks: GearLooks, factor: float, combs: Sequence[Comb]) -> None:
        self.factor = factor
        developments, speed_mps = looks.columns()
        ridden = _smoothed_ridden(looks)
        width = np.sqrt((factor * looks.noise_mps / speed_mps) ** 2 + FINEST**2)
        apart = (LINES[:, None] - developments).astype(np.float32)
        apart /= width.astype(np.float32)
        apart *= np.float32(-0.5) * apart
        bell = np.float32(1.0 - TAIL_SHARE) * np.exp(apart)
        apart *= np.float32(1.0 / WIDE_TAIL**2)
        bell += np.float32(TAIL_SHARE / WIDE_TAIL) * np.exp(apart)
        bell *= (ridden[:, None] / (width * math.sqrt(2.0 * math.pi))).astype(np.float32)

        gears = _gears_of(tuple(combs))
        self._row_of, self._first_size = gears.row_of, gears.first_size
        by_cog = bell.take(gears.lines, axis=0).reshape(len(gears.lines), -1)
        self._density: Table = (gears.weights @ by_cog).reshape(len(gears.weights), -1, len(developments))
        self._mass: Table = gears.weights @ ridden.astype(np.float32)[gears.lines]
        self._on_one_ring = _likelihood(self._density, self._mass)

    def table(self, combs: Sequence[Comb]) -> Table:
        """ln likelihood by comb and move."""
        table = np.empty((len(combs), len(MOVES)), dtype=np.float32)
        for rings in {len(comb.rings) for comb in combs}:
            these = [index for index, comb in enumerate(combs) if len(comb.rings) == rings]
            rows = np.array([self._row_of[combs[index].cogs] for index in these])[:, None]
            starts = np.array([[_at(ring) for ring in combs[index].rings] for index in these])
            sizes = [start[:, None] + np.arange(len(MOVES)) - self._first_size for start in starts.T]
            # A ride may stay on one ring or use them all: which, says nothing of what is fitted.
            ways = [self._on_one_ring[rows, size] for size in sizes]
            if rings > 1:
                density = reduce(np.add, [self._density[rows, size] for size in sizes])
                mass = reduce(np.add, [self._mass[rows, size] for size in sizes])
                ways.append(_likelihood(density, mass))
            table[these] = np.logaddexp.reduce(ways) - math.log(len(ways))
        return table


def _likelihood(density: Table, mass: Table) -> Table:
    """ln likelihood of all looks, the last axis, from their densities and the mass behind them."""
    looks = density * (np.float32(1.0 - NO_GEAR_SHARE) / mass)[..., None]
    looks += np.float32(NO_GEAR_SHARE * NO_GEAR_DENSITY)
    result: Table = np.log(looks, out=looks) @ np.ones(looks.shape[-1], np.float32)
    return result


class _Gears(NamedTuple):
    """The gears of some combs, apart: cogs and cassettes."""

    row_of: dict[Teeth, int]  # of each cassette
    first_size: int  # of the smallest chainring at the lowest move
    lines: NDArray[np.intp]  # by cog and size: which of LINES the two make
    weights: Table  # by cassette and cog; 0 = it has no such cog


@lru_cache(maxsize=64)
def _gears_of(combs: tuple[Comb, ...]) -> _Gears:
    """The gears of these combs.

    A gear is used for the developments nearer to it than to its neighbours, so it weighs by its spacing.
    """
    cassettes = list(dict.fromkeys(comb.cogs for comb in combs))
    cogs = sorted({cog for cassette in cassettes for cog in cassette})
    weights = np.zeros((len(cassettes), len(cogs)), np.float32)
    for row, cassette in enumerate(cassettes):
        lines = np.log(np.array(cassette, dtype=np.float64))
        gaps = np.diff(lines) if len(lines) > 1 else np.array([0.1])
        spacing = (0.5 * (np.append(gaps, gaps[-1]) + np.append(gaps[0], gaps)))[: len(cassette)]
        np.add.at(weights[row], np.searchsorted(cogs, cassette), spacing.astype(np.float32))
    starts = [_at(ring) for comb in combs for ring in comb.rings]
    at_cog = [FIRST_SIZE - round((FIRST_LINE + math.log(cog)) / STEP) for cog in cogs]
    sizes = np.arange(min(starts), max(starts) + len(MOVES))
    row_of = {cassette: row for row, cassette in enumerate(cassettes)}
    return _Gears(row_of, min(starts), np.array(at_cog)[:, None] + sizes, weights)


@cache
def _at(ring: int) -> int:
    """Where a chainring stands among all sizes of chainring times wheel, at the lowest move."""
    return round((math.log(ring * USUAL_CIRCUMFERENCE_M) + LOWEST_MOVE) / STEP) - FIRST_SIZE


def _moved_a_little(table: Table) -> Table:
    """Summed over the small move that every ride has of its own."""
    steps = np.arange(-3, 4)
    bell = np.exp(-0.5 * (steps * STEP / RIDE_TO_RIDE_MOVE) ** 2)
    bell /= bell.sum()
    top = table.max(axis=1, keepdims=True)
    likelihood = np.exp(np.maximum(table - top, -80.0))
    padded = np.pad(likelihood, ((0, 0), (3, 3)), mode="edge")
    moved = sum(
        weight * padded[:, 3 + step : 3 + step + table.shape[1]]
        for step, weight in zip(steps, bell, strict=True)
    )
    result: Table = (np.log(moved) + top).astype(np.float32)
    return result
