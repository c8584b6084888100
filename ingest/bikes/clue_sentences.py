"""Each clue's say on each bike, in log-odds and in a sentence that a rider understands."""

from __future__ import annotations

import bisect
import math
from collections import defaultdict
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ingest.bikes.household_model import HouseholdFit
from ingest.bikes.log_odds import Clue
from ingest.bikes.ride_clues import RideClues
from ingest.bikes.routes import same_ways
from ingest.bikes.ruled_out import not_here
from ingest.bikes.sensor_places import bounded_silence
from ingest.bikes.weekday_and_speed import part_of_week
from ingest.ride.recording import Column
from rules.units import speed, without_unit
from rules.vocabulary import Bike, BikeId, RiderId


@dataclass(frozen=True, slots=True)
class Evidence:
    """One clue's say on one bike.

    bike: None = none of ours.  weight: log-odds, natural logarithm; -inf = cannot have been.
    """

    clue: Clue
    bike: BikeId | None
    weight: float
    sentence: str


class BelievedCounts:
    """What is believed of each rider's rides, added up once for the sentences of all rides.

    A row has the number of rides on each bike and, last, on none of ours.
    """

    def __init__(self, fitted: HouseholdFit) -> None:
        self.fitted = fitted
        self._of_value: dict[Callable[[RideClues], object], dict[Hashable, Column]] = {}

    @cached_property
    def rides_of(self) -> Mapping[RiderId, list[int]]:
        """Each rider's rides, in order of time."""
        rides: dict[RiderId, list[int]] = defaultdict(list)
        for place, ride in enumerate(self.fitted.rides):
            rides[ride.rider].append(place)
        return rides

    @cached_property
    def ways(self) -> Sequence[int | None]:
        """Of each ride: which way it took."""
        return same_ways([ride.way for ride in self.fitted.rides])

    @cached_property
    def of_rider(self) -> Mapping[Hashable, Column]:
        """A row for each rider."""
        return self._sums(lambda ride: ride.rider)

    @cached_property
    def of_group(self) -> Mapping[Hashable, Column]:
        """A row for each rider, indoors and outdoors apart."""
        return self._sums(lambda ride: (ride.rider, ride.indoor))

    def of_value(self, value: Callable[[RideClues], object]) -> Mapping[Hashable, Column]:
        """A row for each rider, indoors and outdoors apart, and value of a clue."""
        if value not in self._of_value:
            self._of_value[value] = self._sums(lambda ride: (ride.rider, ride.indoor, value(ride)))
        return self._of_value[value]

    @cached_property
    def usual_speed_mps(self) -> Mapping[Hashable, tuple[Column, Column]]:
        """Rides whose speed is known, and their mean speed: a row each for each rider."""
        rides = self._sums(lambda ride: ride.rider, lambda ride: float(ride.speed_mps is not None))
        speeds = self._sums(lambda ride: ride.rider, lambda ride: ride.speed_mps or 0.0)
        return {rider: (row, speeds[rider] / np.maximum(row, 1e-9)) for rider, row in rides.items()}

    def _sums(
        self, key: Callable[[RideClues], Hashable], times: Callable[[RideClues], float] | None = None
    ) -> dict[Hashable, Column]:
        sums: dict[Hashable, Column] = {}
        for ride, shares in zip(self.fitted.rides, self.fitted.shares, strict=True):
            row = shares if times is None else shares * times(ride)
            known = sums.get(key(ride))
            sums[key(ride)] = row if known is None else known + row
        return sums


def evidence_on(
    counts: BelievedCounts, ride: int, doubt: float, ruled_out: Mapping[BikeId, str]
) -> tuple[Evidence, ...]:
    """All evidence on one ride. A clue that the ride does not have has no line.

    doubt: what the log-odds are divided by, because clues have proved to share more than they show.
    """
    fitted = counts.fitted
    lines: list[Evidence] = []
    clues = fitted.rides[ride]
    impossible = {**not_here(clues, fitted.household.bikes), **ruled_out}
    for clue, said in fitted.by_clue.items():
        weights = said[ride] / doubt
        if not weights.any():
            continue
        if clue is Clue.SENSOR:
            lines += _sensors(fitted, ride, doubt, impossible)
            continue
        for column, bike in enumerate((*fitted.household.bikes, None)):
            weight = float(weights[column])
            if weight == 0.0 or (bike is not None and bike.id in impossible):
                continue
            if bike is None:
                lines.append(Evidence(clue, None, weight, _none(clue, speaks_for=weight > 0)))
            else:
                line = _Line(counts, ride, bike, column, weight > 0)
                lines.append(Evidence(clue, bike.id, weight, _SENTENCES[clue](line)))
    cannot = (Evidence(Clue.IMPOSSIBLE, bike, -math.inf, why) for bike, why in impossible.items())
    return (*lines, *cannot)


def _sensors(
    fitted: HouseholdFit, ride: int, doubt: float, impossible: Mapping[BikeId, str]
) -> list[Evidence]:
    """A line a sensor and bike; silences, which may have one cause, share what they say together."""
    says = fitted.sensor_says[ride]
    whole = bounded_silence(fitted.sensor_says[ride : ride + 1])[0]
    lines = []
    for column, bike in enumerate(fitted.household.bikes):
        loud = says[:, column][says[:, column] > 0].sum()
        silent = says[:, column][says[:, column] < 0].sum()
        shrink = (whole[column] - loud) / silent if silent < 0 else 1.0
        for index, name in enumerate(fitted.places.names):
            weight = float(says[index, column]) / doubt * (shrink if says[index, column] < 0 else 1.0)
            if weight == 0.0 or bike.id in impossible:
                continue
            kind = fitted.places.kinds[index]
            if weight > 0:
                sits = "sits on" if weight * doubt > 2.5 else "may sit on"
                witness = _witness(fitted, ride, index, bike)
                sentence = f"The {kind} on this ride ({name}) {sits} {bike.name}{witness}."
            else:
                sentence = f"The {kind} that sits on {bike.name} ({name}) was not heard."
            lines.append(Evidence(Clue.SENSOR, bike.id, weight, sentence))
    return lines


def _witness(fitted: HouseholdFit, ride: int, sensor: int, bike: Bike) -> str:
    """The answered ride nearest in time on which this sensor was on this bike, in words."""
    at = fitted.rides[ride].started_at
    known = [
        fitted.rides[index].started_at
        for index, said in fitted.answers.items()
        if said == bike.id and index != ride and fitted.places.heard[index, sensor]
    ]
    if not known:
        return ""
    nearest = min(known, key=lambda start: abs(start - at))
    return f": it was there on {nearest:%-d %b %Y}, you said"


@dataclass(frozen=True, slots=True)
class _Line:
    """What a sentence is about: a bike, its column, and whether the clue speaks for it."""

    counts: BelievedCounts
    ride: int
    bike: Bike
    column: int
    speaks_for: bool

    @property
    def clues(self) -> RideClues:
        return self.counts.fitted.rides[self.ride]


def _gears(line: _Line) -> str:
    fits = "fits" if line.speaks_for else "does not fit"
    return f"Speed over cadence {fits} the gears of {line.bike.name}."


def _shifts(line: _Line) -> str:
    return f"{'Every gear' if line.speaks_for else 'Not every gear'} it shifted to is on {line.bike.name}."


def _counted(value: Callable[[RideClues], object], words: str) -> Callable[[_Line], str]:
    """'n of N rides on Bike …', by what is believed of all this rider's rides."""

    def sentence(line: _Line) -> str:
        this = line.clues
        group = this.rider, this.indoor
        n = round(float(line.counts.of_value(value)[*group, value(this)][line.column]))
        of = round(float(line.counts.of_group[group][line.column]))
        return words.format(value=value(this), n=n, of=of, bike=line.bike.name)

    return sentence


def _measured(line: _Line) -> str:
    this, name = line.clues, line.bike.name
    like = "like" if line.speaks_for else "unlike"
    rides, usual_mps = (row[line.column] for row in line.counts.usual_speed_mps[this.rider])
    speeds = ""
    if this.speed_mps is not None and rides >= 1.0:
        speeds = f" ({speed(this.speed_mps)} against {without_unit(speed(usual_mps))} usual)"
    return f"Speed{speeds}, climbing, stops and length are {like} this rider's rides on {name}."


def _way(line: _Line) -> str:
    ways = line.counts.ways
    same = [i for i in line.counts.rides_of[line.clues.rider] if ways[i] == ways[line.ride]]
    n = round(float(line.counts.fitted.shares[same, line.column].sum()))
    return f"It took a way that this rider took {len(same)} times, about {n} of them on {line.bike.name}."


def _habit(line: _Line) -> str:
    rider = line.clues.rider
    n, of = round(float(line.counts.of_rider[rider][line.column])), len(line.counts.rides_of[rider])
    return f"About {n} of this rider's {of} rides were on {line.bike.name}."


def _neighbours(line: _Line) -> str:
    fitted, start = line.counts.fitted, line.clues.started_at
    theirs = line.counts.rides_of[line.clues.rider]
    at = bisect.bisect_left(theirs, line.ride)
    beside = theirs[max(at - 1, 0) : at] + theirs[at + 1 : at + 2]
    nearest = min(beside, key=lambda i: abs(fitted.rides[i].started_at - start))
    on = "was" if fitted.shares[nearest, line.column] > 0.5 else "was hardly"
    day = f"{fitted.rides[nearest].started_at:%-d %b}"
    return f"The ride next to it, on {day}, {on} on {line.bike.name}."


def _indoor(line: _Line) -> str:
    if line.bike.indoor:
        return f"{line.bike.name} lives on the trainer, and this ride was outdoors."
    return f"It was ridden indoors, and {line.bike.name} does not live on the trainer."


def _meanwhile(line: _Line) -> str:
    return f"Another rider was on {line.bike.name} at the time."


_SENTENCES: Mapping[Clue, Callable[[_Line], str]] = {
    Clue.GEARING: _gears,
    Clue.SHIFTS: _shifts,
    Clue.ACTIVITY: _counted(
        lambda ride: ride.activity, "'{value}' was chosen on about {n} of {of} rides on {bike}."
    ),
    Clue.CHANNELS: _counted(
        lambda ride: ride.channels, "It measured {value}, as did about {n} of {of} rides on {bike}."
    ),
    Clue.DEVICE: _counted(
        lambda ride: ride.device, "This head unit was on about {n} of {of} rides on {bike}."
    ),
    Clue.WAY: _way,
    Clue.WEEK: _counted(part_of_week, "About {n} of {of} rides on {bike} were at this time of the week."),
    Clue.MEASURED: _measured,
    Clue.HABIT: _habit,
    Clue.NEIGHBOURS: _neighbours,
    Clue.INDOOR: _indoor,
    Clue.MEANWHILE: _meanwhile,
}


def _none(clue: Clue, *, speaks_for: bool) -> str:
    """What a clue says of a bike that is none of ours."""
    match clue:
        case Clue.GEARING:
            return f"Its gears are {'like' if speaks_for else 'unlike'} those of a bike that is none of ours."
        case Clue.NONE_OF_OURS:
            return "No sensor and no gears speak for a bike that is none of ours."
        case Clue.NEIGHBOURS:
            return "What the rides next to it say of a bike that is none of ours."
        case _:
            return "A ride on a bike that is none of ours is rare."
