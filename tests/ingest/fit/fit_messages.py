"""FIT messages byte by byte, for files that no encoder would write."""

from __future__ import annotations

import struct
from collections.abc import Sequence

from fixtures.fit_writer import file_of

ENUM, SINT8, UINT8, STRING, BYTE = 0x00, 0x01, 0x02, 0x07, 0x0D
SINT16, UINT16, SINT32, UINT32, FLOAT32, FLOAT64 = 0x83, 0x84, 0x85, 0x86, 0x88, 0x89
UINT8Z, UINT16Z, UINT32Z = 0x0A, 0x8B, 0x8C
RECORD, EVENT, SESSION, FILE_ID, DEVICE_INFO = 20, 21, 18, 0, 23
FIRST_S = 1_118_817_000  # 2025-06-14T06:30:00Z, in FIT's seconds
RECORD_FIELDS = ((253, 4, UINT32), (0, 4, SINT32), (1, 4, SINT32), (4, 1, UINT8))
RECORD_PATTERN = "IiiB"
PLACE = (418_759_000, -1_410_200_000)


def definition(
    local: int,
    number: int,
    fields: Sequence[tuple[int, int, int]],
    *,
    order: str = "<",
    developer: Sequence[tuple[int, int, int]] = (),
) -> bytes:
    """A definition message. fields: (number, size, base type); developer: (number, size, developer index)."""
    head = struct.pack(
        order + "BBBHB", 0x40 | (0x20 if developer else 0) | local, 0, order == ">", number, len(fields)
    )
    body = b"".join(bytes(field) for field in fields)
    if developer:
        body += bytes([len(developer)]) + b"".join(bytes(field) for field in developer)
    return head + body


def message(local: int, pattern: str, *values: object, order: str = "<") -> bytes:
    """A data message."""
    return bytes([local]) + struct.pack(order + pattern, *values)


def compressed(local: int, time_s: int, pattern: str = "", *values: object) -> bytes:
    """A data message with the lowest five bits of its time in its header."""
    return bytes([0x80 | local << 5 | time_s & 0x1F]) + struct.pack("<" + pattern, *values)


def records(count: int, *, first_s: int = FIRST_S, local: int = 0) -> bytes:
    """The definition of a plain record message and some of them, a second apart."""
    return definition(local, RECORD, RECORD_FIELDS) + b"".join(
        message(local, RECORD_PATTERN, first_s + second, PLACE[0] + 50 * second, PLACE[1], 80 + second % 10)
        for second in range(count)
    )


def file_id(kind: int = 4, created_s: int = FIRST_S) -> bytes:
    """The file_id message, by default of an activity."""
    fields = ((0, 1, ENUM), (4, 4, UINT32))
    return definition(15, FILE_ID, fields) + message(15, "BI", kind, created_s)


def activity(messages: bytes, *, header_size: int = 14) -> bytes:
    """A whole FIT file of an activity with these messages."""
    return file_of(file_id() + messages, header_size=header_size)
