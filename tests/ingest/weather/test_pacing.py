"""The plan of blocks, the pace, and whole runs against an archive that enforces its limits."""

from __future__ import annotations

import time
from collections import Counter
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from itertools import islice

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.ground.conditions import needed
from ingest.weather.hourly import ArchiveUnavailable, BlockRefused, Cell, LimitReached, Span
from ingest.weather.open_meteo import OpenMeteoArchive, OpenMeteoForecast
from ingest.weather.pacing import (
    FREE,
    OURS,
    Limits,
    Spent,
    deliveries,
    half_month,
    missing,
    pause_after,
    recent,
    weight,
)
from tests import forked
from tests.archive_stand_in import ArchiveStandIn, StoppedClock
from tests.fetch_to_file import NOW, REACH, invented_weather, kept, plan
from tests.one_tag import tag
from tests.ride_years import ride_years

HERE, THERE = Cell(0.0, 0.0), Cell(0.25, 0.0)
ALWAYS = (date(1940, 1, 1), date(2030, 1, 1))


@pytest.mark.parametrize(
    ("days", "variables", "places", "counted"),
    [(1, 8, 1, 1.0), (14, 10, 1, 1.0), (17, 8, 1, 1.0), (28, 10, 1, 2.0), (28, 10, 3, 6.0), (7, 20, 1, 2.0)],
)
def test_weight_as_the_service_counts_it(days, variables, places, counted):
    # Σ over places of max(1, variables/10, days/14 × variables/10): the service's source
    assert weight(days, variables=variables, places=places) == pytest.approx(counted)


def test_limits_of_the_free_service():
    # 600 a minute, 5 000 an hour, 10 000 a day: the service's terms
    assert (FREE.minute, FREE.hour, FREE.day) == (600, 5_000, 10_000)
    assert OURS.minute < FREE.minute


@pytest.mark.parametrize(
    ("day", "first", "last"),
    [("2024-02-10", "2024-02-01", "2024-02-15"), ("2024-02-16", "2024-02-16", "2024-02-29")],
)
def test_half_months_are_fixed(day, first, last):
    assert half_month(date.fromisoformat(day)) == (date.fromisoformat(first), date.fromisoformat(last))


@given(st.dates(date(1950, 1, 1), date(2040, 12, 31)))
def test_no_half_month_costs_more_than_one_request(day):
    first, last = half_month(day)
    assert first <= day <= last
    assert weight((last - first).days + 2, variables=8) == 1.0


def span(cell, first, last):
    return Span(cell, date.fromisoformat(first), date.fromisoformat(last))


def test_a_needed_day_brings_its_whole_half_month_newest_first():
    blocks = missing(
        [span(HERE, "2025-03-14", "2025-03-16"), span(THERE, "2025-03-30", "2025-03-31")], [], reach=ALWAYS
    )
    assert blocks == (
        span(HERE, "2025-03-16", "2025-03-31"),
        span(THERE, "2025-03-16", "2025-03-31"),
        span(HERE, "2025-03-01", "2025-03-15"),
    )


def test_held_days_are_not_asked_for_again():
    wanted = [span(HERE, "2025-03-10", "2025-03-12")]
    assert missing(wanted, [span(HERE, "2025-03-01", "2025-03-15")], reach=ALWAYS) == ()
    assert missing(wanted, [span(THERE, "2025-03-01", "2025-03-15")], reach=ALWAYS) != ()
    assert missing(wanted, [span(HERE, "2025-03-01", "2025-03-11")], reach=ALWAYS) == (
        span(HERE, "2025-03-01", "2025-03-15"),
    )


def test_nothing_outside_the_archives_reach_is_asked_for():
    reach = (date(2025, 3, 3), date(2025, 3, 10))
    wanted = [span(HERE, "2025-02-20", "2025-03-20")]
    assert missing(wanted, [], reach=reach) == (span(HERE, "2025-03-03", "2025-03-10"),)
    assert missing([span(HERE, "2025-03-11", "2025-03-20")], [], reach=reach) == ()


def test_recent_days_are_one_span_a_cell():
    wanted = [span(HERE, "2025-03-14", "2025-03-16"), span(HERE, "2025-03-19", "2025-03-20")]
    held = [span(HERE, "2025-03-14", "2025-03-14")]
    assert recent(wanted, held, reach=ALWAYS) == (span(HERE, "2025-03-15", "2025-03-20"),)


def test_pauses_double_up_to_five_minutes():
    assert [pause_after(n).total_seconds() for n in (1, 2, 3, 9, 40)] == [2, 4, 8, 300, 300]


def test_a_full_window_waits_for_its_end_and_no_longer():
    now = datetime(2025, 6, 30, 23, 59, 20, tzinfo=UTC)
    limits = Limits(minute=2, hour=3, day=5)
    spent = Spent()
    assert spent.earliest(1, limits, now=now) == now
    spent = spent.plus(1, now=now).plus(1, now=now)
    assert spent.earliest(1, limits, now=now) == datetime(2025, 7, 1, tzinfo=UTC)
    early = datetime(2025, 6, 30, 10, 0, 5, tzinfo=UTC)
    spent = Spent().plus(1, now=early).plus(1, now=early)
    assert spent.earliest(1, limits, now=early) == early.replace(minute=1, second=0)
    later = early + timedelta(minutes=7)
    spent = spent.plus(1, now=later)
    assert spent.earliest(1, limits, now=later) == early.replace(hour=11, second=0)
    for hour in (11, 12):
        spent = spent.plus(1, now=early.replace(hour=hour))
    assert spent.earliest(1, limits, now=early.replace(hour=13)) == datetime(2025, 7, 1, tzinfo=UTC)


def test_a_request_dearer_than_a_window_goes_alone():
    now = datetime(2025, 6, 30, 10, tzinfo=UTC)
    assert Spent().earliest(50, Limits(2, 3, 5), now=now) == now


# ------------------------------------------------------------ what years of rides cost


def test_two_thousand_rides_of_five_years_in_three_regions_cost_under_three_thousand():
    hours = [hour for ride in ride_years(2_000, 5) for hour in ride]
    wanted = needed(hours, OpenMeteoArchive())
    blocks = missing(wanted, [], reach=REACH)
    cost = sum(OpenMeteoArchive().cost(block.first, block.last, now=NOW) for block in blocks)
    print(
        f"{len(hours)} hours, {len({b.cell for b in blocks})} cells, {len(blocks)} blocks, weight {cost:.0f}"
    )
    assert len({block.cell for block in blocks}) >= 60
    assert cost <= 3_000
    covered = {
        (b.cell, b.first + timedelta(days=n)) for b in blocks for n in range((b.last - b.first).days + 1)
    }
    for one in wanted:
        days = [one.first + timedelta(days=n) for n in range((one.last - one.first).days + 1)]
        assert all((one.cell, day) in covered for day in days)


# ------------------------------------------------------------ whole runs over HTTP

RIDES, YEARS = 24, 1  # 60 blocks; tests/benchmarks/conditions.py runs all five years


def run(server, clock, **changes):
    """Everything a run brings, by block."""
    options = {"clock": clock, "sleep": clock.sleep, "patience": timedelta(days=2), **changes}
    client = OpenMeteoArchive(server.archive_url, timeout_s=5)
    try:
        return list(deliveries(client, plan(RIDES, YEARS, []), **options))
    finally:
        client.close()


def weather_of(brought):
    """Every hour that a run brought, by cell, whenever it was fetched: all that tags are made of."""
    weather = {}
    for delivery in brought:
        for hour in delivery.hours:
            weather.setdefault(hour.cell, {})[hour.hour_start] = replace(hour, fetched_at=NOW)
    return weather


def water_of(brought):
    """The part of it that the file keeps."""
    return {
        cell: {at: (hour.rain_mm, hour.et0_mm) for at, hour in hours.items()}
        for cell, hours in weather_of(brought).items()
    }


def tags_of(brought):
    """The tag of every ride hour from what a run brought."""
    weather, archive = weather_of(brought), OpenMeteoArchive()
    return [
        tag(hour, weather.get(archive.cell_of(hour.latitude_deg, hour.longitude_deg), {}))
        for ride in ride_years(RIDES, YEARS)
        for hour in ride
    ]


@pytest.fixture(scope="module")
def undisturbed():
    clock = StoppedClock(NOW)
    with ArchiveStandIn(invented_weather, clock=clock) as server:
        return run(server, clock), server.weight_asked


def test_a_run_brings_every_block_once_and_says_how_far_it_is(undisturbed):
    brought, asked = undisturbed
    assert [d.block for d in brought] == list(plan(RIDES, YEARS, []))
    assert all(d.whole and d.refused is None for d in brought)
    assert [d.done for d in brought] == list(range(1, len(brought) + 1))
    assert {d.total for d in brought} == {len(brought)}
    assert len(brought) == asked
    tags = tags_of(brought)
    assert all(t.known for t in tags)
    assert any(t.paved_water == 1 for t in tags)
    assert any(t.paved_water == 0 for t in tags)


def test_small_windows_are_kept_to_the_letter(undisturbed):
    # Limits so small that minutes, hours and days all fill: never refused, only slower
    clock = StoppedClock(NOW)
    limits = (5, 17, 30)
    with ArchiveStandIn(invented_weather, clock=clock, limits=limits) as server:
        brought = run(server, clock, limits=Limits(*limits))
        assert {asked.status for asked in server.asked} == {200}
    assert weather_of(brought) == weather_of(undisturbed[0])
    assert clock().date() > NOW.date()


def test_limits_unknown_to_us_are_waited_out(undisturbed):
    # The archive allows less than we think: every refusal names its window, and the run goes on when it opens
    clock = StoppedClock(NOW)
    with ArchiveStandIn(invented_weather, clock=clock, limits=(12, 30, 500)) as server:
        brought = run(server, clock)
        refused = [asked for asked in server.asked if asked.status == 429]
        assert refused
        assert len(refused) < 12
    assert weather_of(brought) == weather_of(undisturbed[0])


def test_one_answer_in_ten_failing_ends_in_the_same_weather(undisturbed):
    clock = StoppedClock(NOW)
    with ArchiveStandIn(invented_weather, clock=clock, failing=0.1, seed=5) as server:
        brought = run(server, clock)
        assert len(server.asked) > len(brought) * 1.05
        assert all(asked.weight <= 1 for asked in server.asked)
        assert server.weight_asked <= len(brought) * 1.25
    assert weather_of(brought) == weather_of(undisturbed[0])


def test_a_kill_in_the_middle_loses_nothing_and_repeats_nothing(tmp_path, undisturbed):
    file = tmp_path / "kept"
    with ArchiveStandIn(invented_weather, clock=StoppedClock(NOW)) as server:
        command = ("from tests.fetch_to_file import main; main()", server.archive_url, str(file))
        command += (str(RIDES), str(YEARS))
        child = forked.Program(*command)
        deadline = time.monotonic() + 30
        while len(server.asked) < 12 and time.monotonic() < deadline:
            time.sleep(0.005)
        child.end()
        before = kept(file)
        assert 0 < len(before) < len(plan(RIDES, YEARS, []))
        assert forked.run(*command).returncode == 0
        asked = Counter(
            (a.parameters["latitude"], a.parameters["longitude"], a.parameters["start_date"])
            for a in server.asked
        )
    after = kept(file)
    assert after[: len(before)] == before
    assert {d.block for d in after} == set(plan(RIDES, YEARS, []))
    assert len({d.block for d in after}) == len(after)
    # at most the one block that was on its way when the kill came is asked for a second time
    assert sum(asked.values()) <= len(after) + 1
    assert water_of(after) == water_of(undisturbed[0])


def test_an_archive_that_stays_down_ends_the_run_with_when_to_come_back():
    clock = StoppedClock(NOW)
    with ArchiveStandIn(clock=clock, down=True) as server:
        with pytest.raises(ArchiveUnavailable, match="overloaded") as ended:
            run(server, clock)
        assert len(server.asked) == 6
    assert not isinstance(ended.value, LimitReached)
    assert ended.value.retry_at > clock()
    assert timedelta(seconds=30) < clock() - NOW < timedelta(minutes=10)


def test_a_wait_beyond_its_patience_ends_the_run_at_once():
    clock = StoppedClock(NOW)
    with ArchiveStandIn(clock=clock, limits=(600, 20, 10_000)) as server:
        client = OpenMeteoArchive(server.archive_url)
        coming = deliveries(client, plan(RIDES, YEARS, []), clock=clock, sleep=clock.sleep)
        brought = list(islice(coming, 20))
        with pytest.raises(LimitReached, match="Hourly") as ended:
            next(coming)
    assert len(brought) == 20
    assert ended.value.retry_at == datetime(2025, 7, 10, 13, tzinfo=UTC)
    assert clock() == NOW


def test_a_refused_block_does_not_stop_the_others_but_a_changed_service_does():
    clock = StoppedClock(NOW)

    def spoil_one(answer):
        if answer["latitude"] == HERE.latitude_deg:
            answer["hourly_units"]["precipitation"] = "inch"
        return answer

    with ArchiveStandIn(clock=clock) as server:
        client = OpenMeteoArchive(server.archive_url)
        blocks = [span(HERE, "2025-03-01", "2025-03-15"), span(THERE, "2025-03-01", "2025-03-15")]
        server.spoil = spoil_one
        both = list(deliveries(client, blocks, clock=clock, sleep=clock.sleep))
        assert "inch" in both[0].refused
        assert (both[0].hours, both[0].whole) == ((), False)
        assert both[1].whole
        assert len(server.asked) == 2
        server.spoil = lambda answer: {**answer, "utc_offset_seconds": 3600}
        cells = [Span(Cell(0.25 * n, 5.0), blocks[0].first, blocks[0].last) for n in range(9)]
        with pytest.raises(ArchiveUnavailable, match="3 places in a row") as ended:
            list(deliveries(client, cells, clock=clock, sleep=clock.sleep))
        assert len(server.asked) == 5
    assert not isinstance(ended.value, BlockRefused)


def test_a_gap_makes_a_block_not_whole():
    clock = StoppedClock(NOW)
    gap = datetime(2025, 3, 4, 5, tzinfo=UTC)
    with ArchiveStandIn(clock=clock, nulls=lambda latitude, longitude, at: at == gap) as server:
        client = OpenMeteoArchive(server.archive_url)
        blocks = [span(HERE, "2025-03-01", "2025-03-15"), span(HERE, "2025-03-16", "2025-03-31")]
        assert [d.whole for d in deliveries(client, blocks, clock=clock, sleep=clock.sleep)] == [False, True]


def test_tonights_storm_counts_tonight_and_turns_final_later():
    storm = datetime(2025, 7, 9, 15, tzinfo=UTC)
    clock = StoppedClock(datetime(2025, 7, 9, 20, 30, tzinfo=UTC))
    ridden = replace(ride_years(1, 1)[0][0], hour_start=storm, latitude_deg=0.02, longitude_deg=0.01)
    rain = {storm: {"rain_mm": 7.2}, storm + timedelta(hours=1): {"rain_mm": 3.1}}
    with ArchiveStandIn(rain, clock=clock) as server:
        archive, forecast = OpenMeteoArchive(server.archive_url), OpenMeteoForecast(server.forecast_url)

        def fetched(client, blocks):
            given = deliveries(client, blocks, clock=clock, sleep=clock.sleep)
            return [hour for delivery in given for hour in delivery.hours]

        wanted = needed([ridden], archive)
        settled_days = missing(wanted, [], reach=archive.reach(now=clock()))
        assert all(span.last < storm.date() for span in settled_days)  # the lead-in only
        tonight = fetched(forecast, recent(wanted, [], reach=forecast.reach(now=clock())))
        first = tag(ridden, tonight)
        assert (first.paved_water, str(first.tier)) == (1, "preliminary")

        clock.sleep(8 * 86400)
        later = fetched(archive, missing(wanted, [], reach=archive.reach(now=clock())))
        final = tag(ridden, [*tonight, *later])
    assert (final.paved_water, str(final.tier)) == (1, "final")
    assert final.confidence > first.confidence
