"""Every sentence a tag can speak, word for word."""

from __future__ import annotations

import pytest

from ingest.ground.sentence import Told, sentence

DRY_DAYS = (0.0,) * 48


def told(**changes):
    usual = {
        "rain_mm": 0.0,
        "rain_before_mm": DRY_DAYS,
        "wet_hours_before": 0,
        "paved_water": 0.0,
        "unpaved_water": 0.0,
        "mud": 0.0,
        "dust": 0.0,
        "frost": False,
        "snow": False,
    }
    return Told(**{**usual, **changes})


def before(*last):
    return (*DRY_DAYS[len(last) :], *last)


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        (told(), "No rain in this hour nor in the 48 hours before; the road was dry."),
        (
            told(dust=0.5),
            "No rain in this hour nor in the 48 hours before; the road was dry; unpaved ground was dusty.",
        ),
        (
            told(rain_mm=4.1, wet_hours_before=1, rain_before_mm=before(0.5), paved_water=1, unpaved_water=1),
            "4.1 mm of moderate rain fell in this hour; the road had been wet for one hour.",
        ),
        (
            told(rain_mm=1.0, paved_water=1, unpaved_water=1),
            "1.0 mm of rain fell in this hour, on a road that had not been wet before.",
        ),
        (
            told(rain_mm=12.0, paved_water=1, unpaved_water=1, mud=0.9),
            "12.0 mm of heavy rain fell in this hour, on a road that had not been wet before; unpaved "
            "ground was muddy.",
        ),
        (
            told(rain_mm=0.2, paved_water=0.2),
            "Only 0.2 mm of rain fell in this hour, on a road that had not been wet before.",
        ),
        (
            told(rain_before_mm=before(1.0, 0.0, 3.0, 2.5), paved_water=0.8, unpaved_water=1),
            "No rain in this hour, but 5.5 mm fell until it began and the road was still wet.",
        ),
        (
            told(rain_before_mm=before(3.0, 0.0), paved_water=0.3),
            "The last rain, 3.0 mm, ended one hour before and the road was still damp.",
        ),
        (
            told(rain_before_mm=before(3.0, *(0.0,) * 20), unpaved_water=0.5),
            "The last rain, 3.0 mm, ended 20 hours before and the road had dried; unpaved ground still "
            "held water.",
        ),
        (
            told(frost=True, snow=True),
            "No rain in this hour nor in the 48 hours before; the road was dry; it froze, so ice and "
            "road salt are not known.",
        ),
        (
            told(rain_before_mm=before(3.0, 0.0), paved_water=0.3, snow=True),
            "The last rain, 3.0 mm, ended one hour before and the road was still damp; some of it fell "
            "as snow, and when that melted is not known.",
        ),
        (
            told(rain_before_mm=before(None, 0.0)),
            "No rain in this hour nor in the 47 known hours before; the road was dry; 1 of the 48 "
            "hours before has no value.",
        ),
    ],
)
def test_the_sentence(facts, words):
    assert sentence(facts) == words
