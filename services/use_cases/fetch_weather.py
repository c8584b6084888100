"""When weather is asked for, and asked for again: each answer is kept before the next question.

What an archive of settled values gives is final; until which day it has them is said by its own `reach`.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from datetime import date, datetime, timedelta
from functools import partial
from typing import TypeAlias

from ingest.ground.conditions import needed
from ingest.weather.hourly import ArchiveUnavailable, Cell, HourlyWeather, LimitReached, Span, WeatherProvider
from ingest.weather.pacing import deliveries, missing, recent
from rules.vocabulary import Ride
from services.app import App
from services.store import Transaction, WeatherBlock

ASK_AGAIN_AFTER = timedelta(hours=1)  # for rides whose tags are preliminary or unknown
AFTER_A_FAILURE = timedelta(minutes=5)
# How long after its first null an hour is asked for again, once each: nulls in mid-series often fill later.
NULLS_AGAIN_AFTER = (timedelta(days=1), timedelta(days=7), timedelta(days=30))
LONGEST_WAIT = timedelta(days=32)  # an archive's monthly budget is spent
AFTER_A_REFUSAL = timedelta(days=1)  # the archive called the question wrong: asking at once helps nobody
ASKED, WAITS_UNTIL = "weather asked", "weather waits until"
MOST_STAND_BY_BLOCKS = 60  # half-months of a cell, newest first; our choice, the archive will be back
HOUR, DAY = timedelta(hours=1), timedelta(days=1)
_Answered: TypeAlias = tuple[str, int, int, Cell, str | None]  # by whom, done, of, where, why refused


def known_without_hours(tx: Transaction, app: App, now: datetime) -> bool | None:
    """Whether asking is worth it now, where that does not hang on single hours; None = it does."""
    if tx.notes.get(ASKED) != _chosen(app):
        return True  # another archive, or a mended address: what the old one asked for is over
    if left_alone(tx, now):
        return False
    asked_at = tx.notes.written_at(ASKED)
    return True if asked_at is None or asked_at > now or now - asked_at >= ASK_AGAIN_AFTER else None


def left_alone(tx: Transaction, now: datetime) -> bool:
    """Whether the archive wants to be left alone for now."""
    waits_until = tx.notes.get(WAITS_UNTIL)
    if waits_until is None:
        return False
    wait = datetime.fromisoformat(waits_until) - now
    return timedelta(0) < wait <= LONGEST_WAIT  # one longer than any that is asked for: a clock was wrong


def _chosen(app: App) -> str:
    """Which archive is asked, and where: as the settings say it."""
    return app.settings.weather.model_dump_json()


def may_ask(app: App, rides: Sequence[Ride], now: datetime) -> bool:
    """Whether asking is worth it now.

    Not while the archive wants to be left alone; else for every new ride, when an hour that was not over has
    ended since (tonight's storm counts tonight), and once an hour.
    """
    with app.store.reading() as tx:
        known = known_without_hours(tx, app, now)
        asked_at = tx.notes.written_at(ASKED)
    if known is not None or asked_at is None:
        return known is not False
    outdoors = [hour for ride in rides for hour in ride.hours if hour.latitude_deg is not None]
    return any(h.tag is None or asked_at < h.hour_start + HOUR <= now for h in outdoors)


def fetch(
    app: App,
    rides: Sequence[Ride],
    now: datetime,
    patience: timedelta,
    sleep: Callable[[float], None],
) -> Iterator[_Answered]:
    """Ask every archive for what it can give; each answer is kept before the next question.

    While the settled archive is down, the stand-by is asked in its stead. The forecast service is asked only
    for days that no settled archive has yet. Raises LimitReached at once, and ArchiveUnavailable at the end
    for an archive that is down.
    """
    grid, *recent_ones = app.providers
    stand_by = app.stand_by
    spans = needed([hour for ride in rides for hour in ride.hours], grid)
    with app.store.writing() as tx:
        tx.notes.put(ASKED, _chosen(app), at=now)
        nulls = tx.weather.null_hours_due(now, NULLS_AGAIN_AFTER)
    answers = partial(_answers, app, now=now, patience=patience, sleep=sleep, begun=time.monotonic())
    settled_until: date | None = None
    down: ArchiveUnavailable | None = None
    try:
        reach = grid.reach(now=now)
        blocks = missing(spans, _held(app, now, grid), reach=reach)
        yield from answers(grid, (*blocks, *_null_days(nulls, grid, reach)))
        settled_until = reach[1]
    except LimitReached:
        raise
    except ArchiveUnavailable as error:
        down = error
    if down is not None and stand_by is not None:
        try:
            reach = stand_by.reach(now=now)
            blocks = missing(spans, _held(app, now, grid, stand_by), reach=reach)
            yield from answers(stand_by, blocks[:MOST_STAND_BY_BLOCKS])
            settled_until = reach[1]
        except ArchiveUnavailable as error:
            down = ArchiveUnavailable(f"{down.why}; {error.why}", down.retry_at)
    for provider in recent_ones:
        first, last = provider.reach(now=now)
        reach = (first if settled_until is None else max(first, settled_until + DAY), last)
        held = _held(app, now, provider, grid, *([stand_by] if stand_by else ()))
        blocks = (*recent(spans, held, reach=reach), *_null_days(nulls, provider, reach))
        try:
            yield from answers(provider, blocks)
        except LimitReached:
            raise
        except ArchiveUnavailable as error:
            down = down or error
    if down is not None:
        raise down


def _answers(
    app: App,
    provider: WeatherProvider,
    blocks: Sequence[Span],
    *,
    now: datetime,
    patience: timedelta,
    sleep: Callable[[float], None],
    begun: float,
) -> Iterator[_Answered]:
    for answer in deliveries(
        provider,
        blocks,
        clock=lambda: now + timedelta(seconds=time.monotonic() - begun),
        sleep=sleep,
        patience=patience,
    ):
        with app.store.writing() as tx:
            tx.weather.put(answer.hours)
            tx.weather.note_block(
                WeatherBlock(
                    provider.name,
                    answer.block.cell,
                    answer.block.first,
                    answer.block.last,
                    provider.tier,
                    now,
                    complete=answer.refused is None,
                )
            )
        yield provider.name, answer.done, answer.total, answer.block.cell, answer.refused


def _held(app: App, now: datetime, *providers: WeatherProvider) -> tuple[Span, ...]:
    with app.store.reading() as tx:
        return tuple(span for provider in providers for span in _held_by(tx, provider, now))


def _held_by(tx: Transaction, provider: WeatherProvider, now: datetime) -> Iterator[Span]:
    """What need not be asked for again. A day that was not over when it was asked for is not held."""
    for block in tx.weather.blocks(provider.name):
        if block.complete or now - block.fetched_at < AFTER_A_REFUSAL:
            last = min(block.last, block.fetched_at.date() - timedelta(days=1))
            if block.first <= last:
                yield Span(block.cell, block.first, last)


def _null_days(
    nulls: Sequence[HourlyWeather], provider: WeatherProvider, reach: tuple[date, date]
) -> tuple[Span, ...]:
    days = {
        (hour.cell, hour.hour_start.date())
        for hour in nulls
        if hour.source == provider.name and reach[0] <= hour.hour_start.date() <= reach[1]
    }
    return tuple(Span(cell, day, day) for cell, day in sorted(days, key=lambda one: one[1], reverse=True))
