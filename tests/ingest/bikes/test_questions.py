"""The confirm list: its order, what an answer settles, and what cannot have been."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from ingest.bikes.clues import HeardSensor, RideClues
from ingest.bikes.judge import Verdict, judge
from ingest.bikes.learning import Household, Known, learn
from ingest.bikes.questions import Away, Taken, confirm_list, impossibilities, moved, settles
from rules.vocabulary import Bike, BikeId, ChainId, Fitting, FittingId, Rider, RiderId, Sensor, SensorId

NOON = datetime(2025, 6, 1, 12, tzinfo=UTC)
INA, TOM = RiderId(1), RiderId(2)
PLOVER, WHEATEAR, LARK = BikeId(1), BikeId(2), BikeId(3)
BIKES = (Bike(PLOVER, "Plover", INA), Bike(WHEATEAR, "Wheatear", INA), Bike(LARK, "Lark", TOM))
HOUSEHOLD = Household(BIKES, (), (Rider(INA, "Ina"), Rider(TOM, "Tom")))
METER = (HeardSensor("power meter", "serial 71"),)


def ride(day: float, **more: object) -> RideClues:
    start = NOON + timedelta(days=day)
    return RideClues(INA, start, start + timedelta(hours=2), **more)  # type: ignore[arg-type]


def open_rides(rides: dict[str, RideClues], known: list[Known]):
    habits = learn(known, HOUSEHOLD)
    return {key: (clues, judge(clues, HOUSEHOLD, habits)) for key, clues in rides.items()}


def test_a_question_that_settles_others_comes_first():
    rides = {"plain": ride(0), "one": ride(1, sensors=METER), "two": ride(2, sensors=METER)}

    questions = confirm_list(open_rides(rides, []))

    assert {questions[0].ride, questions[1].ride} == {"one", "two"}
    assert questions[0].may_settle in (("one",), ("two",))
    assert questions[2].may_settle == ()


def test_every_question_offers_a_choice():
    (question,) = confirm_list(open_rides({"plain": ride(0)}, []))

    assert len(question.choices) >= 2
    assert {PLOVER, WHEATEAR} <= set(question.choices)


def test_one_answer_settles_the_rides_with_the_same_sensor():
    rides = {"one": ride(1, sensors=METER), "two": ride(2, sensors=METER), "plain": ride(9)}
    questions = open_rides(rides, [])
    assert all(said.verdict is Verdict.ASK for _, said in questions.values())

    settled = settles("one", WHEATEAR, questions, [], HOUSEHOLD)

    assert set(settled) == {"two"}
    assert settled["two"].bike == WHEATEAR


def test_an_answer_that_teaches_nothing_settles_nothing():
    questions = open_rides({"plain": ride(0), "other": ride(9)}, [])

    assert settles("plain", WHEATEAR, questions, [], HOUSEHOLD) == {}


def test_nobody_rides_a_bike_that_the_other_rider_is_on():
    start = NOON + timedelta(minutes=90)
    taken = [Taken(PLOVER, TOM, start, start + timedelta(hours=1)), Taken(WHEATEAR, INA, start, start)]

    assert impossibilities(ride(0), HOUSEHOLD, taken=taken) == {PLOVER: "Tom was riding Plover at the time."}


def test_a_ride_that_only_touches_another_rules_nothing_out():
    ended = ride(0).ended_at

    taken = [Taken(PLOVER, TOM, ended, ended + timedelta(hours=1))]

    assert impossibilities(ride(0), HOUSEHOLD, taken=taken) == {}


def test_a_tracked_bike_without_its_chain_was_not_ridden():
    chain = ChainId(1)
    off = Fitting(FittingId(1), chain, PLOVER, NOON - timedelta(days=9), NOON - timedelta(days=1))
    on = Fitting(FittingId(2), chain, WHEATEAR, NOON - timedelta(days=1))

    said = impossibilities(ride(0), HOUSEHOLD, fittings=[off, on])

    assert said == {PLOVER: "Plover had no chain on that day."}
    assert impossibilities(ride(-30), HOUSEHOLD, fittings=[off, on]) == {}  # before anybody kept track


def test_a_bike_that_is_away_says_why():
    away = [Away(PLOVER, NOON - timedelta(days=1), None, "at the workshop")]

    assert impossibilities(ride(0), HOUSEHOLD, away=away) == {PLOVER: "Plover was away: at the workshop."}


def test_a_sensor_moved_on_a_day_ends_one_span_and_begins_another():
    before = (
        Sensor(SensorId(1), "power meter", "serial 71", PLOVER),
        Sensor(SensorId(2), "speed", "serial 5", LARK),
    )

    after = moved(before, "serial 71", "power meter", WHEATEAR, NOON, SensorId(9))

    assert after == (
        Sensor(SensorId(1), "power meter", "serial 71", PLOVER, None, NOON),
        before[1],
        Sensor(SensorId(9), "power meter", "serial 71", WHEATEAR, NOON, None),
    )


def test_a_move_replaces_what_was_entered_for_later():
    later = Sensor(SensorId(1), "power meter", "serial 71", PLOVER, NOON + timedelta(days=5))
    old = Sensor(SensorId(2), "power meter", "serial 71", LARK, None, NOON - timedelta(days=5))

    after = moved((old, later), "serial 71", "power meter", WHEATEAR, NOON, SensorId(9))

    assert [s.bike for s in after] == [LARK, WHEATEAR]
