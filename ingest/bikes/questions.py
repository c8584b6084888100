"""The confirm list: what to ask first, what an answer settles, and what cannot have been."""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Generic, TypeVar

from ingest.bikes.clues import RideClues
from ingest.bikes.judge import Assignment, Verdict, judge
from ingest.bikes.learning import Household, Known, learn
from rules.vocabulary import BikeId, DecidedBy, Fitting, RiderId, Sensor, SensorId

Key = TypeVar("Key", bound=Hashable)
WORTH_OFFERING = 0.03  # probability from which a bike is among the choices


@dataclass(frozen=True, slots=True)
class Taken:
    """A ride whose bike is settled: nobody else can have been on that bike meanwhile."""

    bike: BikeId
    rider: RiderId
    started_at: datetime
    ended_at: datetime


@dataclass(frozen=True, slots=True)
class Away:
    """A span in which a bike was not at hand, and why: at the workshop, lent, left at the cabin."""

    bike: BikeId
    from_at: datetime
    until_at: datetime | None
    why: str


def impossibilities(
    clues: RideClues,
    household: Household,
    *,
    taken: Iterable[Taken] = (),
    fittings: Iterable[Fitting] = (),
    away: Iterable[Away] = (),
) -> dict[BikeId, str]:
    """Which bikes cannot have been on this ride, each with the sentence saying why.

    A bike whose chains are tracked had to have one fitted at the start; one without any fitting is not.
    """
    ruled_out: dict[BikeId, str] = {}
    names = {bike.id: bike.name for bike in household.bikes}
    riders = {rider.id: rider.name for rider in household.riders}
    spans: dict[BikeId, list[Fitting]] = {}
    for fitting in fittings:
        spans.setdefault(fitting.bike, []).append(fitting)
    for bike, of_bike in spans.items():
        before = [f for f in of_bike if f.fitted_at <= clues.started_at]
        if before and all(f.removed_at is not None and f.removed_at <= clues.started_at for f in before):
            ruled_out[bike] = f"{names.get(bike, 'That bike')} had no chain on that day."
    for span in away:
        if span.from_at < clues.ended_at and (span.until_at is None or clues.started_at < span.until_at):
            ruled_out[span.bike] = f"{names.get(span.bike, 'That bike')} was away: {span.why}."
    for ride in taken:
        overlaps = ride.started_at < clues.ended_at and clues.started_at < ride.ended_at
        if overlaps and ride.rider != clues.rider:
            who = riders.get(ride.rider, "The other rider")
            ruled_out[ride.bike] = f"{who} was riding {names.get(ride.bike, 'that bike')} at the time."
    return ruled_out


@dataclass(frozen=True, slots=True)
class Question(Generic[Key]):
    """One ride on the confirm list.

    choices: bikes worth offering, likeliest first; None = none of ours.
    may_settle: other open rides that share a sensor with it, so that the answer speaks for them too.
    information: what the answer is expected to tell, in nats, those rides included.
    """

    ride: Key
    choices: tuple[BikeId | None, ...]
    because: str
    may_settle: tuple[Key, ...]
    information: float


def confirm_list(open_rides: Mapping[Key, tuple[RideClues, Assignment]]) -> tuple[Question[Key], ...]:
    """The open questions, shortest useful one first: most information for each choice there is to read."""
    doubt = {key: _doubt(said) for key, (_, said) in open_rides.items()}
    by_sensor: dict[str, list[Key]] = {}
    for key, (clues, _) in open_rides.items():
        for sensor in clues.sensors:
            by_sensor.setdefault(sensor.identity, []).append(key)
    questions = []
    for key, (clues, said) in open_rides.items():
        linked = {other: None for s in clues.sensors for other in by_sensor[s.identity] if other != key}
        ranked = sorted(said.probabilities.items(), key=lambda item: -item[1])
        choices = [bike for bike, probability in ranked if probability >= WORTH_OFFERING]
        if len(choices) < 2:  # a contradiction can leave one on paper: the runner-up is the question then
            choices = [bike for bike, _ in ranked[:2]]
        information = doubt[key] + sum(doubt[other] for other in linked)
        questions.append(Question(key, tuple(choices), said.because, tuple(linked), information))
    return tuple(sorted(questions, key=lambda q: -q.information / len(q.choices)))


def settles(
    ride: Key,
    answer: BikeId | None,
    open_rides: Mapping[Key, tuple[RideClues, Assignment]],
    known: Sequence[Known],
    household: Household,
    *,
    impossible: Mapping[Key, Mapping[BikeId, str]] | None = None,
) -> dict[Key, Assignment]:
    """Which other open rides are decided once this one is answered, and how: learned again, judged again."""
    habits = learn([*known, Known(open_rides[ride][0], answer, DecidedBy.RIDER)], household)
    settled = {}
    for key, (clues, _) in open_rides.items():
        if key == ride:
            continue
        said = judge(clues, household, habits, impossible=(impossible or {}).get(key))
        if said.verdict is not Verdict.ASK:
            settled[key] = said
    return settled


def moved(
    sensors: Sequence[Sensor], identity: str, kind: str, bike: BikeId, at: datetime, new_id: SensorId
) -> tuple[Sensor, ...]:
    """The sensor spans after 'this sensor moved to that bike on that day'.

    What was entered from that day on is replaced; the span in force before it ends there.
    """
    kept = []
    for span in sensors:
        if span.identity != identity or (span.until_at is not None and span.until_at <= at):
            kept.append(span)
        elif span.from_at is None or span.from_at < at:
            kept.append(replace(span, until_at=at))
    return (*kept, Sensor(new_id, kind, identity, bike, at, None))


def _doubt(said: Assignment) -> float:
    """The entropy of the probabilities. [nats]"""
    return -sum(p * math.log(p) for p in said.probabilities.values() if p > 0)
