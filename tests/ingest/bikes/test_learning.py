"""What known rides teach: counts against an independent package, sensors that move, habits by hand."""

from __future__ import annotations

import math
from collections import Counter
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from scipy.stats import norm
from statsmodels.stats.contingency_tables import Table2x2

from ingest.bikes.clues import HeardSensor, RideClues
from ingest.bikes.learning import Household, Known, Measures, Tally, learn
from ingest.bikes.sensors import learn_sensors
from rules.vocabulary import Bike, BikeId, DecidedBy, RiderId, Sensor, SensorId

DAY_ONE = datetime(2025, 4, 1, 17, tzinfo=UTC)
INA, TOM = RiderId(1), RiderId(2)
PLOVER, WHEATEAR = BikeId(1), BikeId(2)
HOUSEHOLD = Household((Bike(PLOVER, "Plover", INA), Bike(WHEATEAR, "Wheatear", INA)))
METER = HeardSensor("power meter", "serial 71")


def day(number: float) -> datetime:
    return DAY_ONE + timedelta(days=number)


def ride(at: float, rider: RiderId = INA, **more: object) -> RideClues:
    return RideClues(rider, day(at), day(at) + timedelta(hours=1), **more)  # type: ignore[arg-type]


def with_meter(at: float) -> RideClues:
    return ride(at, sensors=(METER,))


def span(bike: BikeId, from_day: float | None = None, until_day: float | None = None) -> Sensor:
    start, end = (None if d is None else day(d) for d in (from_day, until_day))
    return Sensor(SensorId(1), METER.kind, METER.identity, bike, start, end)


def test_a_sensor_sits_where_it_was_seen_last():
    story = learn_sensors([(with_meter(0), PLOVER)], ())[METER.identity]

    assert story.place(day(-5)) == {PLOVER: pytest.approx(0.98)}
    assert story.place(day(30)) == {PLOVER: pytest.approx(0.98)}


def test_between_two_sightings_on_one_bike_it_was_there():
    story = learn_sensors([(with_meter(0), PLOVER), (with_meter(20), PLOVER)], ())[METER.identity]

    assert story.place(day(10))[PLOVER] > 0.99


def test_between_sightings_on_different_bikes_it_may_be_on_either():
    story = learn_sensors([(with_meter(0), PLOVER), (with_meter(20), WHEATEAR)], ())[METER.identity]

    at = story.place(day(10))
    assert at[PLOVER] == at[WHEATEAR] < 0.5
    assert set(story.place(day(21))) == {WHEATEAR}


def test_a_sensor_that_wanders_is_believed_less():
    # stays: (98 + stays seen) / (100 + pairs seen); three moves in three pairs leave 98/103.
    wandering = [(with_meter(n), PLOVER if n % 2 else WHEATEAR) for n in range(4)]

    story = learn_sensors(wandering, ())[METER.identity]

    assert story.place(day(9)) == {PLOVER: pytest.approx(98 / 103)}


def test_an_entered_span_holds_until_an_answer_says_otherwise():
    entered = (span(PLOVER, 0),)

    before = learn_sensors((), entered)[METER.identity]
    after = learn_sensors([(with_meter(10), WHEATEAR)], entered)[METER.identity]

    assert before.place(day(-1)) == {}
    assert before.place(day(50)) == {PLOVER: 0.99}
    assert set(after.place(day(5))) == {PLOVER, WHEATEAR}
    assert set(after.place(day(11))) == {WHEATEAR}


def test_entered_spans_follow_each_other():
    story = learn_sensors((), (span(PLOVER, 0, 10), span(WHEATEAR, 10, 20)))[METER.identity]

    assert [set(story.place(day(d))) for d in (5, 15, 25)] == [{PLOVER}, {WHEATEAR}, set()]


def test_a_sensor_is_no_witness_for_itself():
    named = [(with_meter(0), PLOVER), (with_meter(20), WHEATEAR)]
    decided_by_it = [(with_meter(d), PLOVER) for d in (5, 10, 25)]

    story = learn_sensors(named, (), decided_by_it)[METER.identity]

    assert set(story.place(day(9))) == {PLOVER}  # they do say until when it sat where the rider had put it
    assert set(story.place(day(15))) == {PLOVER, WHEATEAR}
    assert set(story.place(day(30))) == {WHEATEAR}  # but not that it came back


def test_a_ride_on_none_of_ours_takes_the_sensor_off():
    story = learn_sensors([(with_meter(0), PLOVER), (with_meter(3), None)], ())[METER.identity]

    assert story.place(day(5)) == {}


def test_counts_without_head_start_are_the_log_odds_ratio_of_the_table():
    # 18 of 24 rides on one bike with this profile, 5 of 31 on the other.
    counts = {PLOVER: Counter(road=18, gravel=6), WHEATEAR: Counter(road=5, gravel=26)}
    both = counts[PLOVER] + counts[WHEATEAR]
    tally = Tally(counts, {b: c.total() for b, c in counts.items()}, both, both.total(), worth=0.0)

    road, gravel = (tally.weight(PLOVER, v) - tally.weight(WHEATEAR, v) for v in ("road", "gravel"))

    assert road - gravel == pytest.approx(Table2x2([[18, 6], [5, 26]]).log_oddsratio)  # statsmodels


def test_a_head_start_draws_few_rides_towards_everybodys():
    few = {PLOVER: Counter(road=2), WHEATEAR: Counter(gravel=40)}
    many = {PLOVER: Counter(road=40), WHEATEAR: Counter(gravel=40)}

    def weight(counts: dict[BikeId, Counter[str]]) -> float:
        both = counts[PLOVER] + counts[WHEATEAR]
        return Tally(counts, {b: c.total() for b, c in counts.items()}, both, both.total()).weight(
            PLOVER, "road"
        )

    # By hand, k = 12: usual = (40 + 1) / (80 + 2) = 0.5; (40 + 6) / (40 + 12) / 0.5
    assert weight(many) == pytest.approx(math.log(46 / 52 / 0.5))
    # usual = 3/44; (2 + 12 · 3/44) / 14 / (3/44)
    assert weight(few) == pytest.approx(math.log((2 + 12 * 3 / 44) / 14 / (3 / 44)))


def test_a_bike_without_rides_weighs_exactly_nothing():
    tally = Tally({PLOVER: Counter(road=3)}, {PLOVER: 3}, Counter(road=3), 3)
    measures = Measures({PLOVER: (3.0, 1.9, 0.01)}, (3.0, 1.9, 0.01))

    assert tally.weight(WHEATEAR, "road") == 0.0
    assert measures.weight(WHEATEAR, 1.9) == 0.0


def test_a_measure_is_the_difference_of_two_normal_curves():
    measures = Measures({PLOVER: (12.0, 2.1, 0.01)}, (40.0, 1.9, 0.04))

    # Twelve rides, worth as much as the head start of twelve: half way between the bike's and the rider's.
    expected = norm(2.0, math.sqrt(0.025)).logpdf(2.05) - norm(1.9, 0.2).logpdf(2.05)  # scipy.stats
    assert measures.weight(PLOVER, 2.05) == pytest.approx(expected)


def test_a_measure_never_says_more_than_its_limit():
    measures = Measures({PLOVER: (500.0, 2.1, 0.0025)}, (1000.0, 1.5, 0.04))

    assert measures.weight(PLOVER, 0.2) == -3.0
    assert measures.weight(PLOVER, 2.1) == pytest.approx(3.0)


def test_the_same_again_is_what_habit_does_not_explain():
    # Forty rides by turns in pairs: A A B B A A … each pair within an hour, pairs days apart.
    rides = []
    for pair in range(20):
        bike = PLOVER if pair % 2 else WHEATEAR
        rides += [Known(ride(3 * pair), bike), Known(ride(3 * pair + 0.1), bike)]

    habits = learn(rides, HOUSEHOLD).riders[INA]

    # Soon: 20 of 20 pairs the same; habit alone gives half; (20 − 10) / (10 + 10).
    assert habits.same_soon == pytest.approx(0.5)
    assert habits.same_later == 0.0


def test_evidence_alone_teaches_no_place_and_no_comb_only_habit():
    clues = ride(0, start_cell=(3941, -10487), profile_name="Road")

    firm = learn([Known(clues, PLOVER)], HOUSEHOLD).riders[INA]
    guessed = learn([Known(clues, PLOVER, DecidedBy.EVIDENCE)], HOUSEHOLD).riders[INA]

    assert firm.ridden == guessed.ridden == {PLOVER: 1.0}
    assert "start place" in firm.tallies
    assert guessed.tallies == {}


def test_riders_are_learned_apart():
    habits = learn([Known(ride(0), PLOVER), Known(ride(1, TOM), WHEATEAR)], HOUSEHOLD)

    assert habits.known_rides(INA, PLOVER) == habits.known_rides(TOM, WHEATEAR) == 1
    assert habits.known_rides(INA, WHEATEAR) == habits.known_rides(TOM, PLOVER) == 0


def test_the_ride_before_can_be_told_without_learning_again():
    first, second = Known(ride(0), PLOVER), Known(ride(1), WHEATEAR)
    habits = learn([first], HOUSEHOLD)

    later = habits.after(second)

    assert habits.riders[INA].before(day(2)) == (first.clues.ended_at, PLOVER)
    assert later.riders[INA].before(day(2)) == (second.clues.ended_at, WHEATEAR)
    assert later.riders[INA].before(day(0.5)) == (first.clues.ended_at, PLOVER)


def test_strays_are_counted():
    steady = [Known(with_meter(d), PLOVER) for d in range(10)]
    stray = [*steady, Known(with_meter(4.5), WHEATEAR)]

    # (n strays + 0.5) / (n sightings + 250)
    assert learn(steady, HOUSEHOLD).heard_elsewhere == pytest.approx(0.5 / 260)
    assert learn(stray, HOUSEHOLD).heard_elsewhere > 1 / 261


def test_learning_does_not_mind_the_order_of_the_answers():
    rides = [Known(with_meter(n), PLOVER if n < 5 else WHEATEAR) for n in range(9)]
    shuffled = [rides[i] for i in np.random.default_rng(7).permutation(9)]

    one, other = learn(rides, HOUSEHOLD), learn(shuffled, HOUSEHOLD)

    assert one.sensors == other.sensors
    assert one.riders == other.riders
