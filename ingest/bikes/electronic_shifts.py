"""Electronic shifts: which of the teeth that a ride reports each bike has."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence

import numpy as np

from ingest.bikes.ride_clues import RideClues
from ingest.ride.recording import Column
from rules.vocabulary import Bike, BikeId

# Of a tooth number that shifting reports: on a bike that has it, on one that has not, on any bike.
SHIFT_IS_RIGHT, SHIFT_IS_WRONG, ANY_BIKE_HAS_IT = 0.97, 0.02, 0.4
MOST_SHIFTS_SAY = 6.0


def shifts_say(
    rides: Sequence[RideClues], answers: Mapping[int, BikeId | None], bikes: Sequence[Bike]
) -> Column:
    """ln ratio of each ride's teeth on each bike to any bike, (rides, bikes); 0 where no shift was reported.

    A bike's teeth are those entered, else those that its answered rides shifted to.
    """
    result = np.zeros((len(rides), len(bikes)))
    teeth = _teeth(rides, answers, bikes)
    for index, ride in enumerate(rides):
        if ride.shifts:
            result[index] = [_one_ride(ride, teeth[bike.id]) for bike in bikes]
    return result


Teeth = tuple[frozenset[int], frozenset[int]]


def _teeth(
    rides: Sequence[RideClues], answers: Mapping[int, BikeId | None], bikes: Sequence[Bike]
) -> dict[BikeId, Teeth]:
    """Front and rear teeth of each bike: as entered, else those that its answered rides shifted to."""
    seen: dict[BikeId, tuple[set[int], set[int]]] = defaultdict(lambda: (set(), set()))
    for index, bike_id in answers.items():
        if bike_id is not None:
            for pair in rides[index].shifts:
                for side, tooth in zip(seen[bike_id], pair, strict=True):
                    if tooth is not None:
                        side.add(tooth)
    return {
        bike.id: (frozenset(bike.chainrings or seen[bike.id][0]), frozenset(bike.cogs or seen[bike.id][1]))
        for bike in bikes
    }


def _one_ride(ride: RideClues, teeth: Teeth) -> float:
    total = 0.0
    for at, has in enumerate(teeth):
        for tooth in {pair[at] for pair in ride.shifts} - {None}:
            if has:
                right = tooth in has
                total += math.log(
                    SHIFT_IS_RIGHT / ANY_BIKE_HAS_IT if right else SHIFT_IS_WRONG / (1.0 - ANY_BIKE_HAS_IT)
                )
    return max(-MOST_SHIFTS_SAY, min(MOST_SHIFTS_SAY, total))
