"""Everyday situations as a rider would tell them, and what a practised rider would call the ground.

What each is called was written down before the program was asked (common practice, no source), and stays so.
With twelve of test_winter_rides the first are thirty; mud and dew were mended with six of these in view, so
ten more were written down then, before it was asked, and ten again when all of that was built:
seven of these were called so, eight once hard frost on unpaved ground was mended with them in view, nine once
melt water beside a road was. Another ten were written down when wet roads had learned to dry by night: nine
were called so. What the program calls otherwise is marked, with why.
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from ingest.weather.hourly import Cell, HourlyWeather
from rules.vocabulary import ConditionTag, RideHour, Tier
from tests.one_tag import tag

HOUR = timedelta(hours=1)
HERE = Cell(48.0, 8.0)
Change = dict[str, float | None]


def ridden(
    month: int, hour: int, salted_share: float, spells: list[tuple[int, Change, Change]]
) -> ConditionTag:
    """The tag of a ride on the 20th of the month, at that hour by the sun.

    spells: so many hours of such nights (18 to 6 h) and days, in order; the last ends with the ride's hour.
    """
    ride_at = datetime(2025, month, 20, hour, tzinfo=UTC)
    lasting = [(night, day) for hours, night, day in spells for _ in range(hours)]
    first = ride_at - HOUR * (len(lasting) - 1)
    weather = []
    for n, (night, day) in enumerate(lasting):
        at = first + HOUR * n
        calm = HourlyWeather(
            HERE, at, "local file", "x", Tier.FINAL, at, 0.0, None, 10.0, 60.0, 2.0, 0.0, None, 0.0
        )
        weather.append(replace(calm, **(day if 6 <= at.hour < 18 else night)))  # type: ignore[arg-type]
    weather += [replace(weather[-1], hour_start=ride_at + HOUR * n, rain_mm=0.0) for n in range(1, 13)]
    ride = RideHour(ride_at, 3000, 20000, 3600, 5.6, HERE.latitude_deg, HERE.longitude_deg, 0)
    return tag(ride, weather, salted_share=salted_share)


def called(found: ConditionTag) -> set[str]:
    """The words for what the tag says of paved and of unpaved ground."""
    assert found.paved_water is not None
    assert found.unpaved_water is not None
    assert found.mud is not None
    assert found.dust is not None
    words = {f"road {_water(found.paved_water)}", f"track {_water(found.unpaved_water)}"}
    words |= {"mud"} if found.mud >= 0.45 else set()
    words |= {"dust"} if found.dust >= 0.3 else set()
    words |= {"salt"} if found.salt >= 0.1 else set()
    words |= {"ice"} if re.search(r"\b(ice|froze)\b", found.because) else set()
    words |= {"snow"} if re.search(r"\bsnow\b", found.because) else set()
    return words


def _water(weight: float) -> str:
    return "wet" if weight >= 0.45 else "damp" if weight >= 0.05 else "dry"


SUMMER = (
    {"temperature_c": 14.0, "humidity_pct": 75.0, "et0_mm": 0.01},
    {"temperature_c": 26.0, "humidity_pct": 45.0, "et0_mm": 0.45, "shortwave_wm2": 600.0},
)
SPRING = (
    {"temperature_c": 6.0, "humidity_pct": 80.0, "et0_mm": 0.01},
    {"temperature_c": 15.0, "humidity_pct": 50.0, "et0_mm": 0.3, "shortwave_wm2": 450.0},
)
GREY = (
    {"temperature_c": 4.0, "humidity_pct": 92.0, "et0_mm": 0.0},
    {"temperature_c": 5.0, "humidity_pct": 88.0, "et0_mm": 0.03, "shortwave_wm2": 60.0},
)
FROST = (
    {"temperature_c": -7.0, "humidity_pct": 80.0, "et0_mm": 0.0},
    {"temperature_c": -3.0, "humidity_pct": 70.0, "et0_mm": 0.02, "shortwave_wm2": 150.0},
)
THAW = (
    {"temperature_c": 1.5, "humidity_pct": 88.0, "et0_mm": 0.0},
    {"temperature_c": 5.0, "humidity_pct": 75.0, "et0_mm": 0.04, "shortwave_wm2": 150.0},
)
DESERT = (
    {"temperature_c": 18.0, "humidity_pct": 20.0, "et0_mm": 0.05},
    {"temperature_c": 34.0, "humidity_pct": 10.0, "et0_mm": 0.8, "shortwave_wm2": 850.0},
)


def spell(hours: int, kind: tuple[Change, Change], **change: float) -> tuple[int, Change, Change]:
    """So many hours of this kind, with something else about them."""
    return hours, kind[0] | change, kind[1] | change


SITUATIONS = [
    (
        "a gravel road in August, three weeks without rain",
        8,
        14,
        0.0,
        [spell(900, SUMMER)],
        {"road dry", "track dry", "dust"},
        set(),
    ),
    (
        "the first rain after three dusty weeks, 3 mm now",
        8,
        14,
        0.0,
        [spell(900, SUMMER), spell(1, SUMMER, rain_mm=3.0)],
        {"road wet", "track wet"},
        {"dust"},
    ),
    (
        "a sprinkle two hours ago, then sun",
        7,
        14,
        0.0,
        [spell(400, SUMMER), spell(1, SUMMER, rain_mm=0.2), spell(2, SUMMER)],
        {"road dry"},
        {"road wet", "mud"},
    ),
    (
        "a thunderstorm of 20 mm at eleven, sun since, now it is four",
        7,
        16,
        0.0,
        [spell(400, SUMMER), spell(1, SUMMER, rain_mm=20.0), spell(5, SUMMER)],
        {"road dry", "mud"},
        {"road wet", "dust"},
    ),
    (
        "a thunderstorm now",
        7,
        16,
        0.0,
        [spell(400, SUMMER), spell(1, SUMMER, rain_mm=12.0)],
        {"road wet", "track wet"},
        {"dust"},
    ),
    (
        "a drizzle all night, a grey morning",
        11,
        8,
        0.0,
        [spell(300, GREY), spell(9, GREY, rain_mm=0.2), spell(2, GREY)],
        {"track wet"},
        {"road dry", "dust"},
    ),
    (
        "rain all night, wind and sun until two in May",
        5,
        14,
        0.0,
        [spell(300, SPRING), spell(8, SPRING, rain_mm=1.0), spell(8, SPRING)],
        {"road dry", "mud"},
        {"road wet", "dust"},
    ),
    (
        "rain until midnight, nothing dries by a November noon",
        11,
        12,
        0.0,
        [spell(300, GREY), spell(10, GREY, rain_mm=1.0), spell(12, GREY)],
        {"mud"},
        {"road dry", "dust"},
    ),
    (
        "gravel in January, two days after rain at five degrees",
        1,
        12,
        0.0,
        [spell(600, GREY), spell(10, GREY, rain_mm=1.0), spell(48, GREY)],
        set(),
        {"dust"},
    ),
    (
        "a week of monsoon",
        7,
        14,
        0.0,
        [spell(170, SUMMER, rain_mm=1.3, humidity_pct=95.0, et0_mm=0.02)],
        {"road wet", "track wet", "mud"},
        {"dust"},
    ),
    (
        "a desert road after months of sun",
        6,
        10,
        0.0,
        [spell(1000, DESERT)],
        {"road dry", "track dry", "dust"},
        set(),
    ),
    (
        "dew at dawn after a clear September night",
        9,
        6,
        0.0,
        [
            spell(400, SPRING),
            (
                9,
                {"temperature_c": 6.0, "humidity_pct": 98.0, "et0_mm": -0.02},
                {"temperature_c": 6.0, "humidity_pct": 98.0, "et0_mm": -0.02},
            ),
        ],
        {"track damp"},
        {"road wet", "mud"},
    ),
    (
        "a cloudburst on frozen ground",
        1,
        14,
        0.0,
        [spell(200, FROST), spell(2, THAW, rain_mm=8.0)],
        {"road wet", "track wet"},
        {"mud", "dust"},
    ),
    (
        "two days of thaw on a snowed-up farm track",
        2,
        14,
        0.0,
        [spell(100, FROST), spell(12, FROST, rain_mm=1.0), spell(60, FROST), spell(60, THAW)],
        {"mud"},
        {"dust", "track dry"},
    ),
    (
        "snow of five days ago, frost at night, thaw at noon",
        2,
        14,
        0.0,
        [spell(100, FROST), spell(12, FROST, rain_mm=2.0), (120, FROST[0], THAW[1])],
        {"track wet"},
        {"dust", "track dry"},
    ),
    (
        "a ploughed and salted street the day after snow, minus three",
        1,
        14,
        1.0,
        [spell(100, FROST), spell(10, FROST, rain_mm=1.0), spell(24, FROST)],
        {"salt"},
        {"road dry"},
    ),
    (
        "April, the last salt rained off weeks ago, sun",
        4,
        14,
        1.0,
        [
            spell(200, FROST),
            spell(10, FROST, rain_mm=1.0),
            spell(100, THAW),
            spell(60, GREY, rain_mm=0.8),
            spell(300, SPRING),
        ],
        {"road dry"},
        {"salt"},
    ),
    (
        "freezing rain at half a degree of frost",
        1,
        8,
        0.0,
        [
            spell(100, FROST),
            # as rain: an archive's own snowfall is nought then; without that field it stays snow
            spell(3, GREY, temperature_c=-0.5, humidity_pct=97.0, rain_mm=1.0, snowfall_cm=0.0),
        ],
        {"road wet"},
        {"dust"},
    ),
]


MORE_SITUATIONS = [
    (
        "a heath track in November, three grey days after a day of rain",
        11,
        12,
        0.0,
        [spell(300, GREY), spell(12, GREY, rain_mm=1.0), spell(72, GREY)],
        {"road dry"},
        {"dust", "road wet"},
    ),
    (
        "a farm track the morning after an October downpour until midnight",
        10,
        9,
        0.0,
        [spell(300, GREY), spell(5, GREY, rain_mm=5.0), spell(9, GREY)],
        {"mud", "track wet"},
        {"dust"},
    ),
    (
        "a summer shower of 4 mm on dry gravel, three hours of sun since",
        7,
        15,
        0.0,
        [spell(400, SUMMER), spell(1, SUMMER, rain_mm=4.0), spell(3, SUMMER)],
        {"road dry"},
        {"mud"},
    ),
    (
        "five sunny April days after a wet week",
        4,
        14,
        0.0,
        [spell(168, GREY, rain_mm=0.5), spell(120, SPRING)],
        {"road dry", "track dry"},
        {"mud"},
    ),
    (
        "rain at half a degree on roads that were frozen for a week",
        1,
        8,
        0.0,
        [
            spell(170, FROST),
            spell(2, GREY, temperature_c=0.5, humidity_pct=85.0, rain_mm=1.0, snowfall_cm=0.0),
        ],
        {"road wet", "ice"},
        {"dust", "mud"},
    ),
    (
        "rain until midnight, clear and two degrees of frost by seven",
        1,
        7,
        0.0,
        [spell(300, GREY), spell(8, GREY, rain_mm=0.8), spell(7, FROST, temperature_c=-2.0)],
        {"ice"},
        {"dust"},
    ),
    (
        "gravel at dawn after a dewy August night",
        8,
        5,
        0.0,
        [
            spell(900, SUMMER),
            (9, SUMMER[0] | {"humidity_pct": 96.0, "et0_mm": -0.02}, SUMMER[1]),
        ],
        {"track damp"},
        {"dust", "mud", "road wet"},
    ),
    (
        "the same gravel that afternoon",
        8,
        14,
        0.0,
        [
            spell(900, SUMMER),
            (9, SUMMER[0] | {"humidity_pct": 96.0, "et0_mm": -0.02}, SUMMER[1]),
            spell(9, SUMMER),
        ],
        {"road dry", "track dry", "dust"},
        {"mud"},
    ),
    (
        "a street white with salt, three sunny dry days after the snow",
        2,
        14,
        1.0,
        [
            spell(100, FROST),
            spell(8, FROST, rain_mm=0.5),
            spell(72, FROST, temperature_c=2.0, humidity_pct=45.0, et0_mm=0.05),
        ],
        {"road dry", "salt"},
        {"road wet"},
    ),
    (
        "sleet at one degree on a November lane",
        11,
        10,
        0.0,
        [spell(300, GREY), spell(4, GREY, temperature_c=1.0, humidity_pct=97.0, rain_mm=1.0)],
        {"road wet", "track wet"},
        {"dust"},
    ),
]


TEN_LATER = [
    (
        "thaw at noon: a cold night, snow of two days ago running off in the sun",
        2,
        12,
        0.0,
        [spell(100, FROST), spell(8, FROST, rain_mm=1.0), spell(42, FROST), spell(5, THAW)],
        {"road wet", "track wet", "snow"},
        {"dust"},
    ),
    (
        "black ice at dawn: yesterday's melt water under a clear night",
        1,
        7,
        0.0,
        [
            spell(100, FROST),
            spell(6, FROST, rain_mm=1.0),
            spell(24, THAW),
            spell(12, FROST, temperature_c=-4.0),
        ],
        {"ice"},
        {"dust", "mud"},
    ),
    (
        "a day and a half of sea fog in May, twelve degrees, no sun",
        5,
        10,
        0.0,
        [
            spell(400, SPRING),
            spell(36, GREY, temperature_c=12.0, humidity_pct=99.0, et0_mm=-0.006, shortwave_wm2=20.0),
        ],
        {"road damp", "track damp"},
        {"road wet", "mud", "dust"},
    ),
    (
        "a raw afternoon at three degrees on the salted main road, five days after the last snow",
        1,
        16,
        1.0,
        [spell(100, FROST), spell(6, FROST, rain_mm=0.5), spell(48, FROST), spell(72, THAW)],
        {"salt"},
        {"road dry", "dust"},
    ),
    (
        "two centimetres of powder at eight degrees of frost, still falling, nobody salts here",
        1,
        10,
        0.0,
        [spell(200, FROST), spell(3, FROST, temperature_c=-8.0, rain_mm=0.7, snowfall_cm=0.5)],
        {"snow"},
        {"road wet", "track wet", "mud", "dust"},
    ),
    (
        "three hours after a July downpour of 5 mm, evening sun",
        7,
        17,
        0.0,
        [spell(400, SUMMER), spell(1, SUMMER, rain_mm=5.0), spell(3, SUMMER)],
        {"road dry"},
        {"road wet", "dust"},
    ),
    (
        "forest track in a misty October fortnight without rain, after a wet one",
        10,
        11,
        0.0,
        [
            spell(200, GREY, rain_mm=0.4),
            spell(336, GREY, temperature_c=9.0, humidity_pct=95.0, et0_mm=0.01, shortwave_wm2=40.0),
        ],
        set(),
        {"dust", "road wet", "track dry"},
    ),
    (
        "frozen ruts: six degrees of frost for three days after a wet week",
        12,
        11,
        0.0,
        [spell(168, GREY, rain_mm=0.6), spell(72, FROST, temperature_c=-6.0)],
        set(),
        {"mud", "dust", "track wet"},
    ),
    (
        "wet snow all morning at one degree on a lane that nobody treats",
        12,
        11,
        0.0,
        [
            spell(200, GREY),
            spell(4, GREY, temperature_c=0.8, humidity_pct=98.0, rain_mm=1.5, snowfall_cm=1.0),
        ],
        {"road wet", "track wet", "snow"},
        {"dust"},
    ),
    (
        "gravel in March: a fortnight of night frost, sun and dry east wind",
        3,
        14,
        0.0,
        [
            spell(48, GREY, rain_mm=0.3),
            (
                340,
                {"temperature_c": -2.0, "humidity_pct": 60.0, "et0_mm": 0.0},
                {"temperature_c": 8.0, "humidity_pct": 35.0, "et0_mm": 0.28, "shortwave_wm2": 450.0},
            ),
        ],
        {"road dry", "track dry", "dust"},
        {"mud"},
    ),
]


TEN_MORE = [
    (
        "to work at seven after an evening shower of 2 mm and a warm July night",
        7,
        7,
        0.0,
        [spell(400, SUMMER), spell(1, SUMMER, rain_mm=2.0), spell(12, SUMMER)],
        {"road dry"},
        {"road wet"},
    ),
    (
        "seven o'clock of a still, foggy November night after rain until ten",
        11,
        7,
        0.0,
        [
            spell(300, GREY),
            spell(4, GREY, rain_mm=0.8),
            spell(9, GREY, humidity_pct=99.0, wind_10m_mps=0.5, et0_mm=0.0),
        ],
        {"track wet"},
        {"road dry", "dust"},
    ),
    (
        "seven o'clock of a windy November night, dry air since the rain ended at ten",
        11,
        7,
        0.0,
        [
            spell(300, GREY),
            spell(4, GREY, rain_mm=0.8),
            spell(9, GREY, temperature_c=6.0, humidity_pct=65.0, wind_10m_mps=7.0, et0_mm=0.02),
        ],
        {"road dry", "track wet"},
        {"road wet", "dust"},
    ),
    (
        "the first frost of October, a degree under nought at dawn, dry for a week",
        10,
        7,
        0.0,
        [spell(300, SPRING), spell(9, SPRING, temperature_c=-1.0, humidity_pct=75.0, et0_mm=0.0)],
        {"road dry"},
        {"road wet", "road damp", "ice", "snow", "salt", "mud"},
    ),
    (
        "eight in the morning on a salted main street, ten centimetres of snow overnight at five below",
        1,
        8,
        1.0,
        [spell(200, FROST), spell(10, FROST, temperature_c=-5.0, humidity_pct=92.0, rain_mm=1.4)],
        {"snow", "salt"},
        {"road dry", "dust", "mud"},
    ),
    (
        "a farm track at two on a March afternoon, six below by night, seven above by noon, for a week",
        3,
        14,
        0.0,
        [
            spell(200, FROST),
            spell(12, FROST, rain_mm=1.5),
            (
                168,
                FROST[0] | {"temperature_c": -6.0},
                THAW[1] | {"temperature_c": 7.0, "shortwave_wm2": 300.0},
            ),
        ],
        {"mud"},
        {"dust"},
    ),
    (
        "the same track at six in the morning",
        3,
        6,
        0.0,
        [
            spell(200, FROST),
            spell(12, FROST, rain_mm=1.5),
            (
                160,
                FROST[0] | {"temperature_c": -6.0},
                THAW[1] | {"temperature_c": 7.0, "shortwave_wm2": 300.0},
            ),
        ],
        set(),
        {"mud", "dust", "track wet"},
    ),
    (
        "a main street in April, three weeks and two good rains after the last frost, now in sun",
        4,
        15,
        1.0,
        [
            spell(60, FROST),
            spell(8, FROST, rain_mm=0.6),
            spell(60, THAW),
            spell(240, SPRING),
            spell(5, SPRING, rain_mm=3.0),
            spell(120, SPRING),
            spell(5, SPRING, rain_mm=3.0),
            spell(140, SPRING),
        ],
        {"road dry", "track dry"},
        {"salt", "mud", "ice"},
    ),
    (
        "wet snow since six that turned to rain at noon",
        12,
        13,
        0.0,
        [
            spell(300, GREY),
            spell(6, GREY, temperature_c=0.3, humidity_pct=97.0, rain_mm=1.5, snowfall_cm=1.05),
            spell(2, GREY, temperature_c=2.5, humidity_pct=96.0, rain_mm=1.0, snowfall_cm=0.0),
        ],
        {"road wet", "track wet", "snow"},
        {"dust"},
    ),
    (
        "four below in bright sun, a week without snow, on a dry country road between white fields",
        2,
        13,
        0.0,
        [
            spell(100, FROST),
            spell(8, FROST, rain_mm=1.0),
            spell(30, THAW),
            spell(170, FROST, temperature_c=-4.0, humidity_pct=55.0, et0_mm=0.04, shortwave_wm2=300.0),
        ],
        {"road dry"},
        {"road wet", "mud", "dust"},
    ),
]


OTHERWISE = {
    "a farm track at two on a March afternoon, six below by night, seven above by noon, for a week": (
        "frost draws no water up from deeper soil here, so five days after the melt it is no mud"
    ),
    "a street white with salt, three sunny dry days after the snow": "without a film salt weighs nothing",
    "forest track in a misty October fortnight without rain, after a wet one": (
        "moist ground without a film weighs nothing, so it goes as dry; dusty it is not called"
    ),
}


@pytest.mark.parametrize(
    ("told", "month", "hour", "salted_share", "spells", "is_so", "is_not"),
    [
        pytest.param(*one, id=one[0], marks=[pytest.mark.xfail(strict=True, reason=OTHERWISE[one[0]])])
        if one[0] in OTHERWISE
        else pytest.param(*one, id=one[0])
        for one in (*SITUATIONS, *MORE_SITUATIONS, *TEN_LATER, *TEN_MORE)
    ],
)
def test_a_situation(
    told: str,
    month: int,
    hour: int,
    salted_share: float,
    spells: list[tuple[int, Change, Change]],
    is_so: set[str],
    is_not: set[str],
) -> None:
    found = ridden(month, hour, salted_share, spells)
    words = called(found)
    assert is_so <= words, (told, words, found)
    assert not is_not & words, (told, words, found)
