"""Draws from the posterior of a household's wear: the best fit for each spread, then walks from there.

The spread from chain to chain runs over a few values; each has its best fit and the normal around it
(the idea of INLA: Rue, Martino & Chopin 2009, J. R. Statist. Soc. B 71:319, from memory). Draws of that
mixture are then corrected by Metropolis-adjusted Langevin steps, all at once; the spread is drawn anew in
between. The dice are seeded: the same facts give the same answer.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from rules.vocabulary import BikeId, ChainId
from rules.wear.chain_readings import KINDS
from rules.wear.model import BIKE_SD, SPREAD, SPREADS, Judged, WearModel
from rules.wear.reading_arrays import Array, Measured, Whole

DRAWS = 400
STEPS = 25
REDRAW_EVERY = 2
NEWTON_STEPS = 40
SEED = 20_260
MOST_PULL = 1.5  # times the root of the number of parameters, which is its usual length


@dataclass(frozen=True)
class WearFit:
    """What the readings say, as equally likely draws (first axis)."""

    facts: Measured
    model: WearModel
    draws: Array  # draws x parameters, as model.at places them
    spread: Array  # sd of ln rate from chain to chain
    accepted: float  # share of steps taken; near 0.57 where the walk is well tuned

    @property
    def weights(self) -> Array:
        """draws x 5: what an hour weighs, 1 for the hour itself, then water, mud, dust, salt."""
        found = np.ones((len(self.draws), 1 + len(KINDS)))
        for place in range(1, 1 + len(KINDS)):
            found[:, place] = self.facts.assumed[place - 1][0]
        for place, number in enumerate(self.model.kinds):
            found[:, 1 + number] = np.exp(self.draws[:, self.model.at.weights.start + place])
        return found

    def log_rate(self, chain: ChainId, bike: BikeId | None) -> Array:
        """ln of steady wear per grit-hour at mid-life, on this bike. [ln %]"""
        model, own = self.model, self.facts.chains.index(chain)
        rate = self.draws[:, model.at.rate] + self.draws[:, model.at.chains.start + own]
        if model.has_wax and self.facts.waxed[own]:
            rate = rate + self.draws[:, model.at.wax.start]
        if model.many_bikes:
            if bike in self.facts.bikes:
                rate = rate + self.draws[:, model.at.bikes.start + self.facts.bikes.index(bike)]
            else:
                rate = rate + BIKE_SD * np.random.default_rng(SEED + 1).standard_normal(len(rate))
        mean_weight = self.weights @ self.facts.mean_hour
        return np.asarray(rate - np.log(mean_weight))

    @property
    def wax(self) -> Array | None:
        """ln of wear waxed / wet lube; None where all chains are cared for alike."""
        return self.draws[:, self.model.at.wax.start] if self.model.has_wax else None


@lru_cache(maxsize=16)
def _remembered(key: _Key, blind: bool) -> WearFit:
    return _fit(WearModel(key.facts, blind=blind))


class _Key:
    """Facts by what they say: the same facts of another reading of the ledger are fitted once."""

    def __init__(self, facts: Measured) -> None:
        self.facts = facts
        self.said = (
            facts.chains,
            facts.waxed,
            facts.limits_pct,
            facts.assumed,
            facts.bikes,
            facts.mean_known,
            facts.part_hours.tobytes(),
            tuple((part.chain, part.bike, part.interval) for part in facts.parts),
            repr(facts.taken),  # nan equals nan
        )

    def __hash__(self) -> int:
        return hash(self.said)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Key) and self.said == other.said


def fit(facts: Measured, *, blind: bool = False) -> WearFit:
    """What do these readings say of wear? blind: without being told which chains are waxed."""
    return _remembered(_Key(facts), blind)


def _fit(model: WearModel) -> WearFit:
    dice = np.random.default_rng(SEED)
    modes, roots, evidence = [], [], []
    mode = model.start()
    for spread in SPREADS[::-1]:  # from loose to tight: each best fit starts at the one before
        mode, root, log = _best(model, mode, float(spread))
        modes.append(mode)
        roots.append(root)
        evidence.append(log - 0.5 * ((np.log(spread) - SPREAD[0]) / SPREAD[1]) ** 2)
    modes, roots, evidence = modes[::-1], roots[::-1], evidence[::-1]
    share = np.exp(np.array(evidence) - max(evidence))
    edges = np.cumsum(share / share.sum())
    level = np.searchsorted(edges, (np.arange(DRAWS) + 0.5) / DRAWS).clip(0, len(SPREADS) - 1)
    noise = dice.standard_normal((DRAWS, model.at.count))
    draws = np.empty_like(noise)
    for number in np.unique(level):
        mine = level == number
        draws[mine] = modes[number] + noise[mine] @ roots[number].T
    return _walk(model, draws, level, np.stack(roots), dice)


def _best(model: WearModel, start: Array, spread: float) -> tuple[Array, Array, float]:
    """The most likely draw for this spread, a root of the covariance around it, and its log evidence."""
    one = np.array([spread])
    here, judged = start, model.at_draws(start[None, :], one)
    for _ in range(NEWTON_STEPS):
        step = np.linalg.solve(model.curvature(here, spread), judged.gradient[0])
        gain = float(step @ judged.gradient[0])
        length = 1.0
        while length > 1e-4:
            there = here + length * step
            found = model.at_draws(there[None, :], one)
            if found.log[0] > judged.log[0]:
                break
            length *= 0.5
        else:
            break
        here, judged = there, found
        if gain < 1e-3:
            break
    lower = np.linalg.cholesky(model.curvature(here, spread))
    root = np.linalg.solve(lower.T, np.eye(len(here)))
    log = float(judged.log[0] - np.log(np.diag(lower)).sum())
    return here, root, log


def _walk(model: WearModel, draws: Array, level: Whole, roots: Array, dice: np.random.Generator) -> WearFit:
    """Langevin steps from each draw, by the covariance of its spread; the spread is drawn between steps."""
    count = draws.shape[1]
    reach = 1.3 * count ** (-1.0 / 6.0)
    log_spread_prior = -0.5 * ((np.log(SPREADS) - SPREAD[0]) / SPREAD[1]) ** 2
    roots_back = roots.transpose(0, 2, 1)
    taken = 0.0
    here = model.at_draws(draws, SPREADS[level])
    for step in range(STEPS):
        noise = dice.standard_normal(draws.shape)
        pull = _whitened(here.gradient, level, roots)
        there = draws + _rooted(0.5 * reach**2 * pull + reach * noise, level, roots_back)
        with np.errstate(over="ignore", invalid="ignore"):
            found = model.at_draws(there, SPREADS[level])
        back = noise + 0.5 * reach * (pull + _whitened(found.gradient, level, roots))
        log_odds = found.log - here.log - 0.5 * (back**2).sum(axis=1) + 0.5 * (noise**2).sum(axis=1)
        yes = np.log(dice.random(len(draws))) < np.nan_to_num(log_odds, nan=-np.inf)
        taken += float(yes.mean()) / STEPS
        draws, here = _where(yes, there, found, draws, here)
        own = draws[:, model.at.chains]
        by_spread = (
            log_spread_prior
            - own.shape[1] * np.log(SPREADS)
            - 0.5 * (own**2).sum(axis=1)[:, None] / SPREADS**2
        )
        by_spread = np.exp(by_spread - by_spread.max(axis=1, keepdims=True))
        edges = np.cumsum(by_spread, axis=1) / by_spread.sum(axis=1, keepdims=True)
        before = SPREADS[level]
        level = (edges < dice.random((len(draws), 1))).sum(axis=1).clip(0, len(SPREADS) - 1)
        here = model.spread_anew(here, draws, before, SPREADS[level])
        for place in _in_turn(model, step):
            draws, here = _redrawn(model, draws, here, SPREADS[level], place, dice)
    return WearFit(model.facts, model, draws, SPREADS[level], taken)


def _in_turn(model: WearModel, step: int) -> list[int]:
    """Which parameters are drawn anew after this step: two that wear has always, or one kind of dirt."""
    if step % REDRAW_EVERY == 0:
        return [model.at.running_in, model.at.acceleration]
    dirt = list(range(model.at.weights.start, model.at.weights.stop))
    return [dirt[step // REDRAW_EVERY % len(dirt)]] if dirt else []


def _redrawn(
    model: WearModel, draws: Array, here: Judged, spread: Array, place: int, dice: np.random.Generator
) -> tuple[Array, Judged]:
    """One parameter drawn anew from its prior, and taken where the readings allow it.

    Where it is small the readings do not feel it, and the walk alone hardly finds its way there. What the
    running-in gives up the start takes over, and what the acceleration does the rate, so that a chain's
    length stays about what was read: a shear, whose volume is 1.
    """
    mean, sd = model.prior_mean[place], model.prior_sd[place]
    old, new = draws[:, place], mean + sd * dice.standard_normal(len(draws))
    there = draws.copy()
    there[:, place] = new
    if place == model.at.running_in:
        there[:, model.at.starts] += (np.exp(old) - np.exp(new))[:, None]
    elif place == model.at.acceleration:
        there[:, model.at.rate] += model.sped_up(old) - model.sped_up(new)
    found = model.at_draws(there, spread)
    log_odds = found.log - here.log - 0.5 * ((old - mean) / sd) ** 2 + 0.5 * ((new - mean) / sd) ** 2
    yes = np.log(dice.random(len(draws))) < np.nan_to_num(log_odds, nan=-np.inf)
    return _where(yes, there, found, draws, here)


def _where(yes: Array, there: Array, found: Judged, draws: Array, here: Judged) -> tuple[Array, Judged]:
    """The new draws where they were taken, the old ones elsewhere, each as it was judged."""
    row = yes[:, None]
    judged = Judged(np.where(yes, found.log, here.log), np.where(row, found.gradient, here.gradient))
    return np.where(row, there, draws), judged


def _whitened(gradient: Array, level: Whole, roots: Array) -> Array:
    """The pull in units of the covariance; cut short where it is huge, or draws far out would never move.

    A cut drift keeps the walk exact (Roberts & Tweedie 1996, Bernoulli 2:341, from memory).
    """
    found = _rooted(gradient, level, roots)
    length = np.sqrt((found**2).sum(axis=1, keepdims=True))
    return np.asarray(
        found * np.minimum(1.0, MOST_PULL * math.sqrt(found.shape[1]) / np.maximum(length, 1e-9))
    )


def _rooted(values: Array, level: Whole, roots: Array) -> Array:
    """Each draw times the root of its own spread."""
    found = np.empty_like(values)
    for number in np.unique(level):
        mine = level == number
        found[mine] = values[mine] @ roots[number]
    return found
