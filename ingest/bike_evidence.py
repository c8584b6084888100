"""What each clue of a ride says for each bike: a weight in log-odds and a sentence."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from ingest.bike_clues import RideClues
from ingest.bike_learning import Habits
from rules.vocabulary import Bike, BikeId

HEARD_ON_ITS_BIKE = 0.9  # the rest are flat batteries
HEARD_ELSEWHERE = 0.004  # a sensor of a bike that stood near, or was carried along
OWN_BIKE, SHARED_BIKE, OTHER_BIKE = 2.0, 0.3, 0.4  # head start of a bike, in rides


class Clue(StrEnum):
    """The kinds of evidence, as the rider reads them."""

    SENSOR = "sensor"
    GEARING = "gearing"
    SHIFTS = "gear changes"
    ACTIVITY = "profile"
    DEVICE = "head unit"
    INDOOR = "trainer"
    HABIT = "habit"
    RECENCY = "last ride"
    PLACE = "start place"
    WEEKDAY = "weekday"
    SPEED = "speed"
    ROUGHNESS = "roughness"
    SURFACE = "surface"
    IMPOSSIBLE = "impossible"


@dataclass(frozen=True, slots=True)
class Evidence:
    """One clue's say on one bike.

    bike: None = none of ours.  weight: log-odds, natural logarithm; -inf = cannot have been.
    """

    clue: Clue
    bike: BikeId | None
    weight: float
    sentence: str


def weigh(clues: RideClues, candidates: Sequence[Bike], habits: Habits) -> tuple[Evidence, ...]:
    """All evidence on these bikes. A clue that is missing, or says nothing of a bike, has no line here."""
    return (*_sensors(clues, candidates, habits), *_habit(clues, candidates, habits))


def _sensors(clues: RideClues, candidates: Sequence[Bike], habits: Habits) -> list[Evidence]:
    """Each kind of sensor counts once per bike: a serial and a radio number may be one device."""
    strongest: dict[tuple[BikeId, str], Evidence] = {}
    names = {bike.id: bike.name for bike in candidates}
    for heard in clues.sensors:
        story = habits.sensors.get(heard.identity)
        if story is None:
            continue
        for bike, share in story.place(clues.started_at).items():
            if bike not in names:
                continue
            odds = (share * HEARD_ON_ITS_BIKE + (1.0 - share) * HEARD_ELSEWHERE) / HEARD_ELSEWHERE
            sentence = f"The {heard.kind} on this ride ({heard.identity}) sits on {names[bike]}."
            if share < 0.6:
                sentence = f"The {heard.kind} on this ride ({heard.identity}) may sit on {names[bike]}."
            item = Evidence(Clue.SENSOR, bike, math.log(odds), sentence)
            before = strongest.get((bike, heard.kind))
            if before is None or before.weight < item.weight:
                strongest[bike, heard.kind] = item
    return list(strongest.values())


def _habit(clues: RideClues, candidates: Sequence[Bike], habits: Habits) -> list[Evidence]:
    """How often this rider takes this bike: counted rides, and a head start for a bike of one's own."""
    ridden = habits.ridden.get(clues.rider, {})
    head_starts: dict[BikeId | None, float] = {
        bike.id: OWN_BIKE if bike.owner == clues.rider else SHARED_BIKE for bike in candidates
    }
    head_starts[None] = OTHER_BIKE
    names: dict[BikeId | None, str] = {bike.id: bike.name for bike in candidates}
    names[None] = "a bike that is none of ours"
    counts = {bike: ridden.get(bike, 0.0) for bike in head_starts}
    known = sum(counts.values())
    total = known + sum(head_starts.values())
    return [
        Evidence(
            Clue.HABIT,
            bike,
            math.log((counts[bike] + start) / total * len(head_starts)),
            f"{counts[bike]:.0f} of this rider's {known:.0f} known rides were on {names[bike]}.",
        )
        for bike, start in head_starts.items()
    ]
