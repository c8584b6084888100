"""Which bike was it: all rides of a household together, what is certain, what is asked, and why."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import softmax

from ingest.bikes import judge as bikes_judge
from ingest.bikes.clue_sentences import BelievedCounts
from ingest.bikes.household_model import _Fitting
from ingest.bikes.judge import (
    BY_GEARS_FROM,
    BY_HABITS_FROM,
    DEAF_FROM,
    LIKELY_FROM,
    LIKELY_FROM_AT_FIRST,
    Clue,
    Household,
    Verdict,
    judge,
)
from ingest.bikes.ride_clues import RideClues
from rules.vocabulary import DecidedBy, Sensor, SensorId
from tests.ingest.bikes.made_rides import (
    BROAD,
    DAY,
    LARK,
    MORNING,
    MOUNTAIN,
    PLOVER,
    ROAD,
    SHRIKE,
    TOM,
    WHEATEAR,
    bike,
    geared,
    heard,
    ride,
)

NAMES = ("serial 71", "serial 72")
TWO = (bike(PLOVER, "Plover", gears=ROAD), bike(WHEATEAR, "Wheatear", gears=MOUNTAIN))


def sits_on(where, identity="serial 71", **span):
    return Sensor(SensorId(1), "power meter", identity, where, **span)


def test_a_sensor_that_was_entered_names_its_bike():
    judged = judge([ride(sensors=heard("serial 71"))], Household(TWO, (sits_on(WHEATEAR),)), {})

    said = judged.assignment(0)

    assert (said.bike, said.decided_by) == (WHEATEAR, DecidedBy.SENSOR)
    assert said.probability > 0.97
    assert any("sits on Wheatear" in e.sentence for e in said.evidence if e.clue is Clue.SENSOR)


def test_a_sensor_counts_in_the_span_that_was_entered():
    spans = (sits_on(PLOVER, until_at=MORNING + 9 * DAY), sits_on(WHEATEAR, from_at=MORNING + 9 * DAY))
    rides = [ride(day, sensors=heard("serial 71")) for day in (0, 4, 12, 15)]

    judged = judge(rides, Household(TWO, spans), {})

    assert [judged.said(i).bike for i in range(4)] == [PLOVER, PLOVER, WHEATEAR, WHEATEAR]


def test_the_only_bike_of_the_household_needs_no_clue():
    judged = judge([ride()], Household((bike(PLOVER, "Plover"),)), {})

    assert (judged.said(0).bike, judged.said(0).decided_by) == (PLOVER, DecidedBy.ONLY_BIKE)


def test_the_only_bike_of_a_rider_is_no_certainty():
    judged = judge([ride()], Household((bike(PLOVER, "Plover"), bike(LARK, "Lark", TOM))), {})

    assert judged.said(0).verdict is Verdict.ASK
    assert judged.assignment(0).leader == PLOVER


def test_over_a_long_pause_silence_of_one_sensor_moves_no_other(monkeypatch):
    """Rides after a pause could talk each other into another bike; they are asked about."""
    monkeypatch.setattr(bikes_judge, "LIKELY_FROM_AT_FIRST", 0.95)
    monkeypatch.setattr(bikes_judge, "CERTAIN_FROM", 0.96)
    rides = [ride(day, sensors=heard("serial 71")) for day in (*range(0, 40, 2), *range(300, 320))]
    rides += [ride(day, sensors=heard("serial 72")) for day in range(1, 40, 2)]
    rides.sort(key=lambda one: one.started_at)
    of = {name: [i for i, one in enumerate(rides) if one.sensors == heard(name)] for name in NAMES}
    answers = dict.fromkeys(of[NAMES[0]][:20:3], PLOVER) | dict.fromkeys(of[NAMES[1]][::3], WHEATEAR)

    judged = judge(rides, Household(TWO), answers)
    early, late = (judged.said(of[NAMES[0]][n]) for n in (5, -1))

    assert (early.bike, early.verdict) == (PLOVER, Verdict.CERTAIN)
    assert late.verdict is Verdict.ASK
    assert judged.assignment(of[NAMES[0]][-1]).leader == PLOVER


def test_a_sensor_that_is_named_but_measured_nothing_stood_near():
    cadence = heard("serial 71", kind="cadence")
    rides = [ride(day, sensors=cadence, channels="cadence") for day in range(20)]
    rides[9] = ride(9, sensors=cadence, channels="no sensor")

    judged = judge(rides, Household(TWO), {0: PLOVER, 5: PLOVER})
    never = judge(
        [replace(one, channels="no sensor") for one in rides], Household(TWO), {0: PLOVER, 5: PLOVER}
    )

    assert judged.assignment(8).weight(Clue.SENSOR, PLOVER) > 2
    assert judged.assignment(9).weight(Clue.SENSOR, PLOVER) < 0
    assert never.assignment(9).weight(Clue.SENSOR, PLOVER) > 2  # its files never say what it measured


def test_gears_yield_the_longer_they_were_not_seen():
    rides = [
        geared(d, ROAD if d < 20 else BROAD, sensors=heard("serial 71")) for d in (*range(0, 20, 2), 22, 190)
    ]

    judged = judge(rides, Household(TWO), {0: PLOVER, 3: PLOVER})
    soon, late = (judged.assignment(i).weight(Clue.GEARING, PLOVER) for i in (10, 11))

    assert soon < late < 0


def test_a_way_that_one_bike_takes_tells_of_it():
    work, hills = (46_000, 7_000) * 9, (46_000, 7_100) * 9
    rides = [ride(day, way=(work, hills)[day % 2]) for day in range(40)]

    judged = judge(rides, Household(TWO), {i: (PLOVER, WHEATEAR)[i % 2] for i in range(12)})
    late = judged.assignment(38)

    assert late.leader == PLOVER
    assert late.weight(Clue.WAY, PLOVER) > 0 > late.weight(Clue.WAY, WHEATEAR)
    assert any("a way that this rider took 20 times" in item.sentence for item in late.evidence)


def test_certain_needs_a_word_of_late(monkeypatch):
    monkeypatch.setattr(bikes_judge, "LIKELY_FROM_AT_FIRST", 0.8)
    monkeypatch.setattr(bikes_judge, "CERTAIN_FROM", 0.8)
    rides = [ride(day, sensors=heard("serial 71")) for day in range(0, 300, 5)]

    judged = judge(rides, Household(TWO), {0: PLOVER, 1: PLOVER, 2: PLOVER})
    near, far = judged.said(4), judged.said(40)

    assert (near.bike, near.verdict) == (PLOVER, Verdict.CERTAIN)
    assert far.verdict is not Verdict.CERTAIN


def test_nothing_is_decided_before_a_rider_spoke_of_the_bike():
    rides = [ride(day, sensors=heard("serial 71")) for day in range(20)]

    silent = judge(rides, Household(TWO), {})
    spoken = judge(rides, Household(TWO), {0: PLOVER, 9: PLOVER})

    assert all(silent.said(i).verdict is Verdict.ASK for i in range(20))
    assert all(spoken.said(i).bike == PLOVER for i in range(1, 20) if i != 9)


def test_gears_that_were_entered_tell_rides_apart_without_an_answer():
    rides = [geared(day, (ROAD, MOUNTAIN)[day % 2]) for day in range(12)]

    judged = judge(rides, Household(TWO), {})

    assert [judged.assignment(i).leader for i in range(12)] == [PLOVER, WHEATEAR] * 6


def test_a_new_cassette_is_learned_from_the_sensor_and_moves_no_sensor():
    rides = [geared(day, ROAD if day < 20 else BROAD, sensors=heard("serial 71")) for day in range(0, 40, 2)]

    judged = judge(rides, Household(TWO), {0: PLOVER, 3: PLOVER})

    assert [judged.assignment(i).leader for i in range(20)] == [PLOVER] * 20


def test_a_sensor_that_was_moved_is_followed():
    rides = [geared(d, ROAD if d < 30 else MOUNTAIN, sensors=heard("serial 71")) for d in range(0, 60, 3)]

    judged = judge(rides, Household(TWO), {0: PLOVER, 1: PLOVER, 15: WHEATEAR, 16: WHEATEAR})

    expected = [PLOVER if d < 30 else WHEATEAR for d in range(0, 60, 3)]
    assert [judged.assignment(i).leader for i in range(20)] == expected


def test_a_light_that_was_spoken_of_yesterday_may_be_on_another_bike_today(monkeypatch):
    monkeypatch.setattr("ingest.bikes.judge.CERTAIN_FROM", 0.9)
    lit = [ride(day, sensors=heard("serial 71", kind="light")) for day in range(8)]
    fitted = [ride(day, sensors=heard("serial 71")) for day in range(8)]
    words = {0: PLOVER, 1: PLOVER, 6: PLOVER, 7: PLOVER}

    assert judge(fitted, Household(TWO), words).said(4).verdict is Verdict.CERTAIN
    assert judge(lit, Household(TWO), words).said(4).verdict is not Verdict.CERTAIN


def test_a_sensor_nobody_spoke_of_proves_nothing_of_the_one_it_is_heard_with():
    alone = [ride(day, sensors=heard("serial 71")) for day in range(0, 60, 3)]
    both = [
        ride(day, sensors=heard("serial 71", *(("serial 72",) if day else ()))) for day in range(0, 60, 3)
    ]

    one, two = (
        judge(rides, Household(TWO), {0: PLOVER}).fit.by_clue[Clue.SENSOR][10] for rides in (alone, both)
    )

    assert two[0] - two[1] < one[0] - one[1]


def test_a_bike_with_one_cog_takes_no_cassette():
    """A sensor of another bike was heard on it once; that one's new cassette is not on it for that."""
    pair = Household((bike(PLOVER, "Plover", gears=ROAD), bike(SHRIKE, "Shrike", gears=((48,), (18,)))))
    rides = [geared(day, ROAD, sensors=heard("serial 71")) for day in range(0, 20, 4)]
    rides += [geared(day, BROAD, sensors=heard("serial 71")) for day in range(40, 80, 4)]
    rides += [ride(82, sensors=heard("serial 71"), channels="no sensor")]

    judged = judge(rides, pair, {0: PLOVER, 1: PLOVER, 15: SHRIKE})

    assert not [i for i in range(15) if judged.said(i).bike == SHRIKE]
    assert all(judged.fit.by_clue[Clue.GEARING][i, 1] < 0 for i in range(15))


def test_rides_asked_about_for_their_silence_do_not_take_a_sensor_off_its_bike():
    twins = (bike(PLOVER, "Plover", gears=ROAD), bike(LARK, "Lark", TOM, gears=ROAD))
    rides = [ride(day, sensors=heard("serial 71"), channels="power") for day in range(0, 60, 2)]
    rides += [ride(day + 0.5, channels="no sensor") for day in range(0, 24, 2)]
    rides.sort(key=lambda one: one.started_at)
    silent = [i for i, one in enumerate(rides) if not one.sensors]
    answers = {next(i for i, one in enumerate(rides) if one.sensors): PLOVER, **dict.fromkeys(silent, PLOVER)}

    judged = judge(rides, Household(twins), answers)

    assert all(judged.assignment(i).leader == PLOVER for i, one in enumerate(rides) if one.sensors)


def test_twins_without_any_clue_are_asked_about_however_strong_the_habit():
    twins = (bike(PLOVER, "Plover", gears=ROAD), bike(LARK, "Lark", gears=ROAD))
    rides = [geared(day, ROAD) for day in range(0, 30, 2)]

    judged = judge(rides, Household(twins), dict.fromkeys((0, 2, 4, 6), PLOVER) | {8: LARK, 10: LARK})

    assert all(judged.said(i).verdict is Verdict.ASK for i in (1, 3, 5, 7, 9, 11))


def test_two_names_of_one_device_count_once():
    one = [ride(day, sensors=heard("serial 71")) for day in range(12)]
    both = [ride(day, sensors=heard("ant power meter 550", "serial 71")) for day in range(12)]
    answers = {0: PLOVER, 6: PLOVER}

    alone = judge(one, Household(TWO), answers).assignment(3)
    twice = judge(both, Household(TWO), answers).assignment(3)

    assert twice.weight(Clue.SENSOR, PLOVER) == pytest.approx(alone.weight(Clue.SENSOR, PLOVER))


def test_nobody_rides_a_bike_that_another_is_on():
    shared = Household((bike(PLOVER, "Plover"), bike(LARK, "Lark", TOM)))
    rides = [ride(0), ride(0.02, TOM)]

    judged = judge(rides, shared, {0: LARK})

    assert judged.assignment(1).leader == PLOVER
    assert judged.assignment(1).weight(Clue.MEANWHILE, LARK) < -1.0


def test_a_bike_not_yet_or_no_longer_there_is_ruled_out():
    later = (bike(PLOVER, "Plover"), bike(SHRIKE, "Shrike", from_at=MORNING + 5 * DAY))

    said = judge([ride()], Household(later), {}).assignment(0)

    assert said.probabilities[SHRIKE] == 0.0
    assert "Shrike was not in the household yet." in [e.sentence for e in said.evidence]


def test_a_bike_that_cannot_have_been_it_is_ruled_out_with_its_sentence():
    why = "Plover had no chain on that day."

    said = judge([ride()], Household(TWO), {}, impossible={0: {PLOVER: why}}).assignment(0)

    assert said.probabilities[PLOVER] == 0.0
    assert (why, -math.inf) in [(e.sentence, e.weight) for e in said.evidence]


def test_a_strange_bike_is_never_named_as_ours_by_its_gears():
    town = ((48, 36, 26), (11, 13, 15, 17, 20, 23, 26, 30, 34))
    rides = [geared(day, ROAD) for day in range(0, 20, 2)] + [geared(31, town)]

    judged = judge(rides, Household(TWO), {0: PLOVER, 1: PLOVER})

    assert judged.said(10).verdict is Verdict.ASK


def test_none_of_ours_never_wins_on_habits_alone():
    rides = [ride(day) for day in range(12)]

    judged = judge(rides, Household(TWO), dict.fromkeys(range(8)))

    assert all(judged.assignment(i).leader is not None for i in range(8, 12))


@pytest.mark.parametrize(("of_the_last", "likely_from"), [(2, LIKELY_FROM), (1, LIKELY_FROM_AT_FIRST)])
def test_the_last_bike_too_must_have_been_named_twice_before_less_is_enough(of_the_last, likely_from):
    rides = [ride(day, sensors=heard(f"serial {day % 2}")) for day in range(12)]
    answers = {0: PLOVER, 2: PLOVER} | {1 + 2 * n: WHEATEAR for n in range(of_the_last)}

    assert judge(rides, Household(TWO), answers).likely_from(11, WHEATEAR) == likely_from


def test_what_is_enough_hangs_on_what_the_file_could_tell():
    with_gears = [geared(day, ROAD) for day in range(4)]
    rides = [*with_gears, ride(5, sensors=heard("serial 71")), ride(6, channels="no sensor"), ride(7)]

    judged = judge(rides, Household(TWO), {0: PLOVER, 1: PLOVER, 4: PLOVER})

    enough = [judged.likely_from(i, PLOVER) for i in (3, 4, 5, 6)]
    assert enough == [BY_GEARS_FROM, LIKELY_FROM, BY_HABITS_FROM, DEAF_FROM]


def test_shifts_to_teeth_that_a_bike_has_not_speak_against_it():
    said = judge([ride(shifts=((32, 51), (32, 45)))], Household(TWO), {}).assignment(0)

    assert said.leader == WHEATEAR
    assert said.weight(Clue.SHIFTS, PLOVER) < -1.0 < 0.0 < said.weight(Clue.SHIFTS, WHEATEAR)
    assert {e.sentence for e in said.evidence if e.clue is Clue.SHIFTS} == {
        "Not every gear it shifted to is on Plover.",
        "Every gear it shifted to is on Wheatear.",
    }


def test_a_bike_that_lives_on_the_trainer_was_not_outdoors():
    bikes = (bike(PLOVER, "Plover"), bike(WHEATEAR, "Wheatear", indoor=True))

    judged = judge([ride(), ride(1, indoor=True)], Household(bikes), {})

    assert [judged.assignment(i).leader for i in (0, 1)] == [PLOVER, WHEATEAR]


def test_a_missing_clue_weighs_exactly_nothing():
    said = judge([ride()], Household(TWO, (sits_on(WHEATEAR),)), {}).assignment(0)

    for clue in set(Clue) - {Clue.HABIT, Clue.NONE_OF_OURS, Clue.WEEK, Clue.MEASURED, Clue.NEIGHBOURS}:
        assert all(said.weight(clue, one) == 0.0 for one in (PLOVER, WHEATEAR, None)), clue


def household_of_many_clues():
    rides = [
        geared(
            day,
            (ROAD, MOUNTAIN)[day % 3 == 0],
            sensors=heard("serial 71") if day % 3 else heard("serial 72", kind="speed"),
            sub_sport="road" if day % 3 else "mountain",
            unpaved_share=0.0 if day % 3 else 0.9,
            speed_mps=8.0 + day % 3,
            device="serial 4000",
            start_cell=(4612, 710),
        )
        for day in range(45)
    ]
    rides[20:24] = [ride(20 + n / 4, sub_sport="road", speed_mps=9.0, channels="no sensor") for n in range(4)]
    return rides, Household(TWO), {0: WHEATEAR, 1: PLOVER, 3: WHEATEAR, 10: PLOVER, 21: PLOVER}


def test_the_clues_of_every_ride_add_up_to_its_probabilities():
    rides, household, answers = household_of_many_clues()
    judged = judge(rides, household, answers)

    for place in range(len(rides)):
        said = judged.assignment(place)
        candidates = [one for one, chance in said.probabilities.items() if chance > 0]
        sums = [sum(e.weight for e in said.evidence if e.bike == one) for one in candidates]
        expected = [said.probabilities[one] for one in candidates]
        assert softmax(sums) == pytest.approx(expected, rel=1e-9, abs=1e-300), place


def test_the_order_in_which_facts_came_changes_nothing():
    rides, household, answers = household_of_many_clues()
    first = judge(rides, household, answers)

    other = judge(rides, household, dict(reversed(answers.items())))

    assert np.array_equal(first.probabilities, other.probabilities)


def test_every_sentence_is_for_a_rider():
    rides, household, answers = household_of_many_clues()
    judged = judge(rides, household, answers)

    for place in (2, 3, 20, 22, 40):
        said = judged.assignment(place)
        for sentence in (said.because, *(e.sentence for e in said.evidence)):
            assert sentence.lstrip("'")[0].isupper() or sentence.startswith("'"), sentence
            assert sentence.endswith((".", "?")), sentence
            assert not set("_{}[]<>") & set(sentence), sentence


def test_a_household_without_a_bike_has_nothing_to_judge():
    with pytest.raises(ValueError, match="without a bike"):
        judge([ride()], Household(()), {})


def test_clues_survive_being_kept_as_json():
    kept = geared(
        3, ROAD, sensors=heard("serial 71"), speed_spread=0.31, stopped_share=0.1, speed_source="wheel 1 s"
    )

    assert RideClues.from_json(kept.to_json()) == kept


@pytest.mark.parametrize("text", ["", "{}", "[]", '{"rider": 1}', '{"rider": "x"}'])
def test_damaged_clues_are_refused_in_words(text):
    with pytest.raises(ValueError, match="read the ride's file again"):
        RideClues.from_json(text)


def test_judging_again_says_the_same():
    rides, household, answers = household_of_many_clues()

    once, twice = judge(rides, household, answers), judge(rides, household, answers)

    assert [once.said(i) for i in range(len(rides))] == [twice.said(i) for i in range(len(rides))]


def test_a_slip_of_the_tongue_does_not_move_a_whole_sensor():
    rides = [geared(day, (ROAD, MOUNTAIN)[day % 2], sensors=heard(f"serial 7{day % 2}")) for day in range(40)]
    answers = {0: PLOVER, 10: PLOVER, 20: WHEATEAR, 1: WHEATEAR, 11: WHEATEAR}  # ride 20 was on Plover

    judged = judge(rides, Household(TWO), answers)

    wrong = [
        i
        for i in range(40)
        if i not in answers and judged.said(i).bike not in (None, (PLOVER, WHEATEAR)[i % 2])
    ]
    assert wrong == []


def test_certain_needs_the_last_word_to_have_named_that_very_bike(monkeypatch):
    """Of two bikes the second: what was said last of its sensor is not said of the first."""
    monkeypatch.setattr(bikes_judge, "LIKELY_FROM_AT_FIRST", 0.8)
    monkeypatch.setattr(bikes_judge, "CERTAIN_FROM", 0.8)
    rides = [ride(day, sensors=heard("serial 71")) for day in range(0, 60, 5)]

    said = judge(rides, Household(TWO), {0: WHEATEAR, 1: WHEATEAR, 2: WHEATEAR}).said(4)

    assert (said.bike, said.verdict) == (WHEATEAR, Verdict.CERTAIN)


def test_where_a_sensor_sits_is_told_by_what_fits_and_never_by_what_does_not():
    fitting = _Fitting([ride()], Household(TWO), {}, {})
    said = {Clue.GEARING: np.array([[2.0, -3.0, 0.0]]), Clue.ACTIVITY: np.array([[-0.5, 0.4, 0.0]])}
    nothing = fitting._hard({}, 0.5)

    assert fitting._hard(said, 0.5) - nothing == pytest.approx(np.array([[1.75, -2.8, 0.0]]))
    assert fitting._hard(said, 0.5, denying=False) - nothing == pytest.approx(np.array([[2.0, 0.2, 0.0]]))


def test_a_bikes_usual_speed_is_that_of_the_rides_whose_speed_is_known():
    rides = [ride(0, speed_mps=5.0), ride(1, speed_mps=7.0), ride(2)]
    counts = BelievedCounts(judge(rides, Household(TWO), dict.fromkeys(range(3), PLOVER)).fit)

    known, mean_mps = counts.usual_speed_mps[rides[0].rider]

    assert (known[0], mean_mps[0]) == pytest.approx((2.0, 6.0), rel=0.01)
