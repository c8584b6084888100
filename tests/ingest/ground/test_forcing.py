"""What an hour of weather does to the ground, from whatever a feed has."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from ingest.ground.forcing import forcings
from ingest.weather.hourly import Cell, HourlyWeather
from rules.vocabulary import Tier

MIDNIGHT = datetime(2025, 6, 10, tzinfo=UTC)
BARE = HourlyWeather(
    Cell(38.0, -3.0),
    MIDNIGHT,
    "local file",
    "",
    Tier.FINAL,
    MIDNIGHT,
    0.0,
    None,
    20,
    40,
    3.0,
    None,
    None,
    None,
)


def day(**changes):
    """24 hours that warm from 12 to 30 °C and cool again."""
    warmth = [21 - 9 * abs(12 - n) / 6 + 9 for n in range(24)]
    return [
        replace(BARE, hour_start=MIDNIGHT + timedelta(hours=n), temperature_c=warmth[n], **changes)
        for n in range(24)
    ]


def test_the_feeds_own_value_stands():
    assert [f.et0_mm for f in forcings(day(et0_mm=0.123))] == [0.123] * 24


def test_without_one_it_is_worked_out_from_sun_and_air():
    sunny = forcings(day(shortwave_wm2=600.0))[12].et0_mm
    dull = forcings(day(shortwave_wm2=100.0))[12].et0_mm
    assert sunny > dull > 0


def test_without_sun_the_warmth_of_the_day_stands_in():
    estimated = [f.et0_mm for f in forcings(day())]
    assert max(estimated[10:15]) > 0.3
    assert estimated[0] < 0.1
    # FAO-56 table 2: reference evapotranspiration of a warm arid day is 4 to 9 mm
    assert 3 < sum(max(0, e) for e in estimated) < 9


def test_without_wind_two_metres_a_second_are_assumed():
    assert forcings(day(wind_10m_mps=None, shortwave_wm2=500.0))[12].et0_mm == pytest.approx(
        forcings(day(wind_10m_mps=2 / 0.747951, shortwave_wm2=500.0))[12].et0_mm, abs=1e-5
    )


def test_thin_air_dries_a_little_differently():
    low = forcings(day(shortwave_wm2=500.0))[12].et0_mm
    high = forcings(day(shortwave_wm2=500.0), altitude_m=1800)[12].et0_mm
    assert high != low
    assert high == pytest.approx(low, rel=0.15)


def test_what_is_missing_stays_missing():
    hours = [None, *(replace(BARE, **{name: None}) for name in ("rain_mm", "humidity_pct", "temperature_c"))]
    forced = forcings(hours)
    assert (forced[0].rain_mm, forced[0].et0_mm) == (None, None)
    assert forced[1].rain_mm is None
    assert (forced[2].et0_mm, forced[3].et0_mm) == (None, None)


def test_a_road_keeps_the_warmth_of_the_day():
    cooling = [replace(BARE, hour_start=MIDNIGHT + timedelta(hours=n), humidity_pct=85) for n in range(24)]
    steady = forcings(cooling)[-1].carried_off_mm
    colder = forcings([*cooling[:-1], replace(cooling[-1], temperature_c=15)])[-1].carried_off_mm
    as_cold = forcings([replace(hour, temperature_c=15) for hour in cooling])[-1].carried_off_mm
    assert as_cold < colder
    assert 0 < steady < 0.1
    assert forcings([replace(BARE, humidity_pct=None)])[0].carried_off_mm == 0


def test_a_feed_that_cuts_dew_off_has_it_worked_out_in_humid_air_alone():
    """From 90 %; by a clear night a wet meadow gains some hundredths of a millimetre."""
    night = day(et0_mm=0.0, humidity_pct=90.0, shortwave_wm2=0.0)
    dew = [one.et0_mm for one in forcings(night)]
    worked_out = [one.et0_mm for one in forcings(day(humidity_pct=90.0, shortwave_wm2=0.0))]
    assert min(dew) < 0.0
    assert dew == [min(0.0, one) for one in worked_out]
    assert {one.et0_mm for one in forcings(day(et0_mm=0.0, humidity_pct=89.0, shortwave_wm2=0.0))} == {0.0}
    unknown = [replace(one, temperature_c=None) for one in night]
    assert {one.et0_mm for one in forcings(unknown)} == {0.0}
