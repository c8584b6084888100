"""Hourly weather: what is current, what was said before, and what is due to be asked for again."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta

import pytest
from sqlalchemy import select

from ingest.weather.hourly import Cell, HourlyWeather
from rules.vocabulary import Tier
from services.store import FactRefused, Store, Transaction, WeatherBlock
from services.store.tables_rides import hourly_weather
from services.store.weather import _COLUMNS, _weather
from services.use_cases.fetch_weather import NULLS_AGAIN_AFTER
from tests.services.store.household import CELL, DAY, HOUR, MORNING, weather

ARCHIVE, FORECAST = "open-meteo archive", "open-meteo forecast"


def said_by(tx: Transaction, source: str, until: datetime) -> tuple[HourlyWeather, ...]:
    """What one archive says now of the hours from the morning on, by hour."""
    return tuple(one for one in tx.weather.of_every_archive(CELL, MORNING, until) if one.source == source)


def revisions(tx: Transaction) -> tuple[HourlyWeather, ...]:
    """Everything any archive ever said of this hour over this cell, in the order it was fetched."""
    here = (hourly_weather.c.latitude_deg == CELL.latitude_deg, hourly_weather.c.hour_start == MORNING)
    query = select(*_COLUMNS).where(*here).order_by(hourly_weather.c.fetched_at, hourly_weather.c.id)
    return tuple(_weather(row) for row in tx._connection.execute(query))


def test_hours_come_back_as_they_were_put_by_time(store: Store) -> None:
    put = [weather(MORNING + n * HOUR, rain_mm=n / 10) for n in (3, 1, 0, 2)]
    with store.writing() as tx:
        assert tx.weather.put(put) == 4
        assert tx.weather.put([]) == 0
    with store.reading() as tx:
        assert said_by(tx, ARCHIVE, MORNING + 3 * HOUR) == (put[2], put[1], put[3])
        assert said_by(tx, FORECAST, MORNING + DAY) == ()
        assert tx.weather.of_every_archive(Cell(0.0, 0.0), MORNING, MORNING + DAY) == ()


def test_a_year_of_hours_goes_in_at_once(store: Store) -> None:
    year = [weather(MORNING + n * HOUR, rain_mm=(n % 7) / 10) for n in range(8760)]
    with store.writing() as tx:
        assert tx.weather.put(year) == 8760
        assert tx.weather.of_every_archive(CELL, MORNING, MORNING + 366 * DAY) == tuple(year)


def test_of_one_archive_the_newest_fetch_is_current_and_the_older_kept(store: Store) -> None:
    older = weather(MORNING, 0.0)
    newer = replace(older, rain_mm=2.5, fetched_at=older.fetched_at + DAY)
    with store.writing() as tx:
        tx.weather.put([older])
        assert tx.weather.put([newer]) == 1
        assert said_by(tx, ARCHIVE, MORNING + HOUR) == (newer,)
        assert revisions(tx) == (older, newer)


def test_an_older_fetch_that_comes_late_is_kept_but_not_current(store: Store) -> None:
    newer = weather(MORNING, 2.5)
    older = replace(newer, rain_mm=0.0, fetched_at=newer.fetched_at - DAY)
    with store.writing() as tx:
        tx.weather.put([newer])
        assert tx.weather.put([older]) == 0
        assert said_by(tx, ARCHIVE, MORNING + HOUR) == (newer,)
        assert revisions(tx) == (older, newer)


def test_two_revisions_in_one_put_are_put_in_order(store: Store) -> None:
    older = weather(MORNING, 0.0)
    newer = replace(older, rain_mm=2.5, fetched_at=older.fetched_at + DAY)
    with store.writing() as tx:
        tx.weather.put([newer, older])
        assert said_by(tx, ARCHIVE, MORNING + HOUR) == (newer,)
        assert revisions(tx) == (older, newer)


def test_the_same_values_again_are_no_revision(store: Store) -> None:
    once = weather(MORNING, 0.4)
    with store.writing() as tx:
        tx.weather.put([once])
        assert tx.weather.put([replace(once, fetched_at=once.fetched_at + DAY)]) == 0
        assert revisions(tx) == (once,)


def test_preliminary_never_replaces_final_in_one_series(store: Store) -> None:
    final = weather(MORNING, 0.4)
    preliminary = replace(final, tier=Tier.PRELIMINARY, rain_mm=0.0, fetched_at=final.fetched_at + DAY)
    with store.writing() as tx:
        tx.weather.put([final])
        tx.weather.put([preliminary])
        assert said_by(tx, ARCHIVE, MORNING + HOUR) == (final,)


def test_of_several_archives_each_says_its_own(store: Store) -> None:
    preliminary = weather(MORNING, 3.0, source=FORECAST, model="best_match", tier=Tier.PRELIMINARY)
    final = weather(MORNING, 2.0, fetched_at=preliminary.fetched_at - DAY)
    with store.writing() as tx:
        tx.weather.put([preliminary, final])
        assert set(tx.weather.of_every_archive(CELL, MORNING, MORNING + HOUR)) == {preliminary, final}
    with store.reading() as tx:
        assert said_by(tx, ARCHIVE, MORNING + HOUR) == (final,)


def test_nulls_are_due_after_one_seven_and_thirty_days_and_then_no_more(store: Store) -> None:
    null = weather(MORNING, None)
    first = null.fetched_at
    with store.writing() as tx:
        tx.weather.put([null, weather(MORNING + HOUR, 0.0)])
        for wait in (1, 7, 30):
            assert tx.weather.null_hours_due(first + wait * DAY - HOUR, NULLS_AGAIN_AFTER) == ()
            assert tx.weather.null_hours_due(first + wait * DAY, NULLS_AGAIN_AFTER) == (null,)
            tx.weather.put([replace(null, fetched_at=first + wait * DAY)])
        assert tx.weather.null_hours_due(first + 4000 * DAY, NULLS_AGAIN_AFTER) == ()


def test_a_null_that_was_filled_is_due_no_more(store: Store) -> None:
    null = weather(MORNING, None)
    with store.writing() as tx:
        tx.weather.put([null])
        tx.weather.put([replace(null, rain_mm=1.0, fetched_at=null.fetched_at + DAY)])
        assert tx.weather.null_hours_due(null.fetched_at + 30 * DAY, NULLS_AGAIN_AFTER) == ()


def test_nulls_follow_the_schedule_they_are_given(store: Store) -> None:
    null = weather(MORNING, None)
    with store.writing() as tx:
        tx.weather.put([null])
        assert tx.weather.null_hours_due(null.fetched_at + HOUR, [timedelta(minutes=30)]) == (null,)
        assert tx.weather.null_hours_due(null.fetched_at + 99 * DAY, []) == ()


@pytest.mark.parametrize("impossible", [{"rain_mm": -0.1}, {"temperature_c": 400.0}, {"humidity_pct": 300.0}])
def test_weather_that_cannot_be_is_refused_whole(store: Store, impossible: dict[str, float]) -> None:
    with pytest.raises(FactRefused), store.writing() as tx:
        tx.weather.put([weather(MORNING), replace(weather(MORNING + HOUR), **impossible)])
    with store.reading() as tx:
        assert tx.weather.of_every_archive(CELL, MORNING, MORNING + DAY) == ()


def test_blocks_remember_what_was_asked_for(store: Store) -> None:
    whole = WeatherBlock(
        ARCHIVE, CELL, date(2026, 6, 1), date(2026, 6, 15), Tier.FINAL, MORNING, complete=True
    )
    other = replace(whole, source=FORECAST, tier=Tier.PRELIMINARY, complete=False, fetched_at=MORNING + DAY)
    elsewhere = replace(whole, cell=Cell(0.0, 0.0), fetched_at=MORNING + 2 * DAY)
    with store.writing() as tx:
        for block in (elsewhere, other, whole):
            tx.weather.note_block(block)
        assert tx.weather.blocks() == (whole, other, elsewhere)
        assert tx.weather.blocks(ARCHIVE) == (whole, elsewhere)
        assert tx.weather.blocks(ARCHIVE, CELL) == (whole,)
    with pytest.raises(FactRefused), store.writing() as tx:
        tx.weather.note_block(replace(whole, last=date(2026, 5, 1)))


def test_what_every_archive_says_of_an_hour_can_be_read_side_by_side(store: Store) -> None:
    ours, newer = weather(MORNING, 0.0), weather(MORNING, 0.4)
    newer = replace(newer, fetched_at=ours.fetched_at + DAY)
    theirs = replace(ours, source=FORECAST, rain_mm=2.1, tier=Tier.PRELIMINARY)
    later = weather(MORNING + HOUR, 1.0)
    with store.writing() as tx:
        tx.weather.put([later, ours, theirs, newer])
    with store.reading() as tx:
        found = tx.weather.of_every_archive(CELL, MORNING, MORNING + 2 * HOUR)
        assert found[-1] == later
        assert set(found[:-1]) == {newer, theirs}
        assert tx.weather.of_every_archive(CELL, MORNING + 2 * HOUR, MORNING + DAY) == ()
