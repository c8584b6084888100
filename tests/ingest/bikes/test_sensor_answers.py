"""A sensor that answers put on several bikes moves unsaid: what it alone says of a ride is asked about."""

from __future__ import annotations

from ingest.bikes.judge import Household, Verdict, judge
from tests.ingest.bikes.made_rides import LARK, PLOVER, WHEATEAR, bike, heard, ride

THREE = (bike(PLOVER, "Plover"), bike(WHEATEAR, "Wheatear"), bike(LARK, "Lark"))
POWER, CADENCE = "serial 71", "serial 72"
NEVER = "serial 73"


def on_days(days, *identities, **more):
    return [ride(day, sensors=heard(*identities), **more) for day in days]


def judged_with(rides, answers):
    rides = sorted(rides, key=lambda one: one.started_at)
    place = {one.started_at: i for i, one in enumerate(rides)}
    days = {ride(day).started_at: bike_id for day, bike_id in answers.items()}
    judged = judge(rides, Household(THREE), {place[at]: bike_id for at, bike_id in days.items()})
    return (
        lambda day: judged.said(place[ride(day).started_at]),
        judged,
        lambda day: place[ride(day).started_at],
    )


def test_beside_a_sensor_of_which_nobody_spoke_one_word_on_a_roamer_decides_nothing():
    """All that is known of the other it learned from the roamer, and so is how fast its bike is."""
    fast, slow = {"speed_mps": 8.0, "climb_m_per_km": 4.0}, {"speed_mps": 5.0, "climb_m_per_km": 12.0}
    rides = [*on_days(range(0, 40, 2), POWER, **slow), *on_days(range(1, 40, 2), CADENCE, **fast)]
    rides += [*on_days([200, 204], POWER, **fast), *on_days(range(208, 300, 4), POWER, NEVER, **fast)]
    answers = {0: WHEATEAR, 20: WHEATEAR, 38: WHEATEAR, 1: PLOVER, 21: PLOVER, 39: PLOVER}

    said, judged, at = judged_with(rides, answers | {200: PLOVER})
    again, *_ = judged_with(rides, answers | {200: PLOVER, 204: PLOVER})

    assert said(212).probability > 0.95
    assert said(212).verdict is Verdict.ASK
    assert "was on several bikes, you said" in judged.because(at(212))
    assert again(212).bike == PLOVER, "two words on it are enough"


def test_what_was_heard_beside_a_roamer_knows_no_more_than_that_when_it_is_heard_alone():
    rides = [*on_days([*range(0, 40, 4), 200], POWER), *on_days(range(208, 300, 4), POWER, NEVER)]
    rides += [*on_days([304], NEVER), *on_days(range(1, 40, 4), CADENCE), *on_days([308], CADENCE)]

    _, judged, at = judged_with(rides, {0: WHEATEAR, 36: WHEATEAR, 1: PLOVER, 200: PLOVER})

    assert judged.said_of_sensors.by_a_roamer(at(304), 0)
    assert not judged.said_of_sensors.by_a_roamer(at(308), 0)


def test_of_two_sensors_one_that_stays_where_it_was_said_to_be_is_enough():
    rides = [*on_days(range(0, 40, 4), POWER), *on_days(range(50, 90, 4), POWER, CADENCE)]
    rides += on_days(range(1, 40, 4), CADENCE)

    _, judged, at = judged_with(rides, {0: WHEATEAR, 36: LARK, 1: PLOVER, 37: PLOVER})

    assert not judged.said_of_sensors.by_a_roamer(at(86), 0)
    assert judged.said_of_sensors.by_a_roamer(at(86), 1), "neither was said to be on Wheatear of late"


def test_a_word_of_late_is_enough_for_a_roamer_that_is_heard_alone():
    rides = on_days(range(0, 400, 5), POWER)

    _, judged, at = judged_with(rides, {0: WHEATEAR, 5: WHEATEAR, 100: PLOVER})

    of_late, long_ago = (judged.said_of_sensors.by_a_roamer(at(day), 0) for day in (150, 390))
    assert (of_late, long_ago) == (False, True)


def test_between_two_words_on_one_bike_a_roamer_stayed_there():
    rides = on_days(range(0, 800, 5), POWER)

    _, judged, at = judged_with(rides, {0: WHEATEAR, 100: PLOVER, 500: PLOVER})

    assert not judged.said_of_sensors.by_a_roamer(at(300), 0)
    assert judged.said_of_sensors.by_a_roamer(at(790), 1)


def test_where_an_entered_sensor_sits_is_not_asked_again():
    rides = on_days(range(0, 40, 4), POWER)
    answers = {0: PLOVER, 1: WHEATEAR}

    judged = judge(rides, Household(THREE), answers)
    judged.fit.places.vouched[:] = True

    assert not judged.said_of_sensors.by_a_roamer(9, 2)


def test_one_word_against_many_on_one_of_two_sensors_is_hardly_said():
    """The cadence sensor was said to be on Plover once, on Wheatear often: a slip, and both name Plover."""
    rides = [*on_days(range(0, 40, 4), POWER), *on_days(range(1, 40, 4), CADENCE)]
    rides += on_days(range(50, 90, 4), POWER, CADENCE)

    _, judged, at = judged_with(
        rides, {0: PLOVER, 8: PLOVER, 16: PLOVER, 1: WHEATEAR, 9: WHEATEAR, 50: PLOVER}
    )

    assert judged.said_of_sensors.hardly(at(86), 0)
    assert not judged.said_of_sensors.hardly(at(36), 0)
