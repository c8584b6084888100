"""A sensor that moved, a cassette that was changed, and nobody said so: in words, without a guess."""

from __future__ import annotations

from dataclasses import replace

from ingest.bikes.judge import Household, Verdict, judge
from ingest.bikes.log_odds import Clue
from ingest.bikes.suspected_changes import what_changed
from tests.ingest.bikes.made_rides import BROAD, LARK, MOUNTAIN, PLOVER, ROAD, bike, geared, heard, ride

TWO = Household((bike(PLOVER, "Plover", gears=ROAD), bike(LARK, "Lark", gears=MOUNTAIN)))
BARE = Household((bike(PLOVER, "Plover"), bike(LARK, "Lark")))


def with_sensor(days, gears=None):
    on = heard("serial 71")
    return [geared(day, gears, sensors=on) if gears else ride(day, sensors=on) for day in days]


def test_other_gears_are_named_beside_those_that_were_entered():
    rides = [*with_sensor((0, 4, 8), ROAD), *with_sensor((40, 44, 48, 52), BROAD)]

    sentence = what_changed(judge(rides, TWO, {0: PLOVER, 1: PLOVER}), (3, 4, 5, 6))

    assert sentence == (
        "The power meter (serial 71) was on Plover on 7 May 2025, you said. Since 12 Jun 2025 the rides "
        "with it show gears like 46/30 with 11 to 34, which Plover, entered with 50/34 with 11 to 28, has "
        "not: has its cassette been changed, or has the sensor moved?"
    )


def test_rides_unlike_those_before_ask_whether_it_moved():
    rides = with_sensor((0, 4, 90, 92, 94))

    sentence = what_changed(judge(rides, BARE, {0: PLOVER, 1: PLOVER, 3: LARK, 4: LARK}), (2,))

    assert "Since 1 Aug 2025 the rides with it" in sentence


def test_a_sensor_of_which_nobody_spoke_for_long_is_asked_about():
    rides = [*with_sensor((0, 4)), *with_sensor((200,))]

    sentence = what_changed(judge(rides, BARE, {0: PLOVER, 1: PLOVER}), (2,))

    assert sentence == "The power meter (serial 71) was on Plover on 7 May 2025, you said. Is it still there?"


def test_nothing_is_said_where_nothing_seems_to_have_changed():
    rides = [*with_sensor((0, 4, 8)), ride(9)]
    judged = judge(rides, BARE, {0: PLOVER, 1: None})

    assert [what_changed(judged, (place,)) for place in (0, 2, 3)] == ["", "", ""]


def test_once_a_bike_has_come_a_sensor_is_asked_about_until_somebody_speaks_of_it():
    rides = with_sensor((0, 4, 8, 30, 34, 38))
    came = Household((bike(PLOVER, "Plover"), replace(bike(LARK, "Lark"), from_at=rides[3].started_at)))

    judged = judge(rides, came, {0: PLOVER, 1: PLOVER})
    spoken_of = judge(rides, came, {0: PLOVER, 1: PLOVER, 5: PLOVER})

    assert [judged.newcomer(place) for place in range(6)] == [None, None, None, LARK, LARK, LARK]
    assert judged.said(2).bike == PLOVER
    assert judged.said(3).verdict is Verdict.ASK
    assert "but Lark came since anybody spoke of its sensor" in judged.because(3)
    assert "you said. Lark came since. Is it still there?" in what_changed(judged, (3, 4, 5))
    assert [spoken_of.newcomer(place) for place in (3, 4, 5)] == [None] * 3


def test_a_bike_that_came_is_no_doubt_where_gears_rule_it_out():
    rides = with_sensor((0, 4, 8, 30, 34, 38), ROAD)
    lark = replace(bike(LARK, "Lark", gears=MOUNTAIN), from_at=rides[3].started_at)

    judged = judge(rides, Household((bike(PLOVER, "Plover", gears=ROAD), lark)), {0: PLOVER, 1: PLOVER})

    assert judged.newcomer(3) is None


def test_a_sensor_of_which_nobody_spoke_for_long_may_have_moved_where_nothing_else_tells():
    bare = with_sensor((0, 4, 8, 150, 154))
    judged = judge(bare, BARE, {0: PLOVER, 1: PLOVER})
    spoken_of = judge(bare, BARE, {0: PLOVER, 1: PLOVER, 4: PLOVER})
    geared_ones = judge(with_sensor((0, 4, 8, 150, 154), ROAD), TWO, {0: PLOVER, 1: PLOVER})

    assert [judged.may_have_moved(place) for place in (2, 3)] == [False, True]
    assert judged.said(3).verdict is Verdict.ASK
    assert "but for long nobody spoke of its sensor" in judged.because(3)
    assert [spoken_of.may_have_moved(3), geared_ones.may_have_moved(3)] == [False, False]


def test_gears_are_named_from_three_rides_that_show_them_and_by_two_nats_against_the_bike():
    """As judged, but for what its gears are taken to say."""
    rides = [*with_sensor((0, 4, 8), ROAD), *with_sensor((40, 44, 48, 52), BROAD)]
    answers = {0: PLOVER, 1: PLOVER}

    def asked(places, against):
        judged = judge(rides, TWO, answers)
        judged.fit.by_clue[Clue.GEARING][:, 0] = -against
        return "show gears like" in what_changed(judged, places)

    assert [asked((3, 4, 5), one) for one in (2.0, 1.9)] == [True, False]
    assert not asked((3, 4), 4.0)
