"""What a thousand kilometres cost on waxed and on wet-lube chains, and when the pot has paid for itself."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np

from rules.cassette import chains_outlived
from rules.contamination import history
from rules.dates_and_numbers import listed, number
from rules.ledger import Ledger, RiddenHour
from rules.limits_in_force import judgements_for
from rules.rulebook import Rulebook
from rules.supplies import cost_of
from rules.units import kilometres, without_unit
from rules.vocabulary import Chain, ChainId, Regime
from rules.wear.forecast import MOST_DAYS, Measure, lives_of
from rules.wear.percentiles import triple
from rules.wear.posterior import DRAWS, fit
from rules.wear.reading_arrays import Array, measured

WORN_FROM = 0.8  # of its limit: a chain retired from here on has given what it had
UNWORN_CHANCE = 0.1
WITHIN_KM = (3000.0, 5000.0, 10_000.0)


@dataclass(frozen=True, slots=True)
class Prices:
    """What a household pays, apart from chains and treatments, which carry their own prices."""

    currency: str = ""  # as it is to be written after an amount
    cassette: float | None = None
    setup: float | None = None  # the pot, hooks, the first strip: once


@dataclass(frozen=True, eq=False)
class Cost:
    """What chains of one regime cost to run. Triples are the 10, 50 and 90 % points."""

    regime: Regime
    distance_km: float
    chain_per_1000_km: tuple[float, float, float] | None  # None = no distance, or no price noted
    cassette_per_1000_km: tuple[float, float, float] | None  # None = no cassette's price noted
    care_per_1000_km: float | None  # at what was noted, or what its supplies cost; the rest as nothing
    together_per_1000_km: tuple[float, float, float] | None
    minutes_per_1000_km: float | None
    missing: tuple[str, ...]  # what is not noted: a chain's price is left out on both sides, care is nothing
    draws: Array = field(repr=False)  # of the sum of money, equally likely, in step with the other regime's


@dataclass(frozen=True, slots=True)
class PayBack:
    """When the cost of setting up comes back. In waxed kilometres, those ridden among them; inf = never."""

    setup: float
    distance_km: tuple[float, float, float]  # 10, 50, 90 %
    ridden_km: float  # on waxed chains so far
    within: tuple[tuple[float, float], ...]  # so many km, and the chance that it is back by then
    # 10, 50, 90 %, at the pace of the last year; None = back already, never, beyond planning, or not ridden
    on: tuple[datetime | None, datetime | None, datetime | None]
    sentence: str


def cost(
    ledger: Ledger, rulebook: Rulebook, regime: Regime, *, now: datetime, prices: Prices | None = None
) -> Cost:
    """What do 1000 km cost on chains of this regime, in money and in minutes of hands?

    A chain costs the used share of its life, draw by draw over what its life may be, known well or badly.
    The same chains stand above and below the line: one with no price noted adds neither money nor distance.
    """
    lives = _lives_km(ledger, rulebook, now)
    ridden = {
        chain.id: Measure.KILOMETRES.over_life(history(ledger, chain.id, rulebook).until(now))
        for chain in ledger.chains
        if chain.regime is regime
    }
    shares = {
        chain: used_share(ledger, ledger.chain(chain), km, lives[chain], now)
        for chain, km in ridden.items()
        if km > 0.0
    }
    return reckon(ledger, rulebook, regime, ridden, shares, lives, now=now, prices=prices or Prices())


def reckon(
    ledger: Ledger,
    rulebook: Rulebook,
    regime: Regime,
    ridden_km: Mapping[ChainId, float],
    shares: Mapping[ChainId, Array],
    lives_km: Mapping[ChainId, Array],
    *,
    now: datetime,
    prices: Prices,
) -> Cost:
    """The sums of `cost`, given what each chain was ridden and how much of its life that was (draws)."""
    missing: dict[str, None] = {}
    total_km = math.fsum(ridden_km.values())
    if total_km == 0.0:
        return Cost(regime, 0.0, None, None, None, None, None, (), np.zeros(DRAWS))
    priced_km, chain_money, cassettes = 0.0, np.zeros(DRAWS), np.zeros(DRAWS)
    care = minutes = 0.0
    for chain in (ledger.chain(one) for one in shares):
        km = ridden_km[chain.id]
        if chain.price is None:
            missing[f"the price of {chain.name}"] = None
        else:
            priced_km += km
            chain_money = chain_money + chain.price * shares[chain.id]
        limit_pct = judgements_for(ledger, rulebook, chain, now).wear_limit().value
        cassettes = cassettes + km / np.maximum(lives_km[chain.id], 1.0) / chains_outlived(limit_pct)
        for treatment in ledger.treatments_of(chain.id):
            if treatment.done_at > now:
                continue
            spent = cost_of(ledger, rulebook, treatment) if treatment.cost is None else treatment.cost
            care += spent or 0.0
            minutes += treatment.minutes or 0.0
            if spent is None:
                missing[f"the cost of some treatments of {chain.name}"] = None
            if treatment.minutes is None:
                missing[f"the minutes of some treatments of {chain.name}"] = None
    chain_draws = 1000.0 * chain_money / priced_km if priced_km else np.zeros(DRAWS)
    cassette_draws = 1000.0 * cassettes * (prices.cassette or 0.0) / total_km
    care_per_1000 = 1000.0 * care / total_km
    together = chain_draws + cassette_draws + care_per_1000
    return Cost(
        regime=regime,
        distance_km=total_km,
        chain_per_1000_km=triple(chain_draws) if priced_km else None,
        cassette_per_1000_km=None if prices.cassette is None else triple(cassette_draws),
        care_per_1000_km=care_per_1000,
        together_per_1000_km=triple(together) if priced_km else None,
        minutes_per_1000_km=1000.0 * minutes / total_km,
        missing=tuple(missing),
        draws=together,
    )


def used_share(ledger: Ledger, chain: Chain, ridden_km: float, life_km: Array, now: datetime) -> Array:
    """How much of its life has a chain given, in each draw? 1 for one retired worn, or never measured."""
    share = np.clip(ridden_km / np.maximum(life_km, 1.0), 0.0, 1.0)
    if chain.retired_at is None or chain.retired_at > now:
        return share
    measured_once = any(one.taken_at <= now for one in ledger.readings_of(chain.id))
    unworn = measured_once and float((share >= WORN_FROM).mean()) < UNWORN_CHANCE
    return share if unworn else np.ones_like(share)


def _lives_km(ledger: Ledger, rulebook: Rulebook, now: datetime) -> Mapping[ChainId, Array]:
    """The kilometres of each chain's whole life, as draws; in step for chains of one fit."""
    key = ("lives km", rulebook, now)
    if key not in ledger.derived:
        ledger.derived[key] = {
            chain.id: lives_of(
                ledger,
                rulebook,
                chain,
                fit(measured(ledger, rulebook, now=now, target=chain.id)),
                now=now,
            ).distance_km
            for chain in ledger.chains
        }
    found: Mapping[ChainId, Array] = ledger.derived[key]
    return found


def pay_back(ledger: Ledger, waxed: Cost, lube: Cost, prices: Prices, *, now: datetime) -> PayBack | None:
    """After how many waxed kilometres is the setting-up paid? None: a price or a regime is missing."""
    if prices.setup is None or waxed.together_per_1000_km is None or lube.together_per_1000_km is None:
        return None
    saved = lube.draws - waxed.draws
    km = np.where(saved > 0.0, 1000.0 * prices.setup / np.where(saved > 0.0, saved, 1.0), math.inf)
    low, middle, high = (float(np.sort(km)[int(share * (len(km) - 1))]) for share in (0.1, 0.5, 0.9))
    within = tuple((reach, float((km <= reach).mean())) for reach in WITHIN_KM)
    ridden_km, pace = waxed.distance_km, _waxed_km_a_day(ledger, now)

    def day(distance_km: float) -> datetime | None:
        days = (distance_km - ridden_km) / pace if pace else math.inf
        return now + timedelta(days=days) if 0.0 < days < MOST_DAYS else None

    on = day(low), day(middle), day(high)
    setup = f"The {number(prices.setup, 2)} {prices.currency}".rstrip() + " of setting up"
    chances = listed(
        [f"{number(100.0 * chance, 0)} % within {kilometres(reach)}" for reach, chance in within]
    )
    sentence = f"{setup} {_pay_back_words((low, middle, high), ridden_km, on)} The chance is {chances}."
    return PayBack(prices.setup, (low, middle, high), ridden_km, within, on, sentence)


def _pay_back_words(
    distance_km: tuple[float, float, float],
    ridden_km: float,
    on: tuple[datetime | None, datetime | None, datetime | None],
) -> str:
    low, middle, high = distance_km
    if math.isinf(middle):
        return "more likely than not never come back in money."
    late = "never" if math.isinf(high) else without_unit(_about(high))
    between = f"four times out of five between {without_unit(_about(low))} and {late}"
    back = "are likely back already:" if middle <= ridden_km else "are back"
    said = f"{back} after about {_about(middle)} on waxed chains, {between}; {_about(ridden_km)} are ridden."
    if on[1] is None:
        return said
    first = "now" if on[0] is None else f"{on[0]:%B %Y}"
    last = "never" if math.isinf(high) else "beyond planning" if on[2] is None else f"{on[2]:%B %Y}"
    return f"{said} At last year's pace that is about {on[1]:%B %Y}, between {first} and {last}."


def _about(distance_km: float) -> str:
    """Two digits: a range is not known to the kilometre."""
    tail = 10.0 ** max(0, math.floor(math.log10(max(distance_km, 1.0))) - 1)
    return kilometres(round(distance_km / tail) * tail)


def _waxed_km_a_day(ledger: Ledger, now: datetime) -> float:
    since = now - timedelta(days=365)
    metres = math.fsum(
        dated.fact.hour.distance_m
        for chain in ledger.chains
        if chain.regime is Regime.WAXED
        for dated in ledger.facts_of(chain.id)
        if isinstance(dated.fact, RiddenHour) and since < dated.at <= now
    )
    return metres / 1000.0 / 365.0
