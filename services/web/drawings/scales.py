"""Axes: round steps, dates as places, and months and years that find room for their names."""

from __future__ import annotations

import math
from datetime import datetime, timedelta, tzinfo

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_MONTH_STEPS = (1, 2, 3, 6, 12, 24, 60, 120)
_CLOCK_STEPS_MIN = (5, 10, 15, 30, 60, 120, 180, 360, 720)


def round_step(most: float, steps: int) -> float:
    """The smallest of 1, 2, 2.5, 5 times a power of ten that reaches `most` in so many steps."""
    if not most > 0.0:
        return 1.0
    rough = most / steps
    power = 10.0 ** math.floor(math.log10(rough))
    return next(
        factor * power for factor in (1.0, 2.0, 2.5, 5.0, 10.0) if factor * power >= rough * (1 - 1e-9)
    )


def ticks(most: float, steps: int) -> list[float]:
    """Round numbers from 0 up to at least `most`."""
    step = round_step(most, steps)
    return [i * step for i in range(max(1, math.ceil(most / step - 1e-9)) + 1)]


def monday_of(at: datetime, zone: tzinfo) -> datetime:
    """The local midnight with which the week of this instant began."""
    local = at.astimezone(zone).replace(hour=0, minute=0, second=0, microsecond=0)
    return local - timedelta(days=local.weekday())


def month_starts(start: datetime, end: datetime, every: int = 1) -> list[datetime]:
    """The first of every so many months in this span, by the clock of `start`; 12: every January."""
    found: list[datetime] = []
    index = start.year * 12 + start.month - 1
    index -= index % every
    while True:
        first = start.replace(
            year=index // 12, month=index % 12 + 1, day=1, hour=0, minute=0, second=0, microsecond=0
        )
        if first > end:
            return found
        if first >= start:
            found.append(first)
        index += every


def roomy_month_starts(start: datetime, end: datetime, room: int) -> tuple[list[datetime], int]:
    """Month starts, at most `room` of them, and how many months lie between two."""
    for every in _MONTH_STEPS:
        found = month_starts(start, end, every)
        if len(found) <= room:
            return found, every
    return found[:: math.ceil(len(found) / room)], _MONTH_STEPS[-1]


def clock_ticks(start: datetime, end: datetime, room: int) -> list[datetime]:
    """Round local times of day in this span, at most `room` of them. start: in the reader's zone."""
    midnight = start.replace(hour=0, minute=0, second=0, microsecond=0)
    found: list[datetime] = []
    for step in _CLOCK_STEPS_MIN:
        first = math.ceil((start - midnight) / timedelta(minutes=step))
        last = math.floor((end - midnight) / timedelta(minutes=step))
        found = [midnight + timedelta(minutes=step * i) for i in range(first, last + 1)]
        if len(found) <= room:
            return found
    return found[:: math.ceil(len(found) / room)]
