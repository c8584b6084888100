"""NASA POWER, asked over real HTTP."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from ingest.weather.hourly import ArchiveUnavailable, BlockRefused, Cell
from ingest.weather.nasa_power import NasaPower
from rules.vocabulary import Tier
from tests.archive_stand_in import ArchiveStandIn, StoppedClock

NOW = datetime(2025, 6, 30, 12, 20, tzinfo=UTC)
STORM = datetime(2025, 6, 10, 15, tzinfo=UTC)


@pytest.fixture
def server():
    weather = {STORM: {"rain_mm": 7.2, "soil_moisture_m3m3": 0.09, "shortwave_wm2": 110.0}}
    with ArchiveStandIn(weather, clock=StoppedClock(NOW)) as running:
        yield running


@pytest.fixture
def power(server):
    client = NasaPower(server.power_url, timeout_s=5)
    yield client
    client.close()


def fetch(power, first=date(2025, 6, 10), last=date(2025, 6, 11)):
    return power.fetch(power.cell_of(-23.44, 16.62), first, last, now=NOW)


def test_a_place_snaps_to_its_grid(power):
    assert power.cell_of(-23.44, 16.62) == Cell(-23.5, 16.875)
    assert power.cell_of(10.0, 179.9) == Cell(10.0, -180.0)


def test_a_value_labelled_with_its_start_is_stored_by_it(power):
    hours = fetch(power)
    assert len(hours) == 48
    storm = next(hour for hour in hours if hour.rain_mm)
    assert (storm.hour_start, storm.rain_mm, storm.shortwave_wm2) == (STORM, 7.2, 110.0)
    assert (storm.source, storm.model, storm.tier) == ("nasa power", "merra2", Tier.FINAL)
    # its soil wetness is a share of saturation, taken as 0.45 m³/m³
    assert storm.soil_moisture_m3m3 == pytest.approx(0.09, abs=1e-4)
    assert storm.et0_mm is None


def test_where_it_only_stands_in_its_values_are_preliminary(server):
    standing_in = NasaPower(server.power_url, tier=Tier.PRELIMINARY, timeout_s=5)
    assert {hour.tier for hour in fetch(standing_in)} == {Tier.PRELIMINARY}


def test_it_is_asked_for_universal_time(server, power):
    fetch(power)
    assert server.asked[-1].parameters["time-standard"] == "UTC"


def test_its_fill_value_is_unknown(server, power):
    server.nulls = lambda latitude, longitude, at: at == STORM
    gap = next(hour for hour in fetch(power) if hour.hour_start == STORM)
    assert (gap.rain_mm, gap.temperature_c) == (None, None)
    late = power.fetch(Cell(0, 0), date(2025, 6, 29), date(2025, 6, 30), now=NOW)
    assert {hour.rain_mm for hour in late} == {None}
    assert late[-1].hour_start == datetime(2025, 6, 30, 11, tzinfo=UTC)


def test_radiation_in_megajoules_is_understood(server, power):
    def in_megajoules(answer):
        answer["parameters"]["ALLSKY_SFC_SW_DWN"]["units"] = "MJ/hr"
        column = answer["properties"]["parameter"]["ALLSKY_SFC_SW_DWN"]
        for stamp in column:
            column[stamp] *= 0.0036
        return answer

    server.spoil = in_megajoules
    assert fetch(power)[15].shortwave_wm2 == pytest.approx(110.0)


def _without(name):
    def spoil(answer):
        del answer["properties"]["parameter"][name]
        return answer

    return spoil


def _in_inches(answer):
    answer["parameters"]["PRECTOTCORR"]["units"] = "in/hour"
    return answer


def _in_solar_time(answer):
    answer["header"]["time_standard"] = "LST"
    return answer


def _in_a_list_of_units(answer):
    answer["parameters"]["PRECTOTCORR"]["units"] = ["mm/hour"]
    return answer


def _of_endless_snow(answer):
    answer["header"]["fill_value"] = 10**400
    return answer


def _one_hour_short(answer):
    answer["properties"]["parameter"]["T2M"].popitem()
    return answer


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (_without("PRECTOTCORR"), "no precipitation"),
        (_in_inches, "PRECTOTCORR comes in 'in/hour'"),
        (_in_a_list_of_units, "PRECTOTCORR comes in"),
        (_of_endless_snow, "not the shape"),
        (_in_solar_time, "times are in 'LST'"),
        (_one_hour_short, "has no entry for 2025061123"),
        (lambda answer: {"message": "hello"}, "not the shape"),
        (lambda answer: [], "not the shape"),
    ],
)
def test_a_block_that_cannot_be_trusted_is_refused_whole(server, power, spoil, words):
    server.spoil = spoil
    with pytest.raises(BlockRefused) as refused:
        fetch(power)
    assert words in str(refused.value)


def test_a_missing_extra_is_only_unknown(server, power):
    server.spoil = _without("GWETTOP")
    hours = fetch(power)
    assert {hour.soil_moisture_m3m3 for hour in hours} == {None}
    assert hours[15].rain_mm == 7.2


def test_down_may_pass(server, power):
    server.down = True
    with pytest.raises(ArchiveUnavailable):
        fetch(power)


def test_it_reaches_back_to_2001_and_a_week_short_of_today(power):
    assert power.reach(now=NOW) == (date(2001, 1, 1), date(2025, 6, 22))
