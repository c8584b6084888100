"""What a ride is called: its own title, or the facts that its rider knows it by. Never its file's name."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta, tzinfo

from rules.units import distance
from rules.vocabulary import Condition, Ride

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
NEEDS_YEAR_FROM = timedelta(days=180)


def own_title(ride: Ride) -> str:
    """The title that its rider or device gave a ride; "" = none."""
    file = ride.file_name.rpartition("/")[2]
    kept_by_earlier_versions = file.rpartition(".")[0] or file
    return "" if ride.title == kept_by_earlier_versions else ride.title


def ride_name(ride: Ride, zone: tzinfo, *, now: datetime, like: Iterable[Condition] = ()) -> str:
    """'Tuesday loop'; without a title 'Tue 24 Nov 17:40, 34 km, dusty'.

    like: what it was like, first things first.  now: a ride of long ago tells its year.
    """
    local = ride.started_at.astimezone(zone)
    year = f" {local.year}" if abs(now - ride.started_at) > NEEDS_YEAR_FROM else ""
    when = f"{_DAYS[local.weekday()]} {local.day} {_MONTHS[local.month - 1]}{year} {local:%H:%M}"
    known = next((word.value for word in like if word is not Condition.UNKNOWN), "")
    return own_title(ride) or ", ".join(filter(None, (when, how_long(ride), known)))


def beside_its_date(ride: Ride) -> str:
    """The name where the date stands beside it: 'Tuesday loop', '34 km'."""
    return own_title(ride) or how_long(ride)


def how_long(ride: Ride) -> str:
    """'34 km', '3.4 km'; '40 min' of a ride that went nowhere."""
    if ride.indoor or ride.distance_m < 100:
        return f"{round((ride.ended_at - ride.started_at) / timedelta(minutes=1))} min"
    return distance(ride.distance_m, digits=0 if ride.distance_m >= 10_000 else 1)
