"""Walks through FIT bytes: where files, definitions and messages start; are the checksums right?"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Final, NamedTuple

from ingest.errors import UnreadableFile
from ingest.fit.checksum import HEADER_WRONG, WRONG, checksum

MOST_MESSAGES: Final = 1_000_000  # eleven days of one sample a second
MOST_DEFINITIONS: Final = 100_000  # repeated ones count; a device that repeats them often wrote 2 932
MOST_EMPTY_MESSAGES: Final = 10_000
_SHORTEST_RUN: Final = 32  # messages; shorter ones are noted one by one
_LOOK_EVERY: Final = 16  # messages between two looks for a run
# Header bytes by what they mean: of a compressed time, its lowest five bits are left out.
_KINDS: Final = bytes(header & 0xE0 if header & 0x80 else header for header in range(256))
_EIGHT: Final = [bytes([kind]) * 8 for kind in _KINDS]
_CHECK_EVERY = 0x40000  # bytes between two looks at the message count
BYTE, STRING = 0x0D, 0x07
_BASE_TYPES: Final[dict[int, tuple[str, int | None]]] = {  # struct letter, the value that means "none"
    0x00: ("B", 0xFF), 0x01: ("b", 0x7F), 0x02: ("B", 0xFF), 0x83: ("h", 0x7FFF), 0x84: ("H", 0xFFFF),
    0x85: ("i", 0x7FFF_FFFF), 0x86: ("I", 0xFFFF_FFFF), 0x88: ("f", None), 0x89: ("d", None), 0x0A: ("B", 0),
    0x8B: ("H", 0), 0x8C: ("I", 0), BYTE: ("B", 0xFF), 0x8E: ("q", 0x7FFF_FFFF_FFFF_FFFF),
    0x8F: ("Q", 0xFFFF_FFFF_FFFF_FFFF), 0x90: ("Q", 0),
}  # fmt: skip
_SIZES: Final = {letter: struct.calcsize("=" + letter) for letter, _ in _BASE_TYPES.values()}


@dataclass(slots=True)
class Field:
    """Where one field lies in each message of a layout."""

    offset: int  # from the message's first byte
    size: int
    base_type: int
    letter: str | None = None  # of struct, when the field holds exactly one number
    missing: int | None = None  # the value that means "none"

    def __post_init__(self) -> None:
        if self.base_type != STRING:
            letter, _ = _BASE_TYPES.get(self.base_type, ("", None))
            if not letter or self.size % _SIZES[letter]:
                self.base_type = BYTE  # an unknown type, or a size that does not fit it: just bytes
            letter, self.missing = _BASE_TYPES[self.base_type]
            self.letter = letter if self.size == _SIZES[letter] else None


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """What a definition says about the messages that follow it."""

    number: int
    order: str
    size: int  # of a message, its header included
    fields: dict[int, Field]
    developer: dict[tuple[int, int], Field]  # by (developer index, field number)


@dataclass(slots=True)
class Messages:
    """Where the messages of one layout start: single ones, and runs of one right after the other."""

    layout: Layout
    offsets: list[int] = field(default_factory=list)
    runs: list[range] = field(default_factory=list)

    def __len__(self) -> int:
        return len(self.offsets) + sum(map(len, self.runs))

    def add(self, run: range) -> None:
        """Note where the messages of a run start."""
        if len(run) < _SHORTEST_RUN:
            self.offsets.extend(run)
        else:
            self.runs.append(run)


@dataclass(slots=True)
class Walk:
    """The messages of one file, by layout."""

    messages: list[Messages]
    count: int  # of all messages
    stopped_at: int | None  # where the messages stopped making sense
    is_cut: bool  # whether they stopped because the bytes ended inside one
    has_compressed_times: bool


def header_length(data: bytes, start: int) -> int | None:
    """How long is the FIT header here? [bytes]  None when there is none."""
    if (
        data[start + 8 : start + 12] != b".FIT"
        or data[start] not in (12, 14)
        or len(data) - start < data[start]
    ):
        return None
    return data[start]


class Frame(NamedTuple):
    """Where the messages of one file end, where the next file starts, and whether this one is all there."""

    end: int
    next_start: int
    is_whole: bool


def frame(data: bytes, start: int, header_size: int, damage: list[str]) -> Frame:
    """What does the header promise, and is it kept? Checks both checksums and tells the damage."""
    (declared,) = struct.unpack_from("<I", data, start + 4)
    body, available = start + header_size, len(data) - start
    if header_size == 14:
        (expected,) = struct.unpack_from("<H", data, start + 12)
        if expected and checksum(data[start : start + 12]) != expected:  # zero is legal: not computed
            damage.append(HEADER_WRONG)
    end = body + declared
    if declared == 0 and len(data) > body + 2:
        damage.append("was never closed by the device: it does not say how long it is")
        return Frame(len(data), len(data), False)
    if end > len(data):
        damage.append(f"ends after {available} of {header_size + declared + 2} bytes")
        return Frame(len(data), len(data), False)
    if end + 2 > len(data):
        damage.append("its checksum is missing")
        return Frame(end, len(data), True)
    if checksum(memoryview(data)[start : end + 2]) != 0:
        damage.append(WRONG)
    return Frame(end, end + 2, True)


def walk_messages(data: bytes, position: int, end: int, file_name: str, *, already: int = 0) -> Walk:
    """Where does each message start, and which layout does it have?

    Layouts are kept by the bytes of their definitions: devices repeat them, thousands of times in one file.
    already: messages found in earlier files of the same chain.
    Raises UnreadableFile when there are too many.
    """
    known: dict[bytes, Messages] = {}
    current: list[Messages | None] = [None] * 16
    sizes: list[int] = [0] * 256  # of a message, by its header byte; 0 = needs a closer look
    note: list[Callable[[int], None]] = [_forget] * 256
    settled: list[list[int]] = [[] for _ in range(16)]  # by local number: the header bytes that have a size
    empty = definitions = header = look_from = count = 0
    stopped_at: int | None = None
    is_cut = has_compressed_times = False
    while position < end and stopped_at is None:
        checkpoint = min(end, position + _CHECK_EVERY)
        while position < checkpoint:
            header = data[position]
            size = sizes[header]
            if size:
                if position >= look_from:
                    look_from = position + _LOOK_EVERY * size
                    if data[position : position + 8 * size : size].translate(_KINDS) == _EIGHT[header]:
                        run = _run(data, position, checkpoint, size)
                        messages = current[_local(header)]
                        if run and messages is not None:
                            messages.add(run)
                            position = look_from = run.stop
                            continue
                note[header](position)
                position += size
                continue
            local = _local(header)
            if header & 0xC0 == 0x40:
                after = _definition_end(data, position, end)
                definitions += 1
                if after is None or definitions > MOST_DEFINITIONS:
                    stopped_at, is_cut = position, after is None
                    break
                key = data[position + 2 : after]
                messages = known.get(key)
                if messages is None:
                    messages = known[key] = Messages(_layout(key))
                if messages is not current[local]:
                    current[local] = messages
                    for other in settled[local]:
                        sizes[other] = 0
                    settled[local].clear()
                position = after
                continue
            messages = current[local]
            has_compressed_times |= header >= 0x80
            if messages is not None and messages.layout.size > 1:
                sizes[header] = messages.layout.size
                note[header] = messages.offsets.append
                settled[local].append(header)
                continue
            empty += 1
            if messages is None or empty > MOST_EMPTY_MESSAGES:
                stopped_at = position
                break
            if header & 0x80:
                messages.offsets.append(position)
            position += 1
        count = sum(map(len, known.values()))
        if already + count > MOST_MESSAGES:
            why = f"holds more than {MOST_MESSAGES} messages, and no ride does"
            raise UnreadableFile(file_name, why, "export the ride again")
    cut = current[_local(header)]
    if position > end and cut is not None:
        stopped_at, is_cut, count = cut.offsets.pop(), True, count - 1
    found = [messages for messages in known.values() if messages.offsets or messages.runs]
    return Walk(found, count, stopped_at, is_cut, has_compressed_times)


def _run(data: bytes, position: int, end: int, size: int) -> range:
    """The whole messages of this size that follow one another from here, all with the header of the first.

    Where one ends with such a header behind it, the next has the same size: so the headers alone tell.
    """
    header, most = data[position : position + 1].translate(_KINDS), 128
    while True:
        headers = data[position : min(end, position + most * size) : size].translate(_KINDS)
        count = len(headers) - len(headers.lstrip(header))
        if count < most:
            return range(position, position + min(count, (end - position) // size) * size, size)
        most *= 8


def _local(header: int) -> int:
    """The local message number in a header byte."""
    return header >> 5 & 3 if header & 0x80 else header & 0xF


def _forget(position: int) -> None:
    """Stands where no message is defined yet."""


def _definition_end(data: bytes, position: int, end: int) -> int | None:
    """Where the definition message at this position ends; None when the bytes end first."""
    after = position + 6
    if after > end:
        return None
    after += 3 * data[after - 1]
    if data[position] & 0x20:
        if after >= end:
            return None
        after += 1 + 3 * data[after]
    return after if after <= end else None


@lru_cache(256)
def _layout(definition: bytes) -> Layout:
    """What a definition's bytes, from the byte order on, say. Kept over files: devices repeat themselves."""
    order = ">" if definition[0] else "<"
    (number,) = struct.unpack_from(order + "H", definition, 1)
    fields: dict[int, Field] = {}
    developer: dict[tuple[int, int], Field] = {}
    size = 1
    developer_at = 4 + 3 * definition[3]
    for at in range(4, developer_at, 3):
        field_number, field_size, base_type = definition[at : at + 3]
        fields.setdefault(field_number, Field(size, field_size, base_type))
        size += field_size
    for at in range(developer_at + 1, len(definition), 3):
        field_number, field_size, developer_index = definition[at : at + 3]
        developer.setdefault((developer_index, field_number), Field(size, field_size, BYTE))
        size += field_size
    return Layout(number, order, size, fields, developer)
