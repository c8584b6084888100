"""The ways that are offered are the best of all ways, by a plain reckoning that shares no code with the walk.

Two hundred small years, hands that never wait. Every way is lived day by day here with dictionaries and
loops, and its minutes and wear are added up anew; only the draws of the unknown are the product's own.
"""

from __future__ import annotations

import os
import random
from datetime import timedelta

import pytest

from rules.rulebook import default_rulebook
from rules.year import another_way as product
from tests.rules.notation import at, ledger_of

RULEBOOK = default_rulebook()
NOW = at("2025-12-31 23:00")
# Of an hour: water, dust, whether it counts as wet; by the notation's tags.
WORDS = {"dry": (0.0, 0.0, False), "wet": (0.8, 0.0, True), "dusty": (0.0, 1.0, False)}
WATER, DUST = 2.0, 1.0  # the rulebook's weights
RIDE_H = 0.98  # so that no sum of rides is a limit to the last bit
FILM, DIRT, WET_DAY, SPELL = 12.0, 40.0, 0.5, 3
WAYS = {
    "by your limits": {},
    "two chains in turn": {"chains": 2, "drips": False},
    "three chains in turn": {"chains": 3, "drips": False},
    "a longer wait for the pot": {"dirt": 60.0},
    "drips farther apart": {"film": 16.0},
    "drips and pot farther apart": {"film": 16.0, "dirt": 60.0},
    "immersion only": {"drips": False},
    "drip only": {"baths": False},
    "oil instead": {"film": 8.0, "dirt": 16.0, "oil": True},
}
MINUTES = {"wipe": 3, "drip": 6, "swap": 4, "immersion": 25, "further": 10, "oil": 3, "clean": 15}


def invented(seed):
    """Rides, by day: (day, word)."""
    dice = random.Random(seed)
    wet, dusty = dice.choice(((0.0, 0.0), (0.3, 0.0), (0.0, 0.5), (0.2, 0.3), (0.7, 0.0)))
    day, rides = 1, []
    for _ in range(dice.randint(25, 80)):
        day += dice.choice((0, 1, 1, 1, 2, 5))
        chance = dice.random()
        rides.append((day, "wet" if chance < wet else "dusty" if chance < wet + dusty else "dry"))
    return rides


def told(rides):
    lines, hour = ["2025-01-01 01:00  fitted  Copper  on Plover", "2025-01-01 02:00  immersed  Copper"], {}
    for day, word in rides:
        hour[day] = hour.get(day, 3) + 1
        when = at("2025-01-01 00:00") + timedelta(days=day, hours=hour[day])
        lines.append(f"{when:%Y-%m-%d %H:%M}  rode  {RIDE_H} h  on Plover  {word}  unpaved 1")
    return ledger_of("\n".join(lines))


def lived(rides, *, chains=1, drips=True, baths=True, film=FILM, dirt=DIRT, oil=False):
    """Minutes of hands, and for each ride the film and the dirt in the middle of it."""
    used = [{"film": 0.0, "dirt": 0.0} for _ in range(chains)]
    on, minutes, middles, was_wet, renewed = 0, 0.0, [], -99, -99
    days = sorted({day for day, _ in rides})
    for today in days:
        wet_h = 0.0
        for day, word in rides:
            if day != today:
                continue
            water, dust, wet = WORDS[word]
            grit = RIDE_H * (1.0 + WATER * water + DUST * dust)
            chain = used[on]
            middles.append((chain["film"] + grit / 2, chain["dirt"] + grit / 2))
            chain["film"] += grit
            twice = 0.0 if oil else min(grit, max(0.0, chain["film"] - film))  # ridden on a used-up film
            chain["dirt"] += grit + twice
            wet_h += RIDE_H * wet
        begins, was_wet = today - was_wet > SPELL, today if wet_h >= WET_DAY else was_wet
        if wet_h >= WET_DAY and (begins or today - renewed >= 7):
            renewed = today
            minutes += MINUTES["wipe"]
            if drips:
                minutes += MINUTES["oil" if oil else "drip"]
                used[on]["film"] = 0.0
        if chains > 1:
            if used[on]["film"] >= film:
                if all(one["dirt"] > 0.0 for one in used):
                    minutes += MINUTES["immersion"] + MINUTES["further"] * (chains - 1)
                    for one in used:
                        one["film"] = one["dirt"] = 0.0
                    on = next(place for place in range(chains) if place != on)
                else:
                    on = next(place for place in range(chains) if used[place]["dirt"] == 0.0)
                minutes += MINUTES["swap"]
        elif baths and used[0]["dirt"] >= dirt * (0.85 if drips and used[0]["film"] >= film else 1.0):
            renewed = today
            minutes += MINUTES["clean" if oil else "immersion"]
            used[0] = {"film": 0.0, "dirt": 0.0}
        elif drips and used[0]["film"] >= film:
            renewed = today
            minutes += MINUTES["oil" if oil else "drip"]
            used[0]["film"] = 0.0
    return minutes, middles


def wear(rides, middles, draws, place, oil):
    """Wear of the year in one draw."""
    weights, starved, dirty, less_wax = draws
    total = 0.0
    for (_, word), (film, dirt) in zip(rides, middles, strict=True):
        water, dust, _ = WORDS[word]
        grit = RIDE_H * (weights[place][0] + weights[place][1] * water + weights[place][3] * dust)
        dry = 1.0 if oil else min(3.0, 1.0 + starved[place] * max(0.0, film / 12.0 - 1.0))
        total += grit * dry * (1.0 + dirty[place] * min(2.0, dirt / 40.0))
    return total * (2.718281828459045 ** -less_wax[place] if oil else 1.0)


def point(values, share):
    """A point of equally likely values, between neighbours in proportion."""
    ranked = sorted(values)
    place = share * (len(ranked) - 1)
    below = int(place)
    above = min(below + 1, len(ranked) - 1)
    return ranked[below] + (place - below) * (ranked[above] - ranked[below])


@pytest.fixture
def hands_never_wait(monkeypatch):
    monkeypatch.setattr("rules.year.simulation.MOST_LATE_DAYS", 0)


@pytest.mark.parametrize("block", range(10 * int(os.environ.get("GRITLEDGER_TESTS_LONG", "1"))))
def test_no_other_way_would_have_been_offered(block, hands_never_wait):
    offered_at_all = 0
    for seed in range(20 * block, 20 * block + 20):
        rides = invented(seed)
        ledger = told(rides)
        (year,) = product.another_way(ledger, RULEBOOK, now=NOW)
        weights, less_wax = product._drawn(ledger, RULEBOOK, NOW)
        numbers = _numbers(weights, less_wax)
        own_minutes, own_middles = lived(rides)
        own_wear = [wear(rides, own_middles, numbers, place, False) for place in range(len(weights))]
        better = []
        for name, how in WAYS.items():
            minutes, middles = lived(rides, **how)
            oil = how.get("oil", False)
            ratio = [
                wear(rides, middles, numbers, place, oil) / own_wear[place] for place in range(len(weights))
            ]
            kept = next(one for one in (year.own, *year.others) if one.way.name == name)
            assert kept.minutes[1] == pytest.approx(minutes), (seed, name)
            assert kept.wear[2] == pytest.approx(point(ratio, 0.9), rel=1e-9), (seed, name)
            if minutes < own_minutes and point(ratio, 0.9) <= 1.15:
                better.append(minutes)
        assert [one.minutes[1] for one in year.offered] == pytest.approx(sorted(better)[:2]), seed
        offered_at_all += bool(better)
    assert offered_at_all > 0


def _numbers(weights, less_wax):
    """The draws of a year, as plain lists."""
    drawn = product._draws_of([product.Hour(0, (1.0, 0.0, 0.0, 0.0, 0.0), 1.0, 0.0)], weights, less_wax)
    return weights.tolist(), drawn.starved.tolist(), drawn.dirty.tolist(), drawn.less_wax.tolist()
