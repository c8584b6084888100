"""A household whose forecasts were surer than right is believed less; being right makes nobody surer."""

from __future__ import annotations

import numpy as np
import pytest

from ingest.bikes.calibration import divided_by
from ingest.bikes.log_odds import softmax


def forecasts(count: int, *, too_sure: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Log-odds of four candidates, stated `too_sure` times as large as they came true."""
    dice = np.random.default_rng(seed)
    honest = dice.normal(0, 2.0, (count, 4))
    chances = softmax(honest)
    came = np.array([dice.choice(4, p=one) for one in chances])
    return honest * too_sure, came


def test_the_fewer_answers_the_less_sure_and_without_any_the_least():
    none = divided_by(np.zeros((0, 4)), np.zeros(0, int))
    sure = np.repeat([[8.0, 0.0, 0.0, 0.0]], 50, axis=0)
    right = np.zeros(50, int)
    assert none == pytest.approx(1.3)
    assert none > divided_by(sure[:10], right[:10]) > divided_by(sure, right) > 1.0


def test_one_surprise_makes_a_little_doubt_and_ten_much():
    sure = np.array([[8.0, 0.0, 0.0, 0.0]])
    one = divided_by(sure, np.array([1]))
    ten = divided_by(np.repeat(sure, 10, axis=0), np.ones(10, int))
    assert 1.0 <= one < 1.5
    assert ten > 3.0


@pytest.mark.parametrize("too_sure", [2.0, 4.0])
def test_many_answers_find_how_far_the_odds_were_too_sure(too_sure):
    found = [divided_by(*forecasts(400, too_sure=too_sure, seed=seed)) for seed in range(5)]
    assert np.median(found) == pytest.approx(too_sure, rel=0.25)


def test_forecasts_that_came_true_as_often_as_they_said_are_left_nearly_alone():
    found = [divided_by(*forecasts(200, too_sure=1.0, seed=seed)) for seed in range(8)]
    assert max(found) < 1.25


def test_a_slip_in_fifty_right_answers_costs_little():
    sure = np.repeat([[9.0, 0.0, 0.0]], 50, axis=0)
    heard = np.zeros(50, int)
    heard[7] = 2
    assert divided_by(sure, heard) < 1.6
