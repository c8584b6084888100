"""What a rider usually rides on a day of the week: for what may be said of a day before it comes."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo
from statistics import median

from rules.ledger import Ledger
from rules.vocabulary import BikeId, Ride, Rider

WEEKS, LEAST_DAYS = 8, 3  # how far back a weekday's riding is looked at, and how often it must have happened
LEAST_HOUR_S = 300.0  # a clock hour with less riding than this on average is no part of the plan


@dataclass(frozen=True, slots=True)
class Plan:
    """A rider's usual riding on a day of the week, or one that was typed."""

    rider: Rider
    on: date
    hours: tuple[tuple[datetime, float], ...]  # clock hours, and the drive hours in each
    unpaved_share: float
    bike: BikeId | None  # the usual one

    @property
    def drive_h(self) -> float:
        """Drive hours of the day."""
        return math.fsum(hours for _, hours in self.hours)


def usual_day(ledger: Ledger, rider: Rider, on: date, zone: tzinfo, *, now: datetime) -> Plan | None:
    """What does this rider usually ride on such a day of the week? None: nothing usual.

    By each clock hour's mean over the days ridden, so that the way to work and the way home are two.
    """
    days: dict[date, list[Ride]] = {}
    for ride in ledger.rides:
        at = ride.started_at.astimezone(zone)
        near = now - timedelta(weeks=WEEKS) <= ride.started_at <= now
        if near and ride.rider == rider.id and not ride.indoor and at.weekday() == on.weekday():
            days.setdefault(at.date(), []).append(ride)
    if len(days) < LEAST_DAYS:
        return None
    rides = [ride for found in days.values() for ride in found]
    by_clock: Counter[int] = Counter()
    for hour in (hour for ride in rides for hour in ride.hours):
        by_clock[hour.hour_start.astimezone(zone).hour] += hour.drive_s / len(days)  # type: ignore[assignment]
    midnight = datetime(on.year, on.month, on.day, tzinfo=zone)
    hours = tuple(
        (midnight.replace(hour=clock), drive_s / 3600.0)
        for clock, drive_s in sorted(by_clock.items())
        if drive_s >= LEAST_HOUR_S
    )
    if not hours:
        return None
    shares = [_unpaved(ledger, ride) for ride in rides]
    bikes = Counter(ride.bike for ride in rides if ride.bike is not None)
    usual = min(bikes, key=lambda one: (-bikes[one], one)) if bikes else None
    return Plan(rider, on, hours, median(shares), usual)


def _unpaved(ledger: Ledger, ride: Ride) -> float:
    if ride.unpaved_share is not None:
        return ride.unpaved_share
    return 0.0 if ride.bike is None else ledger.bike(ride.bike).unpaved_share
