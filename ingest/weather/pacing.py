"""What to ask an archive for, in which pieces, and how fast: within its limits, one at a time, resumable.

The planner is pure: needed days less held days, in half-months. The driver takes the clock and the sleep it
waits by. Limits and weights: the free service's terms and source, https://open-meteo.com/en/terms.
"""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta

from ingest.weather.hourly import (
    ArchiveUnavailable,
    BlockRefused,
    Cell,
    HourlyWeather,
    LimitReached,
    Span,
    WeatherProvider,
)

DAY = timedelta(days=1)
NEVER = datetime(1, 1, 1, tzinfo=UTC)
FREE_DAYS, FREE_VARIABLES = 14, 10  # up to so many, a place counts as one request
FIRST_PAUSE, LONGEST_PAUSE = timedelta(seconds=2), timedelta(minutes=5)
MOST_ATTEMPTS = 6  # for one block
MOST_REFUSED_CELLS = 3  # in a row: then the service has changed, and asking on is rude


@dataclass(frozen=True, slots=True)
class Limits:
    """How much weight may be asked for in a minute, an hour and a UTC day, all fixed windows."""

    minute: float = 600
    hour: float = 5_000
    day: float = 10_000

    def share(self, part: float) -> Limits:
        """A part of them: clocks differ, and a household may have a second program asking."""
        return Limits(self.minute * part, self.hour * part, self.day * part)


FREE = Limits()
OURS = FREE.share(0.9)


def weight(days: int, *, variables: int, places: int = 1) -> float:
    """What a request counts against the limits: a day costs what fourteen do.

    Source: the service's own counting: Σ over places of max(1, variables / 10, days / 14 × variables / 10).
    """
    share = variables / FREE_VARIABLES
    return places * max(1.0, share, days / FREE_DAYS * share)


def half_month(day: date) -> tuple[date, date]:
    """The half-month around a day: 1st to 15th, or 16th to the end. Fixed, so that rides share them."""
    if day.day <= 15:
        return day.replace(day=1), day.replace(day=15)
    return day.replace(day=16), day.replace(day=monthrange(day.year, day.month)[1])


def missing(needed: Iterable[Span], held: Iterable[Span], *, reach: tuple[date, date]) -> tuple[Span, ...]:
    """The half-months still to be asked for, newest first.

    A day that is needed and not held brings its whole half-month.

    held: what was fetched whole.  reach: WeatherProvider.reach; nothing outside it is asked for.
    """
    first, last = reach
    blocks = {(cell, *half_month(day)) for cell, day in _wanting(needed, held, reach)}
    spans = [Span(cell, max(begin, first), min(end, last)) for cell, begin, end in blocks]
    return _newest_first(spans)


def recent(needed: Iterable[Span], held: Iterable[Span], *, reach: tuple[date, date]) -> tuple[Span, ...]:
    """One span a cell, from its first missing day to its last: for a service that answers up to today."""
    days: dict[Cell, list[date]] = {}
    for cell, day in _wanting(needed, held, reach):
        days.setdefault(cell, []).append(day)
    return _newest_first([Span(cell, min(wanting), max(wanting)) for cell, wanting in days.items()])


def _wanting(
    needed: Iterable[Span], held: Iterable[Span], reach: tuple[date, date]
) -> set[tuple[Cell, date]]:
    first, last = reach
    wanted = {(span.cell, day) for span in needed for day in _days(span) if first <= day <= last}
    return wanted - {(span.cell, day) for span in held for day in _days(span)}


def _days(span: Span) -> Iterator[date]:
    return (span.first + DAY * n for n in range((span.last - span.first).days + 1))


def _newest_first(spans: Sequence[Span]) -> tuple[Span, ...]:
    place = sorted(spans, key=lambda s: (s.cell.latitude_deg, s.cell.longitude_deg))
    return tuple(sorted(place, key=lambda s: s.last, reverse=True))


@dataclass(frozen=True, slots=True)
class Spent:
    """The weight asked for so far in the minute, hour and day of the last request."""

    at: datetime = NEVER
    minute: float = 0.0
    hour: float = 0.0
    day: float = 0.0

    def seen_at(self, now: datetime) -> Spent:
        """What of it still counts at `now`."""
        same_day = self.at.date() == now.date()
        same_hour = same_day and self.at.hour == now.hour
        same_minute = same_hour and self.at.minute == now.minute
        return Spent(
            now,
            self.minute if same_minute else 0.0,
            self.hour if same_hour else 0.0,
            self.day if same_day else 0.0,
        )

    def plus(self, cost: float, *, now: datetime) -> Spent:
        """After one more request. Failed ones count as well."""
        seen = self.seen_at(now)
        return replace(seen, minute=seen.minute + cost, hour=seen.hour + cost, day=seen.day + cost)

    def earliest(self, cost: float, limits: Limits, *, now: datetime) -> datetime:
        """When a request of this cost may go: now, or when the window that is full ends."""
        seen = self.seen_at(now)
        minute = now.replace(second=0, microsecond=0)
        if seen.day and seen.day + cost > limits.day:
            return minute.replace(hour=0, minute=0) + DAY
        if seen.hour and seen.hour + cost > limits.hour:
            return minute.replace(minute=0) + timedelta(hours=1)
        if seen.minute and seen.minute + cost > limits.minute:
            return minute + timedelta(minutes=1)
        return now


def pause_after(attempt: int) -> timedelta:
    """How long to wait after the nth failure in a row: 2 s, doubling, at most five minutes."""
    return min(LONGEST_PAUSE, FIRST_PAUSE * float(2 ** (attempt - 1)))


@dataclass(frozen=True, slots=True)
class Delivery:
    """One block's answer. refused: why the whole block was refused, None = it was not."""

    block: Span
    hours: tuple[HourlyWeather, ...]
    refused: str | None
    done: int
    total: int

    @property
    def whole(self) -> bool:
        """Whether every hour of its days came with a value for the rain."""
        hours = ((self.block.last - self.block.first).days + 1) * 24
        return len(self.hours) == hours and all(hour.rain_mm is not None for hour in self.hours)


def deliveries(
    provider: WeatherProvider,
    blocks: Sequence[Span],
    *,
    clock: Callable[[], datetime],
    sleep: Callable[[float], None],
    limits: Limits = OURS,
    patience: timedelta = timedelta(minutes=2),
) -> Iterator[Delivery]:
    """Asks for one block after the other, at the pace the archive allows, and hands over each answer.

    Keep each before asking for the next: a run that is killed has then lost nothing, and `missing` asks for
    the rest only.  sleep: takes seconds.  patience: a wait longer than that ends the run. Raises
    ArchiveUnavailable with retry_at when the archive stays away, and LimitReached when it, or our own share
    of its limits, asks for more patience than there is.
    """
    so_far, refused_cells = Spent(), set[Cell]()
    for done, block in enumerate(blocks, start=1):
        hours: tuple[HourlyWeather, ...] = ()
        refused = None
        attempt = 0
        while True:
            cost = provider.cost(block.first, block.last, now=clock())
            _wait(
                so_far.earliest(cost, limits, now=clock()),
                LimitReached("the limit of requests is reached"),
                clock,
                sleep,
                patience,
            )
            so_far = so_far.plus(cost, now=clock())
            try:
                hours = tuple(provider.fetch(block.cell, block.first, block.last, now=clock()))
                refused_cells.clear()
                break
            except BlockRefused as error:
                refused = error.why
                refused_cells.add(block.cell)
                break
            except ArchiveUnavailable as error:
                attempt += 1
                again = error.retry_at or clock() + pause_after(attempt)
                if attempt >= MOST_ATTEMPTS:
                    raise type(error)(error.why, retry_at=again) from error
                _wait(again, error, clock, sleep, patience)
        yield Delivery(block, hours, refused, done, len(blocks))
        if len(refused_cells) >= MOST_REFUSED_CELLS:
            raise ArchiveUnavailable(
                f"{refused}; {len(refused_cells)} places in a row were refused", clock() + DAY
            )


def _wait(
    until: datetime,
    because: ArchiveUnavailable,
    clock: Callable[[], datetime],
    sleep: Callable[[float], None],
    patience: timedelta,
) -> None:
    wait = until - clock()
    if wait > patience:
        raise type(because)(because.why, retry_at=until) from because
    if wait > timedelta(0):
        sleep(wait.total_seconds())
