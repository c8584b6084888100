"""The ways there and back of one outing are on one bike, and say no more together than they know."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest

from ingest.bikes.judge import Clue, Household, judge
from ingest.bikes.rider_habits import AGAIN_SOON, WAY_BACK, RiderChain
from ingest.bikes.weekday_and_speed import rider_groups
from tests.ingest.bikes.made_rides import (
    MORNING,
    MOUNTAIN,
    PLOVER,
    ROAD,
    WHEATEAR,
    bike,
    geared,
    ride,
)

TWO = (bike(PLOVER, "Plover", gears=ROAD), bike(WHEATEAR, "Wheatear", gears=MOUNTAIN))
EVENING = 9 / 24  # days after the morning's start
LINE = np.linspace(46_000, 46_080, 9).round().astype(int).tolist()  # nine kilometres north
TO_WORK = tuple(value for north in LINE for value in (north, 7_000))
HOME_AGAIN = tuple(value for north in LINE[::-1] for value in (north, 7_000))
FROM_HOME = tuple(value for north in (*LINE[:5], *LINE[3::-1]) for value in (north, 7_100 - (46_000 - north)))


def at_work_and_back(days):
    return [one for day in days for one in (ride(day, way=TO_WORK), ride(day + EVENING, way=HOME_AGAIN))]


def chain(rides, answered=None):
    return RiderChain(rides, TWO, rider_groups(rides), answered or {})


def test_a_ride_from_where_the_last_one_ended_is_the_way_back_and_the_next_morning_another_outing():
    found = chain(at_work_and_back([0, 1, 2]))

    assert found.outing.tolist() == [0, 0, 2, 2, 4, 4]
    assert found.same[1::2].tolist() == pytest.approx([WAY_BACK] * 3)
    assert max(found.same[2::2]) <= AGAIN_SOON + 1e-9


def test_a_way_back_may_begin_a_train_further():
    elsewhere = (46_120, 7_090, *HOME_AGAIN[2:])

    assert chain([ride(0, way=TO_WORK), ride(EVENING, way=elsewhere)]).outing.tolist() == [0, 0]


def test_who_comes_home_late_and_leaves_early_begins_another_outing():
    late = MORNING + timedelta(hours=11)
    rides = [ride(0, way=TO_WORK), ride(0.5, way=HOME_AGAIN), ride(0.95, way=TO_WORK)]

    assert rides[1].started_at > late
    assert chain(rides).outing.tolist() == [0, 0, 2]


@pytest.mark.parametrize(
    ("rides", "why"),
    [
        (
            [ride(0, way=FROM_HOME), ride(EVENING, way=FROM_HOME)],
            "a loop ends at home, where all bikes stand",
        ),
        ([ride(0, way=TO_WORK), ride(EVENING, way=TO_WORK)], "it came home by other means"),
        ([ride(0, way=HOME_AGAIN), ride(15 / 24, way=TO_WORK)], "a night lies between"),
        ([ride(0), ride(EVENING, way=HOME_AGAIN)], "nobody knows where the first one went"),
    ],
)
def test_no_way_back(rides, why):
    assert chain(rides).same[1] == pytest.approx(AGAIN_SOON), why


def test_pairs_on_two_bikes_make_ways_back_tell_less_and_one_such_pair_may_be_a_slip():
    rides = at_work_and_back(range(8))

    def after(same, other):
        words = {2 * i + leg: int(leg == 1 and i >= same) for i in range(same + other) for leg in (0, 1)}
        return chain(rides, words).same[15]

    assert after(8, 0) > after(0, 0) == pytest.approx(WAY_BACK)
    assert after(0, 0) > after(0, 1) > 0.8
    assert after(2, 5) < 0.75


def test_what_both_ways_say_alike_is_said_once():
    """Both went the same way at the same pace: a second file of the same outing is hardly more evidence."""
    usual = {"speed_mps": 5.0, "climb_m_per_km": 3.0, "stopped_share": 0.2}
    other = {"speed_mps": 8.0, "climb_m_per_km": 9.0, "stopped_share": 0.05}
    rides, truth = [], {}
    for day in range(12):
        where = PLOVER if day % 2 else WHEATEAR
        truth |= {len(rides): where, len(rides) + 1: where}
        rides += [ride(2 * day, way=TO_WORK, **(usual if day % 2 else other)),
                  ride(2 * day + EVENING, way=HOME_AGAIN, **(usual if day % 2 else other))]  # fmt: skip
    lone, pair = ride(30, way=TO_WORK, **usual), ride(30 + EVENING, way=HOME_AGAIN, **usual)

    alone = judge([*rides, lone], Household(TWO), truth).assignment(24)
    both = judge([*rides, lone, pair], Household(TWO), truth).assignment(24)
    own = alone.weight(Clue.MEASURED, PLOVER) - alone.weight(Clue.MEASURED, WHEATEAR)
    beside = both.weight(Clue.NEIGHBOURS, PLOVER) - both.weight(Clue.NEIGHBOURS, WHEATEAR)

    assert own > 0.8
    assert abs(beside) < 0.25 * own


def test_a_slip_on_the_way_there_does_not_carry_the_way_back_along():
    """The gears of both ways stand against the word on one of them."""
    rides = [geared(day, (ROAD, MOUNTAIN)[day % 2]) for day in range(12)]
    rides += [geared(30, ROAD, way=TO_WORK), geared(30 + EVENING, ROAD, way=HOME_AGAIN)]
    answers = {0: PLOVER, 2: PLOVER, 1: WHEATEAR, 3: WHEATEAR, 12: WHEATEAR}

    assert judge(rides, Household(TWO), answers).said(13).bike != WHEATEAR


def test_the_way_back_is_on_the_bike_that_was_said_of_the_way_there():
    rides = [*at_work_and_back(range(0, 20, 2))]
    answers = {2 * i: (PLOVER, WHEATEAR)[i % 2] for i in range(10)}

    judged = judge(rides, Household(TWO), answers)

    leaders = [judged.assignment(2 * i + 1).leader for i in range(10)]
    assert leaders == [answers[2 * i] for i in range(10)]
