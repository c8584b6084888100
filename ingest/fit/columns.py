"""Reads FIT files in columns: bytes to raw values in a few array operations per kind of message."""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from itertools import chain
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from ingest.errors import UnreadableFile
from ingest.fit import profile
from ingest.fit.contents import (
    COMPRESSED_SPEED_DISTANCE,
    EVENT_FIELDS,
    MESSAGE_FIELDS,
    NATIVE_FIELDS,
    RECORD_FIELDS,
    TEXT_FIELDS,
    FitContents,
    Message,
    Value,
    joined,
)
from ingest.fit.walk import BYTE, STRING, Field, Layout, Messages, frame, header_length, walk_messages
from ingest.ride.recording import Column

_NUMPY: Final = {
    "b": "i1", "B": "u1", "h": "i2", "H": "u2", "i": "i4", "I": "u4", "q": "i8", "Q": "u8",
    "f": "f4", "d": "f8",
}  # fmt: skip
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


_Choice = Callable[[Layout], Field | None]  # of the field that fills a column


def _of(number: int) -> _Choice:
    """Picks the field of this number."""
    return lambda layout: layout.fields.get(number)


_RECORD_CHOICES: Final = {number: _of(number) for number in RECORD_FIELDS}
_EVENT_CHOICES: Final = {number: _of(number) for number in EVENT_FIELDS}


def _fill(
    part: FitContents, data: bytes, everything: Sequence[Messages], *, has_compressed_times: bool
) -> None:
    """Take the values out of the messages that the walk found."""
    times = _CompressedTimes.of(data, everything) if has_compressed_times else None

    records = _Kind(data, [messages for messages in everything if messages.layout.number == profile.RECORD])
    if len(records):
        stand_ins = _stand_ins(data, everything)
        natives = {native for _, native in stand_ins.values()}
        choices = {-native: _standing_in(native, stand_ins) for native in natives}
        columns = records.columns(_RECORD_CHOICES | choices)
        part.developer = {native: columns.pop(-native) for native in natives if -native in columns}
        part.records = columns
        part.records[profile.TIMESTAMP] = _times(records, columns.get(profile.TIMESTAMP), times)
        part.compressed_speed, part.compressed_distance = _speed_and_distance(records)

    events = _Kind(data, [messages for messages in everything if messages.layout.number == profile.EVENT])
    if len(events):
        columns = events.columns(_EVENT_CHOICES)
        for number in EVENT_FIELDS:
            part.events[number] = columns.get(number, np.full(len(events), np.nan))
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
        each = [_in_file_order(data, messages) for messages in everything]
        self._blocks = [block for _, block in each]
        self._order, self.positions = _in_order([positions for positions, _ in each])

    def __len__(self) -> int:
        return len(self.positions)

    def columns(self, choices: Mapping[int, _Choice]) -> dict[int, Column]:
        """Fields of every message as numbers, NaN where it has none; without those that no message has."""
        fields = {
            name: [_number_in(choose(layout)) for layout in self._layouts] for name, choose in choices.items()
        }
        found = [name for name in fields if any(fields[name])]
        table = np.empty((len(found), len(self)))
        ends = np.cumsum([len(block) for block in self._blocks]).tolist()
        with np.errstate(invalid="ignore"):  # a signalling NaN is a NaN
            for column, name in zip(table, found, strict=True):
                for field, layout, block, end in zip(
                    fields[name], self._layouts, self._blocks, ends, strict=True
                ):
                    values = column[end - len(block) : end]
                    if field is None:
                        values.fill(np.nan)
                        continue
                    kind = layout.order + _NUMPY[field.letter or ""]
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


def _number_in(field: Field | None) -> Field | None:
    """The field, if it holds one number."""
    return None if field is None or field.letter is None else field


def _positions(messages: Messages) -> NDArray[np.int64]:
    """Where the messages start: the single ones, then those of the runs."""
    runs = [np.arange(run.start, run.stop, run.step) for run in messages.runs]
    return np.concatenate([np.array(messages.offsets, dtype=np.int64), *runs])


def _in_order(parts: Sequence[NDArray[np.int64]]) -> tuple[NDArray[np.intp] | None, NDArray[np.int64]]:
    """The order of the file, None when they are in it already; and all positions in it."""
    positions = parts[0] if len(parts) == 1 else np.concatenate([np.zeros(0, np.int64), *parts])
    if np.count_nonzero(positions[1:] <= positions[:-1]) == 0:
        return None, positions
    order = np.argsort(positions, kind="stable")  # the quickest where stretches are in order
    return order, positions[order]


def _in_file_order(data: bytes, messages: Messages) -> tuple[NDArray[np.int64], Block]:
    """Where the messages start, and the bytes of each as a row. A lone run is looked at where it lies."""
    kind = np.dtype((np.void, messages.layout.size))
    positions = _positions(messages)
    if len(messages.runs) == 1 and not messages.offsets:
        return positions, np.frombuffer(data, kind, len(positions), messages.runs[0].start)
    _, positions = _in_order([positions])
    windows: Block = np.ndarray((len(data) - kind.itemsize + 1,), kind, data, strides=(1,))
    return positions, windows[positions]


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
            column = kind.columns({profile.TIMESTAMP: _of(profile.TIMESTAMP)})[profile.TIMESTAMP]
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


def _standing_in(native: int, stand_ins: _StandIns) -> _Choice:
    """Picks the first developer field that stands in for this one: one look-up a field."""

    def pick(layout: Layout) -> Field | None:
        for key, field in layout.developer.items():
            base_type, stands_for = stand_ins.get(key, (BYTE, None))
            if stands_for == native:
                return Field(field.offset, field.size, base_type)
        return None

    return pick


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
