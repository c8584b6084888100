"""Reads the times of a GPX file, however they are spelt."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np

from ingest.ride.recording import Column

_TIME: Final = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)[T ](\d\d):(\d\d):(\d\d)(?:[.,](\d{1,9})\d*)?\s*(?:(Z)|([+-])(\d\d):?(\d\d)?)?",
    re.ASCII,
)


def unix_seconds(texts: Sequence[str]) -> Column:
    """When do these ISO 8601 texts say? [Unix seconds; NaN where a text is no time]"""
    return np.array([unix_second(text) for text in texts], dtype=np.float64)


def unix_second(text: str) -> float:
    """When does this ISO 8601 text say? [Unix seconds; NaN when it is no time]

    Without a zone a time is UTC. 24:00:00 is the next midnight, a leap second (…:60) the second after it.
    """
    match = _TIME.fullmatch(text.strip())
    if match is None:
        return np.nan
    year, month, day, hour, minute, second = (int(part) for part in match.group(1, 2, 3, 4, 5, 6))
    fraction, _, sign, zone_hours, zone_minutes = match.group(7, 8, 9, 10, 11)
    if hour > 24 or minute > 59 or second > 60 or (hour == 24 and (minute or second)):
        return np.nan
    try:
        midnight = datetime(year, month, day, tzinfo=UTC)
    except ValueError:
        return np.nan
    zone = timedelta(hours=int(zone_hours or 0), minutes=int(zone_minutes or 0))
    if zone >= timedelta(days=1):
        return np.nan
    at = (midnight - datetime(1970, 1, 1, tzinfo=UTC)) + timedelta(hours=hour, minutes=minute, seconds=second)
    at += zone if sign == "-" else -zone
    return at.total_seconds() + (float("0." + fraction) if fraction else 0.0)
