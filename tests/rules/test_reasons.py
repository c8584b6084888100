"""What a line says of the weather behind it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, timedelta, timezone

import pytest

from rules.contamination import history
from rules.ledger import RiddenHour
from rules.reasons import reading_words, weather_behind
from rules.rulebook import default_rulebook
from rules.units import SI, said
from rules.vocabulary import ChainId, Condition, Reading, ReadingId, ReadingTool
from tests.rules.notation import at, ledger_of, tag


def behind(hour_tag, *, word=None, indoor=False, zone=UTC):
    ledger = ledger_of("2025-06-01  fitted  Copper  on Plover\n2025-06-02  rode  1 h  on Plover  dry")
    ride = ledger.rides[0]
    hours = (replace(ride.hours[0], tag=hour_tag),)
    ledger = replace(ledger, rides=(replace(ride, hours=hours, word=word, indoor=indoor),))
    entry = history(ledger, ChainId(1), default_rulebook()).entries[-1]
    assert isinstance(entry.fact, RiddenHour)
    return said(weather_behind(entry.fact.ride, entry.fact.hour.tag, entry.exposure, zone), SI)


def test_the_weather_behind_an_hour():
    known = tag(0.5)
    assert behind(known) == (
        "1.5 mm of rain in the hour, 0 mm in the 24 h before, local file (invented), final, "
        "fetched 1 January 2025 at 12:00, 85% sure"
    )
    assert behind(replace(known, rain_mm=2.0, snow_mm=1.9)).startswith("2 mm fell as snow in the hour")
    assert "fetched 1 January 2025 at 13:00" in behind(known, zone=timezone(timedelta(hours=1)))
    bare = replace(known, rain_mm=None, rain_before_mm=None, fetched_at=None, frost=True)
    assert behind(bare) == "local file (invented), final, 85% sure, frost"
    assert behind(known, word=Condition.DRY) == "the rider's word"
    assert behind(None, indoor=True) == "indoors, no weather needed"
    assert behind(tag(None)) == "no weather yet"


@pytest.mark.parametrize(
    ("over", "under", "exact", "words"),
    [
        (0.25, 0.5, None, "over 0.25 %, under 0.5 %"),
        (0.75, None, None, "over 0.75 %"),
        (None, 0.25, None, "under 0.25 %"),
        (None, None, 0.314, "0.31 %"),
        (None, None, None, "nothing"),
    ],
)
def test_what_a_reading_said(over, under, exact, words):
    reading = Reading(ReadingId(1), ChainId(1), ReadingTool.GAUGE, at("2025-01-01"), over, under, exact)
    assert reading_words(reading) == words
