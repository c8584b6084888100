"""The household's one model of wear: its formulas, its gradient, and its draws against brute force."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from rules.rulebook import default_rulebook
from rules.vocabulary import ChainId, ReadingTool
from rules.wear.forecast import steady_wear
from rules.wear.model import (
    FIRST_RATE,
    NEW_PCT,
    SPREADS,
    USED_PCT,
    USED_SHARE,
    WearModel,
    _started,
    _worn_share,
    stretch_variance,
)
from rules.wear.posterior import _best, _fit, _in_turn, _whitened, fit
from rules.wear.reading_arrays import Measured, Part, Taken, measured
from rules.wear.reading_error import Readings, interval
from tests.rules.notation import at, ledger_of

RULEBOOK = default_rulebook()
ASSUMED = ((2.0, 0.70), (5.0, 0.82), (1.0, 0.70), (1.0, 0.84))

# Eleven gauge readings in bins 0.25 % wide, by drive hours.
GAUGE_H = np.array([40, 80, 120, 160, 160, 200, 240, 280, 320, 360, 400], dtype=float)
GAUGE_LOW = np.array([0, 0, 0, 0, 0.25, 0.25, 0.5, 0.25, 0.25, 0.5, 0.5])


def at_line(intercept, slope, sd):
    heard = interval(GAUGE_LOW, GAUGE_LOW + 0.25, intercept + slope * GAUGE_H, np.full(11, sd))
    return float(heard.log.sum())


def test_the_probability_of_an_interval():
    # N(0.4, 0.1) between 0.25 and 0.5: arithmetic on the normal distribution, 0.774537545
    from scipy import stats

    ends = np.array([0.25, -math.inf, 0.25]), np.array([0.5, 0.25, math.inf])
    found = np.exp(interval(*ends, np.full(3, 0.4), np.full(3, 0.1)).log)
    wanted = [0.774537545, stats.norm.cdf(0.25, 0.4, 0.1), stats.norm.sf(0.25, 0.4, 0.1)]
    assert found == pytest.approx(wanted, abs=1e-9)


def test_a_reading_far_from_all_reason_keeps_its_digits():
    from scipy import stats

    far = np.array([-0.5, 2.0])
    heard = interval(np.full(2, 0.25), np.full(2, 0.5), far, np.full(2, 0.04))
    below = stats.norm.logsf(0.25, -0.5, 0.04)  # the far end adds nothing
    assert heard.log[0] == pytest.approx(below, rel=1e-6)
    assert np.isfinite(heard.log).all()
    assert np.isfinite(heard.slope).all()
    assert heard.slope[0] > 0.0 > heard.slope[1]
    assert (heard.curvature >= 0.0).all()


def test_what_an_interval_says_of_its_slope_and_bend_is_how_its_log_changes():
    step, sd = 1e-4, 0.08
    for low, high in ((0.25, 0.5), (-math.inf, 0.25), (0.5, math.inf)):
        for expected in (0.2, 0.3, 0.45, 0.6):
            at = np.array([expected - step, expected, expected + step])
            heard = interval(np.full(3, low), np.full(3, high), at, np.full(3, sd))
            before, here, after = heard.log
            assert heard.slope[1] == pytest.approx((after - before) / (2 * step), rel=1e-4, abs=1e-4)
            assert heard.curvature[1] == pytest.approx(
                -(after - 2 * here + before) / step**2, rel=1e-3, abs=1e-3
            )


def test_the_likelihood_of_interval_readings_against_published_software():
    # Worked twice elsewhere: own maximum likelihood, and lifelines on exp of the bounds (the next test).
    best = at_line(0.0308435, 0.00151371925, 0.0793522)
    assert best == pytest.approx(-6.243644759, rel=1e-6)
    assert at_line(0.0, 0.00162948, 0.0802494) == pytest.approx(-6.328232, rel=1e-6)
    for intercept, slope, sd in [
        (0.035, 0.0015137, 0.07935),
        (0.03084, 0.00153, 0.07935),
        (0.03084, 0.00151, 0.083),
    ]:
        assert at_line(intercept, slope, sd) < best


def test_the_likelihood_agrees_with_lifelines_itself():
    import pandas
    from lifelines import LogNormalAFTFitter

    data = pandas.DataFrame({"low": np.exp(GAUGE_LOW), "high": np.exp(GAUGE_LOW + 0.25), "x": GAUGE_H})
    fitted = LogNormalAFTFitter().fit_interval_censoring(data, "low", "high")
    theirs = fitted.params_
    ours = at_line(theirs["mu_", "Intercept"], theirs["mu_", "x"], math.exp(theirs["sigma_", "Intercept"]))
    # their log-likelihood is of the bins themselves, so no density has to be converted
    assert ours == pytest.approx(fitted.log_likelihood_, rel=1e-5)


def test_exact_readings_are_near_the_normal_and_a_slip_pulls_less():
    from scipy import stats

    taken = [_caliper(0.31), _caliper(0.31)]
    heard = Readings(taken).hear(np.array([[0.30, 0.01]]))
    assert heard.log[0] == pytest.approx(stats.t.logpdf([1 / 3, 10.0], 8) - math.log(0.03))  # scipy's own
    normal = 0.30 / 0.03**2
    assert heard.slope[0, 1] < 0.1 * normal


def _caliper(pct, chain=0, drive_h=100.0, parts=1):
    return Taken(chain, ReadingTool.CALIPER, "", -math.inf, math.inf, pct, drive_h, parts)


def _one_chain(*hours, taken=(), bikes=()):
    """Of one waxed chain: hours, those times water, mud, dust and salt, of one stretch."""
    return Measured(
        chains=(ChainId(1),),
        waxed=(True,),
        limits_pct=(0.5,),
        assumed=ASSUMED,
        bikes=bikes,
        parts=(Part(0, 0, 0, hours),),
        taken=taken,
        intervals=1,
    )


def test_the_formula_of_wear():
    # Worked by hand: H 100, W 20, M 2, D 10 at weights 2, 5, 1 are 160 grit-hours; at 0.0015 % each 0.24 %;
    # acceleration 0.2, running-in 0.05, start 0.02, limit 0.5: 0.3091250027 %.
    model = WearModel(_one_chain(100.0, 20.0, 2.0, 10.0, 0.0, taken=(_caliper(0.3),), bikes=(1,)))
    draw = model.prior_mean.copy()
    mean_weight = 1.0 + model.mean_dirt @ np.exp(draw[model.at.weights])
    draw[model.at.rate] = math.log(0.0015 * mean_weight) - model.offset[0]
    assert model.steady_pct(draw[None, :])[0, 0] == pytest.approx(0.24)
    z, kappa = 0.24, 0.2
    seen = 0.02 + 0.05 * (1 - math.exp(-10.0)) + z * (1 + kappa * z / 0.5) / (1 + kappa / 2)
    assert seen == pytest.approx(0.3091250027, abs=1e-9)
    assert float(steady_wear(0.5, 0.07, kappa, 0.5)) == pytest.approx(0.4068041526, abs=1e-9)
    back = float(steady_wear(0.4, 0.07, kappa, 0.5))
    assert 0.07 + back * (1 + kappa * back / 0.5) / (1 + kappa / 2) == pytest.approx(0.4)


def test_where_a_reading_is_just_what_is_foreseen_the_curvature_is_that_of_the_log_posterior():
    """Gauss and Newton leave out what residuals add: nothing, where there is none."""
    model, spread = (
        WearModel(_one_chain(100.0, 20.0, 2.0, 10.0, 0.0, taken=(_caliper(0.3),), bikes=(1,))),
        np.array([0.4]),
    )
    draw = model.prior_mean.copy()
    z, kappa = model.steady_pct(draw[None, :])[0, 0], math.exp(draw[model.at.acceleration])
    seen = math.exp(draw[model.at.running_in]) * model.run_in[0]
    seen += draw[model.at.starts][0] + z * (1 + kappa * z / 0.5) / (1 + kappa / 2)
    model = WearModel(replace(model.facts, taken=(_caliper(float(seen)),)))
    found = model.curvature(draw, float(spread[0]))
    places = [model.at.rate, model.at.acceleration, model.at.running_in, model.at.chains.start]
    for place in places:
        step = np.zeros(model.at.count)
        step[place] = 1e-5
        up, down = (model.at_draws((draw + sign * step)[None, :], spread).gradient[0] for sign in (1.0, -1.0))
        assert found[place, places] == pytest.approx((down - up)[places] / 2e-5, rel=1e-4, abs=1e-4)


def test_where_a_chain_starts_is_a_density_and_its_slope_its_own():
    pct = np.linspace(-1.0, 1.5, 20_001)
    log, slope, _ = _started(pct)
    assert float(np.exp(log).sum()) * (pct[1] - pct[0]) == pytest.approx(1.0, abs=1e-5)
    assert slope[1:-1] == pytest.approx((log[2:] - log[:-2]) / (pct[2:] - pct[:-2]), rel=1e-3, abs=1e-3)


def test_a_kind_of_dirt_that_was_hardly_met_has_no_weight_of_its_own():
    assert WearModel(_one_chain(100.0, 0.1, 0.2, 0.0, 10.0)).kinds == [1, 3]  # of water a thousandth


def household(*, days=60):
    lines = ["chain Slate  12-speed", "chain Zinc  12-speed  wet lube"]
    words = ("dry", "wet", "dusty", "wet")
    for name, bike, slope in (("Slate", "Plover", 0.0012), ("Zinc", "Curlew", 0.002)):
        first = at("2025-01-01")
        lines.append(f"2025-01-01 06:00  fitted  {name}  on {bike}")
        for number in range(1, days + 1):
            when = first + timedelta(days=number)
            word = words[(number // 5) % 4]
            lines.append(f"{when:%Y-%m-%d} 08:00  rode  3 h  on {bike}  {word}")
            if number % 12 == 0:
                lines.append(
                    f"{when:%Y-%m-%d} 20:00  measured  {name}  {0.05 + slope * 3 * number:.3f}"
                    if name == "Slate"
                    else f"{when:%Y-%m-%d} 20:00  measured  {name}  under 0.25"
                )
    ledger = ledger_of("bike Plover  of Ada  unpaved 0.5\n" + "\n".join(lines))
    return measured(ledger, RULEBOOK, now=at("2025-12-01"))


def test_the_gradient_is_that_of_the_log_posterior():
    model = WearModel(household())
    dice = np.random.default_rng(4)
    draws = model.start() + 0.3 * dice.standard_normal((4, model.at.count))
    draws[:, model.at.starts] = 0.02 + 0.05 * dice.standard_normal((4, 2))
    spread = SPREADS[[0, 2, 4, 6]]
    judged = model.at_draws(draws, spread)
    assert (len(model.kinds), len(model.tools), model.has_wax, model.many_bikes) == (2, 1, True, True)
    for place in range(model.at.count):
        step = np.zeros(model.at.count)
        step[place] = 1e-5
        up, down = (model.at_draws(draws + sign * step, spread).log for sign in (1.0, -1.0))
        slope = (up - down) / 2e-5
        assert judged.gradient[:, place] == pytest.approx(slope, rel=1e-5, abs=1e-4)


def test_another_spread_moves_the_chains_own_prior_alone():
    model = WearModel(household())
    draws = model.start() + 0.3 * np.random.default_rng(5).standard_normal((4, model.at.count))
    before, spread = SPREADS[[0, 2, 4, 6]], SPREADS[[6, 2, 1, 0]]
    moved = model.spread_anew(model.at_draws(draws, before), draws, before, spread)
    whole = model.at_draws(draws, spread)
    assert moved.log == pytest.approx(whole.log)
    assert moved.gradient == pytest.approx(whole.gradient)


def prior_draws(model, count, dice):
    """Everything from the priors, straight from their definition."""
    spread = SPREADS[dice.choice(len(SPREADS), size=count, p=_spread_prior())]
    draws = model.prior_mean + model.prior_sd * dice.standard_normal((count, model.at.count))
    weight = 1.0 + np.exp(draws[:, model.at.weights]) @ model.mean_dirt
    draws[:, model.at.rate] = FIRST_RATE[0] + np.log(weight) + FIRST_RATE[1] * dice.standard_normal(count)
    chains = draws[:, model.at.chains].shape
    draws[:, model.at.chains] = spread[:, None] * dice.standard_normal(chains)
    used = dice.random(chains) < USED_SHARE
    new = NEW_PCT[0] + NEW_PCT[1] * dice.standard_normal(chains)
    draws[:, model.at.starts] = np.where(used, USED_PCT[0] + USED_PCT[1] * dice.standard_normal(chains), new)
    return draws


def _spread_prior():
    share = np.exp(-0.5 * ((np.log(SPREADS) - math.log(0.35)) / 0.5) ** 2)
    return share / share.sum()


def log_likelihood(model, draws):
    kappa = np.exp(draws[:, model.at.acceleration])[:, None]
    z = model.steady_pct(draws)
    worn = z * (1.0 + kappa * z / model.limits) / (1.0 + 0.5 * kappa)
    run = np.exp(draws[:, model.at.running_in])[:, None] * model.run_in
    tools = draws[:, model.at.tools] @ model.of_tool.T
    return model.readings.hear(draws[:, model.at.starts] @ model.of_chain.T + run + worn + tools).log.sum(
        axis=1
    )


@pytest.mark.parametrize("tool", ["caliper", "gauge"])
def test_the_draws_agree_with_brute_force(tool):
    # 400 000 draws from the priors, weighed by the likelihood alone: no gradient, no walk, no best fit.
    hours = (150.0, 45.0, 0.0, 30.0, 0.0)
    parts = tuple(Part(0, 0, number, hours) for number in range(2))
    if tool == "caliper":
        taken = (_caliper(0.17, drive_h=150.0, parts=1), _caliper(0.33, drive_h=300.0, parts=2))
    else:
        gauge = ReadingTool.GAUGE
        taken = (
            Taken(0, gauge, "", -math.inf, 0.25, math.nan, 150.0, 1),
            Taken(0, gauge, "", 0.25, 0.5, math.nan, 300.0, 2),
        )
    model = WearModel(Measured((ChainId(1),), (True,), (0.5,), ASSUMED, (1,), parts, taken, 2))
    dice = np.random.default_rng(9)
    prior = prior_draws(model, 400_000, dice)
    weight = np.exp(log_likelihood(model, prior))
    ours = fit(model.facts)

    def life(draws):
        kappa, running_in = np.exp(draws[:, model.at.acceleration]), np.exp(draws[:, model.at.running_in])
        z = steady_wear(0.5, draws[:, model.at.starts.start] + running_in, kappa, 0.5)
        return z / np.exp(draws[:, model.at.rate] + draws[:, model.at.chains.start])  # in average hours

    for what in (life, lambda draws: np.exp(draws[:, model.at.weights.start])):
        theirs, order = what(prior), np.argsort(what(prior))
        cut = np.interp([0.1, 0.5, 0.9], np.cumsum(weight[order]) / weight.sum(), theirs[order])
        assert np.quantile(what(ours.draws), [0.1, 0.5, 0.9]) == pytest.approx(
            cut, rel=0.15
        )  # the 90 % point of 400 draws strays 8 %
    assert 0.35 < ours.accepted < 0.95


def test_the_same_facts_are_fitted_once_and_to_the_same_answer():
    facts = household()
    again = household()
    assert fit(facts) is fit(again)
    assert not np.array_equal(fit(facts).draws, fit(replace(facts, limits_pct=(0.6, 0.6))).draws)


def test_a_search_cut_short_is_mended_by_the_walk(monkeypatch):
    facts = household()
    whole = fit(facts)
    monkeypatch.setattr("rules.wear.posterior.NEWTON_STEPS", 2)
    short = _fit(WearModel(facts))
    for chain in facts.chains:
        found, wanted = (np.quantile(one.log_rate(chain, None), [0.1, 0.5, 0.9]) for one in (short, whole))
        assert found == pytest.approx(wanted, abs=0.15)


def test_doubling_the_water_and_halving_its_weight_changes_nothing():
    facts = household()
    double = tuple(
        replace(part, hours=(part.hours[0], 2.0 * part.hours[1], *part.hours[2:])) for part in facts.parts
    )
    halved = ((1.0, 0.70), *facts.assumed[1:])
    one, other = fit(facts), fit(replace(facts, parts=double, assumed=halved))
    place = one.model.at.weights.start
    # but for a draw or two, whose step was taken by a hair and now is not
    weights = np.exp(other.draws[:, place] - one.draws[:, place])
    assert np.isclose(weights, 0.5, rtol=0.01).mean() > 0.98
    rates = other.log_rate(ChainId(1), None) - one.log_rate(ChainId(1), None)
    assert np.isclose(rates, 0.0, atol=0.05).mean() > 0.98


def test_weights_stay_where_they_were_assumed_when_all_riding_is_alike():
    # two chains in the same mix of weather: readings cannot tell water from hours
    facts = household()
    alike = tuple(replace(part, hours=(36.0, 9.0, 0.0, 9.0, 0.0)) for part in facts.parts)
    found = fit(replace(facts, parts=alike))
    assert float(np.log(found.weights[:, 1]).std()) > 0.6


def test_each_gauge_has_a_bias_of_its_own():
    facts = household()
    two = tuple(
        replace(one, instrument="red gauge" if number % 2 else "old")
        for number, one in enumerate(facts.taken)
        if one.tool is ReadingTool.GAUGE
    )
    exact = tuple(one for one in facts.taken if one.tool is ReadingTool.CALIPER)
    model = WearModel(replace(facts, taken=(*exact, *two)))
    assert model.tools == [(ReadingTool.GAUGE, "old"), (ReadingTool.GAUGE, "red gauge")]
    assert model.of_tool[: len(exact)].sum() == 0.0  # a caliper has none to speak of
    assert (model.of_tool[len(exact) :].sum(axis=1) == 1.0).all()


def test_a_drop_in_gauge_is_taken_to_read_a_little_high():
    model = WearModel(household())
    place = model.at.tools.start + model.tools.index((ReadingTool.GAUGE, ""))
    assert (model.prior_mean[place], model.prior_sd[place]) == (0.02, 0.04)  # roller play: common practice
    only_calipers = replace(
        household(), taken=tuple(one for one in household().taken if one.tool is ReadingTool.CALIPER)
    )
    assert WearModel(only_calipers).tools == []


def test_a_ruler_that_reads_long_moves_its_bias_and_hardly_the_rate():
    def rate_of(offset):
        rows = [(hours, 0.03 + 0.0015 * hours) for hours in (60.0, 120.0, 180.0, 240.0)]
        parts = tuple(Part(0, 0, number, (60.0, 0.0, 0.0, 0.0, 0.0)) for number in range(4))
        taken = []
        for count, (hours, pct) in enumerate(rows, start=1):
            taken.append(_caliper(pct, drive_h=hours, parts=count))
            taken.append(replace(_caliper(pct + offset, drive_h=hours, parts=count), tool=ReadingTool.RULER))
        facts = Measured((ChainId(1),), (True,), (0.5,), ASSUMED, (1,), parts, tuple(taken), 4)
        found = fit(facts)
        return float(np.median(found.log_rate(ChainId(1), None)))

    assert rate_of(0.05) == pytest.approx(rate_of(0.0), abs=0.06)


def test_the_curvature_is_what_readings_feel_of_every_parameter_and_what_was_assumed_of_it():
    """J' H J + P: J by small steps in each parameter, H from the readings, P from the priors as written."""
    model, spread, places = WearModel(household()), 0.3, WearModel(household()).at
    draw = model.start() + 0.2 * np.random.default_rng(6).standard_normal(model.at.count)
    draw[places.starts] = (0.01, 0.3)
    heard, readings = [], model.readings

    class Listening:
        def hear(self, seen):
            heard.append((seen, readings.hear(seen)))
            return heard[-1][1]

    model.readings = Listening()
    found = model.curvature(draw, spread)
    bend = heard.pop()[1].curvature[0]
    step = 1e-5
    felt = []
    for place in range(places.count):
        moved = np.stack([draw, draw])
        moved[:, place] += (step, -step)
        model.at_draws(moved, np.full(2, spread))
        seen = heard.pop()[0]
        felt.append((seen[0] - seen[1]) / (2 * step))
    expected = np.array(felt) @ np.diag(bend) @ np.array(felt).T

    def priors(at):
        """Minus ln of the priors: all normal, the rate's of a grit-hour, chains by the spread."""
        weight = np.exp(at[places.weights])
        off = at - model.prior_mean
        off[places.rate] -= math.log(1.0 + weight @ model.mean_dirt)
        off[places.chains] = off[places.starts] = 0.0
        return 0.5 * ((off / model.prior_sd) ** 2).sum() + 0.5 * (at[places.chains] ** 2).sum() / spread**2

    share = np.exp(draw[places.weights]) * model.mean_dirt
    share /= 1.0 + share.sum()
    ridge = np.zeros(places.count)
    ridge[places.rate], ridge[places.weights] = 1.0, -share
    precision = 1.0 / model.prior_sd**2
    precision[places.rate], precision[places.starts] = 0.0, _started(draw[places.starts])[2]
    precision[places.chains] = 1.0 / spread**2
    expected += np.outer(ridge, ridge) / FIRST_RATE[1] ** 2 + np.diag(precision)
    assert found == pytest.approx(expected, rel=1e-4, abs=1e-5 * np.abs(expected).max())

    # and the same priors are those of the log posterior, beside what the readings and the starts say
    other = draw + 0.1
    logs = model.at_draws(np.stack([draw, other]), np.full(2, spread)).log
    said = heard.pop()[1].log.sum(axis=1) + _started(np.stack([draw, other])[:, places.starts])[0].sum(axis=1)
    assert (logs - said)[0] - (logs - said)[1] == pytest.approx(priors(other) - priors(draw))


def test_the_best_fit_has_no_slope_and_its_root_is_that_of_the_covariance():
    model, spread = WearModel(household()), float(SPREADS[3])
    mode, root, log = _best(model, model.start(), spread)
    judged = model.at_draws(mode[None, :], np.array([spread]))
    curvature = model.curvature(mode, spread)
    assert root @ root.T == pytest.approx(np.linalg.inv(curvature), rel=1e-6, abs=1e-9)
    assert float(judged.gradient[0] @ root @ root.T @ judged.gradient[0]) < 1e-3
    assert log == pytest.approx(float(judged.log[0]) - 0.5 * np.linalg.slogdet(curvature)[1])


def test_a_pull_is_whitened_and_cut_at_one_and_a_half_of_its_usual_length():
    gradient = np.array([[0.3, 0.4], [30.0, 40.0], [0.0, 0.0], [0.3, 0.4]])
    roots = np.array([np.eye(2), 2.0 * np.eye(2)])
    usual = 1.5 * math.sqrt(2.0)
    expected = [[0.3, 0.4], [0.6 * usual, 0.8 * usual], [0.0, 0.0], [0.6, 0.8]]
    assert _whitened(gradient, np.array([0, 0, 0, 1]), roots) == pytest.approx(np.array(expected))


def test_what_is_drawn_anew_takes_its_turn():
    model = WearModel(household())
    first = model.at.weights.start
    always = [model.at.running_in, model.at.acceleration]
    assert [_in_turn(model, step) for step in range(6)] == [
        always,
        [first],
        always,
        [first + 1],
        always,
        [first],
    ]
    plain = WearModel(_one_chain(100.0, 0.0, 0.0, 0.0, 0.0, taken=(_caliper(0.3),)))
    assert _in_turn(plain, 1) == []


def test_the_search_begins_at_the_priors_middle_and_at_a_used_chain_where_the_first_reading_shows_one():
    def started(*taken):
        model = WearModel(_one_chain(100.0, 20.0, 2.0, 10.0, 5.0, taken=taken))
        draw = model.start()
        assert draw[model.at.rate] - model.prior_mean[model.at.rate] == pytest.approx(
            math.log(1.0 + 0.2 * 2.0 + 0.02 * 5.0 + 0.1 * 1.0 + 0.05 * 1.0)
        )
        return float(draw[model.at.starts][0])

    gauge = Taken(0, ReadingTool.GAUGE, "", 0.25, 0.5, math.nan, 1.0, 1)
    assert started(_caliper(0.18, drive_h=0.0)) == 0.18
    assert started(_caliper(0.17, drive_h=0.0)) == NEW_PCT[0]
    assert started(_caliper(0.5, drive_h=20.0)) == 0.5  # more than .17 and ten times .0016 an hour
    assert started(_caliper(0.48, drive_h=20.0)) == NEW_PCT[0]
    assert started(gauge) == 0.25
    assert started(_caliper(0.02, drive_h=1.0), _caliper(0.9, drive_h=2.0)) == NEW_PCT[0], "the first counts"


def test_how_worn_chains_were_is_by_their_last_readings_within_a_fifth_and_the_whole_limit():
    def share(*taken):
        return _worn_share(_one_chain(100.0, 0.0, 0.0, 0.0, 0.0, taken=taken))

    over = Taken(0, ReadingTool.GAUGE, "", 0.25, 0.5, math.nan, 100.0, 1)
    table = [
        ((), 0.5),
        ((_caliper(0.3),), 0.6),
        ((_caliper(0.05),), 0.2),
        ((_caliper(0.7),), 1.0),
        ((over,), 0.5),
    ]
    for taken, expected in table:
        assert share(*taken) == pytest.approx(expected), taken
    assert share(_caliper(0.1), _caliper(0.4)) == pytest.approx(0.8)
    model = WearModel(_one_chain(100.0, 0.0, 0.0, 0.0, 0.0, taken=(_caliper(0.3),)))
    kappa = 0.2
    assert model.sped_up(np.log([kappa]))[0] == pytest.approx(math.log((1 + kappa * 0.6) / (1 + 0.5 * kappa)))


def test_a_stretch_strays_by_a_quarter_at_forty_grit_hours_and_by_half_at_ten_or_less():
    assert stretch_variance(np.array([160.0, 40.0, 10.0, 2.0])) == pytest.approx(
        [0.125**2, 0.25**2, 0.25, 0.25]
    )
