"""Whose gears these are: every bike's comb, entered or learned, weighed against bikes as they are sold."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import combinations

import numpy as np

from ingest.bikes.gear_fit import (
    OTHER_TYRE_MOVE,
    SHARES_WORTH,
    USUAL_MOVE,
    Comb,
    CombStack,
    Fit,
    Looks,
    bikes_as_sold,
    comb_of_teeth,
    sharpened,
)
from ingest.bikes.gearing import BINS, FEWEST_GEARS, GPS_NOISE, WHEEL_NOISE, GearHistogram, gears_seen
from rules.vocabulary import Bike, BikeId

SOLD_BIKES_TRIED = 4
CHANGED_GEARS = 0.003  # one ride in 300 is on a cassette or wheel that nobody has told of
SAME_GEARS_ELSEWHERE = 0.1  # one lent bike in ten has the gears of one of ours
RECENT_RIDES = 12  # tell which gears are used and where the comb sits: tyres and cassettes change
LEARNED_RIDES = 30  # draw a comb of which no teeth were entered
TYRE_RIDES = 5  # where the comb sits now is told by this many
FEWEST_RIDES = 3  # to learn a comb that was not entered
LEAST_LEARNED_S = 3600
ENTERED_TEETH_FAIL_BY = 3.0  # log-odds per ride: sold bikes explain the bike's own rides 20 times better
RIDE_TO_RIDE_MOVE = 0.006  # tyre pressure, once rides have shown where the comb sits


@dataclass(frozen=True, slots=True)
class GearWeight:
    """What a ride's gears say for a bike: log-odds against an unknown bike, and how far its comb moved."""

    weight: float
    move: float


class BikeCombs:
    """The combs of a household, ready to weigh rides; one set for wheel-sensor, one for satellite speed."""

    def __init__(self, combs: Mapping[float, Mapping[BikeId, Comb]]) -> None:
        self.combs = {noise: dict(of_noise) for noise, of_noise in combs.items()}
        self._stacks = {n: CombStack(tuple(of.values()), n) for n, of in self.combs.items()}
        any_noise = self.combs.get(GPS_NOISE, {})
        self.alike = frozenset(
            frozenset((one, other))
            for one, other in combinations(any_noise, 2)
            if any_noise[one].matches(any_noise[other])
        )

    def weigh(self, histogram: GearHistogram) -> dict[BikeId, GearWeight]:
        """Log-odds per bike of known gears; empty when the ride held fewer than four gears."""
        of_noise = self.combs.get(histogram.noise, {})
        if not of_noise or histogram.gears_held < FEWEST_GEARS:
            return {}
        ride = Looks.of(histogram)
        fits = self._stacks[histogram.noise].fits(ride)
        unknown = unknown_bike_ln_likelihood(ride, histogram.noise)
        likelihoods = [
            _either(fit.ln_likelihood, unknown, CHANGED_GEARS + comb.unseen / 2.0)
            for fit, comb in zip(fits, of_noise.values(), strict=True)
        ]
        reference = _either(unknown, max(likelihoods), SAME_GEARS_ELSEWHERE)
        weights = {
            bike: GearWeight(likelihood - reference, fit.move)
            for bike, likelihood, fit in zip(of_noise, likelihoods, fits, strict=True)
        }
        # Bikes that look alike weigh alike: what sets their learned combs apart is the accident of few rides.
        for pair in self.alike:
            heavier = max((weights[bike] for bike in pair), key=lambda found: found.weight)
            weights.update(dict.fromkeys(pair, heavier))
        return weights


def _either(usually: float, seldom: float, chance: float) -> float:
    """The logarithm of a likelihood that is the second one with this chance, else the first."""
    one, other = math.log1p(-chance) + usually, math.log(chance) + seldom
    return max(one, other) + math.log1p(math.exp(-abs(one - other)))


@lru_cache(maxsize=2)
def _sold(noise: float) -> CombStack:
    return CombStack(bikes_as_sold(), noise)


def unknown_bike_ln_likelihood(ride: Looks, noise: float) -> float:
    """How likely a bike as sold, any of them, would draw this histogram: the mean over the list."""
    stack = _sold(noise)
    fits = stack.fits(ride, only=stack.best(ride, SOLD_BIKES_TRIED))
    top = max(fit.ln_likelihood for fit in fits)
    return top + math.log(sum(math.exp(fit.ln_likelihood - top) for fit in fits) / len(stack.combs))


def learn_combs(rides: Sequence[tuple[GearHistogram, BikeId]], bikes: Sequence[Bike]) -> BikeCombs:
    """Each bike's comb from its entered teeth, put right by its recent rides, or from its rides alone.

    rides: in order of time, with the bike they are known to have been on.
    """
    combs: dict[float, dict[BikeId, Comb]] = {WHEEL_NOISE: {}, GPS_NOISE: {}}
    ridden: dict[tuple[BikeId, float], list[GearHistogram]] = defaultdict(list)
    for histogram, ridden_bike in rides:
        ridden[ridden_bike, histogram.noise].append(histogram)
    for bike in bikes:
        recent = {noise: tuple(ridden[bike.id, noise][-RECENT_RIDES:]) for noise in combs}
        longer = {noise: tuple(ridden[bike.id, noise][-LEARNED_RIDES:]) for noise in combs}
        teeth = comb_of_teeth(bike.chainrings, bike.cogs, bike.wheel_circumference_m)
        if teeth is not None and _fails(teeth, recent):
            teeth = None
        if teeth is None:  # the sharper source draws the comb, if there is enough of it
            teeth = comb_of_rides(longer[WHEEL_NOISE]) or comb_of_rides(longer[GPS_NOISE])
        if teeth is not None:
            for noise, of_noise in combs.items():
                of_noise[bike.id] = _put_right(teeth, recent[noise])
    return BikeCombs(combs)


def _fails(teeth: Comb, recent: Mapping[float, Sequence[GearHistogram]]) -> bool:
    """Whether a bike's own recent rides deny these teeth: another cassette, or a slip of the pen."""
    for of_source in recent.values():
        last = of_source[-FEWEST_RIDES:]
        if len(last) == FEWEST_RIDES:
            fits, unknown = _found(teeth, last)
            if sum(fit.ln_likelihood for fit in fits) - sum(unknown) < -ENTERED_TEETH_FAIL_BY * FEWEST_RIDES:
                return True
    return False


def _put_right(comb: Comb, recent: Sequence[GearHistogram]) -> Comb:
    """The comb moved to where recent rides found it, with the gears they used."""
    if not recent:
        return comb
    fits, _ = _found(comb, recent)
    head_start = (RIDE_TO_RIDE_MOVE / comb.move_sd) ** 2  # rides that the entered circumference is worth
    moves = [fit.move for fit in fits[-TYRE_RIDES:]]
    centre = float(np.median(moves)) if len(moves) >= 3 else sum(moves) / len(moves)
    move = centre * len(moves) / (len(moves) + head_start)
    used = np.sum([fit.usage for fit in fits], axis=0) + SHARES_WORTH * comb.usage
    sd = math.sqrt(RIDE_TO_RIDE_MOVE**2 + comb.move_sd**2 / (1.0 + len(moves) / head_start))
    return replace(comb, usage=used / used.sum(), move=move, move_sd=sd)


@lru_cache(maxsize=4096)
def _fit_of_lines(lines: tuple[float, ...], histogram: GearHistogram) -> tuple[Fit, float]:
    """With the move left free: it is the rides that say where the comb sits."""
    comb = Comb(np.array(lines), np.full(len(lines), 1.0 / len(lines)), 0.0, OTHER_TYRE_MOVE)
    ride = Looks.of(histogram)
    return CombStack((comb,), histogram.noise).fits(ride)[0], unknown_bike_ln_likelihood(
        ride, histogram.noise
    )


def _found(comb: Comb, rides: Sequence[GearHistogram]) -> tuple[list[Fit], list[float]]:
    found = [_fit_of_lines(tuple(comb.lines.tolist()), ride) for ride in rides]
    return [fit for fit, _ in found], [unknown for _, unknown in found]


@lru_cache(maxsize=256)
def comb_of_rides(rides: tuple[GearHistogram, ...]) -> Comb | None:
    """The comb that rides of one bike draw together. None with too little riding or too few gears.

    A line may stand in every bin; the shares that make the rides likeliest leave most empty, and lines
    closer together than the noise still stand apart.
    """
    if len(rides) < FEWEST_RIDES or sum(ride.total_s for ride in rides) < LEAST_LEARNED_S:
        return None
    together = np.zeros(BINS)
    for ride in rides:
        together += ride.dense() / ride.total_s
    if len(gears_seen(together, least_share=0.01)) < FEWEST_GEARS:
        return None
    lines, usage = sharpened(together, rides[0].noise)
    return Comb(lines, usage, 0.0, USUAL_MOVE, unseen=1.0 / (1.0 + len(rides) / 2.0))
