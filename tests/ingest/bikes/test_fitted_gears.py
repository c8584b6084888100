"""What a ride's gears say for each bike, worked out again ride by ride from all the others."""

from __future__ import annotations

import math

import numpy as np
import pytest

from ingest.bikes.fitted_gears import GearBelief
from ingest.bikes.log_odds import ln_sum
from ingest.bikes.sold_gears import MOVES, SOLD, USUAL_CIRCUMFERENCE_M, Comb
from tests.ingest.bikes.made_rides import BROAD, LARK, MOUNTAIN, PLOVER, ROAD, WHEATEAR, bike, geared, ride

ODD = ((43,), (13, 15, 17, 20, 23, 26))
DAYS = [0.0, 10.0, 20.0, 80.0, 90.0, 170.0, 175.0]
RIDES = [
    *(
        geared(day, gears)
        for day, gears in zip(DAYS[:6], (ROAD, ROAD, BROAD, ROAD, BROAD, MOUNTAIN), strict=True)
    ),
    ride(DAYS[6]),
]
SHARES = np.array([
    [0.90, 0.05, 0.03, 0.02], [0.95, 0.02, 0.02, 0.01], [0.02, 0.03, 0.90, 0.05], [0.70, 0.20, 0.05, 0.05],
    [0.10, 0.10, 0.75, 0.05], [0.30, 0.30, 0.20, 0.20], [0.25, 0.25, 0.25, 0.25],
])  # fmt: skip
ELSEWHERE = np.full((7, 4), 0.25)
ELSEWHERE[5] = (0.05, 0.85, 0.05, 0.05)


def prior(owned, combs, entered, *, has_other=True):
    """ln of the belief in each comb and wheel: what was entered, else what is sold; the wheel by a bell."""
    if entered is None:
        chances = np.full(len(combs), 1.0 / len(SOLD))
    else:
        rings = np.array([comb.rings == entered.rings for comb in combs])
        chances = 0.04 * (0.8 * rings / rings.sum() + 0.2 / len(combs)) * has_other
        chances[combs.index(entered)] += 0.96
    wheel_m = owned.wheel_circumference_m
    centre, sd = (0.0, 0.028) if wheel_m is None else (math.log(wheel_m / USUAL_CIRCUMFERENCE_M), 0.012)
    bell = np.exp(-0.5 * ((MOVES - centre) / sd) ** 2)
    return np.log(np.outer(chances / chances.sum(), 0.95 * bell / bell.sum() + 0.05 / len(MOVES)))


def by_hand(belief, owned, voice, teaches):
    """ln for each ride and bike: gears as the other rides show them, or changed since they were seen."""
    shows, tables = range(6), belief._table.astype(float)
    entered = [None if not one.cogs else Comb(one.chainrings, one.cogs) for one in owned]
    believed = np.maximum(SHARES, ELSEWHERE)[:6, :3]
    believed = believed / np.maximum(believed.sum(axis=1, keepdims=True), 1.0)
    taught = 0.5 * teaches * believed * np.maximum(2.0 * believed - 1.0, 0.0)
    fits = np.zeros((6, 3))
    for i in shows:
        centre = (DAYS[i] // 75.0 + 0.5) * 75.0
        fades = [math.exp(-abs(DAYS[j] - centre) / 150.0) for j in shows]
        likeliest = []
        for b, one in enumerate(owned):
            first = prior(one, belief.combs, entered[b]).ravel()
            by_all = first + sum(taught[j, b] * fades[j] * tables[j] for j in shows)
            others = by_all - taught[i, b] * fades[i] * tables[i]
            fits[i, b] = ln_sum((others + tables[i])[None])[0] - ln_sum(others[None])[0]
            likeliest.append(int(by_all.argmax()) // len(MOVES))
        if likeliest[0] == likeliest[1]:  # entered with the same teeth
            fits[i, :2] = fits[i, :2].max()
    result = np.zeros((7, 4))
    for i in shows:
        for b in range(3):
            seen = [DAYS[j] for j in shows if believed[j, b] > 0.8 and fits[j, b] > 0.0]
            gap_d = min((abs(day - DAYS[i]) for day in seen), default=None)
            changed = 0.04 if gap_d is None else 1.0 - math.exp(-gap_d / 500.0)
            changed = min(max(changed, 0.1 if entered[b] is None else 0.015), 0.3)
            changed = max(changed, 0.3 * (1.0 - voice))
            said = math.log((1.0 - changed) * math.exp(min(fits[i, b], 8.0)) + changed)
            result[i, b] = min(max(said, -4.5), 7.0)
        result[i, 3] = math.log(0.75 + 0.25 * math.exp(result[i, :3].max()))
    return result


def test_what_gears_say_is_worked_out_from_the_other_rides_near_in_time():
    owned = (
        bike(PLOVER, "Plover", gears=ROAD, wheel_circumference_m=2.10),
        bike(WHEATEAR, "Wheatear", gears=ROAD),
        bike(LARK, "Lark"),
    )
    for answered, teaches in (
        ({2: 2, 4: 2}, np.ones((6, 3))),
        ({2: 2}, np.array([[1, 1, 0], [1, 1, 0], [1, 1, 1], [1, 1, 0], [1, 1, 0], [1, 1, 0]])),
    ):
        belief = GearBelief(RIDES, owned, np.array(DAYS), answered)
        for voice in (1.0, 0.4):
            found = belief.weights(SHARES, ELSEWHERE, voice)
            assert found == pytest.approx(by_hand(belief, owned, voice, teaches), abs=0.02)
    assert belief.shows.tolist() == list(range(6))
    assert belief.seen_on([0, 1, 3]) == Comb(*ROAD)
    assert belief.seen_on([5, 6]) == belief.combs[int(belief._table[5].argmax()) // len(MOVES)]
    assert belief.seen_on([6]) is None
    nothing = GearBelief([ride(0)], owned, np.zeros(1), {})
    assert nothing.weights(SHARES[:1], ELSEWHERE[:1]).tolist() == [[0.0] * 4]


def test_what_is_believed_before_any_ride_is_what_was_entered():
    own_teeth = bike(LARK, "Lark", gears=ODD)
    single = bike(WHEATEAR, "Wheatear", gears=((44,), (16,)))
    half = bike(PLOVER, "Plover", gears=((50, 34), ()))
    belief = GearBelief(RIDES, (own_teeth, single, half), np.array(DAYS), {})
    assert belief.combs == (*SOLD, Comb(*ODD), Comb((44,), (16,)))
    assert belief._table.shape == (6, len(belief.combs) * len(MOVES))
    assert belief._prior[0] == pytest.approx(prior(own_teeth, belief.combs, Comb(*ODD)).ravel(), abs=1e-4)
    alone = np.exp(belief._prior[1].reshape(-1, len(MOVES)).astype(float)).sum(axis=1)
    assert alone[-1] == pytest.approx(1.0, abs=1e-5)
    assert alone[:-1].max() == 0.0, "a bike with one cog takes no cassette"
    by_comb = np.exp(belief._prior[2].reshape(-1, len(MOVES)).astype(float)).sum(axis=1)
    with_rings = np.array([comb.rings == (50, 34) for comb in belief.combs])
    assert by_comb[with_rings] / by_comb[~with_rings][0] == pytest.approx(
        np.full(with_rings.sum(), 25.0), rel=1e-3
    )
