"""What each bike has fitted, as a belief over combs and moves, and what a ride's gears say for each bike.

The belief starts from the teeth and the wheel that were entered and moves with the bike's own rides, nearer
ones counting more: a cassette, a tyre or a wheel swapped in spring needs no telling. A ride never testifies
for itself: what it taught is taken out before it is scored.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ingest.bikes.log_odds import ln_sum
from ingest.bikes.ride_clues import RideClues
from ingest.bikes.sold_gears import MOVES, SOLD, USUAL_CIRCUMFERENCE_M, Comb, Table, entered_table
from ingest.ride.recording import Column
from rules.vocabulary import Bike

ENTERED_TEETH_ARE_RIGHT = 0.96
RINGS_STAY = 0.8  # where they are not: cassettes are changed more often than chainrings; common practice
ENTERED_WHEEL, GUESSED_WHEEL = 0.012, 0.028  # of ln circumference
ANY_WHEEL = 0.05  # share of the belief that a wheel may be any
WINDOW_D = 75.0
FORGETS_D = 150.0
RIDE_COUNTS = 0.5  # of an independent witness: one season's rides share tyre pressure and hills
SOMETHING_CHANGED_TODAY, CHANGED_AT_FIRST = 0.015, 0.3
CHANGES_EVERY_D, CHANGED_AT_MOST = 500.0, 0.3
SURELY = 0.8  # of a ride's bike
IN_NO_LIST = 0.1  # of bikes whose teeth nobody entered: a geared hub, teeth of its own
BORROWED_LIKE_OURS = 0.25  # of bikes that are none of ours, those with the gears of one of ours
MOST_AGAINST, MOST_FOR = 4.5, 7.0
NEGLIGIBLE = 20.0  # nats below the likeliest comb
FEW_RIDES = 4.0
ANSWERS_TO_LEARN_A_COMB = 2


class GearBelief:
    """The gears of a household's bikes and the rides that show gears."""

    def __init__(
        self, rides: Sequence[RideClues], bikes: Sequence[Bike], day: Column, answered: Mapping[int, int]
    ) -> None:
        """day: of each ride's start, from any first day.  answered: the column each such ride is on."""
        self._entered = [_entered(bike) for bike in bikes]
        unlisted = tuple(dict.fromkeys(c for c in self._entered if c is not None and c not in SOLD))
        self.combs: Final = (*SOLD, *unlisted)
        self.bikes: Final = bikes
        self.shows: Final = np.array(
            [i for i, ride in enumerate(rides) if ride.sold is not None], dtype=np.intp
        )
        self._table = np.empty((len(self.shows), len(self.combs) * len(MOVES)), dtype=np.float32)
        for row, index in enumerate(self.shows):
            looks, sold = rides[index].looks, rides[index].sold
            assert looks is not None
            assert sold is not None
            table = sold.unpacked()
            if unlisted:
                table = np.concatenate((table, entered_table(looks, sold, unlisted)))
            self._table[row] = table.ravel()
        self._prior = np.array(
            [self._believed(*one).ravel() for one in zip(bikes, self._entered, strict=True)]
        )
        # A comb that nobody entered fits whatever is laid on it: it is learned from answers first.
        said = np.array([answered.get(int(i), -1) for i in self.shows])
        self._teaches = np.ones((len(self.shows), len(bikes)))
        for column, comb in enumerate(self._entered):
            if comb is None and (said == column).sum() < ANSWERS_TO_LEARN_A_COMB:
                self._teaches[:, column] = said == column
        self._day = day[self.shows]
        self._window = (self._day // WINDOW_D).astype(np.intp)

    def _believed(self, bike: Bike, entered: Comb | None) -> Table:
        """ln of the belief in each comb and move before any ride."""
        combs = np.full(len(self.combs), 1.0 / len(SOLD))
        if entered is not None:
            combs = (1.0 - ENTERED_TEETH_ARE_RIGHT) * self._instead_of(entered)
            combs[self.combs.index(entered)] += ENTERED_TEETH_ARE_RIGHT
        elif bike.chainrings or bike.cogs:
            fits = [(not bike.chainrings or set(bike.chainrings) == set(comb.rings)) and
                    (not bike.cogs or set(bike.cogs) == set(comb.cogs)) for comb in self.combs]  # fmt: skip
            combs[~np.array(fits)] *= 1.0 - ENTERED_TEETH_ARE_RIGHT
        centre = math.log((bike.wheel_circumference_m or USUAL_CIRCUMFERENCE_M) / USUAL_CIRCUMFERENCE_M)
        sd = ENTERED_WHEEL if bike.wheel_circumference_m else GUESSED_WHEEL
        near = np.exp(-0.5 * ((MOVES - centre) / sd) ** 2)
        moves = (1.0 - ANY_WHEEL) * near / near.sum() + ANY_WHEEL / len(MOVES)
        with np.errstate(divide="ignore"):
            belief: Table = np.log(np.outer(combs / combs.sum(), moves)).astype(np.float32)
        return belief

    def _instead_of(self, entered: Comb) -> Column:
        """Each comb's chance where it is another than was entered: a bike with one cog takes no cassette."""
        if len(entered.cogs) == 1:
            return np.zeros(len(self.combs))
        same_rings = np.array([comb.rings == entered.rings for comb in self.combs])
        chances: Column = RINGS_STAY * same_rings / same_rings.sum() + (1.0 - RINGS_STAY) / len(self.combs)
        return chances

    def weights(self, shares: Column, elsewhere: Column, voice: float = 1.0) -> Column:
        """What each ride's gears say for each bike and, last, for none of ours: ln, (rides, bikes + 1).

        shares: the probability of each bike for each ride so far, (rides, bikes + 1).  elsewhere: the same by
        all but the gears: what is surely a bike's ride shows its gears, be they other ones than last year's.
        voice: 0..1, how far gears may deny a bike yet: at first a new cassette is as likely as another bike.
        """
        said = np.zeros_like(shares)
        if not len(self.shows):
            return said
        believed = np.maximum(shares, elsewhere)[self.shows, : len(self.bikes)]
        believed = believed / np.maximum(believed.sum(axis=1, keepdims=True), 1.0)
        # Doubtful rides teach no gears.
        taught = RIDE_COUNTS * self._teaches * believed * np.maximum(2.0 * believed - 1.0, 0.0)
        fits = np.zeros((len(self.shows), len(self.bikes)))
        for window in np.unique(self._window):
            here = _rows(self._window == window)
            centre = (window + 0.5) * WINDOW_D
            fades = np.exp(-np.abs(self._day - centre) / FORGETS_D)
            near = _rows(fades > 0.01)
            counts = (taught[near] * fades[near, None]).astype(np.float32)
            beliefs = self._prior + counts.T @ self._table[near]
            likeliest = (beliefs.argmax(axis=1) // len(MOVES)).tolist()
            own = (taught[here] * fades[here, None]).astype(np.float32)
            for bike, belief in enumerate(beliefs):
                kept = slice(None)
                if counts[:, bike].sum() > FEW_RIDES * RIDE_COUNTS:
                    kept = np.flatnonzero(belief > belief.max() - NEGLIGIBLE)  # type: ignore[assignment]
                fits[here, bike] = _fits(belief[kept], self._table[here][:, kept], own[:, bike])
            for one, other in self._look_alike(likeliest):
                # What sets their wheels apart is a device's setting as likely as a tyre.
                fits[here, one] = fits[here, other] = np.maximum(fits[here, one], fits[here, other])
        usual = np.array([IN_NO_LIST if one is None else SOMETHING_CHANGED_TODAY for one in self._entered])
        share = np.clip(self._since_seen(believed, fits), usual, CHANGED_AT_MOST)
        share = np.maximum(share, CHANGED_AT_FIRST * (1.0 - voice))
        changed = np.logaddexp(np.log1p(-share) + np.minimum(fits, MOST_FOR + 1.0), np.log(share))
        ours = np.clip(changed, -MOST_AGAINST, MOST_FOR)
        nobodys = np.log((1.0 - BORROWED_LIKE_OURS) + BORROWED_LIKE_OURS * np.exp(ours.max(axis=1)))
        said[self.shows, :-1] = ours
        said[self.shows, -1] = nobodys
        return said

    def seen_on(self, rides: Collection[int]) -> Comb | None:
        """The gears that suit these rides together best; None where none of them shows any."""
        rows = np.flatnonzero(np.isin(self.shows, list(rides)))
        if not len(rows):
            return None
        return self.combs[int(self._table[rows].sum(axis=0).argmax()) // len(MOVES)]

    def _since_seen(self, believed: Column, fits: Column) -> Column:
        """Chance that other gears are fitted: it grows with time from the nearest ride that fits."""
        result = np.full(fits.shape, 1.0 - ENTERED_TEETH_ARE_RIGHT)
        for bike in range(len(self.bikes)):
            seen_d = self._day[(believed[:, bike] > SURELY) & (fits[:, bike] > 0.0)]
            if len(seen_d):
                after = np.searchsorted(seen_d, self._day).clip(0, len(seen_d) - 1)
                ends = np.stack((seen_d[np.maximum(after - 1, 0)], seen_d[after]))
                gap_d = np.abs(ends - self._day).min(axis=0)
                result[:, bike] = 1.0 - np.exp(-gap_d / CHANGES_EVERY_D)
        return result

    def _look_alike(self, likeliest: Sequence[int]) -> list[tuple[int, int]]:
        """Pairs of bikes entered with the same teeth that still have the same, by all that is known."""
        return [
            (one, other)
            for one, other in combinations(range(len(likeliest)), 2)
            if self._entered[one] is not None
            and self._entered[one] == self._entered[other]
            and likeliest[one] == likeliest[other]
        ]


def _fits(belief: Table, table: Table, own: Column) -> Column:
    """ln likelihood of each ride's gears by a belief from which what the ride itself taught is taken out."""
    without = belief - own[:, None] * table
    taught = own > 0.0
    at_large = np.full(len(own), ln_sum(belief[None])[0])
    at_large[taught] = ln_sum(without[taught])
    fits: Column = ln_sum(without + table) - at_large
    return fits


def _rows(mask: NDArray[np.bool_]) -> slice | NDArray[np.intp]:
    """Where this holds; as a slice, which copies nothing, where that is one stretch."""
    rows = np.flatnonzero(mask)
    return slice(rows[0], rows[-1] + 1) if len(rows) and np.ptp(rows) + 1 == len(rows) else rows


def _entered(bike: Bike) -> Comb | None:
    """The comb as entered; None where teeth are missing."""
    comb = Comb(tuple(sorted(bike.chainrings, reverse=True)), tuple(sorted(bike.cogs)))
    return comb if comb.rings and comb.cogs else None
