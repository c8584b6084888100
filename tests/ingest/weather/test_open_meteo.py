"""The open archive and its forecast, asked over real HTTP."""

from __future__ import annotations

import threading
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from urllib.parse import urlsplit

import pytest

from ingest.weather.hourly import ArchiveUnavailable, BlockRefused, Cell
from ingest.weather.open_meteo import OpenMeteoArchive, OpenMeteoForecast, quarter_degree_cell
from rules.vocabulary import Tier
from tests.archive_stand_in import ArchiveStandIn, StoppedClock

NOW = datetime(2025, 6, 30, 12, 20, tzinfo=UTC)
STORM = datetime(2025, 6, 10, 15, tzinfo=UTC)
PLATEAU = Cell(-23.5, 16.5)
HOUR = timedelta(hours=1)


@pytest.fixture
def server():
    with ArchiveStandIn({STORM: {"rain_mm": 7.2, "temperature_c": 14.5}}, clock=StoppedClock(NOW)) as running:
        yield running


@pytest.fixture
def archive(server):
    client = OpenMeteoArchive(server.archive_url, timeout_s=5)
    yield client
    client.close()


@pytest.fixture
def forecast(server):
    client = OpenMeteoForecast(server.forecast_url, timeout_s=5)
    yield client
    client.close()


def fetch(client, first=date(2025, 6, 9), last=date(2025, 6, 11), cell=PLATEAU):
    return client.fetch(cell, first, last, now=NOW)


@pytest.mark.parametrize(
    ("place", "cell"),
    [
        ((-23.44, 16.62), (-23.5, 16.5)),
        ((0.1, -0.1), (0.0, 0.0)),
        ((47.38, 8.54), (47.5, 8.5)),
        ((10.0, 179.9), (10.0, -180.0)),
        ((10.0, -179.9), (10.0, -180.0)),
        ((-90.0, 0.0), (-90.0, 0.0)),
    ],
)
def test_a_place_snaps_to_the_quarter_degree(place, cell):
    assert quarter_degree_cell(*place) == Cell(*cell)


def test_only_the_cell_centre_leaves_the_machine(server, archive):
    fetch(archive, cell=archive.cell_of(-23.4471, 16.6234))
    said = server.asked[-1].parameters
    assert (said["latitude"], said["longitude"]) == ("-23.5", "16.5")
    assert not any("4471" in value or "6234" in value for value in said.values())


def test_a_sum_labelled_with_its_end_is_stored_by_its_start(archive):
    # the service: precipitation at T is the sum over the preceding hour
    hours = fetch(archive)
    assert [h.hour_start for h in hours if h.rain_mm] == [STORM]
    assert next(h for h in hours if h.hour_start == STORM).rain_mm == 7.2


def test_every_hour_of_the_days_comes_once_in_order(archive):
    hours = fetch(archive)
    begin = datetime(2025, 6, 9, tzinfo=UTC)
    assert [h.hour_start for h in hours] == [begin + HOUR * n for n in range(72)]
    assert {(h.source, h.model, h.tier, h.cell, h.fetched_at) for h in hours} == {
        ("open-meteo archive", "era5", Tier.FINAL, PLATEAU, NOW)
    }


def test_a_month_with_a_clock_change_has_all_its_hours(archive):
    # 30 March 2025 has 23 hours in Berlin; asked in UTC it has 24
    hours = fetch(archive, date(2025, 3, 16), date(2025, 3, 31), Cell(52.5, 13.5))
    assert len(hours) == 16 * 24
    assert {b.hour_start - a.hour_start for a, b in pairwise(hours)} == {HOUR}


def test_the_question_pins_the_model_the_units_and_the_zone(server, archive):
    fetch(archive)
    said = server.asked[-1].parameters
    assert said["models"] == "era5"
    assert (said["timezone"], said["timeformat"]) == ("GMT", "unixtime")
    assert said["wind_speed_unit"] == "ms"
    assert (said["cell_selection"], said["elevation"]) == ("nearest", "nan")


def test_half_a_month_of_eight_variables_weighs_one(server, archive):
    fetch(archive, date(2025, 5, 16), date(2025, 5, 31))
    assert server.asked[-1].weight == 1.0 == archive.cost(date(2025, 5, 16), date(2025, 5, 31), now=NOW)


@pytest.mark.parametrize("days", [1, 14, 17, 40, 90])
def test_cost_is_what_the_service_counts(server, archive, forecast, days):
    last = NOW.date()
    first = last - timedelta(days=days - 1)
    for client in (archive, forecast):
        fetch(client, first, last)
        assert client.cost(first, last, now=NOW) == pytest.approx(server.asked[-1].weight)


def test_a_null_is_none(server, archive):
    server.nulls = lambda latitude, longitude, at: at == STORM
    hours = fetch(archive)
    gap = next(h for h in hours if h.hour_start == STORM)
    assert (gap.rain_mm, gap.temperature_c, gap.et0_mm) == (None, None, None)
    assert len(hours) == 72


def test_the_archive_says_until_when_it_has_data(archive):
    # five days late: data to 25 June 12:00, so the last whole day is the 24th
    assert archive.finished_until(now=NOW) == datetime(2025, 6, 25, 12, tzinfo=UTC)
    assert archive.reach(now=NOW) == (date(1940, 1, 1), date(2025, 6, 24))


def test_where_it_does_not_say_six_days_are_assumed(server, archive):
    server.down = True
    assert archive.reach(now=NOW) == (date(1940, 1, 1), date(2025, 6, 24))
    with pytest.raises(ArchiveUnavailable):
        archive.finished_until(now=NOW)


def test_hours_beyond_the_archive_are_gaps(archive):
    hours = fetch(archive, date(2025, 6, 24), date(2025, 6, 26))
    assert [h.rain_mm is None for h in hours] == [False] * 36 + [True] * 36


def test_recent_days_come_preliminary_and_only_hours_that_are_over(forecast):
    hours = fetch(forecast, date(2025, 6, 29), date(2025, 6, 30))
    assert {h.tier for h in hours} == {Tier.PRELIMINARY}
    assert hours[-1].hour_start == datetime(2025, 6, 30, 11, tzinfo=UTC)
    assert forecast.reach(now=NOW) == (date(2025, 3, 30), date(2025, 6, 30))


def test_older_days_are_not_the_forecasts(forecast):
    with pytest.raises(BlockRefused, match="92 days"):
        fetch(forecast, date(2025, 1, 1), date(2025, 1, 2))


def test_an_answer_as_a_list_of_one_is_taken(server, archive):
    server.as_list = True
    assert len(fetch(archive)) == 72


def spoiling(**changes):
    """Changes one part of a good answer."""

    def spoil(answer):
        for path, value in changes.items():
            *parents, name = path.split("__")
            part = answer
            for parent in parents:
                part = part[parent]
            if value is KeyError:
                del part[name]
            else:
                part[name] = value(part.get(name)) if callable(value) else value
        return answer

    return spoil


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (spoiling(hourly_units__precipitation="inch"), "precipitation comes in 'inch', not in 'mm'"),
        (spoiling(hourly_units__wind_speed_10m="km/h"), "wind_speed_10m comes in 'km/h'"),
        (spoiling(hourly_units__temperature_2m="°F"), "temperature_2m comes in '°F'"),
        (spoiling(hourly_units__time="iso8601"), "not in Unix seconds"),
        (spoiling(hourly__precipitation=lambda column: column[:-1]), "has 95 values for 96 hours"),
        (spoiling(hourly__snowfall=KeyError), "snowfall has no values"),
        (spoiling(hourly__time=lambda times: [t + 1800 for t in times]), "not every hour"),
        (spoiling(hourly__time=lambda times: times[::2] + times[1::2]), "not every hour"),
        (spoiling(hourly=KeyError), "no hourly values"),
        (spoiling(utc_offset_seconds=7200), "not in UTC"),
        (spoiling(latitude=KeyError), "names no place"),
        (spoiling(latitude=10**400), "names no place"),
        (
            spoiling(hourly__precipitation=lambda column: [*column[:-30], 10**400, *column[-29:]]),
            "rain_mm is inf",
        ),
        (spoiling(latitude=-23.0), "it answered for -23, 16.5"),
        (spoiling(hourly__precipitation=lambda column: [*column[:-30], 999.0, *column[-29:]]), "999"),
        (
            spoiling(hourly__temperature_2m=lambda column: [*column[:-30], "mild", *column[-29:]]),
            "is no number",
        ),
        (lambda answer: [answer, answer], "not of one"),
        (lambda answer: "sunny", "not of one"),
    ],
)
def test_a_block_that_cannot_be_trusted_is_refused_whole(server, archive, spoil, words):
    server.spoil = spoil
    with pytest.raises(BlockRefused) as refused:
        fetch(archive)
    assert words in str(refused.value)


def test_a_moved_cell_is_refused(server, archive):
    server.moved_deg = 0.25
    with pytest.raises(BlockRefused, match=r"asked for -23.5, 16.5, it answered for -23.25"):
        fetch(archive)


def test_a_model_without_a_variable_leaves_it_unknown(server, forecast):
    server.spoil = spoiling(
        hourly_units__soil_moisture_0_to_7cm="undefined",
        hourly__soil_moisture_0_to_7cm=lambda column: [None] * len(column),
    )
    hours = fetch(forecast, date(2025, 6, 28), date(2025, 6, 29))
    assert {h.soil_moisture_m3m3 for h in hours} == {None}
    assert {h.rain_mm for h in hours} == {0.0}


def test_a_rounding_under_zero_is_zero(server, archive):
    server.spoil = spoiling(hourly__shortwave_radiation=lambda column: [-0.001] * len(column))
    assert {h.shortwave_wm2 for h in fetch(archive)} == {0.0}


@pytest.mark.parametrize(
    ("limits", "name", "opens"),
    [
        ((0.5, 99, 99), "Minutely", datetime(2025, 6, 30, 12, 21, tzinfo=UTC)),
        ((99, 0.5, 99), "Hourly", datetime(2025, 6, 30, 13, 0, tzinfo=UTC)),
        ((99, 99, 0.5), "Daily", datetime(2025, 7, 1, 0, 0, tzinfo=UTC)),
    ],
)
def test_a_limit_says_when_its_window_ends(server, archive, limits, name, opens):
    server.limits = limits
    with pytest.raises(ArchiveUnavailable, match=name) as refused:
        fetch(archive)
    assert not isinstance(refused.value, BlockRefused)
    assert refused.value.retry_at == opens


def test_a_wrong_question_is_refused_with_the_services_reason(archive):
    with pytest.raises(BlockRefused, match="End-date must be larger"):
        fetch(archive, date(2025, 6, 11), date(2025, 6, 9))


def test_an_overload_may_pass(server, archive):
    server.down = True
    with pytest.raises(ArchiveUnavailable, match="overloaded") as refused:
        fetch(archive)
    assert not isinstance(refused.value, BlockRefused)


@pytest.mark.parametrize("seed", range(8))
def test_every_kind_of_fault_may_pass(server, archive, seed):
    server.fail_always(seed)
    with pytest.raises(ArchiveUnavailable) as refused:
        fetch(archive)
    assert not isinstance(refused.value, BlockRefused)


def test_two_at_once_are_one_too_many(server):
    server.slow_s = 0.4
    outcomes = []

    def ask():
        client = OpenMeteoArchive(server.archive_url, timeout_s=5)
        try:
            outcomes.append(len(fetch(client)))
        except ArchiveUnavailable as error:
            outcomes.append(error.why)
        finally:
            client.close()

    threads = [threading.Thread(target=ask) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert 72 in outcomes
    assert any("Too many concurrent requests" in str(outcome) for outcome in outcomes)


def test_nobody_there_is_told_in_one_sentence(server):
    closed = urlsplit(server.archive_url)._replace(netloc="127.0.0.1:9").geturl()
    client = OpenMeteoArchive(closed, timeout_s=2)
    with pytest.raises(ArchiveUnavailable, match="cannot be reached"):
        fetch(client)


def test_slow_answers_are_given_up(server):
    server.slow_s = 1.0
    client = OpenMeteoArchive(server.archive_url, timeout_s=0.2)
    with pytest.raises(ArchiveUnavailable, match="did not answer within"):
        fetch(client)
    client.close()


def test_an_address_that_is_none_is_told():
    with pytest.raises(ArchiveUnavailable):
        fetch(OpenMeteoArchive("archive.example/v1", timeout_s=1))


def test_the_credit_its_licence_asks_for_has_the_link():
    assert "https://open-meteo.com/" in OpenMeteoArchive.attribution
    assert "Weather data by Open-Meteo.com" in OpenMeteoForecast.attribution
    assert "Copernicus" in OpenMeteoArchive.attribution
