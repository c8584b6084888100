"""What a clue's value weighs: the density behind it is the one it says it is."""

from __future__ import annotations

import math
from statistics import fmean, pvariance

import numpy as np
import pytest

from ingest.bikes.weekday_and_speed import (
    T_FREEDOM,
    Measure,
    Words,
    _ln_t,
    ground_likeness,
    like_any_now_and_then,
    measures_of,
    part_of_week,
)
from tests.ingest.bikes.made_rides import PLOVER, WHEATEAR, bike, ride


@pytest.mark.parametrize("variance", [0.04, 2.5])
def test_values_are_spread_as_a_t_of_five_degrees_of_freedom_with_this_variance(variance: float) -> None:
    """By printed tables one value in twenty lies beyond 2.571 scales, and one in a hundred beyond 4.032."""
    x = np.linspace(-100.0, 100.0, 100_001) * math.sqrt(variance)
    density = np.exp(_ln_t(x, np.full(len(x), variance)))
    density /= density.sum()
    assert float((x * x * density).sum()) == pytest.approx(variance, rel=1e-3)
    scale = math.sqrt(variance * (T_FREEDOM - 2.0) / T_FREEDOM)
    assert float(density[np.abs(x) > 2.571 * scale].sum()) == pytest.approx(0.05, abs=2e-4)
    assert float(density[np.abs(x) > 4.032 * scale].sum()) == pytest.approx(0.01, abs=1e-4)


def test_a_word_weighs_by_how_often_it_was_said_of_the_bike_beside_how_usual_it_is() -> None:
    """Usual shares by adding half a count to each word: Krichevsky & Trofimov 1981, from memory."""
    words = Words(["road", "road", "gravel", None], np.zeros(4, dtype=np.intp), worth=2.0)
    on_the_first = np.array([[1.0, 0.0], [1.0, 0.0], [0.0, 1.0], [1.0, 0.0]])

    road, gravel = 2.5 / 4.0, 1.5 / 4.0
    expected = [
        [(1 + 2 * road) / 3 / road, 1.0 * 2 * road / 3 / road],
        [(1 + 2 * road) / 3 / road, 1.0 * 2 * road / 3 / road],
        [2 * gravel / 4 / gravel, 1.0],
        [1.0, 1.0],
    ]
    assert words.weights(on_the_first) == pytest.approx(np.log(expected))


def test_a_measure_weighs_by_the_rides_of_the_bike_without_this_one_beside_all_of_the_riders() -> None:
    """Worked out again ride by ride: a mean drawn to the usual by four rides, a variance by six."""
    values = [2.0, 2.2, 1.9, 3.0, 3.3, 2.1, None, 2.6]
    on_first = [1.0, 1.0, 0.5, 0.0, 0.0, 1.0, 1.0, 0.2]
    known = [value for value in values if value is not None]
    usual, spread = fmean(known), pvariance(known)

    def ln_t(x: float, variance: float) -> float:
        scale = 0.6 * variance  # a t with five degrees of freedom varies by 5 / 3 of its scale
        return -0.5 * math.log(scale) - 3.0 * math.log(1.0 + x * x / (5.0 * scale))

    expected = []
    for i, value in enumerate(values):
        if value is None:
            expected.append(0.0)
            continue
        others = [(on_first[j], v - usual) for j, v in enumerate(values) if v is not None and j != i]
        n = sum(w for w, _ in others)
        first = sum(w * x for w, x in others)
        inside = sum(w * x * x for w, x in others) - first**2 / n
        variance = (inside + 6.0 * spread) / (n + 6.0) * (1.0 + 1.0 / (n + 3.0))
        expected.append(ln_t(value - usual - first / (n + 4.0), variance) - ln_t(value - usual, 1.2 * spread))

    one_rider = np.zeros(8, dtype=np.intp)
    assert Measure(values, one_rider).weights(np.array(on_first)[:, None])[:, 0] == pytest.approx(expected)
    apart = np.array([0, 0, 0, 0, 0, 1, 1, 1])
    assert not Measure(values, apart).has.any(), "of neither rider six are known"
    assert Measure([*values[:6], math.nan], np.zeros(7, dtype=np.intp)).has.tolist() == [True] * 6 + [False]
    alike = Measure([2.0] * 6 + [2.1] * 6, np.repeat([0, 1], 6)).weights(np.zeros((12, 1)))
    # nothing varies: a hundredth squared is taken; on a bike without rides, as 4/3 of it beside 1.2
    assert alike == pytest.approx(np.full((12, 1), 0.5 * math.log(1.2 / (4.0 / 3.0))))


def test_words_start_from_the_ground_they_stand_for_and_add_up_to_one_on_every_bike() -> None:
    groups = np.array([0, 0, 0, 0, 1, 2])
    like = np.array([[1.0, 0.2], [1.0, 0.2], [0.1, 1.0], [1.0, 0.2], [0.5, 0.5], [0.2, 0.4]])
    words = Words(["road", "road", "gravel", None, "road", "road"], groups, 3.0, like)
    # of the first rider 2 road and 1 gravel, half a count more each: 2.5 / 4 and 1.5 / 4; of the others all
    road, gravel = 2.5 / 4.0, 1.5 / 4.0
    sums = (road * 1.0 + gravel * 0.1, road * 0.2 + gravel * 1.0)

    said = words.weights(np.zeros((6, 2)))

    expected = [[1.0 / sums[0], 0.2 / sums[1]]] * 2 + [[0.1 / sums[0], 1.0 / sums[1]]] + [[1.0, 1.0]] * 3
    assert said == pytest.approx(np.log(expected))
    taught = words.weights(np.array([[0.0, 0], [1, 0], [1, 0], [1, 0], [1, 0], [0, 0]]))
    first = (1.0 + 3.0 * road / sums[0]) / (2.0 + 3.0) / road  # one of the two others on it was road
    assert taught[0, 0] == pytest.approx(math.log(first))
    assert Words([None, None], groups[:2], 3.0).weights(np.ones((2, 2))).tolist() == [[0, 0], [0, 0]]


def test_one_ride_in_ten_of_a_bike_is_like_any_whatever_is_said() -> None:
    said = np.array([0.0, 1e-7, 0.5, 2.0, -2.0, -30.0])
    counted = like_any_now_and_then(said) * said
    assert counted == pytest.approx(np.log(0.9 * np.exp(said) + 0.1), abs=1e-9)
    assert like_any_now_and_then(said)[:2].tolist() == [0.9, 0.9]


def test_the_part_of_the_week_goes_by_the_sun_and_three_hours_at_a_time() -> None:
    """Fifteen degrees of longitude are an hour; 3 May 2025 was a Saturday."""
    table = [
        (0, 5.99, None, "weekend 1"),
        (0, 6.0, None, "weekend 2"),
        (-1, 9.0, None, "weekday 3"),
        (1, 23.0, None, "weekend 7"),
        (1, 23.0, (4700, 1500), "weekday 0"),  # midnight, 15° E
        (0, 3.0, (3900, -10500), "weekday 6"),  # eight on Friday evening, 105° W
    ]
    for day, hour, cell, words in table:
        at = ride(day + (hour - 7.0) / 24.0, start_cell=cell)
        assert part_of_week(at) == words, (day, hour, cell)


def test_measures_are_compared_as_what_grows_in_proportion() -> None:
    known = ride(speed_mps=6.0, speed_spread=0.3, climb_m_per_km=15.0, stopped_share=0.25, roughness=0.02)
    ln_two_hours = math.log(7200.0)
    found = measures_of([known, ride(speed_mps=0.0, climb_m_per_km=0.0, stopped_share=0.0)])
    assert found == {
        "speed": [pytest.approx(math.log(6.0)), None],
        "speed spread": [0.3, None],
        "climbing": [pytest.approx(math.log(20.0)), pytest.approx(math.log(5.0))],
        "stops": [0.5, 0.0],
        "duration": [pytest.approx(ln_two_hours)] * 2,
        "roughness": [pytest.approx(math.log(0.02)), None],
    }


def test_a_words_ground_is_that_of_its_rides_and_suits_a_bike_by_a_bell_of_a_quarter() -> None:
    bikes = [bike(PLOVER, "Plover"), bike(WHEATEAR, "Wheatear", unpaved_share=0.5)]
    rides = [ride(sub_sport="gravel", unpaved_share=share) for share in (0.2, 0.6)]
    rides += [ride(sub_sport="road"), ride(unpaved_share=0.4)]
    suits = [math.exp(-0.5 * (0.4 / 0.25) ** 2) + 0.02, math.exp(-0.5 * (0.1 / 0.25) ** 2) + 0.02]
    assert ground_likeness(rides, bikes) == pytest.approx(np.array([suits, suits, [1, 1], [1, 1]]))
    assert ground_likeness(rides, bikes[:1]).tolist() == [[1.0]] * 4
