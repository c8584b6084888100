"""Whose gears a ride held: the likelihood of a whole comb, against its exact case and against made rides."""

from __future__ import annotations

import math
import os
from pathlib import Path

import numpy as np
import pytest
from scipy.special import gammaln
from scipy.stats import dirichlet_multinomial

from ingest.bikes.gear_fit import Comb, CombStack, Looks, bikes_as_sold, comb_of_teeth, ln_gamma, sharpened
from ingest.bikes.gear_profiles import GearWeight, comb_of_rides, learn_combs
from ingest.bikes.gearing import (
    BIN_CENTRES,
    BIN_WIDTH,
    FIRST_EDGE,
    GPS_NOISE,
    WHEEL_NOISE,
    GearHistogram,
    gear_histogram,
    gears_seen,
)
from ingest.files.reader import read
from rules.vocabulary import Bike, BikeId, RiderId

CLOSE = (11, 12, 13, 14, 15, 17, 19, 21, 23, 25, 28)
BROAD = (11, 13, 15, 17, 19, 21, 23, 25, 27, 30, 34)
MOUNTAIN = (10, 12, 14, 16, 18, 21, 24, 28, 33, 39, 45, 51)
INA = RiderId(1)


def histogram_of(ln_development: np.ndarray, seconds: float, noise: float) -> GearHistogram:
    index = np.floor((ln_development - FIRST_EDGE) / BIN_WIDTH).astype(int)
    counts = np.rint(np.bincount(index, minlength=len(BIN_CENTRES)) * seconds).astype(int)
    bins = np.flatnonzero(counts)
    held = len(gears_seen(counts.astype(float)))
    return GearHistogram(tuple(bins.tolist()), tuple(counts[bins].tolist()), noise, held)


def ride_on(
    rings: tuple[int, ...],
    cogs: tuple[int, ...],
    wheel_m: float,
    *,
    seed: int,
    noise: float = GPS_NOISE,
    gears: int = 9,
    minutes: int = 60,
) -> GearHistogram:
    """An hour in a run of neighbouring gears, in uneven shares, five per cent of it in none."""
    dice = np.random.default_rng(seed)
    lines = np.unique(np.log([front / rear * wheel_m for front in rings for rear in cogs]))
    first = int(dice.integers(0, max(len(lines) - gears, 0) + 1))
    used = lines[first : first + gears]
    samples = minutes * 12
    held = dice.choice(used, samples, p=dice.dirichlet(np.full(len(used), 2.0)))
    seen = held + dice.normal(0, noise / math.sqrt(3), samples) + dice.normal(0, 0.008, samples)
    odd = dice.random(samples) < 0.05
    seen = np.where(odd, dice.uniform(0.3, 2.3, samples), seen)
    return histogram_of(seen, 5.0, noise)


def bike(number: int, rings: tuple[int, ...], cogs: tuple[int, ...], wheel_m: float | None) -> Bike:
    return Bike(BikeId(number), f"bike {number}", INA, 0.0, rings, cogs, wheel_m)


THREE = (
    bike(1, (50, 34), CLOSE, 2.105),
    bike(2, (46, 30), BROAD, 2.155),
    bike(3, (32,), MOUNTAIN, 2.298),
)


def best(weights: dict[BikeId, GearWeight]) -> BikeId | None:
    return max(weights, key=lambda b: weights[b].weight) if weights else None


def test_ln_gamma_is_the_logarithm_of_the_gamma_function():
    x = np.array([1e-3, 0.02, 0.5, 1.0, 1.5, 2.0, 7.3, 40.0, 160.0])

    assert ln_gamma(x) == pytest.approx(gammaln(x), abs=1e-9)  # scipy.special.gammaln


def test_with_lines_far_apart_the_bound_is_the_dirichlet_multinomial_itself():
    # Where every look belongs to one line beyond doubt, nothing is left to bound: scipy.stats is exact.
    at = np.array([60, 110, 160, 210])
    comb = Comb(BIN_CENTRES[at], np.array([0.4, 0.3, 0.2, 0.1]), 0.0, 0.01)
    stack = CombStack((comb,), WHEEL_NOISE)
    histogram = GearHistogram(tuple(at.tolist()), (300, 150, 600, 150), WHEEL_NOISE, 4)
    ride = Looks.of(histogram)
    assert ride.count == 40
    counts = np.array([10, 5, 20, 5, 0])

    fit = stack.fits(ride)[0]

    mass = np.log(stack.mass[0, np.arange(4), at])
    coefficient = gammaln(41) - gammaln(counts + 1).sum()
    exact = dirichlet_multinomial(stack.alpha[0], 40).logpmf(counts) - coefficient + counts[:4] @ mass
    # Each look may, at 3 in 1000, be background all the same: forty of them are worth 0.13.
    assert fit.ln_likelihood == pytest.approx(exact + stack.ln_move[12, 0] + 0.13, abs=0.02)
    assert fit.usage == pytest.approx(counts[:4], abs=0.1)


def test_the_prior_of_the_move_is_a_distribution():
    stack = CombStack((comb_of_teeth((50, 34), CLOSE, 2.105),), GPS_NOISE)

    assert np.exp(stack.ln_move[:, 0]).sum() == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize("noise", [GPS_NOISE, WHEEL_NOISE])
@pytest.mark.parametrize("index", [0, 1, 2])
def test_the_right_bike_wins_by_its_gears_alone(index, noise):
    combs, right = learn_combs((), THREE), 0
    truth = THREE[index]

    for seed in range(30):
        wheel_m = truth.wheel_circumference_m * (1 + 0.004 * math.sin(seed))
        weights = combs.weigh(ride_on(truth.chainrings, truth.cogs, wheel_m, seed=seed, noise=noise))
        right += best(weights) == truth.id

    assert right >= 28


def test_a_tyre_is_not_taken_for_a_cog():
    # 2.105 m to 2.298 m is +9.2 %, as far as from 11 to 12 teeth (+9.1 %): one line could not tell.
    combs = learn_combs((), (bike(1, (50, 34), CLOSE, 2.105), bike(2, (50, 34), CLOSE, 2.298)))

    said = [best(combs.weigh(ride_on((50, 34), CLOSE, 2.298, seed=seed))) for seed in range(20)]

    assert said.count(BikeId(1)) == 0
    assert said.count(BikeId(2)) >= 18


def test_a_tyre_change_is_seen_as_a_move_of_the_whole_comb():
    combs = learn_combs((), THREE)

    ride = ride_on((50, 34), CLOSE, 2.105 * 1.04, seed=3, gears=20, minutes=120)
    weights = combs.weigh(ride)

    assert weights[BikeId(1)].move == pytest.approx(0.04, abs=0.011)
    assert weights[BikeId(1)].weight > max(weights[BikeId(2)].weight, weights[BikeId(3)].weight)


def test_recent_rides_put_a_wheel_size_right():
    rides = [(ride_on((50, 34), CLOSE, 2.105 * 1.03, seed=n), BikeId(1)) for n in range(6)]

    learned = learn_combs(rides, THREE).combs[GPS_NOISE][BikeId(1)]

    assert learned.move == pytest.approx(0.03, abs=0.006)


def test_fewer_than_four_gears_weigh_nothing():
    combs = learn_combs((), THREE)

    assert combs.weigh(ride_on((50, 34), CLOSE, 2.105, seed=1, gears=3, noise=WHEEL_NOISE)) == {}


def test_a_bike_without_teeth_and_without_rides_has_no_comb():
    combs = learn_combs((), (*THREE, bike(9, (), (), 2.1)))

    assert BikeId(9) not in combs.weigh(ride_on((50, 34), CLOSE, 2.105, seed=1))


def test_teeth_that_were_not_entered_are_learned_from_rides():
    unknown = bike(9, (), (), None)
    rides = [(ride_on((44, 32), BROAD, 2.17, seed=n, gears=16), unknown.id) for n in range(12)]
    combs = learn_combs(rides, (*THREE, unknown))

    right = 0
    for seed in range(100, 120):
        weights = combs.weigh(ride_on((44, 32), BROAD, 2.17, seed=seed))
        right += best(weights) == unknown.id

    assert right >= 16  # the others are ridden in gears that no known ride has shown


def test_wrong_teeth_give_way_to_the_bikes_own_rides():
    # Entered as a mountain bike's gears; its rides draw a road bike's.
    wrong = bike(3, (32,), MOUNTAIN, 2.105)
    rides = [(ride_on((50, 34), CLOSE, 2.105, seed=n, gears=12), wrong.id) for n in range(6)]

    weights = learn_combs(rides, (wrong,)).weigh(ride_on((50, 34), CLOSE, 2.105, seed=50))

    assert weights[wrong.id].weight > 0


def test_look_alikes_are_named_and_weigh_the_same():
    twins = (bike(1, (46, 30), BROAD, 2.155), bike(2, (46, 30), BROAD, 2.150), THREE[2])
    combs = learn_combs((), twins)

    weights = combs.weigh(ride_on((46, 30), BROAD, 2.155, seed=5))

    assert combs.alike == {frozenset((BikeId(1), BikeId(2)))}
    assert weights[BikeId(1)].weight == weights[BikeId(2)].weight


def test_a_strange_bike_fits_none_of_ours():
    combs = learn_combs((), THREE[1:])
    below = 0

    for seed in range(20):
        weights = combs.weigh(ride_on((53, 39), (12, 13, 14, 15, 16, 17, 19, 21, 23, 25), 2.096, seed=seed))
        below += all(found.weight < 0 for found in weights.values())

    assert below >= 18


def test_sharpening_finds_lines_closer_together_than_the_noise_would_show():
    # 50/21 and 34/14 stand 2 % apart, as do 50/19 and 34/13 (0.6 %): less than the noise of one sample.
    rides = tuple(ride_on((50, 34), CLOSE, 2.105, seed=n, gears=21, noise=WHEEL_NOISE) for n in range(12))

    comb = comb_of_rides(rides)

    assert comb is not None
    assert comb.usage.sum() == pytest.approx(1.0)
    true = np.log([front / rear * 2.105 for front in (50, 34) for rear in CLOSE])
    found_near = [np.abs(comb.lines - line).min() < 0.012 for line in true]
    assert sum(found_near) >= len(true) - 2


def test_sharpened_shares_add_up():
    histogram = ride_on((50, 34), CLOSE, 2.105, seed=2).dense()

    lines, usage = sharpened(histogram, GPS_NOISE)

    assert usage.sum() == pytest.approx(1.0)
    assert np.all(np.diff(lines) > 0)


def test_gears_within_half_a_per_cent_are_one_line_and_three_gears_are_no_comb():
    comb = comb_of_teeth((50, 34), CLOSE, 2.105)

    assert comb is not None
    # Of 22 pairs 50/25 and 34/17 are the same, and 50/28 and 34/19 stand 0.2 % apart.
    assert len(comb.lines) == 20
    assert comb_of_teeth((38,), (16, 17, 18), 2.1) is None


def test_bikes_as_sold_are_many_and_have_gears():
    sold = bikes_as_sold()

    assert len(sold) > 100
    assert all(len(comb.lines) >= 9 for comb in sold)


REAL_RIDES = (
    "road-ride-cadence-temperature-heart.fit",
    "road-ride-big-endian-ant-ids-power-battery.fit",
    "short-ride-cadence.fit",
)


@pytest.mark.parametrize("name", REAL_RIDES)
def test_a_real_ride_draws_cogs_that_exist(name):
    # No outside word on these bikes. But whatever the chainring and the wheel, steps between lines are ratios
    # of whole teeth, and 17, 19, 21, 23 stand side by side on road cassettes (common practice, no source).
    histogram = gear_histogram(read(real_ride(name), name))
    assert histogram is not None

    lines = gears_seen(histogram.dense())

    longest = int(np.abs(lines - math.log(6.18)).argmin())  # 50/17 on a 622 mm road wheel
    steps = np.exp(np.diff(lines[longest - 3 : longest + 1]))
    assert steps == pytest.approx([23 / 21, 21 / 19, 19 / 17], rel=0.006)


@pytest.mark.parametrize("name", REAL_RIDES)
def test_a_real_road_ride_is_no_mountain_bikes(name):
    histogram = gear_histogram(read(real_ride(name), name))
    assert histogram is not None

    weights = learn_combs((), THREE).weigh(histogram)

    assert best(weights) == BikeId(1)  # 50-34 and a close cassette
    assert weights[BikeId(3)].weight < -4


def real_ride(name: str) -> bytes:
    file = Path(os.environ.get("GRITLEDGER_CORPUS", "")) / "fit" / name
    if not file.is_file():
        pytest.skip("GRITLEDGER_CORPUS names no folder with real FIT files")
    return file.read_bytes()
