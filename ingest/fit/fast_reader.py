"""Reads FIT files in columns: bytes to raw values in a few array operations per kind of message."""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache, partial
from itertools import chain
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from ingest.errors import UnreadableFile
from ingest.fit import profile
from ingest.fit.contents import FitContents, Message, Value, joined
from ingest.fit.profile import (
    COMPRESSED_SPEED_DISTANCE,
    EVENT_FIELDS,
    MESSAGE_FIELDS,
    NATIVE_FIELDS,
    RECORD_FIELDS,
    TEXT_FIELDS,
)
from ingest.fit.walk import BYTE, STRING, Field, Layout, Messages, frame, header_length, walk_messages
from ingest.ride.recording import Column

_NUMPY: Final = {  # by byte order and letter of struct
    order + letter: np.dtype(order + letter) for order in "<>" for letter in "bBhHiIqQfd"
}
_WHOLE_NUMBERS: Final = frozenset("bBhHiI")
MOST_FILES: Final = 200  # chained to one
_TWELVE_BITS = 0xFFF

Block = NDArray[Any]  # one fixed-size row of bytes per message
_Unpack = Callable[[bytes, int], tuple[Any, ...]]


class Declined(Exception):  # noqa: N818 - it says what happened
    """The columns cannot tell what this file means; the slower reference reader may."""


def fit_contents(data: bytes, file_name: str) -> FitContents:
    """What do the messages of these FIT bytes say?

    Files may be chained. Everything up to the first damage is kept, and the damage is told. Raises
    UnreadableFile when not even the header makes sense or there are too many messages, and Declined when a
    timestamp that compressed times would build on is no whole number.
    """
    if header_length(data, 0) is None:
        raise UnreadableFile(file_name, "its header is not one of FIT's", "copy it from the device again")
    parts: list[FitContents] = []
    start = messages = 0
    while start < len(data):
        header_size = header_length(data, start)
        if header_size is None:
            parts[-1].damage.append(f"{len(data) - start} bytes after its end are not FIT")
            break
        if len(parts) == MOST_FILES:
            parts[-1].damage.append(f"is a chain of more than {MOST_FILES} files, and the rest was left out")
            break
        part = FitContents()
        end, next_start, is_whole = frame(data, start, header_size, part.damage)
        walk = walk_messages(data, start + header_size, end, file_name, already=messages)
        messages += walk.count
        if walk.stopped_at is not None and (is_whole or not walk.is_cut):
            part.damage.append(f"cannot be read from byte {walk.stopped_at - start} of {end - start} on")
        _fill(part, data, walk.messages, has_compressed_times=walk.has_compressed_times)
        parts.append(part)
        start = next_start
    return joined(parts)


_Fields = Mapping[int, Field]  # by the number of the column that each fills; each holds one number


@lru_cache(256)
def _numbers_in(layout: Layout, wanted: tuple[int, ...]) -> _Fields:
    """Those of the wanted fields that hold one number."""
    return {number: its for number in wanted if (its := layout.fields.get(number)) and its.letter}


def _fill(
    part: FitContents, data: bytes, everything: Sequence[Messages], *, has_compressed_times: bool
) -> None:
    """Take the values out of the messages that the walk found."""
    times = _CompressedTimes.of(data, everything) if has_compressed_times else None

    records = _Kind(data, [messages for messages in everything if messages.layout.number == profile.RECORD])
    if len(records):
        columns = records.columns(RECORD_FIELDS, _stand_ins(data, everything))
        part.developer = {native: columns.pop(-native) for native in NATIVE_FIELDS if -native in columns}
        part.records = columns
        part.records[profile.TIMESTAMP] = _times(records, columns.get(profile.TIMESTAMP), times)
        part.compressed_speed, part.compressed_distance = _speed_and_distance(records)

    events = _Kind(data, [messages for messages in everything if messages.layout.number == profile.EVENT])
    if len(events):
        columns, unknown = events.columns(EVENT_FIELDS), np.full(len(events), np.nan)
        part.events = {number: columns.get(number, unknown) for number in EVENT_FIELDS}
        part.events[profile.TIMESTAMP] = _times(events, part.events[profile.TIMESTAMP], times)

    found = [
        (position, messages.layout.number, message)
        for messages in everything
        if messages.layout.number in MESSAGE_FIELDS
        for position, message in _messages(data, messages, MESSAGE_FIELDS[messages.layout.number])
    ]
    found.sort(key=lambda entry: entry[0])
    part.messages = [(number, message) for _, number, message in found]


class _Kind:
    """All messages of one kind in file order, whatever their layouts."""

    def __init__(self, data: bytes, everything: Sequence[Messages]) -> None:
        self._layouts = [messages.layout for messages in everything]
        places = [_positions(messages) for messages in everything]
        if len(places) == 1 and (order := _order_of(places[0])) is not None:
            places = [places[0][order]]
        self._blocks = list(map(partial(_block, data), everything, places))
        positions = np.concatenate([np.zeros(0, np.int64), *places])
        self._order = _order_of(positions)
        self.positions = positions if self._order is None else positions[self._order]

    def __len__(self) -> int:
        return len(self.positions)

    def columns(self, wanted: tuple[int, ...], stand_ins: _StandIns | None = None) -> dict[int, Column]:
        """Fields of every message as numbers, NaN where it has none; without those that no message has.

        What stands in for a field comes in under its number, negative.
        """
        fields = [_numbers_in(layout, wanted) for layout in self._layouts]
        if stand_ins:
            given = [_standing_in(layout, stand_ins) for layout in self._layouts]
            fields = [{**own, **more} for own, more in zip(fields, given, strict=True)]
        found = list(dict.fromkeys(chain.from_iterable(fields)))
        table = np.empty((len(found), len(self)))
        end = 0
        with np.errstate(invalid="ignore"):  # a signalling NaN is a NaN
            for its_fields, layout, block in zip(fields, self._layouts, self._blocks, strict=True):
                start, end = end, end + len(block)
                for values, name in zip(table[:, start:end], found, strict=True):
                    field = its_fields.get(name)
                    if field is None:
                        values.fill(np.nan)
                        continue
                    kind = _NUMPY[layout.order + (field.letter or "")]
                    raw = np.ndarray((len(block),), kind, block, field.offset, (layout.size,))
                    values[:] = raw
                    if field.missing is not None:
                        is_missing = raw == field.missing
                        if np.count_nonzero(is_missing):
                            values[is_missing] = np.nan
        return dict(zip(found, table if self._order is None else table.take(self._order, 1), strict=True))

    def bytes_of(self, number: int, size: int) -> NDArray[np.uint8] | None:
        """One field of plain bytes, all 255 where a message has none; None when no message has it."""
        fields = [layout.fields.get(number) for layout in self._layouts]
        fields = [one if one and one.base_type == BYTE and one.size == size else None for one in fields]
        if not any(fields):
            return None
        parts = []
        for field, layout, block in zip(fields, self._layouts, self._blocks, strict=True):
            if field is None:
                parts.append(np.full((len(block), size), 0xFF, np.uint8))
            else:
                rows = block.view(np.uint8).reshape(len(block), layout.size)
                parts.append(rows[:, field.offset : field.offset + size])
        stacked = np.concatenate(parts)
        return stacked if self._order is None else stacked[self._order]


def _positions(messages: Messages) -> NDArray[np.int64]:
    """Where the messages start: the single ones, then those of the runs."""
    runs = [np.arange(run.start, run.stop, run.step) for run in messages.runs]
    return np.concatenate([np.array(messages.offsets, dtype=np.int64), *runs])


def _order_of(positions: NDArray[np.int64]) -> NDArray[np.intp] | None:
    """The order of the file; None when they are in it already."""
    if not np.count_nonzero(positions[1:] <= positions[:-1]):
        return None
    return np.argsort(positions, kind="stable")  # the quickest where stretches are in order


def _block(data: bytes, messages: Messages, positions: NDArray[np.int64]) -> Block:
    """The bytes of each of these messages as a row. A lone run is looked at where it lies."""
    kind = np.dtype((np.void, messages.layout.size))
    if len(messages.runs) == 1 and not messages.offsets:
        return np.frombuffer(data, kind, len(positions), messages.runs[0].start)
    windows: Block = np.ndarray((len(data) - kind.itemsize + 1,), kind, data, strides=(1,))
    return windows[positions]


class _CompressedTimes:
    """The times of messages whose header carries only the lowest five bits of theirs.

    They count on from the last timestamp of any message, of whatever kind, or from 0 when there was none yet.
    """

    def __init__(self, positions: NDArray[np.int64], times_s: NDArray[np.int64]) -> None:
        self._positions, self._times_s = positions, times_s

    @classmethod
    def of(cls, data: bytes, everything: Sequence[Messages]) -> _CompressedTimes | None:
        """The compressed times of one file; None when it has none."""
        buffer = np.frombuffer(data, np.uint8)
        compressed = [places[buffer[places] >= 0x80] for places in map(_positions, everything)]
        if not any(len(positions) for positions in compressed):
            return None

        positions, values, full = [], [], []
        for messages in everything:
            field = messages.layout.fields.get(profile.TIMESTAMP)
            if field is None:
                continue
            if field.letter not in _WHOLE_NUMBERS:
                raise Declined
            kind = _Kind(data, [messages])
            column = kind.columns((profile.TIMESTAMP,))[profile.TIMESTAMP]
            known = np.isfinite(column)
            positions.append(kind.positions[known] * 2)
            values.append(column[known].astype(np.int64))
            full.append(np.ones(known.sum(), bool))
        for places in compressed:
            positions.append(places * 2 + 1)  # a message with both counts from its own timestamp
            values.append(buffer[places].astype(np.int64) & 0x1F)
            full.append(np.zeros(len(places), bool))

        order = np.argsort(np.concatenate(positions))
        place, value, is_full = (np.concatenate(columns)[order] for columns in (positions, values, full))
        lowest = value & 0x1F
        steps = np.where(is_full, 0, np.diff(lowest, prepend=0) & 0x1F).cumsum()
        base = np.maximum.accumulate(np.where(is_full, np.arange(len(order)), -1))
        counted = steps + np.where(base >= 0, value[base] - steps[base], 0)
        return cls(place[~is_full] // 2, counted[~is_full])

    def at(self, positions: NDArray[np.int64]) -> Column:
        """The compressed time of the message at each of these positions, NaN where it has none."""
        found = np.searchsorted(self._positions, positions).clip(max=len(self._positions) - 1)
        return np.where(self._positions[found] == positions, self._times_s[found].astype(np.float64), np.nan)


def _times(kind: _Kind, own: Column | None, compressed: _CompressedTimes | None) -> Column:
    own = np.full(len(kind), np.nan) if own is None else own
    return own if compressed is None else np.where(np.isfinite(own), own, compressed.at(kind.positions))


def _speed_and_distance(records: _Kind) -> tuple[Column | None, Column | None]:
    """The three-byte field of early devices: 12 bits of speed, 12 bits of a distance that wraps."""
    packed = records.bytes_of(COMPRESSED_SPEED_DISTANCE, 3)
    if packed is None:
        return None, None
    number = (
        packed[:, 0].astype(np.int64)
        | packed[:, 1].astype(np.int64) << 8
        | packed[:, 2].astype(np.int64) << 16
    )
    known = number != 0xFF_FFFF
    speed, distance = np.full(len(number), np.nan), np.full(len(number), np.nan)
    speed[known] = number[known] & _TWELVE_BITS
    distance[known] = (np.diff(number[known] >> 12, prepend=0) & _TWELVE_BITS).cumsum()
    return speed, distance


_StandIns = dict[tuple[int, int], tuple[int, int]]  # by (developer index, number): base type, native field


def _stand_ins(data: bytes, everything: Sequence[Messages]) -> _StandIns:
    """Which developer fields stand in for which field of a record? Of two descriptions the last holds."""
    found: _StandIns = {}
    for messages in everything:
        if messages.layout.number != profile.FIELD_DESCRIPTION:
            continue
        for _, message in _messages(data, messages, (0, 1, 2, 14, 15)):
            native = message.get(15)
            if native in NATIVE_FIELDS and message.get(14, profile.RECORD) == profile.RECORD:
                key = (int(message.get(0, -1)), int(message.get(1, -1)))
                found[key] = (int(message.get(2, BYTE)), int(native))
    return found


def _standing_in(layout: Layout, stand_ins: _StandIns) -> _Fields:
    """By the native field, negative: the first developer field that stands in for it, if it is a number."""
    found: dict[int, Field] = {}
    for key, field in layout.developer.items():
        if key in stand_ins:
            base_type, native = stand_ins[key]
            found.setdefault(-native, Field(field.offset, field.size, base_type))
    return {name: field for name, field in found.items() if field.letter}


@lru_cache(256)
def _plan(its: Layout, wanted: tuple[int, ...]) -> tuple[_Unpack, list[tuple[int, int | None]]]:
    """How to take these fields out of a message: what unpacks them; of each its number and missing value."""
    pattern, plan, at = its.order, [], 0
    fields = [(number, its.fields[number]) for number in wanted if number in its.fields]
    for number, field in sorted(fields, key=lambda entry: entry[1].offset):
        is_text = field.base_type == STRING
        if is_text != ((its.number, number) in TEXT_FIELDS) or (not is_text and field.letter is None):
            continue
        pattern += f"{field.offset - at}x" + (f"{field.size}s" if is_text else str(field.letter))
        at = field.offset + field.size
        plan.append((number, None if is_text else field.missing))
    return struct.Struct(pattern).unpack_from, plan


def _messages(data: bytes, found: Messages, wanted: tuple[int, ...]) -> list[tuple[int, Message]]:
    """The wanted fields of every message of one layout, with the position of each."""
    unpack_from, plan = _plan(found.layout, wanted)
    messages: list[tuple[int, Message]] = []
    known: dict[tuple[Value | bytes, ...], Message] = {}  # devices say the same again and again
    for position in chain(found.offsets, *found.runs):
        values = unpack_from(data, position)
        message = known.get(values)
        if message is None:
            message = known[values] = {}
            for (number, missing), value in zip(plan, values, strict=True):
                if isinstance(value, bytes):
                    text = value.split(b"\0", 1)[0].decode("utf-8", "replace")
                    if text:
                        message[number] = text
                elif value != missing and value == value:
                    message[number] = value
        messages.append((position, message))
    return messages
