"""Which bikes the files themselves show, before anybody named one: rides that share a sensor, or gears.

By what is fitted, never by habit: the same hour on the same weekday is no bike. Rides that show neither are
in no group, and are asked about later.

    rides | share a sensor that is fitted | else: one comb explains both better than two do | groups
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ingest.bikes.log_odds import ln_sum
from ingest.bikes.pedalled_gears import FEWEST_GEARS
from ingest.bikes.ride_clues import WORN_BY_THE_RIDER, RideClues
from ingest.bikes.sensor_places import ROAMS
from ingest.bikes.sold_gears import SOLD, Table
from rules.vocabulary import RiderId

FEWEST_RIDES = 3  # fewer show no bike: a test ride, a friend's
TOGETHER_FROM = 0.5  # more than this of the rides on which either of two was heard: they sit on one bike
# Nats by which one comb must explain a ride and a group better than two do. Set on eight invented households
# (tests/second_households.py, sensors taken away): at 2, 94 of 100 grouped rides were right, at 4, 98; what
# stays apart is only asked about.
JOINS_FROM = 4.0
ODD_FROM = -2.0  # and by which a ride is worse explained with its group than apart, to be left out of it


@dataclass(frozen=True, slots=True)
class FoundBike:
    """Rides that seem to be one bike's.

    rides: by place in what was given, in order of time.  sensors: kinds and names of what they share.
    gears: how many different gears were held, at most, on one of its rides; 0 = no ride shows any.
    riders: whose rides they are, most rides first.
    """

    rides: tuple[int, ...]
    sensors: tuple[tuple[str, str], ...]
    gears: int
    riders: tuple[RiderId, ...]
    indoor: bool


def found_bikes(rides: Sequence[RideClues]) -> tuple[FoundBike, ...]:
    """The groups, most rides first."""
    groups = [_without_odd_ones(rides, group) for group in _by_sensor(rides)]
    heard = {place for group in groups for place in group}
    silent = [place for place in range(len(rides)) if place not in heard and not _fitted(rides[place])]
    groups += _by_gears(rides, silent)
    found = [_found(rides, group) for group in groups if len(group) >= FEWEST_RIDES]
    return tuple(sorted(found, key=lambda one: (-len(one.rides), one.rides)))


def _fitted(ride: RideClues) -> list[str]:
    """The sensors that sit on a bike: neither on the rider nor carried from bike to bike."""
    return [s.identity for s in ride.sensors if s.kind not in WORN_BY_THE_RIDER and s.kind not in ROAMS]


def _by_sensor(rides: Sequence[RideClues]) -> list[list[int]]:
    """Rides that share a fitted sensor; sensors that are mostly heard together are on one bike."""
    heard_on: dict[str, set[int]] = {}
    for place, ride in enumerate(rides):
        for name in _fitted(ride):
            heard_on.setdefault(name, set()).add(place)
    names = sorted(heard_on, key=lambda name: (-len(heard_on[name]), name))
    leader: dict[str, str] = {}
    for name in names:
        mine = heard_on[name]
        together = [
            other
            for other in leader
            if len(mine & heard_on[other]) > TOGETHER_FROM * len(mine | heard_on[other])
        ]
        leader[name] = leader[together[0]] if together else name
    groups: dict[str, list[int]] = {}
    for place, ride in enumerate(rides):
        fitted = _fitted(ride)
        if fitted:
            # A ride that heard two bikes was on the one whose sensor is heard less: pedals move, hubs do not.
            rarest = min(fitted, key=lambda name: (len(heard_on[name]), name))
            groups.setdefault(leader[rarest], []).append(place)
    return list(groups.values())


def _without_odd_ones(rides: Sequence[RideClues], group: list[int]) -> list[int]:
    """A sensor moves, or a partner's is heard: what was ridden in other gears than the rest is left out."""
    tables = {place: table for place in group if (table := _table(rides[place])) is not None}
    if len(tables) < FEWEST_RIDES:
        return group
    every = np.sum(list(tables.values()), axis=0)
    together = _explained(every)
    odd = {
        place
        for place, table in tables.items()
        if together - _explained(every - table) - _explained(table) < ODD_FROM
    }
    return [place for place in group if place not in odd]


def _table(ride: RideClues) -> Table | None:
    """How well each comb sold explains its gears; None where it shows too few."""
    shows = ride.sold is not None and ride.gears is not None and ride.gears.gears_held >= FEWEST_GEARS
    return ride.sold.unpacked() if shows and ride.sold is not None else None


def _by_gears(rides: Sequence[RideClues], silent: Sequence[int]) -> list[list[int]]:
    """Rides whose gears one comb, of those that bikes are sold with, explains better than two."""
    groups: list[tuple[tuple[RiderId, bool], Table, list[int]]] = []
    for place in silent:
        ride = rides[place]
        table = _table(ride)
        if table is None:
            continue
        alike = (ride.rider, ride.indoor)
        gains = [
            _explained(held + table) - _explained(held) - _explained(table) if kind == alike else -math.inf
            for kind, held, _ in groups
        ]
        best = int(np.argmax(gains)) if gains else -1
        if gains and gains[best] >= JOINS_FROM:
            kind, held, members = groups[best]
            groups[best] = (kind, held + table, [*members, place])
        else:
            groups.append((alike, table, [place]))
    return [members for _, _, members in _joined(groups)]


def _joined(
    groups: list[tuple[tuple[RiderId, bool], Table, list[int]]],
) -> list[tuple[tuple[RiderId, bool], Table, list[int]]]:
    """Groups that grew apart before enough was known of either, put together: the surest first."""
    while True:
        best, pair = JOINS_FROM, None
        for one in range(len(groups)):
            for other in range(one + 1, len(groups)):
                if groups[one][0] != groups[other][0]:
                    continue
                both = groups[one][1] + groups[other][1]
                gain = _explained(both) - _explained(groups[one][1]) - _explained(groups[other][1])
                if gain >= best:
                    best, pair = gain, (one, other)
        if pair is None:
            return groups
        one, other = pair
        kind, table, members = groups[one]
        merged = (kind, table + groups[other][1], sorted([*members, *groups[other][2]]))
        groups = [*(g for n, g in enumerate(groups) if n not in pair), merged]


def _explained(table: Table) -> float:
    """ln probability of what a group rode, over all combs sold at all sizes of wheel."""
    return float(ln_sum(table.ravel())) - math.log(len(SOLD) * table.shape[1])


def _found(rides: Sequence[RideClues], group: Sequence[int]) -> FoundBike:
    in_time = tuple(sorted(group, key=lambda place: rides[place].started_at))
    heard = Counter(
        (s.kind, s.identity)
        for place in group
        for s in rides[place].sensors
        if s.identity in _fitted(rides[place])
    )
    shared = tuple(one for one, count in heard.most_common() if count >= len(group) / 2)
    gears = max((h.gears_held for place in group if (h := rides[place].gears) is not None), default=0)
    riders = tuple(rider for rider, _ in Counter(rides[place].rider for place in group).most_common())
    return FoundBike(in_time, shared, gears, riders, 2 * sum(rides[p].indoor for p in group) > len(group))
