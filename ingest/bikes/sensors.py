"""Where each sensor sat when, from the spans that were entered and from rides whose bike the rider named."""

from __future__ import annotations

import bisect
import itertools
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from ingest.bikes.clues import RideClues
from rules.vocabulary import BikeId, Sensor

ALWAYS = datetime(1, 1, 1, tzinfo=UTC)

# How a sensor of this kind keeps to its bike, as (sightings on the same bike, moves) before any is counted.
KEEPS_ITS_BIKE: Mapping[str, tuple[float, float]] = {
    "power meter": (98.0, 2.0),
    "shifter": (98.0, 2.0),
    "speed": (48.0, 2.0),
    "cadence": (48.0, 2.0),
    "speed and cadence": (48.0, 2.0),
}
ROAMS = (4.0, 1.0)  # radar, light and the rest are taken along
BETWEEN_TWO_LIKE_SIGHTINGS = 0.995
SAID_TO_SIT_THERE = 0.99  # inside a span that was entered


@dataclass(frozen=True, slots=True)
class SensorStory:
    """Where one sensor was known to sit: from each time on, until the next, the probability of each bike."""

    kind: str
    times: tuple[datetime, ...]  # ascending; the first is ALWAYS
    places: tuple[Mapping[BikeId, float], ...]

    def place(self, at: datetime) -> Mapping[BikeId, float]:
        """The probability of each bike it may sit on at this instant; the rest to 1 is 'anywhere else'."""
        return self.places[bisect.bisect_right(self.times, at) - 1]


@dataclass(frozen=True, slots=True)
class _Event:
    """Something known of a sensor: an answered ride, or the start or end of a span that was entered."""

    at: datetime
    bike: BikeId | None  # None = on no bike of ours, or not known from here on
    entered: bool
    own_word: bool = False  # known by this very sensor


def learn_sensors(
    named: Iterable[tuple[RideClues, BikeId | None]],
    entered: Iterable[Sensor],
    by_sensor: Iterable[tuple[RideClues, BikeId | None]] = (),
) -> dict[str, SensorStory]:
    """Where each sensor sat when: the spans entered, overruled from the day of a later answer on.

    named: rides whose bike the rider named; None = none of ours.
    by_sensor: rides that were decided by their sensors. A sensor is no witness for itself, so they only say
    until when it sat where the rider's last word had put it.
    """
    kinds: dict[str, str] = {}
    events: dict[str, list[_Event]] = defaultdict(list)
    for span in sorted(entered, key=lambda s: s.from_at or ALWAYS):
        kinds[span.identity] = span.kind
        start = span.from_at or ALWAYS
        if events[span.identity] and events[span.identity][-1].at >= start:
            events[span.identity].pop()  # the span before ended when this one began
        events[span.identity].append(_Event(start, span.bike, entered=True))
        if span.until_at is not None:
            events[span.identity].append(_Event(span.until_at, None, entered=True))
    for rides, own_word in ((named, False), (by_sensor, True)):
        for clues, bike in rides:
            for sensor in clues.sensors:
                kinds.setdefault(sensor.identity, sensor.kind)
                event = _Event(clues.started_at, bike, entered=False, own_word=own_word)
                events[sensor.identity].append(event)
    return {identity: _story(kinds[identity], happened) for identity, happened in events.items()}


def _story(kind: str, events: list[_Event]) -> SensorStory:
    """The sensor's places, piece by piece.

    Between two sightings on one bike it was there; between two on different bikes, on either; after the last
    one, there with the probability that such a sensor stays; inside a span that was entered, there.
    """
    events = _without_self_witness(events)
    if not events:
        return SensorStory(kind, (ALWAYS,), ({},))
    bikes = [event.bike for event in events]
    moves = sum(a != b for a, b in itertools.pairwise(bikes))
    stayed, moved = KEEPS_ITS_BIKE.get(kind, ROAMS)
    stays = (stayed + len(bikes) - 1 - moves) / (stayed + moved + len(bikes) - 1)
    first = events[0]
    times: list[datetime] = [ALWAYS]
    places: list[Mapping[BikeId, float]] = [_on(None if first.entered else first.bike, stays)]
    said: BikeId | None = None
    for event, after in itertools.zip_longest(events, events[1:]):
        said = event.bike if event.entered or event.bike == said else None
        ends_here = after is None or after.entered
        if said is not None and (ends_here or after.bike == said):
            place = _on(said, SAID_TO_SIT_THERE)
        elif ends_here:
            place = _on(event.bike, stays)
        elif event.bike == after.bike:
            place = _on(event.bike, BETWEEN_TWO_LIKE_SIGHTINGS)
        elif event.entered and event.bike is None:
            place = _on(after.bike, stays)
        else:
            place = {**_on(event.bike, stays / 2), **_on(after.bike, stays / 2)}
        times.append(event.at)
        places.append(place)
    return SensorStory(kind, tuple(times), tuple(places))


def _without_self_witness(events: Iterable[_Event]) -> list[_Event]:
    kept: list[_Event] = []
    said: BikeId | None = None
    for event in sorted(events, key=lambda event: event.at):
        if not event.own_word:
            said = event.bike
        elif event.bike is None or event.bike != said:
            continue
        kept.append(event)
    return kept


def _on(bike: BikeId | None, share: float) -> dict[BikeId, float]:
    return {} if bike is None else {bike: share}
