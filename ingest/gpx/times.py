"""Reads the times of a GPX file: thousands of like strings at once, the odd ones singly."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ingest.ride.recording import Column

_TIME: Final = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)[T ](\d\d):(\d\d):(\d\d)(?:[.,](\d{1,9})\d*)?\s*(?:(Z)|([+-])(\d\d):?(\d\d)?)?",
    re.ASCII,
)
_PLAIN: Final = (20, 24)  # 2025-03-01T07:00:00Z, and the same with milliseconds
_DIGITS: Final = np.array([0, 1, 2, 3, 5, 6, 8, 9, 11, 12, 14, 15, 17, 18])
_MILLISECONDS: Final = np.array([20, 21, 22])
_MARKS: Final = ((4, "-"), (7, "-"), (10, "T"), (13, ":"), (16, ":"))


def unix_seconds(texts: Sequence[str]) -> Column:
    """When do these ISO 8601 texts say? [Unix seconds; NaN where a text is no time]

    Without a zone a time is UTC. 24:00:00 is the next midnight, a leap second (…:60) the second after it.
    """
    if not texts:
        return np.zeros(0)
    length = len(texts[0])
    joined = "".join(texts)
    if length in _PLAIN and len(joined) == length * len(texts) and joined.isascii():
        symbols = np.frombuffer(joined.encode("ascii"), np.uint8).reshape(len(texts), length)
        seconds = _plain(symbols)
        if seconds is not None:
            return seconds
    return np.array([_single(text) for text in texts], dtype=np.float64)


def _plain(symbols: NDArray[np.uint8]) -> Column | None:
    """Unix seconds of texts of the plain form, one row of bytes each; None when any is not of that form."""
    length = symbols.shape[1]
    marks = [*_MARKS, (length - 1, "Z")] + ([(19, ".")] if length == 24 else [])
    if any((symbols[:, place] != ord(mark)).any() for place, mark in marks):
        return None
    digits = symbols[:, _DIGITS] - ord("0")  # unsigned: what lies below wraps to far above 9
    if (digits > 9).any():
        return None
    number = digits.astype(np.int32)
    year = number[:, 0] * 1000 + number[:, 1] * 100 + number[:, 2] * 10 + number[:, 3]
    month, day, hour, minute, second = (number[:, at] * 10 + number[:, at + 1] for at in range(4, 14, 2))
    if (
        year.min() < 1
        or month.min() < 1
        or month.max() > 12
        or hour.max() > 23
        or max(minute.max(), second.max()) > 59
    ):
        return None
    months = ((year - 1970) * 12 + month - 1).astype("datetime64[M]")
    first = months.astype("datetime64[D]")
    if day.min() < 1 or (day > ((months + 1).astype("datetime64[D]") - first).astype(np.int64)).any():
        return None
    days = first.astype(np.int64) + day - 1
    seconds: Column = (days * 86_400 + hour * 3600 + minute * 60 + second).astype(np.float64)
    if length == 24:
        thousandths = symbols[:, _MILLISECONDS] - ord("0")
        if (thousandths > 9).any():
            return None
        seconds += (thousandths.astype(np.int32) @ np.array([100, 10, 1], np.int32)) / 1000
    return seconds


def _single(text: str) -> float:
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
