"""What a rider usually takes and what neighbouring rides say, worked out again ride by ride, path by path."""

from __future__ import annotations

import itertools
import math
from datetime import timedelta

import numpy as np
import pytest

from ingest.bikes.rider_habits import AGAIN_LATER, AGAIN_SOON, RiderChain, _by_pairs
from ingest.bikes.weekday_and_speed import rider_groups
from tests.ingest.bikes.made_rides import INA, PLOVER, TOM, WHEATEAR, bike, ride

TWO = (bike(PLOVER, "Plover", INA), bike(WHEATEAR, "Wheatear", TOM))
NONE = 0.025  # of all rides are on no bike of ours, whatever is learned
SETTLED = np.array([1.0, 0.3, 0.03, 1.0, 0.8])


def five_of_two_riders() -> RiderChain:
    """Ina's rides 0, 1, 3 and 4, Tom's 2."""
    rides = [ride(0), ride(0.5), ride(1, TOM), ride(2.5), ride(2.9)]
    return RiderChain(rides, TWO, rider_groups(rides), {})


def with_few_of_none(shares: list[float]) -> list[float]:
    of_ours = sum(shares[:-1])
    return [one * (1.0 - NONE) / of_ours for one in shares[:-1]] + [NONE]


def test_the_usual_share_of_a_bike_is_that_of_the_riders_other_rides_beside_a_head_start() -> None:
    """Expectation and maximisation in turn: Dempster, Laird & Rubin 1977, from memory; 25 rounds."""
    says = np.random.default_rng(3).normal(0.0, 1.5, (5, 3))
    found = five_of_two_riders().usual(says, SETTLED)

    for group, start in (((0, 1, 3, 4), [3.0, 0.75, 0.0]), ((2,), [0.75, 3.0, 0.0])):
        taken = list(start)
        for _ in range(25):
            usual = with_few_of_none(taken)
            of_ride = {}
            for i in group:
                likely = [u * math.exp(s) for u, s in zip(usual, says[i], strict=True)]
                of_ride[i] = [SETTLED[i] * one / sum(likely) for one in likely]
            taken = [start[b] + sum(of_ride[i][b] for i in group) for b in range(3)]
        for i in group:
            without = [all_of_it - own for all_of_it, own in zip(taken, of_ride[i], strict=True)]
            assert np.exp(found[i]) == pytest.approx(with_few_of_none(without)), i


def test_what_the_rides_before_and_after_say_is_the_sum_over_every_way_through_them() -> None:
    """What a ride and the next one say alike, clue by clue, counts for one of them."""
    dice = np.random.default_rng(8)
    by_clue = [dice.normal(0.0, 1.0, (5, 3)), dice.normal(0.0, 1.0, (5, 3))]
    says, shares = by_clue[0] + by_clue[1], dice.dirichlet((2.0, 1.0, 0.5), 5)
    habits = five_of_two_riders()
    assert habits.same.tolist() == pytest.approx([0.0, AGAIN_SOON, 0.0, AGAIN_LATER, AGAIN_SOON])

    found = habits.neighbours(shares, says, by_clue, SETTLED)

    assert found[2].tolist() == [0.0, 0.0, 0.0], "a rider's only ride has no neighbour"
    mine = [0, 1, 3, 4]
    usual = with_few_of_none(
        [sum(SETTLED[i] * shares[i, b] for i in mine) + (3.0, 0.75, 0.0)[b] for b in range(3)]
    )

    def new(i: int, beside: int, on: int) -> float:
        alike = 0.0
        for said in by_clue:
            one, other = said[i, on], said[beside, on]
            if one * other > 0:
                alike += math.copysign(min(abs(one), abs(other)), one)
        return math.exp(says[i, on] - alike)

    def goes(i: int, one: int, other: int) -> float:
        same = habits.same[mine[i]]
        return float((same if one == other else 0.0) + (1.0 - same) * usual[other])

    for place in range(4):
        before, after = [0.0] * 3, [0.0] * 3
        for way in itertools.product(range(3), repeat=place + 1):
            chance = usual[way[0]]
            for i in range(place):
                chance *= new(mine[i], mine[i + 1], way[i]) * goes(i + 1, way[i], way[i + 1])
            before[way[-1]] += chance
        for way in itertools.product(range(3), repeat=4 - place):
            chance = 1.0
            for i in range(place + 1, 4):
                on = way[i - place]
                chance *= goes(i, way[i - place - 1], on) * new(mine[i], mine[i - 1], on)
            after[way[0]] += chance
        expected = [
            b / sum(before) * a / max(after) / u for b, a, u in zip(before, after, usual, strict=True)
        ]
        assert np.exp(found[mine[place]]) == pytest.approx(expected), place


def test_a_word_of_the_riders_tells_the_next_ride_with_a_slip_in_fifty() -> None:
    """An even ride spoken of as on the first bike: 98 of 100 for it, one each for the others."""
    rides = [ride(0), ride(0.5)]
    habits = RiderChain(rides, TWO, rider_groups(rides), {0: 0})
    even = np.zeros((2, 3))
    found = habits.neighbours(np.full((2, 3), 1.0 / 3.0), even, [even], np.ones(2))
    usual = with_few_of_none([3.0 + 2.0 / 3.0, 0.75 + 2.0 / 3.0, 2.0 / 3.0])
    on_first = [0.98 * usual[0], 0.01 * usual[1], 0.01 * usual[2]]
    was_on = [one / sum(on_first) for one in on_first]
    same = habits.same[1]
    expected = [(same * was + (1.0 - same) * u) / u for was, u in zip(was_on, usual, strict=True)]
    assert np.exp(found[1]) == pytest.approx(expected)


def test_how_soon_after_another_a_ride_is_decides_how_likely_it_is_the_same_bike() -> None:
    """From the end of the one to the start of the other: up to 18 hours, and longer. Each lasts two."""
    for hours, chance in ((17.9, AGAIN_SOON), (18.0, AGAIN_SOON), (18.1, AGAIN_LATER)):
        rides = [ride(0), ride((hours + 2.0) / 24.0)]
        assert rides[1].started_at - rides[0].ended_at == timedelta(hours=hours)
        found = RiderChain(rides, TWO, rider_groups(rides), {})
        assert found.same.tolist() == pytest.approx([0.0, chance]), hours
        assert found.outing.tolist() == [0, 1]
    nobody = RiderChain([], TWO, rider_groups([]), {})
    assert len(nobody.same) == 0


def test_pairs_that_were_told_move_the_chance_as_far_as_they_weigh() -> None:
    """The likeliest of a beta prior worth twelve pairs and of what was told, by the long way on a grid."""

    def likeliest(before: float, alike: int, pairs: int, by_chance: float) -> float:
        def weight(chance: float) -> float:
            said_alike = 0.96 * (
                chance + (1.0 - chance) * by_chance
            )  # two slips in fifty make two bikes of one
            return (
                12.0 * (before * math.log(chance) + (1.0 - before) * math.log(1.0 - chance))
                + alike * math.log(said_alike)
                + (pairs - alike) * math.log(1.0 - said_alike)
            )

        return max((n / 100.0 for n in range(1, 100)), key=weight)

    for before, alike, pairs, by_chance in (
        (0.92, 0, 0, 0.5),
        (0.92, 3, 9, 0.5),
        (0.1, 8, 10, 0.25),
        (0.1, 1, 6, 0.5),
    ):
        found = _by_pairs(before, [n < alike for n in range(pairs)], by_chance)
        assert found == pytest.approx(likeliest(before, alike, pairs, by_chance))
