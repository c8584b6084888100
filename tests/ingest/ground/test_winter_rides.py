"""Winter rides as a rider would tell them: the weather of days in, the tag and its sentence out."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from ingest.weather.hourly import Cell, HourlyWeather
from rules.units import SI, said
from rules.vocabulary import RideHour, Tier
from tests.one_tag import tag

HOUR = timedelta(hours=1)
NOON = datetime(2025, 1, 20, 12, tzinfo=UTC)
HERE = Cell(51.0, 8.0)
COLD_DAY = HourlyWeather(
    HERE, NOON, "local file", "x", Tier.FINAL, NOON, 0.0, None, -3.0, 80.0, 2.0, 20.0, None, 0.01
)
RIDE = RideHour(NOON, 3000, 20000, 3600, 5.6, HERE.latitude_deg, HERE.longitude_deg, 0)


def days(*spells):
    """Hours up to and with the ride's: (hours, changes) in order, the last spell ends an hour after noon."""
    changes = [change for hours, change in spells for _ in range(hours)]
    first = NOON + HOUR * (2 - len(changes))
    return [replace(COLD_DAY, hour_start=first + HOUR * n, **change) for n, change in enumerate(changes)]


SNOW, THAW = (
    {"rain_mm": 2.0, "humidity_pct": 92.0},
    {"temperature_c": 3.0, "humidity_pct": 85.0, "et0_mm": 0.02},
)
DRY_COLD, SEA_FOG = (
    {"humidity_pct": 50.0},
    {"temperature_c": 6.0, "humidity_pct": 100.0, "et0_mm": 0.0, "shortwave_wm2": 0.0},
)
RAIN, SUN = (
    {"rain_mm": 2.0, "temperature_c": 6.0},
    {"temperature_c": 9.0, "humidity_pct": 45.0, "et0_mm": 0.2},
)


@pytest.mark.parametrize(
    ("told", "weather", "salted_share", "wet", "words"),
    [
        (
            "snow of days ago melts at noon",
            days((10, SNOW), (50, {}), (10, THAW)),
            0.0,
            (0.45, 1),
            "was melting on the road: slush",
        ),
        (
            "the same, and the country lane beside it",
            days((10, SNOW), (50, {}), (10, THAW)),
            0.0,
            (0.45, 1),
            "snow lay on unpaved ground and was melting",
        ),
        (
            "dry cold snow",
            days((40, {}), (6, SNOW | {"temperature_c": -12.0})),
            0.0,
            (0, 0),
            "lay on the road, frozen dry",
        ),
        (
            "it is snowing",
            days((40, {}), (6, SNOW)),
            0.0,
            (0, 0),
            "2.0 mm fell as snow in this hour (about 1.4 cm)",
        ),
        (
            "sleet",
            days((40, {}), (6, {"rain_mm": 2.0, "temperature_c": 1.2, "humidity_pct": 95.0})),
            0.0,
            (0.45, 1),
            "of sleet fell",
        ),
        (
            "black ice at dawn",
            days((40, {}), (8, RAIN), (12, {})),
            0.0,
            (0, 0),
            "ice lay on the road, frozen dry",
        ),
        (
            "salted road at -2 °C in the sun",
            days((12, SNOW), (60, {"temperature_c": -2.0, "et0_mm": 0.05})),
            1.0,
            (0.01, 1),
            "road salt",
        ),
        ("the same road, never salted, long dry", days((60, DRY_COLD)), 0.0, (0, 0), "the road was dry"),
        (
            "salt left, damp air, no rain for days",
            days((12, SNOW), (90, THAW | {"et0_mm": 0.05})),
            1.0,
            (0.01, 1),
            "road salt kept the road damp",
        ),
        (
            "rain washed the salt away, then sun",
            days((12, SNOW), (40, RAIN), (40, SUN)),
            1.0,
            (0, 0),
            "road had dried",
        ),
        ("sea fog for a day", days((40, SUN), (24, SEA_FOG)), 0.0, (0.0, 0.2), "the road was d"),
        ("rain on snow", days((10, SNOW), (20, {}), (6, RAIN)), 0.0, (1, 1), "rain fell in this hour"),
    ],
)
def test_a_winter_ride(told, weather, salted_share, wet, words):
    tagged = tag(RIDE, weather, salted_share=salted_share)
    lowest, highest = wet
    assert lowest <= tagged.paved_water <= highest, (told, tagged)
    assert words in said(tagged.because, SI), (told, tagged.because)


def test_salt_and_snow_are_kept_in_the_tag():
    salted = tag(RIDE, days((12, SNOW), (60, {"temperature_c": -2.0})), salted_share=1.0)
    assert 0.3 < salted.salt <= 1
    assert tag(RIDE, days((12, SNOW), (60, {"temperature_c": -2.0})), salted_share=0.0).salt == 0
    washed = tag(RIDE, days((12, SNOW), (96, THAW)), salted_share=1.0)  # 1.5 g/m² of a spreading's ten
    assert 0.1 < washed.salt < 0.2
    snowing = tag(RIDE, days((40, {}), (6, SNOW)))
    assert (snowing.rain_mm, snowing.snow_mm) == (2.0, pytest.approx(2.0, abs=0.05))


def test_wet_ground_in_january_is_not_dusty_and_frozen_ground_is_no_mud():
    wet = tag(RIDE, days((6, RAIN), (48, {"temperature_c": 4.0, "humidity_pct": 85.0, "et0_mm": 0.02})))
    assert wet.dust < 0.2
    frozen = tag(
        RIDE, days((6, RAIN), (60, {"temperature_c": -6.0}), (3, {"rain_mm": 2.0, "temperature_c": 1.5}))
    )
    assert frozen.mud == 0
    thawed = tag(RIDE, days((40, {"temperature_c": -1.5}), (10, RAIN)))  # -0.1 °C on average: soft again
    assert thawed.mud > 0.5


def test_only_a_station_beside_the_ride_leaves_no_doubt_about_its_rain():
    shower = days((60, SUN), (2, RAIN))
    beside = tag(RIDE, shower)
    off = tag(replace(RIDE, latitude_deg=HERE.latitude_deg + 0.2), shower)  # 22 km
    assert off.confidence < beside.confidence - 0.05


def test_rain_of_the_hour_after_washes_no_salt_off_this_one():
    salted = days((12, SNOW), (90, THAW | {"et0_mm": 0.05, "humidity_pct": 65.0}))
    pouring = [*salted[:-1], replace(salted[-1], rain_mm=60.0)]
    now, told_of_later = tag(RIDE, salted, salted_share=1.0), tag(RIDE, pouring, salted_share=1.0)
    assert "road salt probably kept the road damp" in now.because
    assert (told_of_later.paved_water, told_of_later.salt) == (now.paved_water, now.salt)
