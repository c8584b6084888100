"""Reads FIT files in columns: bytes to raw values in a few array operations per kind of message."""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
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
    joined,
)
from ingest.fit.walk import BYTE, STRING, Definition, Field, frame, header_length, walk_messages
from ingest.ride.recording import Column

_NUMPY: Final = {
    "b": "i1", "B": "u1", "h": "i2", "H": "u2", "i": "i4", "I": "u4", "q": "i8", "Q": "u8",
    "f": "f4", "d": "f8",
}  # fmt: skip
_WHOLE_NUMBERS: Final = frozenset("bBhHiI")
MOST_FILES: Final = 200  # chained to one
_TWELVE_BITS = 0xFFF

Block = NDArray[Any]  # one fixed-size row of bytes per message


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
        messages += len(walk)
        if walk.stopped_at is not None and (is_whole or not walk.is_cut):
            part.damage.append(f"cannot be read from byte {walk.stopped_at - start} of {end - start} on")
        _fill(part, data, walk.definitions)
        parts.append(part)
        start = next_start
    return joined(parts)


def _of(number: int) -> Callable[[Definition], Field | None]:
    """Picks the field of this number."""
    return lambda definition: definition.fields.get(number)


def _fill(part: FitContents, data: bytes, definitions: Sequence[Definition]) -> None:
    """Take the values out of the messages that the walk found."""
    times = _CompressedTimes.of(data, definitions)

    records = _Kind(data, [definition for definition in definitions if definition.number == profile.RECORD])
    if len(records):
        for number in RECORD_FIELDS:
            column = records.column(_of(number))
            if column is not None:
                part.records[number] = column
        part.records[profile.TIMESTAMP] = _times(records, part.records.get(profile.TIMESTAMP), times)
        part.compressed_speed, part.compressed_distance = _speed_and_distance(records)
        stand_ins = _stand_ins(data, definitions)
        for native in {native for _, native in stand_ins.values()}:
            column = records.column(_standing_in(native, stand_ins))
            if column is not None:
                part.developer[native] = column

    events = _Kind(data, [definition for definition in definitions if definition.number == profile.EVENT])
    if len(events):
        for number in EVENT_FIELDS:
            column = events.column(_of(number))
            part.events[number] = np.full(len(events), np.nan) if column is None else column
        part.events[profile.TIMESTAMP] = _times(events, part.events[profile.TIMESTAMP], times)

    found = [
        (position, definition.number, message)
        for definition in definitions
        if definition.number in MESSAGE_FIELDS
        for position, message in _messages(data, definition, MESSAGE_FIELDS[definition.number])
    ]
    found.sort(key=lambda entry: entry[0])
    part.messages = [(number, message) for _, number, message in found]


class _Kind:
    """All messages of one kind in file order, whatever definitions they followed."""

    def __init__(self, data: bytes, definitions: list[Definition]) -> None:
        self._definitions = definitions
        positions = [np.array(definition.offsets, dtype=np.int64) for definition in definitions]
        self._blocks = [_block(data, d.size, p) for d, p in zip(definitions, positions, strict=True)]
        everything = np.concatenate(positions) if positions else np.zeros(0, np.int64)
        self._order = np.argsort(everything, kind="stable") if len(positions) > 1 else slice(None)
        self.positions = everything[self._order]

    def __len__(self) -> int:
        return len(self.positions)

    def column(self, pick: Callable[[Definition], Field | None]) -> Column | None:
        """One field of every message as a number, NaN where it has none; None when no message has it."""
        columns, found = [], False
        for definition, block in zip(self._definitions, self._blocks, strict=True):
            field = pick(definition)
            letter = None if field is None else field.letter
            if field is None or letter is None:
                columns.append(np.full(len(block), np.nan))
                continue
            found = True
            kind = definition.order + _NUMPY[letter]
            raw = np.ndarray((len(block),), kind, block, field.offset, (definition.size,))
            with np.errstate(invalid="ignore"):  # a signalling NaN is a NaN
                column = raw.astype(np.float64)
            if field.missing is not None:
                column[raw == field.missing] = np.nan
            columns.append(column)
        if not found:
            return None
        return columns[0] if len(columns) == 1 else np.concatenate(columns)[self._order]

    def bytes_of(self, number: int, size: int) -> NDArray[np.uint8] | None:
        """One field of plain bytes, all 255 where a message has none; None when no message has it."""
        parts, found = [], False
        for definition, block in zip(self._definitions, self._blocks, strict=True):
            field = definition.fields.get(number)
            if field is None or field.base_type != BYTE or field.size != size:
                parts.append(np.full((len(block), size), 0xFF, np.uint8))
                continue
            found = True
            rows = block.view(np.uint8).reshape(len(block), definition.size)
            parts.append(rows[:, field.offset : field.offset + size])
        return np.concatenate(parts)[self._order] if found else None


def _block(data: bytes, size: int, positions: NDArray[np.int64]) -> Block:
    """The bytes of each message, one row each."""
    windows: Block = np.ndarray((len(data) - size + 1,), f"V{size}", data, strides=(1,))
    return windows[positions]


class _CompressedTimes:
    """The times of messages whose header carries only the lowest five bits of theirs.

    They count on from the last timestamp of any message, of whatever kind, or from 0 when there was none yet.
    """

    def __init__(self, positions: NDArray[np.int64], times_s: NDArray[np.int64]) -> None:
        self._positions, self._times_s = positions, times_s

    @classmethod
    def of(cls, data: bytes, definitions: Sequence[Definition]) -> _CompressedTimes | None:
        """The compressed times of one file; None when it has none."""
        buffer = np.frombuffer(data, np.uint8)
        everything = [np.array(definition.offsets, dtype=np.int64) for definition in definitions]
        compressed = [positions[buffer[positions] >= 0x80] for positions in everything]
        if not any(len(positions) for positions in compressed):
            return None

        positions, values, full = [], [], []
        for definition in definitions:
            field = definition.fields.get(profile.TIMESTAMP)
            if field is None:
                continue
            if field.letter not in _WHOLE_NUMBERS:
                raise Declined
            kind = _Kind(data, [definition])
            column = kind.column(_of(profile.TIMESTAMP))
            assert column is not None
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


def _stand_ins(data: bytes, definitions: Sequence[Definition]) -> _StandIns:
    """Which developer fields stand in for which field of a record? Of two descriptions the last holds."""
    found: _StandIns = {}
    for definition in definitions:
        if definition.number != profile.FIELD_DESCRIPTION:
            continue
        for _, message in _messages(data, definition, (0, 1, 2, 14, 15)):
            native = message.get(15)
            if native in NATIVE_FIELDS and message.get(14, profile.RECORD) == profile.RECORD:
                key = (int(message.get(0, -1)), int(message.get(1, -1)))
                found[key] = (int(message.get(2, BYTE)), int(native))
    return found


def _standing_in(native: int, stand_ins: _StandIns) -> Callable[[Definition], Field | None]:
    """Picks the first developer field that stands in for this one: one look-up a field."""

    def pick(definition: Definition) -> Field | None:
        for key, field in definition.developer.items():
            base_type, stands_for = stand_ins.get(key, (BYTE, None))
            if stands_for == native:
                return Field(field.offset, field.size, base_type)
        return None

    return pick


def _messages(data: bytes, definition: Definition, wanted: Sequence[int]) -> list[tuple[int, Message]]:
    """The wanted fields of every message of one definition, with the position of each."""
    pattern, plan, at = definition.order, [], 0
    fields = [(number, definition.fields[number]) for number in wanted if number in definition.fields]
    for number, field in sorted(fields, key=lambda entry: entry[1].offset):
        is_text = field.base_type == STRING
        if is_text != ((definition.number, number) in TEXT_FIELDS) or (not is_text and field.letter is None):
            continue
        pattern += f"{field.offset - at}x" + (f"{field.size}s" if is_text else str(field.letter))
        at = field.offset + field.size
        plan.append((number, None if is_text else field.missing))
    layout = struct.Struct(pattern)
    messages: list[tuple[int, Message]] = []
    for position in definition.offsets:
        message: Message = {}
        for (number, missing), value in zip(plan, layout.unpack_from(data, position), strict=True):
            if isinstance(value, bytes):
                text = value.split(b"\0", 1)[0].decode("utf-8", "replace")
                if text:
                    message[number] = text
            elif value != missing and value == value:
                message[number] = value
        messages.append((position, message))
    return messages
