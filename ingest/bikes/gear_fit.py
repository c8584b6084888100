"""How well a ride's developments fit each bike's gears: the likelihood of a whole comb.

A bike's comb has one line per gear, at ln(front / rear) + ln(circumference). A ride pedals some of them, in
shares of its own, through noise, with the comb moved a little by tyre pressure and by what the device takes
the wheel to be. So a ride's histogram is a mixture of lines plus a flat background for what is no gear held.
The shares are uncertain around the bike's usual ones (Dirichlet); the move is uncertain around 0, mostly
small, seldom a tyre. Both are summed over, not chosen: a comb does not win by having more lines.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from ingest.bikes.gearing import BIN_CENTRES, BIN_WIDTH, BINS, FEWEST_GEARS, GearHistogram
from ingest.ride.recording import Column

CADENCE_NOISE = 0.012  # of ln D: cadence is counted in whole turns a minute
LOOK_S = 30.0  # steady pedalling behind one independent look: speed errors last that long
MOST_LOOKS = 60.0  # beyond it, more of the same ride says no more
BACKGROUND = 0.12  # expected share of samples in no gear of the comb
SHARES_WORTH = 40.0  # looks after which a ride's own shares of its gears outweigh the bike's usual ones
FARTHEST_MOVE = 12  # bins, 12 %: another tyre is +9 % at most
USUAL_MOVE = 0.010  # circumference entered; tyre pressure and roll-out
GUESSED_MOVE = 0.030  # circumference not entered
OTHER_TYRE_MOVE = 0.050
OTHER_TYRE_CHANCE = 0.05
USUAL_CIRCUMFERENCE_M = 2.13  # of the wheels most bikes have, when none was entered
MOVES_TRIED = 3
ROUNDS = 3  # of finding a ride's own shares; the bound gains < 0.1 afterwards
UNUSED = 1e-3  # the share of a line that only fills up the table


@dataclass(frozen=True, slots=True, eq=False)
class Comb:
    """The gears of one bike.

    lines: ln development [ln m], ascending.  usage: expected share of each, adding up to 1.
    move, move_sd: where rides find the comb against `lines`, and how closely. [ln]
    unseen: expected share of gears that have no line yet, of a comb learned from few rides.
    """

    lines: Column
    usage: Column
    move: float = 0.0
    move_sd: float = USUAL_MOVE
    unseen: float = 0.0

    def matches(self, other: Comb) -> bool:
        """Whether a ride could not tell them apart: no line is further than 2.5 % from one of the other."""
        apart = np.abs((self.lines + self.move)[:, None] - (other.lines + other.move)[None, :])
        return bool(max(apart.min(axis=0).max(), apart.min(axis=1).max()) < 0.025)


def comb_of_teeth(
    chainrings: Sequence[int], cogs: Sequence[int], circumference_m: float | None
) -> Comb | None:
    """The comb of entered teeth; None with fewer than four gears. Gears within half a per cent are one."""
    circumference = circumference_m or USUAL_CIRCUMFERENCE_M
    lines: list[float] = []
    for line in sorted(math.log(front / rear * circumference) for front in chainrings for rear in cogs):
        if not lines or line - lines[-1] > 0.005:
            lines.append(line)
    if len(lines) < FEWEST_GEARS:
        return None
    sd = USUAL_MOVE if circumference_m else GUESSED_MOVE
    return Comb(np.array(lines), np.full(len(lines), 1.0 / len(lines)), 0.0, sd)


@dataclass(frozen=True, slots=True)
class Fit:
    """How one ride fits one comb.

    ln_likelihood: of the ride's histogram.  move: the likeliest shift of the comb [ln].
    usage: looks in each line, in the order of the comb's lines.
    """

    ln_likelihood: float
    move: float
    usage: Column


class CombStack:
    """Combs laid side by side for one speed source, so that a ride meets all of them in a few products.

    combs: None = gears not known.  noise: of one sample [ln D], see GearHistogram.noise.
    """

    def __init__(self, combs: Sequence[Comb], noise: float) -> None:
        self.combs = tuple(combs)
        widest = max((len(comb.lines) for comb in combs), default=1)
        self.mass = np.zeros(
            (len(combs), widest + 1, BINS)
        )  # of each line in each bin; the last row is background
        self.alpha = np.full((len(combs), widest + 1), UNUSED)
        self.mass[:, -1, :] = 1.0 / BINS
        self.ln_move = np.zeros((2 * FARTHEST_MOVE + 1, len(combs)))
        moves: Column = np.arange(-FARTHEST_MOVE, FARTHEST_MOVE + 1, dtype=np.float64) * BIN_WIDTH
        for index, comb in enumerate(combs):
            self.mass[index, : len(comb.lines)] = _line_mass(tuple(comb.lines.tolist()), noise)
            in_lines = (1.0 - BACKGROUND) * (1.0 - comb.unseen)
            self.alpha[index, : len(comb.lines)] = SHARES_WORTH * in_lines * comb.usage
            self.alpha[index, -1] = SHARES_WORTH * (1.0 - in_lines)
            self.ln_move[:, index] = np.log(_move_prior(moves, comb.move, comb.move_sd))
        self.ln_gamma_alpha = ln_gamma(self.alpha).sum(axis=1)
        usual = self.alpha / self.alpha.sum(axis=1, keepdims=True)
        self.ln_usual = np.log(np.einsum("bg,bgk->bk", usual, self.mass))

    def fits(self, ride: Looks, *, only: NDArray[np.intp] | None = None) -> list[Fit]:
        """How this ride fits each comb (or those at these indices)."""
        return self._fits(ride, slice(None) if only is None else only) if self.combs else []

    def best(self, ride: Looks, how_many: int) -> NDArray[np.intp]:
        """The indices of the combs that fit best at their usual shares: a quick first look."""
        score = np.max(ride.moved @ self.ln_usual[:, ride.span].T + self.ln_move, axis=0)
        return np.argpartition(-score, how_many)[:how_many]

    def _fits(self, ride: Looks, chosen: NDArray[np.intp] | slice) -> list[Fit]:
        ln_move = self.ln_move[:, chosen]
        score = ride.moved @ self.ln_usual[chosen, ride.span].T + ln_move
        tried = np.argpartition(-score, MOVES_TRIED, axis=0)[:MOVES_TRIED].T  # (combs, moves)
        rides = ride.moved[tried]  # (combs, moves, bins)
        mass, alpha = self.mass[chosen, :, ride.span], self.alpha[chosen][:, None, :]
        transposed = mass.transpose(0, 2, 1)
        worth = alpha.sum(axis=2, keepdims=True)
        shares = alpha / worth
        density = shares @ mass
        for _ in range(ROUNDS):
            shares = (alpha + shares * ((rides / density) @ transposed)) / (worth + ride.count)
            density = shares @ mass
        counts = shares * ((rides / density) @ transposed)
        # The variational bound on ln p(histogram | comb, move), the shares summed over their Dirichlet.
        bound = (
            ln_gamma(alpha + counts).sum(axis=2)
            - self.ln_gamma_alpha[chosen][:, None]
            - (counts * np.log(shares)).sum(axis=2)
            + (rides * np.log(density)).sum(axis=2)
            - math.lgamma(SHARES_WORTH + ride.count)
            + math.lgamma(SHARES_WORTH)
        )
        weighed = bound + np.take_along_axis(ln_move.T, tried, axis=1)
        total = np.logaddexp.reduce(weighed, axis=1).tolist()
        best = weighed.argmax(axis=1).tolist()
        indices = range(len(self.combs))[chosen] if isinstance(chosen, slice) else chosen.tolist()
        return [
            Fit(
                total[row],
                (int(tried[row, best[row]]) - FARTHEST_MOVE) * BIN_WIDTH,
                counts[row, best[row], : len(self.combs[index].lines)],
            )
            for row, index in enumerate(indices)
        ]


@dataclass(frozen=True, slots=True, eq=False)
class Looks:
    """A ride's histogram, ready to be compared.

    count: independent looks.  moved: the histogram in looks, at every move from −12 % to +12 %.
    span: its bins; those that no move fills are left out.
    """

    count: float
    moved: Column
    span: slice

    @classmethod
    def of(cls, histogram: GearHistogram) -> Looks:
        """A comb moved up by a bin is the histogram moved down by one."""
        total_s = float(histogram.total_s)
        count = min(total_s / LOOK_S, MOST_LOOKS)
        first = max(histogram.bins[0] - FARTHEST_MOVE, 0)
        end = min(histogram.bins[-1] + 1 + FARTHEST_MOVE, BINS)
        padded = np.zeros(end - first + 2 * FARTHEST_MOVE)
        padded[np.array(histogram.bins) - first + FARTHEST_MOVE] = np.array(histogram.seconds) * (
            count / total_s
        )
        return cls(count, sliding_window_view(padded, end - first), slice(first, end))


def _width(noise: float) -> float:
    """Of a line: three samples' mean of the speed noise, and cadence counted in whole turns. [ln]"""
    return math.sqrt(noise * noise / 3.0 + CADENCE_NOISE * CADENCE_NOISE)


@lru_cache(maxsize=128)  # learning again meets the same combs
def _line_mass(lines: tuple[float, ...], noise: float) -> Column:
    """The share of each line's samples that falls in each bin: a normal bell with a broader foot."""
    width = _width(noise)
    distance = (BIN_CENTRES[None, :] - np.array(lines)[:, None]) / width
    bell = np.exp(-0.5 * distance * distance) / width
    foot = np.exp(-0.5 * (distance / 2.5) ** 2) / (2.5 * width)
    mass: Column = (0.85 * bell + 0.15 * foot) * (BIN_WIDTH / math.sqrt(2.0 * math.pi))
    return mass


def _move_prior(moves: Column, centre: float, sd: float) -> Column:
    near = np.exp(-0.5 * ((moves - centre) / sd) ** 2) / sd
    far = np.exp(-0.5 * ((moves - centre) / OTHER_TYRE_MOVE) ** 2) / OTHER_TYRE_MOVE
    prior: Column = (1.0 - OTHER_TYRE_CHANCE) * near + OTHER_TYRE_CHANCE * far
    return prior * (BIN_WIDTH / math.sqrt(2.0 * math.pi))


def ln_gamma(x: Column) -> Column:
    """Natural logarithm of the gamma function for x > 0, to 1e-10: Stirling's series, eight steps up."""
    rising = x.copy()
    for step in range(1, 8):
        rising = rising * (x + step)
    y = x + 8.0
    series = (1.0 / 12.0 - (1.0 / 360.0 - 1.0 / 1260.0 / (y * y)) / (y * y)) / y
    result: Column = (y - 0.5) * np.log(y) - y + 0.5 * math.log(2.0 * math.pi) + series - np.log(rising)
    return result


_Teeth = tuple[tuple[int, ...], ...]
# Bikes as they are sold, by teeth: what an unknown bike may look like. Common practice, no source.
_DOUBLES: Final[_Teeth] = ((50, 34), (52, 36), (46, 30), (53, 39), (48, 31), (48, 35))
_SINGLES: Final[_Teeth] = ((38,), (40,), (42,), (44,), (30,), (32,), (34,))
_CLOSE: Final[_Teeth] = (
    (11, 12, 13, 14, 15, 17, 19, 21, 23, 25, 28),
    (11, 12, 13, 14, 16, 18, 20, 22, 25, 28, 32),
    (11, 13, 15, 17, 19, 21, 23, 25, 27, 30, 34),
    (12, 13, 14, 15, 16, 17, 19, 21, 23, 25),
    (11, 12, 13, 14, 15, 17, 19, 21, 24, 27, 30),
    (11, 13, 15, 17, 19, 21, 24, 28, 32, 36),
)
_WIDE: Final[_Teeth] = (
    (11, 13, 15, 17, 19, 21, 24, 28, 32, 37, 42),
    (10, 12, 14, 16, 18, 21, 24, 28, 33, 39, 45, 51),
    (11, 13, 15, 18, 21, 24, 28, 32, 36),
    (10, 12, 14, 16, 18, 20, 22, 25, 28, 32, 37, 42),
)
_ANY_WHEEL_M: Final = (2.10, 2.25)


def bikes_as_sold() -> tuple[Comb, ...]:
    """Combs of bikes that exist, free to move: the reference that every known comb is weighed against."""
    sold = [(rings, cogs) for rings in _DOUBLES for cogs in _CLOSE]
    sold += [(rings, cogs) for rings in _SINGLES for cogs in _WIDE]
    sold += [(rings, _WIDE[2]) for rings in ((44, 32, 22), (48, 36, 26), (36, 26), (38, 28))]
    combs = (comb_of_teeth(rings, cogs, wheel_m) for rings, cogs in sold for wheel_m in _ANY_WHEEL_M)
    return tuple(replace(comb, move_sd=OTHER_TYRE_MOVE) for comb in combs if comb is not None)


def sharpened(histogram: Column, noise: float) -> tuple[Column, Column]:
    """The lines and their shares that a histogram was blurred from. [ln m], adding up to 1

    Expectation-maximisation of the share of a line in every bin, blurred as `CombStack` blurs (the steps of
    Richardson 1972 and Lucy 1974, from memory). Neighbouring bins share one line; lines below half a per cent
    are the background's.
    """
    mass = _line_mass(tuple(BIN_CENTRES.tolist()), noise)
    share = (histogram + histogram.sum() * 1e-4) / histogram.sum()
    for _ in range(200):
        share = share * (mass @ (histogram / np.maximum(share @ mass, 1e-12)))
        share = share / share.sum()
    kept = np.flatnonzero(share >= 0.005)
    groups: list[list[int]] = []
    for index in kept.tolist():
        if groups and index - groups[-1][-1] == 1 and index - groups[-1][0] <= 2:
            groups[-1].append(index)
        else:
            groups.append([index])
    usage = np.array([share[group].sum() for group in groups])
    lines = np.array([share[group] @ BIN_CENTRES[group] for group in groups]) / usage
    return lines, usage / usage.sum()
