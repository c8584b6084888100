"""What a rider takes out: how often each bike, and the bike of the ride before and after."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import timedelta

import numpy as np

from ingest.bikes.calibration import SLIP
from ingest.bikes.ride_clues import RideClues
from ingest.bikes.routes import goes_on
from ingest.bikes.weekday_and_speed import Codes
from ingest.ride.recording import Column
from rules.vocabulary import Bike

OWN_BIKE, PARTNERS_BIKE = 3.0, 0.75  # rides: head starts of what a rider takes
NONE_OF_OURS = 0.025  # of all rides; common practice, no source
SHARES_SETTLE_AFTER = 25  # rounds
BROUGHT_TO_ONE_EVERY = 24  # rides: often enough that no belief is lost to rounding
SAME_DAY = timedelta(hours=18)
STAYS_AWAY = timedelta(hours=12)  # no longer, or a way home goes on with the next morning's way to work
# Chance of the same bike for being the next ride, as if found on so many pairs of rides of another household.
WAY_BACK, AGAIN_SOON, AGAIN_LATER = 0.92, 0.10, 0.03
FOUND_ON = 12.0
CHANCES = np.linspace(0.01, 0.99, 99)


class RiderChain:
    """The rides of each rider in order, and how surely each is on the bike of the one before."""

    def __init__(
        self, rides: Sequence[RideClues], bikes: Sequence[Bike], groups: Codes, answered: Mapping[int, int]
    ) -> None:
        """groups: of each ride, see `rider_groups`; one chain each.  answered: the column of such a ride."""
        self._chains = [np.flatnonzero(groups == group) for group in range(int(groups.max(initial=-1)) + 1)]
        self._answered = answered
        self.same = np.zeros(len(rides))
        # A number for the rides of one outing, there and back again: that of its first ride.
        self.outing = np.arange(len(rides))
        pairs = [
            pair for chain in self._chains for pair in zip(chain.tolist(), chain[1:].tolist(), strict=False)
        ]
        for before, at in pairs:
            self.same[at] = _same_again(rides[self.outing[before]], rides[before], rides[at])
            if self.same[at] == WAY_BACK:
                self.outing[at] = self.outing[before]
        told = [
            (at, answered[one] == answered[at]) for one, at in pairs if one in answered and at in answered
        ]
        before_any_pair = self.same.copy()
        for chance in (WAY_BACK, AGAIN_SOON):
            alike = [same for at, same in told if before_any_pair[at] == chance]
            self.same[before_any_pair == chance] = _by_pairs(chance, alike, 1.0 / max(len(bikes), 2))
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

    def neighbours(self, shares: Column, says: Column, by_clue: Sequence[Column], settled: Column) -> Column:
        """ln of what the rides before and after say of each bike, over its usual share: (rides, bikes + 1).

        shares: the probability of each bike for each ride so far.  says: ln of what each ride's own clues
        say, without its rider's word.  by_clue: what adds up to that; what the ride next to it says as well
        may have the same cause, and is not said once more.  settled: as `usual` takes it.
        """
        result = np.zeros_like(shares)
        said = self._with_words(says)
        for chain, start in zip(self._chains, self._head_start, strict=True):
            if len(chain) < 2:
                continue
            usual = (settled[chain, None] * shares[chain]).sum(axis=0) + start
            usual = _with_few_of_none(usual / usual.sum())
            shared = _in_common(by_clue, chain)
            to_next, to_last = (
                np.exp(new - new.max(axis=1, keepdims=True))
                for new in (said[chain[:-1]] - shared, said[chain[1:]] - shared)
            )
            same = self.same[chain, None, None]
            # From a bike (row) to that of the next ride (column).
            on = same * np.eye(len(usual)) + (1.0 - same) * usual
            before, after = np.empty((2, len(chain), len(usual)))
            before[0], after[-1] = usual, 1.0
            onwards, back = to_next[:, :, None] * on[1:], on[1:] * to_last[:, None, :]
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

    def _with_words(self, says: Column) -> Column:
        """What each ride says of its bike to others, with its rider's word, which may be a slip."""
        result = says.copy()
        for ride, column in self._answered.items():
            result[ride] += math.log(SLIP / (says.shape[1] - 1))
            result[ride, column] = says[ride, column] + math.log(1.0 - SLIP)
        return result


def _with_few_of_none(taken: Column) -> Column:
    """Shares of bikes beside the share of bikes that are none of ours, which is not learned: it is a sink."""
    result: Column = taken * (1.0 - NONE_OF_OURS) / taken[..., :-1].sum(axis=-1, keepdims=True)
    result[..., -1] = NONE_OF_OURS
    return result


def _same_again(first: RideClues, before: RideClues, ride: RideClues) -> float:
    """first: of the outing that the ride before belongs to."""
    gap = ride.started_at - before.ended_at
    if gap > SAME_DAY:
        return AGAIN_LATER
    if gap > STAYS_AWAY or ride.way is None or before.way is None or first.way is None:
        return AGAIN_SOON
    return WAY_BACK if goes_on(ride.way, before.way, first.way) else AGAIN_SOON


def _by_pairs(before_any: float, alike: Sequence[bool], by_chance: float) -> float:
    """The chance of the same bike for being the next ride, by pairs of rides that riders spoke of.

    before_any: without a pair.  alike: of each pair, whether the same bike was said.  by_chance: how often it
    would be said if one ride told nothing of the next. A slip of the rider's makes two bikes of one.
    """
    weight = FOUND_ON * (before_any * np.log(CHANCES) + (1.0 - before_any) * np.log1p(-CHANCES))
    one_bike = (1.0 - 2.0 * SLIP) * (CHANCES + (1.0 - CHANCES) * by_chance)
    weight += sum(alike) * np.log(one_bike) + (len(alike) - sum(alike)) * np.log1p(-one_bike)
    return float(CHANCES[weight.argmax()])


def _in_common(by_clue: Sequence[Column], chain: Codes) -> Column:
    """What each ride of a chain and the next one say alike, clue by clue: (rides - 1, bikes + 1)."""
    result: Column = np.zeros((len(chain) - 1, by_clue[0].shape[1]))
    for said in by_clue:
        one, next_one = said[chain[:-1]], said[chain[1:]]
        agree = np.sign(one) * np.minimum(np.abs(one), np.abs(next_one))
        result += np.where(one * next_one > 0.0, agree, 0.0)
    return result
