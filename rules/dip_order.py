"""Which chains into the pot, and in which dip: the cheapest evening, in minutes of hands and of waiting.

A chain that is left out costs what it will cost later. One that is dipped costs its own work; a bike that
waits for its chain costs a little for every dip before it; and what a chain leaves in the bath is paid in
every dip after it. All of that is linear in the dip: whichever chains go, they go in the order of what
waiting costs them less what their dirt costs the others; which ones go is found along that order.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rules.vocabulary import ChainId

DIP_MIN = 5.0  # hands, each time the pot is filled. This and the rest: common practice, no source
WIPE_AND_FIT_MIN, STRIP_MIN = 10.0, 60.0
LATER_MIN = 35.0  # an evening of its own for a chain at its limit
NEVER_WAXED_MIN = 100.0  # left in its factory grease, a chain waits for an evening like this
WAITS_MIN = 15.0  # a bike that rides tomorrow and stands without a chain, each dip
DIRT_MIN = 0.5  # a whole limit of dirt in the bath, each dip after it
DRIES_MIN = 10.0  # a chain that is stripped first is dry late


@dataclass(frozen=True, slots=True)
class ForThePot:
    """One chain that could go in tonight."""

    chain: ChainId
    share: float  # of its limit that is used
    waits: bool  # its bike rides tomorrow and has no other chain
    strip: bool  # never waxed

    @property
    def taken_min(self) -> float:
        """Its own work tonight."""
        return WIPE_AND_FIT_MIN + STRIP_MIN * self.strip

    @property
    def left_min(self) -> float:
        """What leaving it out costs later."""
        return NEVER_WAXED_MIN if self.strip else LATER_MIN * self.share

    @property
    def before_min(self) -> float:
        """What every dip before it costs."""
        return WAITS_MIN * self.waits

    @property
    def after_min(self) -> float:
        """What every dip after it costs."""
        return DIRT_MIN * self.share + DRIES_MIN * self.strip


def best_dips(
    chains: Sequence[ForThePot], *, pot_holds: int, most: int | None = None, most_strips: int | None = None
) -> tuple[ForThePot, ...]:
    """Which chains tonight, in order, filling dip after dip?

    most: what the bath is still good for. most_strips: what the solvent is.
    """
    order = sorted(chains, key=lambda one: (one.after_min - one.before_min, one.chain))
    count = len(order) if most is None else min(most, len(order))
    strips = sum(one.strip for one in order) if most_strips is None else most_strips
    best: tuple[float, tuple[ForThePot, ...]] = (math.inf, ())
    for taken in range(count + 1):
        cost, chosen = _of_so_many(order, taken, pot_holds, min(strips, taken))
        if cost < best[0] - 1e-9:
            best = (cost, chosen)
    return best[1]


def _of_so_many(
    order: Sequence[ForThePot], taken: int, pot_holds: int, strips: int
) -> tuple[float, tuple[ForThePot, ...]]:
    """The cheapest way of taking exactly so many, in this order; at most so many of them stripped.

    costs[j, s]: with j taken so far, s of them stripped.
    """
    dips = -(-taken // pot_holds)
    before = np.arange(taken) // pot_holds
    costs = np.full((taken + 1, strips + 1), np.inf)
    costs[0, 0] = DIP_MIN * dips
    went: list[np.ndarray[tuple[int, int], np.dtype[np.bool_]]] = []
    for one in order:
        left = costs + one.left_min
        in_slot = one.taken_min + one.before_min * before + one.after_min * (dips - 1 - before)
        goes = np.full_like(costs, np.inf)
        shifted = costs[:-1, : costs.shape[1] - one.strip] + in_slot[:, None]
        goes[1:, int(one.strip) :] = shifted
        went.append(goes < left)
        costs = np.minimum(goes, left)
    s = int(costs[taken].argmin())
    cost, j = float(costs[taken, s]), taken
    chosen: list[ForThePot] = []
    for one, took in zip(reversed(order), reversed(went), strict=True):
        if math.isfinite(cost) and took[j, s]:
            chosen.append(one)
            j, s = j - 1, s - one.strip
    return cost, tuple(reversed(chosen))
