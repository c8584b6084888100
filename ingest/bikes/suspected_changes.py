"""What seems to have changed on a bike without a word: a sensor sits elsewhere, another cassette is fitted.

In words for whoever is asked, and without a guess: a guess that is shown becomes the answer. What was said
before is none, nor since when the rides are unlike it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ingest.bikes.judge import Judgement
from ingest.bikes.log_odds import Clue
from ingest.bikes.sensor_answers import HEARD_OF_LATELY_D
from ingest.bikes.sold_gears import Comb
from rules.vocabulary import Bike

STEADILY_FROM = 3  # rides that show gears
UNLIKE_FROM = 2.0  # log-odds against a bike, of each ride's gears in the mean


def what_changed(judgement: Judgement, rides: Sequence[int]) -> str:
    """A sentence on rides that are asked about; "" where nothing seems to have changed.

    rides: by place, in order of time, all with the same sensors that stay where they are.
    """
    fitted, first = judgement.fit, rides[0]
    heard = np.flatnonzero(fitted.places.heard[first] & fitted.places.stays)
    if not len(heard):
        return ""
    before = [i for i in fitted.answers if i < first and fitted.places.heard[i, heard].any()]
    last = max(before, default=None)
    if last is None:
        return ""
    bike = next((one for one in fitted.household.bikes if one.id == fitted.answers[last]), None)
    if bike is None:
        return ""
    sensor = next(one for one in heard.tolist() if fitted.places.heard[last, one])
    name = f"The {_device(fitted.places.kinds[sensor])} ({fitted.places.names[sensor]})"
    said, since = fitted.rides[last].started_at, fitted.rides[first].started_at
    column = fitted.column_of_answer[last]
    shows = np.intersect1d(rides, fitted.gears.shows)
    gears = fitted.gears.seen_on(rides)
    against = len(shows) and -float(fitted.by_clue[Clue.GEARING][shows, column].mean())
    if gears is not None and len(shows) >= STEADILY_FROM and against >= UNLIKE_FROM:
        return (
            f"{name} was on {bike.name} on {said:%-d %b %Y}, you said. Since {since:%-d %b %Y} the rides "
            f"with it show gears like {in_words(gears)}, which {_known_gears(bike)}: has its cassette been "
            "changed, or has the sensor moved?"
        )
    if judgement.probabilities[list(rides), column].mean() < 0.5:
        return (
            f"{name} was on {bike.name} on {said:%-d %b %Y}, you said. Since {since:%-d %b %Y} the rides "
            "with it are unlike those: has it moved?"
        )
    came = next((one.name for one in fitted.household.bikes if one.id == judgement.newcomer(first)), None)
    if came is not None or (since - said).days > HEARD_OF_LATELY_D:
        more = f" {came} came since." if came else ""
        return f"{name} was on {bike.name} on {said:%-d %b %Y}, you said.{more} Is it still there?"
    return ""


def _device(kind: str) -> str:
    return kind if kind.endswith(("meter", "trainer")) else f"{kind} sensor"


def in_words(gears: Comb) -> str:
    """Chainrings and cogs: '46/30 with 11 to 34'."""
    return f"{'/'.join(map(str, gears.rings))} with {gears.cogs[0]} to {gears.cogs[-1]}"


def _known_gears(bike: Bike) -> str:
    if bike.chainrings and bike.cogs:
        entered = Comb(tuple(sorted(bike.chainrings, reverse=True)), tuple(sorted(bike.cogs)))
        one_cog = len(entered.cogs) == 1
        has = f"{entered.rings[0]} with {entered.cogs[0]}" if one_cog else in_words(entered)
        return f"{bike.name}, entered with {has}, has not"
    return f"{bike.name} did not show before"
