"""Weather is fetched where rides need it, and every ride hour gets its condition tag.

    rides not settled | days and cells they need, less what is held | one request at a time, kept as it comes
                      | ingest.ground.conditions, tag per hour | tags kept, flips told

The network is never inside a transaction. No weather means unknown, and the next round asks again.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from ingest.ground.cell_ground import CellGround, after_half_month, half_month, march_begins
from ingest.ground.conditions import (
    SPREADER_SEES,
    WAY_OF_TAGGING,
    grounds,
    tag_and_witness,
)
from ingest.ground.hour_weights import WHOLE_HOUR
from ingest.ground.thresholds import MUDDY_FROM, WET_FROM
from ingest.weather.hourly import (
    ArchiveUnavailable,
    Cell,
    WeatherProvider,
)
from rules.vocabulary import ConditionTag, Ride
from services.app import App
from services.store import TagFlip, Transaction
from services.store.bookkeeping import CONDITIONS_TAGGED_BY
from services.use_cases.fetch_weather import (
    AFTER_A_FAILURE,
    ASKED,
    HOUR,
    WAITS_UNTIL,
    fetch,
    known_without_hours,
    left_alone,
    may_ask,
)

MOST_RIDES = 20_000
RIDES_A_TRANSACTION = 100
FLIPS_TOLD_SINGLY = 3


@dataclass(frozen=True, slots=True)
class TagReport:
    """What was tagged, what flipped, and what is waited for."""

    hours: int
    flips: tuple[TagFlip, ...]
    waiting: str  # why weather is still missing, "" = nothing is missing
    unknown_rides: int
    anew: bool = False  # every hour was tagged again, because the way of tagging is another

    def sentences(self) -> list[str]:
        """What a person wants to know of it."""
        said = [f"{self.hours} ride hour{'s' if self.hours > 1 else ''} tagged."] if self.hours else []
        if len(self.flips) > FLIPS_TOLD_SINGLY or (self.anew and self.flips):
            said.append(self._moved())
        else:
            said += [
                f"Ride {flip.ride}, {flip.hour_start:%Y-%m-%d %H:%M} UTC, is judged anew: "
                f"{flip.after.because}"
                for flip in self.flips
            ]
        if self.waiting:
            said.append(f"Weather is waiting: {self.waiting}.")
        if self.unknown_rides:
            rides = "1 ride has" if self.unknown_rides == 1 else f"{self.unknown_rides} rides have"
            said.append(f"{rides} hours whose conditions are unknown so far.")
        return said

    def _moved(self) -> str:
        rides = len({flip.ride for flip in self.flips})
        before, after = [flip.before for flip in self.flips], [flip.after for flip in self.flips]
        wet = [sum((tag.paved_water or 0) >= WET_FROM for tag in tags) for tags in (before, after)]
        muddy = [sum((tag.mud or 0) >= MUDDY_FROM for tag in tags) for tags in (before, after)]
        why = (
            "Mud, dew, snow, ice and road salt are reckoned otherwise than before"
            if self.anew
            else "The weather is known better"
        )
        hours = "1 ride hour" if len(self.flips) == 1 else f"{len(self.flips)} ride hours"
        of = "1 ride" if rides == 1 else f"{rides} rides"
        return (
            f"{why}: {hours} of {of} judged anew; of these {wet[0]} were wet on paved road, {wet[1]} are; "
            f"{muddy[0]} were muddy on unpaved ground, {muddy[1]} are."
        )


def tag_conditions(
    app: App,
    *,
    now: datetime,
    on_progress: Callable[[str, int, int], None] = lambda *_: None,
    patience: timedelta = timedelta(minutes=2),
    sleep: Callable[[float], None] = time.sleep,
) -> TagReport:
    """Fetch what is missing and tag what can be tagged.

    on_progress: told what is being done, how much of it is done, and of how much.
    patience: how long to wait for an archive's limits before leaving the rest to the next round.
    """
    with app.store.reading() as tx:
        if not anything_to_tag(tx, app, now):
            return TagReport(0, (), "", tx.rides.conditions_unknown())
        other_way = _other_way(tx, app, now)
        every = tx.rides.rides() if other_way else tx.rides.untagged(MOST_RIDES)
        rides = tuple(ride for ride in every if not ride.indoor)
    tagged_before = any(hour.tag is not None for ride in rides for hour in ride.hours)
    if other_way and not tagged_before:
        with app.store.writing() as tx:
            tx.notes.put(CONDITIONS_TAGGED_BY, WAY_OF_TAGGING, at=now)
    fetched: set[Cell] = set()
    waiting = ""
    asks = may_ask(app, rides, now) or (other_way and tagged_before)
    if rides and app.providers and asks:
        try:
            for source, done, total, cell, refused in fetch(app, rides, now, patience, sleep):
                fetched.add(cell)
                waiting = waiting or (f"{refused}; it is asked again tomorrow" if refused else "")
                on_progress(f"weather from the {source}", done, total)
        except ArchiveUnavailable as error:
            waiting = error.why
            until = error.retry_at or now + AFTER_A_FAILURE
            with app.store.writing() as tx:
                tx.notes.put(WAITS_UNTIL, until.isoformat(), at=now)
    # Every hour anew only once its lead-in could be asked for: an archive that is down puts it off, whole.
    anew = other_way and tagged_before and not waiting
    hours, flips = _tag(app, rides, None if anew else fetched, now, on_progress)
    if anew:
        with app.store.writing() as tx:
            tx.notes.put(CONDITIONS_TAGGED_BY, WAY_OF_TAGGING, at=now)
    with app.store.reading() as tx:
        unknown = tx.rides.conditions_unknown()
    return TagReport(hours, flips, waiting, unknown, anew)


def anything_to_tag(tx: Transaction, app: App, now: datetime) -> bool:
    """Whether `tag_conditions` may find anything to do: the quick look before the long one."""
    return _other_way(tx, app, now) or _may_help(tx, app, now)


def _other_way(tx: Transaction, app: App, now: datetime) -> bool:
    """Whether every hour is to be tagged anew, now: while no archive may be asked no ride is read."""
    if not app.providers or tx.notes.get(CONDITIONS_TAGGED_BY) == WAY_OF_TAGGING:
        return False
    return not left_alone(tx, now)


def _may_help(tx: Transaction, app: App, now: datetime) -> bool:
    """Whether looking at unsettled hours one by one may change anything: the look before the long one."""
    if not app.providers or not tx.rides.any_unsettled():
        return False
    if tx.rides.any_unsettled(never_tagged=True):
        return True
    known, asked_at = known_without_hours(tx, app, now), tx.notes.written_at(ASKED)
    if known is not None or asked_at is None:
        return known is not False
    return tx.rides.any_unsettled(began=(asked_at - HOUR, now - HOUR))


def _tag(
    app: App,
    rides: Sequence[Ride],
    fetched: set[Cell] | None,
    now: datetime,
    on_progress: Callable[[str, int, int], None],
) -> tuple[int, tuple[TagFlip, ...]]:
    """Tag the rides that were never tagged, or over whose ground something new was learned.

    fetched: the cells with new weather; None = tag every hour anew.
    """
    if not app.providers:
        return 0, ()
    grid = app.providers[0]
    tagged = 0
    flips: list[TagFlip] = []
    for first in range(0, len(rides), RIDES_A_TRANSACTION):
        batch = rides[first : first + RIDES_A_TRANSACTION]
        found: list[tuple[Ride, list[tuple[datetime, ConditionTag]]]] = []
        marched: dict[tuple[Cell, datetime], tuple[CellGround, ...]] = {}
        with app.store.reading() as tx:
            for ride in batch:
                tags = list(_tags_of(tx, ride, grid, fetched, marched, app.salted_share))
                if tags:
                    found.append((ride, tags))
        if found:
            with app.store.writing() as tx:
                for ride, tags in found:
                    flips += tx.rides.add_tags(ride.id, tags, now)
                    tagged += len(tags)
        on_progress("conditions", min(first + RIDES_A_TRANSACTION, len(rides)), len(rides))
    return tagged, tuple(flips)


def _tags_of(
    tx: Transaction,
    ride: Ride,
    grid: WeatherProvider,
    fetched: set[Cell] | None,
    marched: dict[tuple[Cell, datetime], tuple[CellGround, ...]],
    salted_share: float,
) -> Iterator[tuple[datetime, ConditionTag]]:
    for hour in ride.hours:
        if hour.latitude_deg is None or hour.longitude_deg is None:
            continue
        try:
            cell = grid.cell_of(hour.latitude_deg, hour.longitude_deg)
        except ArchiveUnavailable:
            return
        if hour.tag is not None and fetched is not None and cell not in fetched:
            continue
        border = half_month(hour.hour_start)
        if (cell, border) not in marched:
            begin = march_begins(border, cell.latitude_deg)
            end = after_half_month(border) + SPREADER_SEES
            marched[cell, border] = grounds(tx.weather.of_every_archive(cell, begin, end), begin, end)
        ridden = _ridden(ride, hour.hour_start)
        found, _ = tag_and_witness(hour, marched[cell, border], salted_share=salted_share, ridden=ridden)
        yield hour.hour_start, found


def _ridden(ride: Ride, hour_start: datetime) -> tuple[float, float]:
    """From which to which part of this hour the ride went, as fractions of it."""
    begin = max(0.0, (ride.started_at - hour_start) / HOUR)
    end = min(1.0, (ride.ended_at - hour_start) / HOUR)
    return (begin, end) if begin < end else WHOLE_HOUR
