"""What each clue of a ride says for each bike: a weight in log-odds and a sentence."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from ingest.bikes.clues import WHEEL_IS_OFF, HeardSensor, RideClues
from ingest.bikes.gearing import WHEEL_SENSORS
from ingest.bikes.learning import (
    OTHER_BIKE,
    OWN_BIKE,
    SHARED_BIKE,
    SOON_AFTER,
    Habits,
    RiderHabits,
    measures_of,
    values_of,
)
from rules.vocabulary import Bike, BikeId

HEARD_ON_ITS_BIKE = 0.9  # the rest are flat batteries
# Of a tooth number that shifting reports: on a bike that has it, on one that has not, on any bike.
SHIFT_IS_RIGHT, SHIFT_IS_WRONG, ANY_BIKE_HAS_IT = 0.97, 0.02, 0.4
MOST_SHIFTS_SAY = 6.0
WHEEL_SPREAD = 0.02
WHEEL_MISREAD = (
    0.1  # chance that it is off for another reason; four times likelier than chance on a fitting wheel
)
ON_THE_TRAINER = 5.0  # log-odds against a bike that lives on the trainer, on a ride outdoors
SURFACE_SPREAD = 0.35  # of a ride's unpaved share around its bike's usual one


class Clue(StrEnum):
    """The kinds of evidence, as the rider reads them."""

    SENSOR = "sensor"
    GEARING = "gearing"
    SHIFTS = "gear changes"
    WHEEL = "wheel size"
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
    rider = habits.riders.get(clues.rider)
    evidence = [
        *_sensors(clues, candidates, habits),
        *_gears(clues, candidates, habits),
        *_wheel(clues, candidates, habits),
        *_trainer(clues, candidates),
        *_surface(clues, candidates, rider),
        *_habit(clues, candidates, rider),
    ]
    if rider is not None:
        evidence += [*_counted(clues, candidates, rider), *_measured(clues, candidates, rider)]
    return tuple(evidence)


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
            odds = share * HEARD_ON_ITS_BIKE / habits.heard_elsewhere + (1.0 - share)
            sits = "sits on" if share >= 0.6 else "may sit on"
            sentence = f"The {heard.kind} on this ride ({heard.identity}) {sits} {names[bike]}."
            item = Evidence(Clue.SENSOR, bike, math.log(odds), sentence)
            before = strongest.get((bike, heard.kind))
            if before is None or before.weight < item.weight:
                strongest[bike, heard.kind] = item
    return list(strongest.values())


def _gears(clues: RideClues, candidates: Sequence[Bike], habits: Habits) -> list[Evidence]:
    """Speed over cadence and reported shifts tell of the same gears: per bike the stronger counts."""
    by_comb = habits.combs.weigh(clues.gears) if clues.gears is not None else {}
    evidence = []
    for bike in candidates:
        comb, shifts = by_comb.get(bike.id), _shifts(clues, bike, habits)
        if comb is not None and (shifts is None or abs(comb.weight) >= abs(shifts.weight)):
            fits = "fits" if comb.weight > 0 else "does not fit"
            sentence = f"Speed over cadence {fits} the gears of {bike.name}."
            if comb.weight > 0 and abs(comb.move) >= 0.02:
                sentence = (
                    f"Speed over cadence fits the gears of {bike.name}, wheel {comb.move:+.0%} in size."
                )
            evidence.append(Evidence(Clue.GEARING, bike.id, comb.weight, sentence))
        elif shifts is not None:
            evidence.append(shifts)
    return evidence


def _shifts(clues: RideClues, bike: Bike, habits: Habits) -> Evidence | None:
    teeth = habits.teeth.get(bike.id)
    if not clues.shifts or teeth is None:
        return None
    right: list[int] = []
    wrong: list[int] = []
    for at, has in enumerate(teeth):
        for tooth in {pair[at] for pair in clues.shifts} - {None}:
            if not has or tooth is None:
                continue
            (right if tooth in has else wrong).append(tooth)
    total = len(right) * math.log(SHIFT_IS_RIGHT / ANY_BIKE_HAS_IT)
    total += len(wrong) * math.log(SHIFT_IS_WRONG / (1.0 - ANY_BIKE_HAS_IT))
    if not right and not wrong:
        return None
    sentence = f"Every gear it shifted to is on {bike.name}."
    if wrong:
        sentence = (
            f"It shifted to {', '.join(str(t) for t in sorted(wrong))} teeth, which {bike.name} has not."
        )
    return Evidence(Clue.SHIFTS, bike.id, max(-MOST_SHIFTS_SAY, min(MOST_SHIFTS_SAY, total)), sentence)


def _wheel(clues: RideClues, candidates: Sequence[Bike], habits: Habits) -> list[Evidence]:
    """A wheel sensor set for one bike, on a wheel of another size, measures the road wrong by their ratio.

    That it measures right says nothing: devices set themselves right after some kilometres.
    """
    if clues.wheel_off is None or abs(clues.wheel_off) < WHEEL_IS_OFF:
        return []
    home = max(
        (place for heard in clues.sensors for place in _places(heard, clues, habits, WHEEL_SENSORS)),
        key=lambda place: place[1],
        default=None,
    )
    sizes = {bike.id: bike.wheel_circumference_m for bike in candidates}
    set_for_m = sizes.get(home[0]) if home else None
    if set_for_m is None:
        return []
    evidence = []
    for bike in candidates:
        if bike.wheel_circumference_m is not None:
            apart = (clues.wheel_off - math.log(bike.wheel_circumference_m / set_for_m)) / WHEEL_SPREAD
            weight = math.log((1.0 - WHEEL_MISREAD) * math.exp(-0.5 * apart * apart) * 4.0 + WHEEL_MISREAD)
            fits = "a wheel like that of" if weight > 0 else "no wheel like that of"
            sentence = (
                f"The sensor's distance is {-clues.wheel_off:+.0%} off the track's: {fits} {bike.name}."
            )
            evidence.append(Evidence(Clue.WHEEL, bike.id, weight, sentence))
    return evidence


def _places(
    heard: HeardSensor, clues: RideClues, habits: Habits, kinds: Collection[str]
) -> list[tuple[BikeId, float]]:
    story = habits.sensors.get(heard.identity) if heard.kind in kinds else None
    return list(story.place(clues.started_at).items()) if story is not None else []


def _trainer(clues: RideClues, candidates: Sequence[Bike]) -> list[Evidence]:
    if clues.indoor:
        return []
    sentence = "{} lives on the trainer, and this ride was outdoors."
    return [
        Evidence(Clue.INDOOR, bike.id, -ON_THE_TRAINER, sentence.format(bike.name))
        for bike in candidates
        if bike.indoor
    ]


def _surface(clues: RideClues, candidates: Sequence[Bike], rider: RiderHabits | None) -> list[Evidence]:
    """The ground against the bike's usual ground, until the profile, the same choice, is learned."""
    learned = rider is not None and clues.activity is not None and "profile" in rider.tallies
    if clues.unpaved_share is None or learned:
        return []
    curves = {
        bike: math.exp(-0.5 * ((clues.unpaved_share - bike.unpaved_share) / SURFACE_SPREAD) ** 2)
        for bike in candidates
    }
    mean = sum(curves.values()) / len(curves) if curves else 1.0
    sentence = "{:.0%} of the ride was unpaved; {} usually sees {:.0%}."
    return [
        Evidence(
            Clue.SURFACE,
            bike.id,
            math.log((curve + 0.05) / (mean + 0.05)),
            sentence.format(clues.unpaved_share, bike.name, bike.unpaved_share),
        )
        for bike, curve in curves.items()
    ]


def _whose(bike: BikeId | None, head_starts: Mapping[BikeId | None, float]) -> str:
    return {OWN_BIKE: "their own", SHARED_BIKE: "another rider's"}[head_starts[bike]] if bike else "a guess"


def _habit(clues: RideClues, candidates: Sequence[Bike], rider: RiderHabits | None) -> list[Evidence]:
    """How often this rider takes this bike: counted rides and a head start; and the bike before it."""
    head_starts: dict[BikeId | None, float] = {
        bike.id: OWN_BIKE if bike.owner == clues.rider else SHARED_BIKE for bike in candidates
    }
    head_starts[None] = OTHER_BIKE
    names: dict[BikeId | None, str] = {bike.id: bike.name for bike in candidates}
    names[None] = "a bike that is none of ours"
    counts = {bike: rider.ridden.get(bike, 0.0) if rider else 0.0 for bike in head_starts}
    known = dict.fromkeys(head_starts, sum(counts.values()))
    known[None] = rider.unheard if rider else 0.0  # the others cannot have been on a bike of none of ours
    start = sum(head_starts.values())
    shares = {bike: (counts[bike] + head_starts[bike]) / (known[bike] + start) for bike in head_starts}
    evidence = [
        Evidence(
            Clue.HABIT,
            bike,
            math.log(share * len(shares)),
            f"{counts[bike]:.0f} of this rider's {known[bike]:.0f} known rides "
            f"{'' if bike else 'without a sensor of ours '}were on {names[bike]}."
            if known[bike]
            else f"No ride of this rider is known yet; {names[bike]} is {_whose(bike, head_starts)}.",
        )
        for bike, share in shares.items()
    ]
    before = rider.before(clues.started_at) if rider else None
    if rider is not None and before is not None and before[1] in shares:
        at, bike = before
        again = rider.same_soon if clues.started_at - at <= SOON_AFTER else rider.same_later
        if again > 0:
            weight = math.log1p(again / ((1.0 - again) * shares[bike]))  # habit, or the same again
            sentence = f"The ride before it, on {at:%d %b}, was on {names[bike]}."
            evidence.append(Evidence(Clue.RECENCY, bike, weight, sentence))
    return evidence


_COUNTED = {
    "profile": (Clue.ACTIVITY, "'{value}' was chosen on {n} of {of} known rides on {bike}."),
    "head unit": (Clue.DEVICE, "This head unit was on {n} of {of} known rides on {bike}."),
    "start place": (Clue.PLACE, "{n} of {of} known rides on {bike} started here."),
    "weekday": (Clue.WEEKDAY, "{n} of {of} known rides on {bike} were on this weekday."),
    "trainer": (Clue.INDOOR, "{n} of {of} known rides on {bike} were {value}."),
}


def _counted(clues: RideClues, candidates: Sequence[Bike], rider: RiderHabits) -> list[Evidence]:
    evidence = []
    for name, value in values_of(clues).items():
        tally = rider.tallies.get(name)
        if tally is None:
            continue
        clue, sentence = _COUNTED[name]
        for bike in candidates:
            if clue is Clue.INDOOR and bike.indoor and not clues.indoor:
                continue  # said already, by where it lives
            weight = tally.weight(bike.id, value)
            if weight != 0.0:
                n, of = tally.seen(bike.id, value)
                words = sentence.format(value=value, n=n, of=of, bike=bike.name)
                evidence.append(Evidence(clue, bike.id, weight, words))
    return evidence


_MEASURED = {
    "speed": (Clue.SPEED, "{:.0f} km/h against {:.0f} km/h usual on {}.", 3.6),
    "roughness": (Clue.ROUGHNESS, "Speed jumps by {:.1f} % a second against {:.1f} % usual on {}.", 100.0),
}


def _measured(clues: RideClues, candidates: Sequence[Bike], rider: RiderHabits) -> list[Evidence]:
    evidence = []
    for name, value in measures_of(clues).items():
        measures = rider.measures.get(name)
        if measures is None:
            continue
        clue, sentence, factor = _MEASURED[name]
        for bike in candidates:
            weight = measures.weight(bike.id, value)
            if weight != 0.0:
                usual = math.exp(measures.mean(bike.id)) * factor
                words = sentence.format(math.exp(value) * factor, usual, bike.name)
                evidence.append(Evidence(clue, bike.id, weight, words))
    return evidence
