"""What the messages of a FIT file said, as raw numbers, before any of it is scaled or judged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from ingest.fit import profile
from ingest.fit.profile import EVENT_FIELDS
from ingest.ride.recording import Column

Value = int | float | str
Message = dict[int, Value]  # by field number; a field that is missing or invalid has no entry


@dataclass(slots=True)
class FitContents:
    """Raw values by field number; a column has NaN where the message has no valid number."""

    records: dict[int, Column] = field(
        default_factory=dict
    )  # RECORD_FIELDS, all of one length; 253 is resolved
    compressed_speed: Column | None = None  # raw 12 bits
    compressed_distance: Column | None = None  # raw, carried over each wrap
    developer: dict[int, Column] = field(default_factory=dict)  # by the native field they stand in for
    events: dict[int, Column] = field(default_factory=dict)  # EVENT_FIELDS
    messages: list[tuple[int, Message]] = field(default_factory=list)  # the other kinds, in file order
    damage: list[str] = field(default_factory=list)
    part_starts: list[int] = field(default_factory=list)  # the row at which each chained file begins

    def of(self, number: int) -> list[Message]:
        """The messages of one kind, in file order."""
        return [message for kind, message in self.messages if kind == number]


def joined(parts: Sequence[FitContents]) -> FitContents:
    """Which contents do chained files have together?"""
    if len(parts) == 1:
        return parts[0]
    whole = FitContents()
    rows = [len(part.records.get(profile.TIMESTAMP, ())) for part in parts]
    for number in sorted({number for part in parts for number in part.records}):
        whole.records[number] = _stacked([part.records.get(number) for part in parts], rows)
    for native in sorted({native for part in parts for native in part.developer}):
        whole.developer[native] = _stacked([part.developer.get(native) for part in parts], rows)
    if any(part.compressed_speed is not None for part in parts):
        whole.compressed_speed = _stacked([part.compressed_speed for part in parts], rows)
        whole.compressed_distance = _stacked([part.compressed_distance for part in parts], rows)
    for number in EVENT_FIELDS:
        whole.events[number] = np.concatenate([part.events.get(number, np.zeros(0)) for part in parts])
    whole.part_starts = np.cumsum([0, *rows])[:-1].tolist()
    whole.messages = [message for part in parts for message in part.messages]
    whole.damage = [sentence for part in parts for sentence in part.damage]
    return whole


def _stacked(columns: Sequence[Column | None], rows: Sequence[int]) -> Column:
    full = [np.full(n, np.nan) if column is None else column for column, n in zip(columns, rows, strict=True)]
    return np.concatenate(full)
