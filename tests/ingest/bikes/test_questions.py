"""What is asked: groups that one answer settles, the most useful first, and a check now and then."""

from __future__ import annotations

from ingest.bikes.judge import Household, Verdict, judge
from ingest.bikes.questions import questions
from tests.ingest.bikes.made_rides import (
    MOUNTAIN,
    PLOVER,
    ROAD,
    WHEATEAR,
    bike,
    geared,
    heard,
    ride,
)

TWO = Household((bike(PLOVER, "Plover"), bike(WHEATEAR, "Wheatear")))


def test_rides_with_one_sensor_are_one_question_and_come_first():
    rides = [ride(day, sensors=heard("serial 71")) for day in range(0, 40, 2)] + [ride(41.3)]

    first, *rest = questions(judge(rides, TWO, {}))

    assert first.rides == tuple(range(20))
    assert set(first.shown) >= {0, 19}
    assert len(first.shown) <= 4
    assert [one.rides for one in rest] == [(20,)]


def test_one_answer_on_a_group_leaves_only_what_it_did_not_settle():
    rides = [ride(day, sensors=heard("serial 71")) for day in range(0, 40, 2)] + [ride(41.3)]
    (group, *_) = questions(judge(rides, TWO, {}))

    after = questions(judge(rides, TWO, dict.fromkeys(group.rides, PLOVER)))

    assert [one.rides for one in after if not one.is_check] == [(20,)]


def test_rides_that_only_look_alike_are_asked_one_by_one():
    """A borrowed bike goes to work as its owner's does, and a light is taken along from bike to bike."""
    alike = [ride(day, sub_sport="road", device="serial 9") for day in range(5)]
    lit = [ride(day, sensors=heard("serial 71", kind="light")) for day in range(10, 15)]

    asked = questions(judge(alike + lit, TWO, {0: PLOVER, 5: PLOVER}))

    assert {len(one.rides) for one in asked} == {1}


def test_the_ways_there_and_back_of_one_outing_are_one_question_that_shows_both():
    there = tuple(value for north in range(46_000, 46_081, 10) for value in (north, 7_000))
    back = tuple(value for north in range(46_080, 45_999, -10) for value in (north, 7_000))
    rides = [ride(day + leg, way=(there, back)[leg > 0]) for day in range(0, 12, 2) for leg in (0, 9 / 24)]

    asked = [one for one in questions(judge(rides, TWO, {})) if not one.is_check]

    assert sorted(one.rides for one in asked) == [(i, i + 1) for i in range(0, 12, 2)]
    assert all(one.shown == one.rides for one in asked)


def test_a_word_on_the_way_back_settles_the_way_there_as_well():
    there = tuple(value for north in range(46_000, 46_081, 10) for value in (north, 7_000))
    back = tuple(value for north in range(46_080, 45_999, -10) for value in (north, 7_000))
    rides = [ride(day + leg, way=(there, back)[leg > 0]) for day in range(0, 12, 2) for leg in (0, 9 / 24)]

    judged = judge(rides, TWO, {1: PLOVER, 3: WHEATEAR, 5: PLOVER, 7: WHEATEAR})

    assert [judged.assignment(i).leader for i in (0, 2, 4, 6)] == [PLOVER, WHEATEAR] * 2


def test_a_group_shows_the_ride_that_all_but_its_sensor_says_is_another_bikes():
    pair = Household((bike(PLOVER, "Plover", gears=ROAD), bike(WHEATEAR, "Wheatear", gears=MOUNTAIN)))
    gears = [MOUNTAIN if day == 24 else ROAD for day in range(0, 40, 2)]
    rides = [geared(2 * n, of, sensors=heard("serial 71")) for n, of in enumerate(gears)]

    (group, *_) = questions(judge(rides, pair, {}))

    assert gears.index(MOUNTAIN) in group.shown or gears.index(MOUNTAIN) not in group.rides


def test_a_ride_unlike_the_others_of_an_answered_group_is_asked_about_once_more():
    pair = Household((bike(PLOVER, "Plover", gears=ROAD), bike(WHEATEAR, "Wheatear", gears=MOUNTAIN)))
    rides = [geared(2 * n, ROAD, sensors=heard("serial 71")) for n in range(20)]
    rides[12] = geared(24, MOUNTAIN, sensors=heard("serial 71"), shifts=((32, 51), (32, 45)))
    rides += [geared(50 + n, MOUNTAIN, sensors=heard("serial 72")) for n in range(4)]
    group = dict.fromkeys(range(20), PLOVER) | dict.fromkeys(range(20, 24), WHEATEAR)
    at = {place: place >= 20 for place in group}

    asked = [one for one in questions(judge(rides, pair, group, said_at=at)) if one.is_check]
    again = judge(rides, pair, group, said_at=at | {12: "again"})

    assert [one.rides for one in asked] == [(12,)]
    assert asked[0].because == "You said Plover of 20 rides at once; this one differs most from the others."
    assert not [one for one in questions(again) if one.is_check]


def test_no_answer_is_asked_for_twice_and_none_is_left_out():
    rides = [ride(day / 2, sensors=heard(f"serial 7{day % 3}"), sub_sport="road") for day in range(60)]
    judged = judge(rides, TWO, {4: PLOVER})

    asked = [place for one in questions(judged) if not one.is_check for place in one.rides]

    assert sorted(asked) == [i for i in range(60) if i != 4]


def test_one_in_six_questions_looks_at_what_seems_settled():
    rides = [ride(day, sensors=heard("serial 71")) for day in range(60)]
    rides += [ride(60 + n, sub_sport=f"way {n}", device=f"serial {n}") for n in range(12)]
    answers = {0: PLOVER, 2: PLOVER, 60: WHEATEAR, 61: WHEATEAR}

    asked = questions(judge(rides, TWO, answers))

    checks = [place for place, one in enumerate(asked) if one.is_check]
    assert checks[:1] == [5]
    assert "to make sure" in asked[5].because
    assert asked[5].rides[0] < 60


def test_what_one_answer_alone_says_of_a_sensor_is_asked_about_once_more_and_is_never_certain(monkeypatch):
    monkeypatch.setattr("ingest.bikes.judge.CERTAIN_FROM", 0.95)
    rides = [ride(day, sensors=heard("serial 71")) for day in range(5)]
    rides += [ride(10 + n, sub_sport=f"way {n}", device=f"serial {n}") for n in range(8)]
    others = {5: PLOVER, 6: PLOVER, 7: PLOVER, **{8 + n: WHEATEAR for n in range(5)}}
    once = judge(rides, TWO, {0: PLOVER, **others})

    (check,) = [one for one in questions(once) if one.is_check]
    twice = judge(rides, TWO, {0: PLOVER, **dict.fromkeys(check.rides, PLOVER), **others})

    assert check.rides[0] in range(1, 5)
    assert once.said(1).verdict is Verdict.LIKELY
    assert twice.said(1).verdict is Verdict.CERTAIN
    assert not [one for one in questions(twice) if one.is_check]
    with_an_open_one = judge([*rides, ride(40)], TWO, {0: PLOVER, **others})
    assert not [one for one in questions(with_an_open_one, at_most=1) if one.is_check]
    too_few = judge(rides[:3] + rides[5:], TWO, {0: PLOVER, **{i - 2: bike for i, bike in others.items()}})
    assert not [one for one in questions(too_few) if one.is_check]


def test_rides_that_only_wait_for_a_word_come_before_doubtful_ones_that_are_alone():
    """Their bike is likely enough, but another came since anybody spoke of their sensor."""
    rides = [ride(day, sensors=heard("serial 71")) for day in (*range(0, 20, 2), *range(40, 48, 2))]
    rides += [ride(122 + n, sub_sport=f"way {n}") for n in range(3)]
    came = bike(WHEATEAR, "Wheatear", from_at=rides[10].started_at)
    judged = judge(
        rides, Household((bike(PLOVER, "Plover"), came)), {0: PLOVER, 3: PLOVER, 6: PLOVER, 8: PLOVER}
    )

    asked = questions(judged)

    assert all(judged.is_only_unsaid(i) for i in range(10, 14))
    assert asked[0].rides == (10, 11, 12, 13)


def test_what_seems_settled_is_looked_at_even_where_a_few_are_answered_at_a_time():
    """Four words are said: of five more the second is the sixth."""
    rides = [ride(day, sensors=heard("serial 71")) for day in range(5)]
    rides += [ride(10 + n, sub_sport=f"way {n}", device=f"serial {n}") for n in range(12)]
    answers = {0: PLOVER, 5: PLOVER, 6: WHEATEAR, 7: WHEATEAR}

    asked = questions(judge(rides, TWO, answers), at_most=5)

    assert [place for place, one in enumerate(asked) if one.is_check] == [1]
    assert asked[1].rides[0] < 5


def test_a_sensor_that_seems_to_be_where_no_rider_said_is_asked_about():
    pair = Household((bike(PLOVER, "Plover", gears=ROAD), bike(WHEATEAR, "Wheatear", gears=MOUNTAIN)))
    rides = [geared(day, ROAD, sensors=heard("serial 71")) for day in (0, 4, 8, 12)]
    rides += [geared(day, MOUNTAIN) for day in (14, 15)]
    rides += [geared(day, MOUNTAIN, sensors=heard("serial 71")) for day in range(16, 48, 4)]
    judged = judge(rides, pair, {0: PLOVER, 1: PLOVER, 4: WHEATEAR, 5: WHEATEAR})

    asked = [one for one in questions(judged) if "was on Plover" in one.because]

    assert judged.candidates[judged.probabilities[10].argmax()] == WHEATEAR
    assert judged.said(10).verdict is Verdict.ASK
    assert "nobody said that its sensor sits there" in judged.because(10)
    assert asked[0].rides[0] > 5
    assert "was on Plover on 7 May 2025, you said" in asked[0].because


def test_at_most_as_many_as_were_wanted():
    rides = [ride(day, sub_sport=f"way {day}") for day in range(12)]

    assert len(questions(judge(rides, TWO, {}), at_most=4)) == 4
