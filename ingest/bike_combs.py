"""Whose gears these are: every bike's comb, entered or learned, weighed against bikes as they are sold."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import combinations

import numpy as np

from ingest.gear_comb import USUAL_MOVE, Comb, CombStack, Fit, bikes_as_sold, comb_of_teeth, gears_seen
from ingest.gearing import BINS, FEWEST_GEARS, GPS_NOISE, WHEEL_NOISE, GearHistogram
from rules.vocabulary import Bike, BikeId

SOLD_BIKES_TRIED = 5
RECENT_RIDES = 12  # a comb is learned from this many: tyres and cassettes change
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
        if not of_noise or len(gears_seen(histogram.dense())) < FEWEST_GEARS:
            return {}
        reference = unknown_bike_ln_likelihood(histogram)
        fits = self._stacks[histogram.noise].fits(histogram)
        return {
            bike: GearWeight(fit.ln_likelihood - reference, fit.move)
            for bike, fit in zip(of_noise, fits, strict=True)
        }


@lru_cache(maxsize=2)
def _sold(noise: float) -> CombStack:
    return CombStack(bikes_as_sold(), noise)


def unknown_bike_ln_likelihood(histogram: GearHistogram) -> float:
    """How likely a bike as sold, any of them, would draw this histogram: the mean over the list."""
    stack = _sold(histogram.noise)
    fits = stack.fits(histogram, only=stack.best(histogram, SOLD_BIKES_TRIED))
    top = max(fit.ln_likelihood for fit in fits)
    return top + math.log(sum(math.exp(fit.ln_likelihood - top) for fit in fits) / len(stack.combs))


def learn_combs(rides: Sequence[tuple[GearHistogram, BikeId]], bikes: Sequence[Bike]) -> BikeCombs:
    """Each bike's comb from its entered teeth, put right by its recent rides, or from its rides alone.

    rides: in order of time, with the bike they are known to have been on.
    """
    combs: dict[float, dict[BikeId, Comb]] = {}
    for noise in (WHEEL_NOISE, GPS_NOISE):
        ridden: dict[BikeId, list[GearHistogram]] = defaultdict(list)
        for histogram, ridden_bike in rides:
            if histogram.noise == noise:
                ridden[ridden_bike].append(histogram)
        combs[noise] = {}
        for bike in bikes:
            recent = tuple(ridden[bike.id][-RECENT_RIDES:])
            entered = comb_of_teeth(bike.chainrings, bike.cogs, bike.wheel_circumference_m)
            comb = _put_right(entered, recent) if entered is not None else None
            if comb is None:
                comb = comb_of_rides(recent)
            if comb is not None:
                combs[noise][bike.id] = comb
    for bike_id in {b for of_noise in combs.values() for b in of_noise}:
        # Learned from one source only: better with the other's noise than not at all.
        found = next(of_noise[bike_id] for of_noise in combs.values() if bike_id in of_noise)
        for of_noise in combs.values():
            of_noise.setdefault(bike_id, replace(found, move_sd=max(found.move_sd, USUAL_MOVE)))
    order = [bike.id for bike in bikes]
    return BikeCombs({n: {b: of[b] for b in order if b in of} for n, of in combs.items()})


def _put_right(comb: Comb, recent: tuple[GearHistogram, ...]) -> Comb | None:
    """The entered comb, moved to where recent rides found it, with the gears they used.

    None when the bike's own rides say these are not its teeth.
    """
    if not recent:
        return comb
    fits, unknown = _found(comb, recent)
    if len(recent) >= FEWEST_RIDES:
        gained = sum(fit.ln_likelihood for fit in fits[-FEWEST_RIDES:]) - sum(unknown[-FEWEST_RIDES:])
        if gained < -ENTERED_TEETH_FAIL_BY * FEWEST_RIDES:
            return None
    head_start = (RIDE_TO_RIDE_MOVE / comb.move_sd) ** 2  # rides that the entered circumference is worth
    moves = [fit.move for fit in fits[-TYRE_RIDES:]]
    centre = float(np.median(moves)) if len(moves) >= 3 else sum(moves) / len(moves)
    move = centre * len(moves) / (len(moves) + head_start)
    used = np.sum([fit.usage for fit in fits], axis=0) + 1.0
    share = used / used.sum()
    sd = math.sqrt(RIDE_TO_RIDE_MOVE**2 + comb.move_sd**2 / (1.0 + len(moves) / head_start))
    return replace(comb, usage=share, move=move, move_sd=sd)


@lru_cache(maxsize=4096)
def _fit_of_entered(lines: tuple[float, ...], move_sd: float, histogram: GearHistogram) -> tuple[Fit, float]:
    comb = Comb(np.array(lines), np.full(len(lines), 1.0 / len(lines)), 0.0, move_sd)
    fit = CombStack((comb,), histogram.noise).fits(histogram)[0]
    return fit, unknown_bike_ln_likelihood(histogram)


def _found(comb: Comb, rides: tuple[GearHistogram, ...]) -> tuple[list[Fit], list[float]]:
    found = [_fit_of_entered(tuple(comb.lines.tolist()), comb.move_sd, ride) for ride in rides]
    return [fit for fit, _ in found], [unknown for _, unknown in found]


def comb_of_rides(rides: Sequence[GearHistogram]) -> Comb | None:
    """The comb that rides of one bike draw together. None with too little riding or too few gears."""
    if len(rides) < FEWEST_RIDES or sum(ride.total_s for ride in rides) < LEAST_LEARNED_S:
        return None
    together = np.zeros(BINS)
    for ride in rides:
        together += ride.dense() / ride.total_s
    lines = gears_seen(together, least_share=0.01)
    if len(lines) < FEWEST_GEARS:
        return None
    first = Comb(lines, np.full(len(lines), 1.0 / len(lines)), 0.0, USUAL_MOVE)
    stack = CombStack((first,), rides[0].noise)
    used = np.sum([stack.fits(ride)[0].usage for ride in rides], axis=0) + 1.0
    return replace(first, usage=used / used.sum(), move_sd=USUAL_MOVE)
