"""The parts of the one model over all rides, each by hand on a household of three rides."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest

from ingest.bikes.household_model import (
    STARTS,
    Household,
    Start,
    _channels,
    _Fitting,
    _overlaps,
    fit,
)
from ingest.bikes.log_odds import COUNTS_FOR, WHAT_FOR, Clue
from tests.ingest.bikes.made_rides import INA, LARK, PLOVER, TOM, WHEATEAR, bike, heard, ride

TWO = (bike(PLOVER, "Plover"), bike(WHEATEAR, "Wheatear", indoor=True))
RIDES = [ride(0), ride(0.05, TOM), ride(2, indoor=True)]


def fitting(answers=None, impossible=None, bikes=TWO, rides=RIDES):
    return _Fitting(rides, Household(bikes), answers or {}, impossible or {})


def test_gears_and_profile_say_where_sensors_sit_from_their_round_on():
    start = Start(2, 5)
    assert [start.silent(number) for number in (1, 2, 4, 5)] == [
        (Clue.GEARING, Clue.ACTIVITY),
        (Clue.ACTIVITY,),
        (Clue.ACTIVITY,),
        (),
    ]
    assert STARTS[0].silent(0) == (Clue.ACTIVITY,)


def test_what_cannot_have_been_is_far_below_but_for_a_riders_word():
    found = fitting(
        {1: PLOVER}, {0: {PLOVER: "sold"}, 1: {PLOVER: "sold", WHEATEAR: "away"}, 2: {LARK: "gone"}}
    )
    assert found.possible.tolist() == [[-60.0, 0.0, 0.0], [0.0, -60.0, 0.0], [0.0, 0.0, 0.0]]


def test_indoors_is_the_trainer_bike_and_outdoors_hardly():
    assert fitting().fixed[Clue.INDOOR].tolist() == [[0.0, -6.0, 0.0], [0.0, -6.0, 0.0], [-1.5, 0.0, 0.0]]
    nowhere = (bike(PLOVER, "Plover"), bike(WHEATEAR, "Wheatear"))
    assert not fitting(bikes=nowhere).fixed[Clue.INDOOR].any()


def test_riders_words_leave_one_in_ten_thousand_to_every_other_bike():
    found = fitting({0: WHEATEAR, 1: None, 2: LARK})
    assert found.column_of_answer == {0: 1, 1: -1, 2: -1}, "a bike that is no longer known is none of ours"
    log_odds = np.array([[0.3, -2.0, 0.5]] * 3)
    off = math.log(1e-4)
    assert found._answered(log_odds) == pytest.approx(
        np.array([[0.3 + off, -2.0, 0.5 + off], [0.3 + off, -2.0 + off, 0.5], [0.3 + off, -2.0 + off, 0.5]])
    )


def test_two_riders_rides_at_the_same_time_are_not_on_one_bike():
    """The second begins an hour and twelve minutes after the first, which lasts two hours."""
    assert _overlaps(RIDES) == [(0, 1)]
    late = [ride(0), ride(2 / 24, TOM), ride(2.1 / 24, INA), ride(3 / 24, TOM)]
    assert _overlaps(late) == [(1, 2), (2, 3)]
    assert _overlaps([ride(0), ride(0.01), ride(0.02)]) == [], "one rider's are two recordings"
    found = fitting()._meanwhile(np.array([[0.7, 0.2, 0.1], [0.4, 0.5, 0.1], [0.3, 0.3, 0.4]]))
    expected = [[1 - 0.97 * 0.4, 1 - 0.97 * 0.5, 1.0], [1 - 0.97 * 0.7, 1 - 0.97 * 0.2, 1.0], [1.0] * 3]
    assert found == pytest.approx(np.log(expected))


def test_what_it_measured_counts_where_no_sensor_was_named():
    assert _channels(ride(channels="power")) == "power"
    assert _channels(ride(channels="power", sensors=heard("serial 71"))) is None


def test_hard_clues_add_up_with_their_voices_and_may_be_kept_from_denying():
    made = fitting()
    gears, profile = (np.array([[one, -one, 0.0]] * 3) for one in (2.0, 1.0))
    by_clue = {Clue.GEARING: gears, Clue.ACTIVITY: profile, Clue.SENSOR: gears * 9, Clue.WEEK: gears * 9}
    none = math.log(0.1)
    table = [
        ({}, [2.0 + 0.5, -2.0 - 0.5, none]),
        ({"denying": False}, [2.5, 0.0, none]),
        ({"leaving_out": (Clue.GEARING,)}, [0.5, -0.5, none]),
        ({"leaving_out": (Clue.ACTIVITY,)}, [2.0, -2.0, none]),
    ]
    for how, expected in table:
        assert made._hard(by_clue, 0.5, **how)[0] == pytest.approx(expected), how


def test_a_ride_teaches_as_far_as_hard_clues_have_settled_it():
    """The square of the share of ln 3 that is no doubt; one spoken of wholly, an open one hardly."""
    made = fitting({2: PLOVER})
    hard = np.array([[0.0, 0.0, 0.0], [math.log(8.0), 0.0, 0.0], [0.0, 0.0, 0.0]])
    doubt = -(0.8 * math.log(0.8) + 0.2 * math.log(0.1)) / math.log(3.0)
    assert made._settled(hard) == pytest.approx([0.03, (1.0 - doubt) ** 2, 1.0])


def test_each_ride_is_judged_by_all_sensors_but_one_and_silence_does_not_count():
    made = fitting()
    hard = np.array([[0.5, 0.0, -1.0]] * 3)
    alone = np.tile(np.array([[1.0, -2.0], [0.0, 0.7]]), (3, 1, 1))  # two sensors on two bikes
    found = made._elsewhere(hard, alone)
    for sensor, loud in ((0, (0.0, 0.7)), (1, (1.0, 0.0))):
        odds = [math.exp(0.5 + loud[0]), math.exp(loud[1]), math.exp(-1.0)]
        assert found[0, sensor] == pytest.approx([one / sum(odds) for one in odds[:2]])


def test_a_bike_of_nobodys_rides_like_any_of_ours_by_soft_clues():
    made = fitting()
    soft, habit = np.array([[1.0, -0.5, 0.0]] * 3), np.array([[0.2, -0.3, 9.0]] * 3)
    found = made._no_rarer({Clue.WEEK: soft, Clue.WAY: soft, Clue.ACTIVITY: soft * 50, Clue.HABIT: habit})
    weights = np.exp([0.2, -0.3])
    expected = math.log((weights * np.exp([2.0, -1.0])).sum() / weights.sum())
    assert found == pytest.approx(np.array([[0.0, 0.0, expected]] * 3))


def test_answers_are_denied_and_foretold_by_all_else():
    fitted = fit(RIDES, Household(TWO), {0: PLOVER, 2: None})
    chances = fitted.answer_chances()
    odds = np.exp(fitted.log_odds)
    assert chances == pytest.approx([odds[0, 0] / odds[0].sum(), odds[2, 2] / odds[2].sum()])
    assert fitted.answers_denied() == sum(one < 0.02 for one in chances)
    assert fitted.answers_foretold() == pytest.approx(sum(math.log(max(one, 0.01)) for one in chances))
    with pytest.raises(ValueError, match="without a bike"):
        fit(RIDES, Household(()), {})
    empty = fit([], Household(TWO), {})
    assert empty.shares.shape == (0, 3)


def test_other_starts_are_tried_where_more_answers_are_denied_than_riders_slip(monkeypatch):
    """Two in a hundred are borne: of fifty answers one; else the start that foretells most is taken."""
    tried = []

    def run(_, start):
        tried.append(start)
        return fitted[start]

    monkeypatch.setattr(_Fitting, "run", run)
    monkeypatch.setattr(
        "ingest.bikes.household_model.HouseholdFit.answers_foretold", lambda one: one.foretold
    )
    rides = [ride(day) for day in range(50)]
    for denied, starts, best in ((1, 1, 0), (2, 3, 2)):
        tried.clear()
        fitted = {
            start: SimpleNamespace(answers_denied=lambda n=denied: n, foretold=place)
            for place, start in enumerate(STARTS)
        }
        found = fit(rides, Household(TWO), dict.fromkeys(range(50), PLOVER))
        assert len(tried) == starts
        assert found is fitted[STARTS[best]]


def test_what_a_ride_was_for_denies_a_bike_by_no_more_than_one_ride_in_ten_like_any_other():
    """Its way, its hour and its pace together: ln .1 at most, though each alone says nearly as much."""
    rides, answers = [], {}
    for n in range(24):
        place = LARK if n % 2 else PLOVER
        fast = {"speed_mps": 9.0 - 0.01 * n, "stopped_share": 0.01, "climb_m_per_km": 3.0, "roughness": 0.01}
        slow = {"speed_mps": 4.0 + 0.01 * n, "stopped_share": 0.30, "climb_m_per_km": 20.0, "roughness": 0.05}
        way = tuple(value for step in range(9) for value in (46_000 + 20 * step, 7_000 + 300 * (n % 2)))
        rides.append(ride(n, way=way, device=f"serial {n % 2}", **(slow if n % 2 else fast)))
        answers[n] = place
    fitted = fit(rides, Household((bike(PLOVER, "Plover"), bike(LARK, "Lark"))), answers)
    together = sum(fitted.by_clue[clue][:, :2] for clue in WHAT_FOR)
    assert math.log(0.1) <= together.min() < -1.9
    device = COUNTS_FOR[Clue.DEVICE] * math.log((0 + 8 * 0.5) / (12 + 8) / 0.5)
    assert fitted.by_clue[Clue.DEVICE][0, 1] == pytest.approx(device, abs=0.02)
