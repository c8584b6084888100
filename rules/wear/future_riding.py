"""How a chain will be ridden on: the weeks behind it, and those of its bike, drawn anew."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import numpy as np

from rules.contamination import history
from rules.ledger import Ledger, RiddenHour
from rules.rulebook import Rulebook
from rules.vocabulary import Chain, ChainId
from rules.wear.chain_readings import hour_row
from rules.wear.reading_arrays import Array

BLOCK_DRIVE_H = 8.0  # of riding as it was: about a week, so wet spells stay together
MOST_BLOCKS = 60  # the newest; what was ridden years ago says little of tomorrow
ENOUGH_BLOCKS = 6
LAST_ON_BIKE = 4  # chains: together they were ridden for more weeks than are looked at


def ridden_alike(ledger: Ledger, chain: ChainId, now: datetime) -> tuple[ChainId, ...]:
    """By which chains' riding is it told how this one will be ridden: by the last ones on its bike."""
    fitting = ledger.last_fitting_of(chain, now)
    on = [one for one in ledger.fittings if fitting is not None and one.bike == fitting.bike]
    on.sort(key=lambda one: (one.fitted_at, one.id), reverse=True)
    last = dict.fromkeys(one.chain for one in on if one.fitted_at <= now)
    return tuple(last)[:LAST_ON_BIKE]


def blocks_of(
    ledger: Ledger, rulebook: Rulebook, chain: Chain, now: datetime, mean_known: Sequence[float]
) -> Array:
    """Weeks of riding as it was: rows of drive hours, those times water, mud, dust, salt, and km."""
    fitting = ledger.last_fitting_of(chain.id, now)
    bike, alike = None if fitting is None else fitting.bike, sorted(ridden_alike(ledger, chain.id, now))
    own = _hours_of(ledger, rulebook, alike, now, mean_known, bike)
    if sum(row[0] for row in own) < ENOUGH_BLOCKS * BLOCK_DRIVE_H:  # hardly ridden yet: as the chain was
        own = _hours_of(ledger, rulebook, [chain.id], now, mean_known)
    blocks: list[Array] = []
    open_block = np.zeros(6)
    for row in own:
        open_block = open_block + row
        if open_block[0] >= BLOCK_DRIVE_H:
            blocks.append(open_block)
            open_block = np.zeros(6)
    if open_block[0] > 0.0 and len(blocks) < ENOUGH_BLOCKS:
        blocks.append(open_block)
    return np.array(blocks[-MOST_BLOCKS:]).reshape(-1, 6)


def _hours_of(
    ledger: Ledger,
    rulebook: Rulebook,
    chains: Sequence[ChainId],
    now: datetime,
    mean_known: Sequence[float],
    bike: object = None,
) -> list[Array]:
    found = []
    for chain in chains:
        for entry in history(ledger, chain, rulebook).until(now).entries:
            if entry.exposure is None or not isinstance(entry.fact, RiddenHour):
                continue
            if bike is None or entry.fact.ride.bike == bike:
                km = entry.fact.hour.distance_m / 1000.0
                found.append((entry.at, np.array([*hour_row(entry.exposure, mean_known), km])))
    found.sort(key=lambda one: one[0])
    return [row for _, row in found]


def ridden(
    grit_h: Array, weights: Array, blocks: Array, dice: np.random.Generator
) -> tuple[Array, Array, Array]:
    """In how many drive hours and km are so many grit-hours ridden? And grit-hours per drive hour.

    Each draw weighs the household's weeks anew (Rubin 1981, Annals of Statistics 9:130, from memory) and
    walks through weeks so drawn; what is left after fifty of them goes at their mean.
    """
    if not len(blocks) or blocks[:, 0].sum() <= 0.0:
        return grit_h, np.zeros_like(grit_h), np.ones_like(grit_h)
    count = len(grit_h)
    shares = dice.exponential(size=(count, len(blocks)))
    shares /= shares.sum(axis=1, keepdims=True)
    mean = shares @ blocks  # draws x 6
    per_drive_h = (weights * mean[:, :5]).sum(axis=1) / mean[:, 0]
    hours = grit_h / per_drive_h
    steps = 50
    picked = (np.cumsum(shares, axis=1)[:, None, :] < dice.random((count, steps, 1))).sum(axis=2)
    picked = picked.clip(0, len(blocks) - 1)
    grit = np.einsum("nk,nsk->ns", weights, blocks[:, :5][picked])
    run = np.cumsum(grit, axis=1)
    before = np.concatenate([np.zeros((count, 1)), run[:, :-1]], axis=1)
    used = np.clip((grit_h[:, None] - before) / np.maximum(grit, 1e-9), 0.0, 1.0)
    walked = (used * blocks[:, 0][picked]).sum(axis=1)
    beyond = np.maximum(0.0, grit_h - run[:, -1]) / per_drive_h
    hours = np.where(grit_h > 0.0, walked + beyond, hours)
    km_walked = (used * blocks[:, 5][picked]).sum(axis=1)
    km_per_h = mean[:, 5] / mean[:, 0]
    return hours, np.where(grit_h > 0.0, km_walked + beyond * km_per_h, hours * km_per_h), per_drive_h
