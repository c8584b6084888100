"""Wear from readings: the likelihood, the posterior, the forecast, and when to say nothing."""

from __future__ import annotations

import math
from datetime import timedelta

import numpy as np
import pytest
from scipy import stats

from rules.contamination import history
from rules.rulebook import default_rulebook, parse_rulebook
from rules.vocabulary import ChainId, Reading, ReadingId, ReadingTool
from rules.wear import Forecast, Refusal, chances_worn, forecast, learned_prior, line_check, wear_points
from rules.wear_model import (
    Measure,
    SlopePrior,
    WearPoint,
    falling_chance,
    first_prior,
    log_likelihood,
    posterior,
)
from tests.rules.notation import at, ledger_of

RULEBOOK = default_rulebook()
FIRST = first_prior(Measure.DRIVE_HOURS)
COPPER, SLATE = ChainId(1), ChainId(2)

# Eleven gauge readings in bins 0.25 % wide, by drive hours.
GAUGE_H = [40, 80, 120, 160, 160, 200, 240, 280, 320, 360, 400]
GAUGE_LOW = [0, 0, 0, 0, 0.25, 0.25, 0.5, 0.25, 0.25, 0.5, 0.5]


def exact(rows, tool=ReadingTool.CALIPER):
    return [
        WearPoint(Reading(ReadingId(i), COPPER, tool, at("2025-01-01"), exact_pct=y), x)
        for i, (x, y) in enumerate(rows)
    ]


def gauge(rows):
    return [
        WearPoint(Reading(ReadingId(i), COPPER, ReadingTool.GAUGE, at("2025-01-01"), low, high), x)
        for i, (x, low, high) in enumerate(rows)
    ]


ELEVEN = gauge([(x, low, low + 0.25) for x, low in zip(GAUGE_H, GAUGE_LOW, strict=True)])


def at_line(points, intercept, slope, sd):
    return float(log_likelihood(points, np.array(intercept), np.array(slope), sd_pct=sd))


def test_the_probability_of_an_interval():
    # N(0.4, 0.1) between 0.25 and 0.5: arithmetic on the normal distribution, 0.774537545
    found = math.exp(at_line(gauge([(100.0, 0.25, 0.5)]), 0.4, 0.0, 0.1))
    assert found == pytest.approx(0.774537545, abs=1e-6)
    over = math.exp(at_line(gauge([(100.0, 0.25, None)]), 0.4, 0.0, 0.1))
    under = math.exp(at_line(gauge([(100.0, None, 0.25)]), 0.4, 0.0, 0.1))
    assert over == pytest.approx(stats.norm.sf(0.25, 0.4, 0.1), abs=1e-6)
    assert under == pytest.approx(stats.norm.cdf(0.25, 0.4, 0.1), abs=1e-6)


def test_the_uniform_spread_of_a_gauge_bin_is_wider_than_any_assumed_gauge_error():
    # arithmetic: width / sqrt(12) = 0.0721688 % for a bin 0.25 % wide
    assert 0.25 / math.sqrt(12) == pytest.approx(0.0721688, abs=1e-6)


def test_the_likelihood_of_interval_readings_against_published_software():
    # Worked twice elsewhere: own maximum likelihood, and lifelines on exp of the bounds (the next test).
    best = at_line(ELEVEN, 0.0308435, 0.00151371925, 0.0793522)
    assert best == pytest.approx(-6.243644759, rel=1e-6)
    through_origin = at_line(ELEVEN, 0.0, 0.00162948, 0.0802494)
    assert through_origin == pytest.approx(-6.328232, rel=1e-6)
    for intercept, slope, sd in [
        (0.035, 0.0015137, 0.07935),
        (0.03084, 0.00153, 0.07935),
        (0.03084, 0.00151, 0.083),
    ]:
        assert at_line(ELEVEN, intercept, slope, sd) < best


def test_the_likelihood_agrees_with_lifelines_itself():
    import pandas
    from lifelines import LogNormalAFTFitter

    data = pandas.DataFrame(
        {
            "low": np.exp([point.reading.over_pct for point in ELEVEN]),
            "high": np.exp([point.reading.under_pct for point in ELEVEN]),
            "x": [point.x for point in ELEVEN],
        }
    )
    fitted = LogNormalAFTFitter().fit_interval_censoring(data, "low", "high")
    theirs = fitted.params_
    ours = at_line(
        ELEVEN, theirs["mu_", "Intercept"], theirs["mu_", "x"], math.exp(theirs["sigma_", "Intercept"])
    )
    # their log-likelihood is of the bins themselves, so no density has to be converted
    assert ours == pytest.approx(fitted.log_likelihood_, rel=1e-5)


def test_the_grid_agrees_with_the_conjugate_normal_posterior():
    # Prior N(0.0015, 0.001^2), error 0.05, through the origin, readings (100, 0.12) and (200, 0.30). Closed
    # form: mean 0.001442857143, sd 0.000218217890; life to 0.5 %: 346.534653 h, 277.501258 to 461.288377 h.
    slope = np.linspace(0.0003, 0.0027, 4001)
    points = exact([(100.0, 0.12), (200.0, 0.30)])
    logs = log_likelihood(points, np.array(0.0), slope, sd_pct=0.05) - 0.5 * ((slope - 0.0015) / 0.001) ** 2
    weight = np.exp(logs - logs.max())
    weight /= weight.sum()
    mean = float((weight * slope).sum())
    sd = math.sqrt(float((weight * (slope - mean) ** 2).sum()))
    assert mean == pytest.approx(0.001442857143, rel=1e-7)
    assert sd == pytest.approx(0.000218217890, rel=1e-5)
    edges = np.interp([0.05, 0.5, 0.95], np.cumsum(weight), slope)
    assert 0.5 / edges == pytest.approx([461.288377, 346.534653, 277.501258], rel=1e-3)


def test_the_posterior_is_a_probability_and_its_quantiles_are_ordered():
    found = posterior(ELEVEN, FIRST)
    assert found.weight.sum() == pytest.approx(1.0)
    low, middle, high = found.quantiles(found.slopes(), (0.1, 0.5, 0.9))
    assert low < middle < high
    assert middle == pytest.approx(0.00151371925, rel=0.1)  # near the best line, drawn a little by the prior
    assert found.chance_over(0.5, 0.0) < 1e-6
    assert found.chance_over(0.5, 1000.0) > 0.999999


def test_two_grids_agree_so_the_first_is_fine_enough():
    points = exact([(x, 0.05 + 0.0014 * x) for x in range(20, 260, 20)])
    found = posterior(points, FIRST)
    rng = np.random.default_rng(3)
    intercept = 0.05 + 0.05 * rng.standard_normal(400_000)
    slope = np.exp(math.log(0.0014) + 0.15 * rng.standard_normal(400_000))  # a proposal, corrected below
    prior = -0.5 * ((np.log(slope) - math.log(FIRST.median)) / FIRST.log_sd) ** 2
    proposal = -0.5 * ((np.log(slope) - math.log(0.0014)) / 0.15) ** 2
    logs = log_likelihood(points, intercept, slope) + prior - proposal
    weight = np.exp(logs - logs.max())
    order = np.argsort(slope)
    theirs = np.interp([0.1, 0.5, 0.9], np.cumsum(weight[order]) / weight.sum(), slope[order])
    assert found.quantiles(found.slopes(), (0.1, 0.5, 0.9)) == pytest.approx(theirs, rel=0.01)


def test_separable_gauge_readings_are_never_certainty():
    # With a free error the likelihood of these bins has no maximum: as it runs to 0, every reading fits.
    points = gauge(
        [(50.0 * k, low, low + 0.25) for k, low in enumerate([0, 0, 0.25, 0.25, 0.25, 0.5, 0.5, 0.5], 1)]
    )
    assert at_line(points, 0.04, 0.0017, 0.01) == pytest.approx(0.0, abs=0.01)
    found = posterior(points, FIRST)
    low, middle, high = found.quantiles(found.slopes(), (0.1, 0.5, 0.9))
    assert (high - low) / middle > 0.1


def test_with_no_readings_the_posterior_is_the_prior():
    found = posterior([], FIRST)
    low, middle, high = found.quantiles(np.log(found.slopes()), (0.1587, 0.5, 0.8413))
    assert middle == pytest.approx(math.log(0.0015), abs=0.02)
    assert (high - low) / 2 == pytest.approx(math.log(3.0), rel=0.02)


def test_another_tools_bias_does_not_bend_the_slope():
    true = [(x, 0.05 + 0.0015 * x) for x in (50.0, 100.0, 150.0, 200.0)]
    biased = [(x, y + 0.08) for x, y in true[:2]]
    mixed = exact(biased, ReadingTool.RULER) + exact(true)
    with_bias = posterior(mixed, FIRST)
    without = posterior(exact(true), FIRST)
    ours, theirs = (p.quantiles(p.slopes(), (0.5,))[0] for p in (with_bias, without))
    assert ours == pytest.approx(theirs, rel=0.05)
    lumped = posterior(exact([*biased, *true]), FIRST)
    assert lumped.quantiles(lumped.slopes(), (0.5,))[0] < 0.97 * ours


def test_ninety_per_cent_intervals_hold_the_truth_nine_times_in_ten():
    # 100 chains drawn from the prior: a 90 % interval should hold 84 to 95 of them (95 % binomial range).
    rng = np.random.default_rng(11)
    held = 0
    for _ in range(100):
        slope = FIRST.median * math.exp(FIRST.log_sd * rng.standard_normal())
        intercept = 0.05 + 0.05 * rng.standard_normal()
        xs = np.linspace(0.15, 0.9, 6) * 0.45 / slope
        seen = intercept + slope * xs + 0.05 * rng.standard_normal(6)
        lows = np.floor(np.clip(seen, 0.0, None) / 0.25) * 0.25
        rows = [(x, None if low == 0.0 else low, low + 0.25) for x, low in zip(xs, lows, strict=True)]
        found = posterior(gauge(rows), FIRST)
        life = (0.5 - found.intercept[:, None]) / found.slope[None, :]
        low, high = found.quantiles(life, (0.05, 0.95))
        held += low <= (0.5 - intercept) / slope <= high
    assert 84 <= held <= 95


# --- the forecast ---


def ridden(slope=0.0015, days=60, readings=6, chain="Copper", bike="Plover", start="2025-01-01", noise=()):
    """A chain ridden 3 h a day, measured by caliper at even spaces."""
    first = at(start)
    lines = [f"{first:%Y-%m-%d} 06:00  fitted  {chain}  on {bike}"]
    for number in range(1, days + 1):
        when = first + timedelta(days=number)
        lines.append(f"{when:%Y-%m-%d} 08:00  rode  3 h  on {bike}  dry")
        if readings and number % (days // readings) == 0:
            bump = noise[(number * readings) // days - 1] if noise else 0.0
            lines.append(f"{when:%Y-%m-%d} 20:00  measured  {chain}  {0.05 + slope * 3 * number + bump:.4f}")
    return "\n".join(lines) + "\n"


def test_a_forecast_in_hours_and_in_dates():
    now = at("2025-03-02 22:00")
    found = forecast(ledger_of(ridden()), RULEBOOK, COPPER, now=now)
    assert isinstance(found, Forecast)
    assert (found.x_now, found.readings, found.limit_pct) == (pytest.approx(180.0), 6, 0.5)
    assert found.left[0] < found.left[1] < found.left[2]
    assert found.left[1] == pytest.approx(120.0, rel=0.1)  # (0.5 - 0.05) / 0.0015 = 300 h in all
    assert found.life[1] - found.left[1] == pytest.approx(180.0)
    assert found.on is not None
    assert (found.on[1] - now) / timedelta(days=1) == pytest.approx(found.left[1] / 3.0, rel=1e-6)
    assert found.worn_now_pct[1] == pytest.approx(0.32, abs=0.02)
    assert found.chance_worn < 0.01
    assert found.line is not None
    assert found.line.value == pytest.approx(300.0, rel=1e-6)
    assert found.sentence == (
        f"Copper reaches 0.5 % in about {found.left[1]:.0f} drive hours; "
        f"four times out of five in {found.left[0]:.0f} to {found.left[2]:.0f}."
    )


def test_a_chain_past_its_limit_is_said_to_be_past_it():
    found = forecast(ledger_of(ridden(days=120)), RULEBOOK, COPPER, now=at("2025-05-10 22:00"))

    assert isinstance(found, Forecast)
    assert found.left[1] == 0.0
    assert found.chance_worn > 0.95
    assert found.sentence == (
        f"Copper is past 0.5 % by its readings, with a chance of {found.chance_worn:.0%}."
    )


def test_a_chain_at_rest_has_no_dates_and_a_slow_one_none_beyond_thirty_years():
    resting = forecast(ledger_of(ridden()), RULEBOOK, COPPER, now=at("2025-09-01"))
    assert isinstance(resting, Forecast)
    assert resting.on is None
    crawling = ledger_of(ridden() + "2025-08-31  rode  0.001 h  on Plover  dry")
    found = forecast(crawling, RULEBOOK, COPPER, now=at("2025-09-01"))
    assert isinstance(found, Forecast)
    assert found.on is not None
    assert max(found.on) <= at("2025-09-01") + timedelta(days=11_000)


def test_a_worn_chain_has_nothing_left():
    found = forecast(ledger_of(ridden(slope=0.004)), RULEBOOK, COPPER, now=at("2025-03-02 22:00"))
    assert isinstance(found, Forecast)
    assert found.left == (0.0, 0.0, 0.0)
    assert found.chance_worn > 0.99


def test_a_chain_never_measured_is_not_forecast():
    found = forecast(ledger_of(ridden(readings=0)), RULEBOOK, COPPER, now=at("2025-03-02 22:00"))
    assert found == Refusal(
        COPPER, "Copper was never measured.", "Take a reading when it is next clean.", 0.0
    )


def test_a_chain_that_came_worn_is_called_worn_though_nothing_can_be_forecast():
    text = "2025-01-01  fitted  Copper  on Plover\n2025-01-01 13:00  measured  Copper  0.9\n"
    found = forecast(ledger_of(text), RULEBOOK, COPPER, now=at("2025-01-02"))
    assert isinstance(found, Refusal)
    assert found.wants == "Another reading, with the same tool."
    assert found.chance_worn > 0.95


def test_too_little_wear_is_refused_with_what_it_would_take():
    text = ridden(slope=0.0005, days=10, readings=2)
    found = forecast(ledger_of(text), RULEBOOK, COPPER, now=at("2025-01-11 22:00"))
    assert isinstance(found, Refusal)
    assert found.sentence.startswith(
        "Not enough wear yet to say when Copper is worn: the last reading was at 30 of"
    )
    assert found.wants.startswith("A reading after ")
    assert found.chance_worn < 0.2


def test_readings_that_stand_still_are_refused():
    flat = ridden(slope=0.0, days=120, readings=3, noise=(0.1, 0.1, 0.0))
    narrow = SlopePrior(0.0015, 0.05, "a household that knows its chains")
    found = forecast(ledger_of(flat), RULEBOOK, COPPER, now=at("2025-05-10"), prior=narrow)
    assert isinstance(found, Refusal)
    assert found.sentence.startswith(
        "The readings of Copper do not show yet that it wears: with a chance of "
    )
    assert falling_chance([], FIRST) == pytest.approx(0.5, abs=0.01)


def test_readings_that_decrease_are_taken_as_they_are():
    points = exact([(50.0, 0.15), (100.0, 0.14), (150.0, 0.30), (200.0, 0.35)])
    assert falling_chance(points, FIRST) < 0.01
    assert posterior(points, FIRST).weight.sum() == pytest.approx(1.0)
    mixed = points + exact([(50.0, 0.2), (200.0, 0.4)], ReadingTool.RULER)
    assert falling_chance(mixed, FIRST) < 0.01


def test_wear_can_be_reckoned_per_hour_grit_hour_or_kilometre():
    text = ridden().replace("dry", "wet")
    now = at("2025-03-02 22:00")
    by = {}
    for measure in Measure:
        found = forecast(ledger_of(text), RULEBOOK, COPPER, now=now, measure=measure)
        assert isinstance(found, Forecast)
        by[measure] = found
    assert by[Measure.GRIT_HOURS].x_now == pytest.approx(180 * 2.6)
    assert by[Measure.KILOMETRES].x_now == pytest.approx(180 * 25.0)
    assert by[Measure.KILOMETRES].life[1] == pytest.approx(by[Measure.DRIVE_HOURS].life[1] * 25.0, rel=1e-3)
    assert Measure.KILOMETRES.first_slope == pytest.approx(0.0015 / 25)


def test_each_reading_stands_at_what_was_ridden_before_it():
    past = history(ledger_of(ridden(days=10, readings=2)), COPPER, RULEBOOK)
    assert [point.x for point in wear_points(past, Measure.DRIVE_HOURS)] == [15.0, 30.0]


def test_a_riders_own_limit_holds_for_the_forecast():
    book = parse_rulebook('[rider."Ada"]\nwear_narrow = 0.4', name="my.toml", base=RULEBOOK)
    found = forecast(ledger_of(ridden()), book, COPPER, now=at("2025-03-02 22:00"))
    assert isinstance(found, Forecast)
    assert found.limit_pct == 0.4
    off = ledger_of(ridden() + "2025-03-02 21:00  removed  Copper")
    found = forecast(off, book, COPPER, now=at("2025-03-02 22:00"))
    assert found.limit_pct == 0.4  # on the shelf it keeps what was set for its last bike and rider


def test_the_household_learns_from_its_own_chains():
    now = at("2025-12-01")
    text = "chain Copper\n" + "".join(
        ridden(slope=0.003, chain=chain, bike=bike)
        for chain, bike in (("Slate", "Curlew"), ("Tin", "Godwit"))
    )
    ledger = ledger_of(text)
    learned = learned_prior(ledger, RULEBOOK, ledger.chain(COPPER), Measure.DRIVE_HOURS, now=now)
    assert 0.002 < learned.median < 0.003
    assert learned.log_sd < FIRST.log_sd
    assert learned.because == "2 earlier chains of this household, waxed"
    lube = ledger_of("chain Copper  12-speed  wet lube\n" + text.removeprefix("chain Copper\n"))
    assert learned_prior(lube, RULEBOOK, lube.chain(COPPER), Measure.DRIVE_HOURS, now=now) == FIRST
    one = ledger_of("chain Copper\n" + ridden(slope=0.003, chain="Slate", bike="Curlew", readings=1))
    assert learned_prior(one, RULEBOOK, one.chain(COPPER), Measure.DRIVE_HOURS, now=now) == FIRST
    single = ledger_of("chain Copper\n" + ridden(slope=0.003, chain="Slate", bike="Curlew"))
    assert learned_prior(single, RULEBOOK, single.chain(COPPER), Measure.DRIVE_HOURS, now=now).because == (
        "1 earlier chain of this household, waxed"
    )


def test_the_second_opinion_needs_four_exact_readings_of_one_tool():
    points = exact([(50.0, 0.12), (100.0, 0.2), (150.0, 0.27), (200.0, 0.36)])
    assert line_check(points, 0.5) is not None
    assert line_check(points[:3], 0.5) is None
    assert line_check(points + exact([(210.0, 0.4)], ReadingTool.RULER), 0.5) is None
    assert line_check(points + gauge([(210.0, 0.25, 0.5)]), 0.5) is None
    assert line_check(exact([(50.0, 0.12)] * 4), 0.5) is None


def test_the_chance_that_fitted_chains_are_worn_now():
    text = ridden(slope=0.004) + ridden(slope=0.0005, chain="Slate", bike="Curlew") + "chain Tin\n"
    off = ridden(chain="Zinc", bike="Godwit") + "2025-03-02 21:00  removed  Zinc"
    found = chances_worn(ledger_of(text + off), RULEBOOK, now=at("2025-03-02 22:00"))
    assert set(found) == {COPPER, SLATE}
    assert found[COPPER] > 0.99
    assert found[SLATE] < 0.05
