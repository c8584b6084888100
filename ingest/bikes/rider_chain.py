"""What a rider takes out: how often each bike, and the bike of the ride before and after."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import timedelta

import numpy as np

from ingest.bikes.clues import RideClues
from ingest.bikes.soft_clues import Codes
from ingest.ride.recording import Column
from rules.vocabulary import Bike

OWN_BIKE, PARTNERS_BIKE = 3.0, 0.75  # rides: head starts of what a rider takes
NONE_OF_OURS = 0.025  # of all rides; common practice, no source
SHARES_SETTLE_AFTER = 25  # rounds
BROUGHT_TO_ONE_EVERY = 24  # rides: often enough that no belief is lost to rounding
SAME_DAY = timedelta(hours=18)
WAY_BACK, AGAIN_SOON, AGAIN_LATER = 0.92, 0.10, 0.03  # chance of the same bike for being the next ride


class RiderChain:
    """The rides of each rider in order, and how surely each is on the bike of the one before."""

    def __init__(self, rides: Sequence[RideClues], bikes: Sequence[Bike], groups: Codes) -> None:
        """groups: of each ride, see `rider_groups`; one chain each."""
        self._chains = [np.flatnonzero(groups == group) for group in range(int(groups.max(initial=-1)) + 1)]
        usual = _usual_starts(rides)
        self.same = np.zeros(len(rides))
        for chain in self._chains:
            for before, at in zip(chain[:-1].tolist(), chain[1:].tolist(), strict=True):
                self.same[at] = _same_again(rides[before], rides[at], usual)
        self._head_start = np.array(
            [
                [OWN_BIKE if bike.owner == ride.rider else PARTNERS_BIKE for bike in bikes] + [0.0]
                for ride in (rides[chain[0]] for chain in self._chains)
            ]
        )

    def usual(self, says: Column, settled: Column) -> Column:
        """ln of how often its rider takes each bike, by all rides but this one: (rides, bikes + 1).

        says: ln of all that each ride's own clues and its rider's word say, (rides, bikes + 1).
        settled: how far each ride counts, 0..1: what is open would else be counted as whatever is usual.
        """
        result = np.empty_like(says)
        for chain, start in zip(self._chains, self._head_start, strict=True):
            fits = np.exp(says[chain] - says[chain].max(axis=1, keepdims=True))
            counts, taken = settled[chain], start / start.sum()
            for _ in range(SHARES_SETTLE_AFTER):
                usual = _with_few_of_none(taken)
                total = (counts / (fits @ usual)) @ fits * usual + start
                taken = total / total.sum()
            without = total - (counts / (fits @ usual))[:, None] * fits * usual
            result[chain] = np.log(_with_few_of_none(without / without.sum(axis=1, keepdims=True)))
        return result

    def neighbours(self, shares: Column, says: Column, settled: Column) -> Column:
        """ln of what the rides before and after say of each bike, over its usual share: (rides, bikes + 1).

        shares: the probability of each bike for each ride so far.  says, settled: as `usual` takes them.
        """
        result = np.zeros_like(shares)
        for chain, start in zip(self._chains, self._head_start, strict=True):
            if len(chain) < 2:
                continue
            usual = (settled[chain, None] * shares[chain]).sum(axis=0) + start
            usual = _with_few_of_none(usual / usual.sum())
            seen = np.exp(says[chain] - says[chain].max(axis=1, keepdims=True))
            same = self.same[chain, None, None]
            # From a bike (row) to that of the next ride (column).
            on = same * np.eye(len(usual)) + (1.0 - same) * usual
            before, after = np.empty_like(seen), np.ones_like(seen)
            before[0] = usual
            onwards, back = seen[:-1, :, None] * on[1:], on[1:] * seen[1:, None, :]
            for i, (here, later, to) in enumerate(zip(before[:-1], before[1:], onwards, strict=True)):
                here.dot(to, out=later)
                if i % BROUGHT_TO_ONE_EVERY == 0:
                    later /= later.sum()
            for i, (here, later, to) in enumerate(zip(after[-2::-1], after[:0:-1], back[::-1], strict=True)):
                to.dot(later, out=here)
                if i % BROUGHT_TO_ONE_EVERY == 0:
                    here /= here.max()
            before /= before.sum(axis=1, keepdims=True)
            after /= after.max(axis=1, keepdims=True)
            place = before * after / usual
            result[chain] = np.log(np.maximum(place, 1e-12))
        return result


def _with_few_of_none(taken: Column) -> Column:
    """Shares of bikes beside the share of bikes that are none of ours, which is not learned: it is a sink."""
    result: Column = taken * (1.0 - NONE_OF_OURS) / taken[..., :-1].sum(axis=-1, keepdims=True)
    result[..., -1] = NONE_OF_OURS
    return result


def _usual_starts(rides: Sequence[RideClues]) -> dict[int, tuple[int, int]]:
    counts: dict[int, Counter[tuple[int, int]]] = {}
    for ride in rides:
        if ride.start_cell is not None:
            counts.setdefault(ride.rider, Counter())[ride.start_cell] += 1
    return {rider: count.most_common(1)[0][0] for rider, count in counts.items()}


def _same_again(before: RideClues, ride: RideClues, usual: dict[int, tuple[int, int]]) -> float:
    if ride.started_at - before.ended_at > SAME_DAY:
        return AGAIN_LATER
    home = usual.get(ride.rider)
    away = ride.start_cell is not None and home is not None and _cells_apart(ride.start_cell, home) > 1
    return WAY_BACK if away else AGAIN_SOON


def _cells_apart(one: tuple[int, int], other: tuple[int, int]) -> int:
    return max(abs(one[0] - other[0]), abs(one[1] - other[1]))
