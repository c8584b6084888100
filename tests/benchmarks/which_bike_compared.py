"""Is the judge's first guess better than what simpler methods make of the same answers?

    python -m tests.benchmarks.which_bike_compared [--rides 140] [--seeds 1] [--kinds solo4 twins5 ...]

Households made without reading the judge, seeds drawn anew; answers singly, in the judge's own order, 2 % of
them a slip. Each method guesses the rides that nobody answered: logistic regression (scikit-learn) on all
clues, gears and ways included; the bike most often named with the same sensor; the bike whose median ride of
that rider is nearest.
"""

from __future__ import annotations

import argparse
import secrets
import warnings
from collections import Counter
from collections.abc import Callable, Hashable, Mapping, Sequence
from datetime import timedelta

import numpy as np

from ingest.bikes.judge import Household, Verdict, judge
from ingest.bikes.pedalled_gears import BINS
from ingest.bikes.ride_clues import RideClues, clues_of
from ingest.bikes.routes import same_ways
from ingest.bikes.weekday_and_speed import measures_of, part_of_week
from ingest.ride.recording import Column
from ingest.ride.summary import summarise
from rules.vocabulary import Bike, BikeId, RiderId
from tests.benchmarks.which_bike import NOW, SLIPS, Answering, Told
from tests.bike_days import rides_of
from tests.bike_households import FIRST_DAY, KINDS, household
from tests.read_one import read

GEAR_BINS = 20


def told(kind: str, seed: int, rides: int) -> Told:
    """A household of the other hand's, through its files."""
    home = household(kind, seed)
    bikes = []
    for number, bike in enumerate(home.bikes, start=1):
        gears, (with_gears, with_wheel) = bike.setups[0][1], bike.entered
        bikes.append(
            Bike(
                BikeId(number),
                bike.name,
                RiderId(bike.owner),
                chainrings=gears.rings if with_gears else (),
                cogs=gears.cogs if with_gears else (),
                wheel_circumference_m=round(gears.wheel_m, 2) if with_wheel else None,
                indoor=bike.indoor,
                from_at=FIRST_DAY + timedelta(days=bike.since) if bike.since else None,
            )
        )
    number_of = {bike.name: bike.id for bike in bikes}
    read_back = []
    for ride in rides_of(home, rides):
        recording = read(ride.content, f"ride{ride.ending}")
        clues = clues_of(recording, summarise(recording, now=NOW), RiderId(ride.rider))
        read_back.append((clues, number_of.get(ride.bike or "")))
    read_back.sort(key=lambda one: one[0].started_at)
    return Told([one for one, _ in read_back], [bike for _, bike in read_back], Household(tuple(bikes)))


def features(rides: Sequence[RideClues]) -> Column:
    """Every clue as columns: measures by rider, words one by one, sensors, and the gears ridden."""
    columns: list[Column] = []
    for values in measures_of(rides).values():
        known = np.array([value is not None for value in values])
        x = np.array([value if value is not None else 0.0 for value in values])
        if known.any():
            x = np.where(known, (x - x[known].mean()) / (x[known].std() + 1e-9), 0.0)
            columns += [
                x,
                *(x * [ride.rider == rider for ride in rides] for rider in {r.rider for r in rides}),
            ]
    words: list[Callable[[RideClues], Hashable]] = [
        lambda ride: ride.rider,
        lambda ride: ride.device,
        lambda ride: ride.activity,
        lambda ride: ride.channels,
        lambda ride: ride.indoor,
        lambda ride: (ride.rider, part_of_week(ride)),
    ]
    for of in [*([word(ride) for ride in rides] for word in words), same_ways([r.way for r in rides])]:
        columns += [np.array([value == one for value in of], dtype=float) for one in dict.fromkeys(of)]
    for name in {sensor.identity for ride in rides for sensor in ride.sensors}:
        columns.append(
            np.array([any(s.identity == name for s in ride.sensors) for ride in rides], dtype=float)
        )
    gears = np.zeros((len(rides), GEAR_BINS))
    for row, ride in enumerate(rides):
        if ride.gears is not None:
            wide = np.array(ride.gears.bins) * GEAR_BINS // BINS
            gears[row] = np.bincount(wide, ride.gears.seconds, minlength=GEAR_BINS)
            gears[row] *= 4.0 / max(gears[row].sum(), 1.0)
    return np.column_stack((*columns, gears))


def by_regression(x: Column, answers: Mapping[int, BikeId | None], left: Sequence[int]) -> list[int]:
    """Logistic regression on the answered rides."""
    from sklearn.linear_model import (
        LogisticRegression,
    )  # here, as who draws these households needs none of it

    said = [answers[i] or 0 for i in answers]
    if len(set(said)) < 2:
        return said[:1] * len(left)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fitted = LogisticRegression(max_iter=500).fit(x[list(answers)], said)
    return [int(one) for one in fitted.predict(x[list(left)])]


def by_sensor(rides: Sequence[RideClues], answers: Mapping[int, BikeId | None], i: int) -> int:
    """The bike most often named for a ride with one of its sensors, else for a ride of its rider."""
    names = {sensor.identity for sensor in rides[i].sensors}
    same = [answers[a] or 0 for a in answers if names & {sensor.identity for sensor in rides[a].sensors}]
    riders = [answers[a] or 0 for a in answers if rides[a].rider == rides[i].rider]
    return Counter(same or riders or [0]).most_common(1)[0][0]


def by_median(x: Column, rides: Sequence[RideClues], answers: Mapping[int, BikeId | None], i: int) -> int:
    """The bike whose median ride of this rider is nearest."""
    mine: dict[int, list[int]] = {}
    for a, bike in answers.items():
        if rides[a].rider == rides[i].rider:
            mine.setdefault(bike or 0, []).append(a)
    apart = {bike: float(np.square(np.median(x[own], axis=0) - x[i]).sum()) for bike, own in mine.items()}
    return min(apart, key=lambda bike: (apart[bike], bike), default=0)


def main() -> None:
    """Prints how often each method's first guess is right, by household."""
    plain = argparse.RawTextHelpFormatter
    options = argparse.ArgumentParser(description=__doc__, formatter_class=plain)
    options.add_argument("--rides", type=int, default=140)
    options.add_argument("--seeds", type=int, default=1)
    options.add_argument("--kinds", nargs="+", choices=KINDS, default=list(KINDS))
    asked = options.parse_args()
    seeds = [secrets.randbelow(10**6) for _ in range(asked.seeds)]
    print(f"seeds {seeds}, about {asked.rides} rides each")
    print("household  answers  judge  regression  sensor  median")
    print("(and of the judge: rides decided, of these right; all in %, of rides that nobody answered)")
    for kind in asked.kinds:
        for seed in seeds:
            house = told(kind, seed, asked.rides)
            rides, truth = house.rides, [bike or 0 for bike in house.truth]
            x = features(rides)
            rider = Answering(house, seed, in_groups=False, slips=SLIPS)
            for acts in (20, 50):
                rider.until(acts)
                left = [i for i in range(len(rides)) if i not in rider.answers]
                judged = judge(rides, house.household, rider.answers, said_at=rider.said_at)
                guesses = [
                    [judged.candidates[k] or 0 for k in judged.probabilities[left].argmax(axis=1)],
                    by_regression(x, rider.answers, left),
                    [by_sensor(rides, rider.answers, i) for i in left],
                    [by_median(x, rides, rider.answers, i) for i in left],
                ]
                right = [
                    100 * np.mean([g == truth[i] for g, i in zip(of, left, strict=True)]) for of in guesses
                ]
                said = {i: judged.said(i) for i in left}
                named = [i for i in left if said[i].verdict is not Verdict.ASK]
                decided = 100 * len(named) / max(1, len(left))
                fine = sum(said[i].bike == house.truth[i] for i in named)
                table = "   ".join(f"{one:5.1f}" for one in right)
                print(f"{kind:9} {acts:8}  {table}   ({decided:.0f}, {fine} of {len(named)})", flush=True)


if __name__ == "__main__":
    main()
