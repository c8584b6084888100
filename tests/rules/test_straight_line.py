"""Least squares and its intervals, against certified and independently computed values."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from rules.straight_line import crossing, least_squares, prediction, ratio, student_t

# NIST Statistical Reference Datasets, linear regression, www.itl.nist.gov/div898/strd/lls: Norris (y, x).
# The pairs are from memory; that they give every certified digit below shows that they are the right ones.
NORRIS = """
0.1 0.2  338.8 337.4  118.1 118.2  888.0 884.6  9.2 10.1  228.1 226.5  668.5 666.3  998.5 996.3  449.1 448.6
778.9 777.0  559.2 558.2  0.3 0.4  0.1 0.6  778.1 775.5  668.8 666.9  339.3 338.0  448.9 447.5  10.8 11.6
557.7 556.0  228.3 228.1  998.0 995.8  888.8 887.6  119.6 120.2  0.3 0.3  0.6 0.3  557.6 556.8  339.3 339.1
888.0 887.2  998.5 999.0  778.9 779.0  10.2 11.1  117.6 118.3  228.9 229.2  668.4 669.1  449.2 448.9  0.2 0.5
"""
NORRIS_YX = np.array(NORRIS.split(), dtype=float).reshape(-1, 2)
NOINT1 = (list(range(60, 71)), list(range(130, 141)))
NOINT2 = ([4.0, 5.0, 6.0], [3.0, 4.0, 4.0])
SMALL = ([0.0, 50.0, 100.0, 150.0, 200.0], [0.03, 0.10, 0.16, 0.24, 0.30])


def norris():
    return least_squares(NORRIS_YX[:, 1].tolist(), NORRIS_YX[:, 0].tolist())


def test_norris_to_the_certified_digits():
    # NIST StRD Norris, certified values
    line = norris()
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-10)
    assert line.intercept_se == pytest.approx(0.232818234301152, rel=1e-10)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert line.slope_se == pytest.approx(0.429796848199937e-03, rel=1e-10)
    assert line.residual_sd == pytest.approx(0.884796396144373, rel=1e-10)
    assert (line.degrees_of_freedom, line.count) == (34, 36)


def test_lines_through_the_origin_to_the_certified_digits():
    # NIST StRD NoInt1 and NoInt2, certified values
    first = least_squares(*NOINT1, through_origin=True)
    assert first.slope == pytest.approx(2.07438016528926, rel=1e-12)
    assert first.slope_se == pytest.approx(0.165289256198347e-01, rel=1e-11)
    assert first.residual_sd == pytest.approx(3.56753034006338, rel=1e-11)
    assert (first.intercept, first.intercept_se, first.degrees_of_freedom) == (0.0, 0.0, 10)
    second = least_squares(*NOINT2, through_origin=True)
    assert second.slope == pytest.approx(8 / 11, rel=1e-12)
    assert second.slope_se == pytest.approx(0.420827318078432e-01, rel=1e-11)
    assert second.residual_sd == pytest.approx(0.369274472937998, rel=1e-11)


def test_prediction_intervals():
    # statsmodels OLS get_prediction on the same data
    found = prediction(norris(), 500.0, confidence=0.95)
    assert found.value == pytest.approx(500.796085936, abs=1e-8)
    assert (found.low, found.high) == pytest.approx((498.971794054, 502.620377819), abs=1e-8)
    first = least_squares(*NOINT1, through_origin=True)
    found = prediction(first, 100.0, confidence=0.95)
    assert (found.low, found.high) == pytest.approx((198.677342183, 216.198690875), abs=1e-8)
    mean = prediction(first, 100.0, confidence=0.95, new_reading=False)
    assert (mean.low, mean.high) == pytest.approx((203.755142393, 211.120890664), abs=1e-8)
    found = prediction(least_squares(*NOINT2, through_origin=True), 10.0, confidence=0.95)
    assert (found.low, found.high) == pytest.approx((4.863782448, 9.681672097), abs=1e-8)
    found = prediction(least_squares(*SMALL), 300.0, confidence=0.95)
    assert (found.value, found.low, found.high) == pytest.approx((0.438, 0.410500521, 0.465499479), abs=1e-8)


def test_intervals_agree_with_statsmodels_itself():
    import statsmodels.api as sm

    rng = np.random.default_rng(7)
    x = rng.uniform(0, 300, 12)
    y = 0.04 + 0.0013 * x + rng.normal(0, 0.03, 12)
    theirs = sm.OLS(y, sm.add_constant(x)).fit().get_prediction([[1.0, 250.0]]).summary_frame(alpha=0.1)
    ours = prediction(least_squares(x.tolist(), y.tolist()), 250.0, confidence=0.9)
    assert (ours.low, ours.high) == pytest.approx((theirs.obs_ci_lower[0], theirs.obs_ci_upper[0]), rel=1e-10)


def test_when_a_line_reaches_a_level():
    # arithmetic from the closed form of Fieller's interval
    line = least_squares(*SMALL)
    assert (line.intercept, line.slope) == pytest.approx((0.03, 0.00136), abs=1e-12)
    assert (line.residual_sd, line.slope_se) == pytest.approx((0.0051639778, 3.265986e-5), rel=1e-6)
    assert line.intercept_se == pytest.approx(0.004, abs=1e-9)
    found = crossing(line, 0.5, confidence=0.95)
    assert (found.value, found.low, found.high) == pytest.approx(
        (345.588235, 327.389118, 366.673076), abs=1e-5
    )
    noisy = crossing(line, 0.5, confidence=0.95, new_reading=True)
    assert (noisy.low, noisy.high) == pytest.approx((323.951117, 370.111076), abs=1e-5)


def test_a_slope_that_may_be_zero_never_reaches_anything():
    line = least_squares([0.0, 100.0, 200.0], [0.1, 0.3, 0.1])
    assert crossing(line, 0.5, confidence=0.95) is None


def test_the_ratio_of_two_slopes():
    # arithmetic from the closed form; slopes as statsmodels gives them, pooled error on 6 degrees of freedom
    wax = least_squares([100, 200, 300, 400], [0.05, 0.12, 0.16, 0.22], through_origin=True)
    lube = least_squares([50, 100, 150, 200], [0.08, 0.14, 0.23, 0.29], through_origin=True)
    assert (wax.slope, lube.slope) == pytest.approx((0.00055, 0.00147333), abs=1e-8)
    pooled = np.sqrt((3 * wax.residual_sd**2 + 3 * lube.residual_sd**2) / 6)
    errors = (pooled / np.sqrt(300_000.0), pooled / np.sqrt(75_000.0))
    assert np.hypot(*errors) == pytest.approx(3.103164e-5, rel=1e-6)
    assert (wax.slope - lube.slope) / np.hypot(*errors) == pytest.approx(-29.754573, rel=1e-6)
    found = ratio((wax.slope, errors[0]), (lube.slope, errors[1]), confidence=0.95, degrees_of_freedom=6)
    assert (found.value, found.low, found.high) == pytest.approx(
        (0.373303167, 0.345293109, 0.402903052), abs=1e-7
    )
    assert ratio((1.0, 0.1), (0.1, 1.0), confidence=0.95, degrees_of_freedom=6) is None


@pytest.mark.parametrize("free", [1, 2, 3, 4, 5, 6, 7, 10, 30, 34, 121])
@pytest.mark.parametrize("confidence", [0.5, 0.8, 0.9, 0.95, 0.99])
def test_student_t_agrees_with_scipy(free, confidence):
    assert student_t(confidence, free) == pytest.approx(stats.t.ppf(0.5 + confidence / 2, free), rel=1e-9)


def test_student_t_tables():
    # two-sided 95 % points as in any printed table of t
    assert [round(student_t(0.95, free), 3) for free in (1, 2, 5, 10, 34)] == [
        12.706,
        4.303,
        2.571,
        2.228,
        2.032,
    ]


@pytest.mark.parametrize(
    ("xs", "ys", "message"),
    [([1.0, 2.0], [1.0, 2.0], "too few"), ([3.0, 3.0, 3.0], [1.0, 2.0, 3.0], "share one x")],
)
def test_a_line_needs_points(xs, ys, message):
    with pytest.raises(ValueError, match=message):
        least_squares(xs, ys)
