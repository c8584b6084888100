"""What a clue's value weighs: the density behind it is the one it says it is."""

from __future__ import annotations

import numpy as np
import pytest

from ingest.bikes.weekday_and_speed import T_FREEDOM, Words, _ln_t


@pytest.mark.parametrize("variance", [0.04, 1.0, 2.5])
def test_values_are_spread_as_a_t_of_five_degrees_of_freedom_with_this_variance(variance: float) -> None:
    from scipy import stats  # a second's loading, for this one test

    x = np.linspace(-4, 4, 17)
    t = stats.t(T_FREEDOM, scale=np.sqrt(variance * (T_FREEDOM - 2) / T_FREEDOM))
    assert t.var() == pytest.approx(variance)
    constant = t.logpdf(0.0) - _ln_t(np.zeros(1), np.array([variance]))
    assert _ln_t(x, np.full(17, variance)) + constant == pytest.approx(t.logpdf(x))


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
