"""Reads FIT files with fitdecode, message by message: the reference for fast_reader.py, and its fallback."""

from __future__ import annotations

from typing import Any, Final

import fitdecode
import numpy as np

from ingest.errors import UnreadableFile
from ingest.fit import profile
from ingest.fit.checksum import HEADER_WRONG, WRONG
from ingest.fit.contents import FitContents, Message, Value
from ingest.fit.profile import (
    COMPRESSED_SPEED_DISTANCE,
    EVENT_FIELDS,
    MESSAGE_FIELDS,
    NATIVE_FIELDS,
    RECORD_FIELDS,
    TEXT_FIELDS,
)
from ingest.fit.walk import header_length

MOST_BYTES: Final = 1_000_000  # two seconds' work; the columns read what is larger
MOST_MESSAGES: Final = 40_000
_WRAP_M16 = 0x1000  # the compressed distance counts sixteenths of a metre in 12 bits


def fit_contents(data: bytes, file_name: str) -> FitContents:
    """What do the messages of these FIT bytes say, according to fitdecode?

    Whatever fitdecode raises ends the reading there: what came before is kept, and the damage is told.
    Raises UnreadableFile when the file is too large for this slow way, or has no FIT header.
    """
    if header_length(data, 0) is None:
        raise UnreadableFile(file_name, "its header is not one of FIT's", "copy it from the device again")
    if len(data) > MOST_BYTES:
        why = f"is written so unusually that reading its {len(data)} bytes would take too long"
        raise UnreadableFile(file_name, why, "export the ride again")
    contents = FitContents()
    rows: list[Message] = []
    developer: list[Message] = []
    events: list[Message] = []
    stand_ins: dict[tuple[int, int], int] = {}
    packed_m16: float | None = None
    reader = fitdecode.FitReader(
        data,
        processor=None,
        check_crc=fitdecode.CrcCheck.READONLY,
        error_handling=fitdecode.ErrorHandling.IGNORE,
    )
    at = -1
    try:
        for at, frame in enumerate(reader):
            if at > MOST_MESSAGES:
                raise OverflowError(f"more than {MOST_MESSAGES} messages")
            if isinstance(frame, fitdecode.FitHeader):
                packed_m16 = None
                stand_ins = {}
                contents.part_starts.append(len(rows))
                if frame.crc_matched is False:
                    contents.damage.append(HEADER_WRONG)
            elif isinstance(frame, fitdecode.FitCRC):
                if not frame.matched:
                    contents.damage.append(WRONG)
            elif isinstance(frame, fitdecode.FitDataMessage):
                number = frame.def_mesg.global_mesg_num
                if number == profile.FIELD_DESCRIPTION:
                    stand_ins.update(_stand_in(frame))
                elif not frame.fields:
                    continue
                elif number == profile.RECORD:
                    row = _values(frame, number, RECORD_FIELDS)
                    packed_m16 = _unpack(frame, row, packed_m16)
                    rows.append(row)
                    developer.append(_developer_values(frame, stand_ins))
                elif number == profile.EVENT:
                    events.append(_values(frame, number, EVENT_FIELDS))
                elif number in MESSAGE_FIELDS:
                    contents.messages.append((number, _values(frame, number, MESSAGE_FIELDS[number])))
    except Exception as error:  # it raises bare errors of many kinds on damaged files, its own among them
        why = str(error).split("\n", 1)[0] or type(error).__name__
        contents.damage.append(f"cannot be read to its end: {why}")

    contents.records = _columns(rows, RECORD_FIELDS)
    contents.events = _columns(events, EVENT_FIELDS)
    contents.developer = _columns(developer, NATIVE_FIELDS)
    packed = _columns(rows, (_SPEED, _DISTANCE))
    contents.compressed_speed, contents.compressed_distance = packed.get(_SPEED), packed.get(_DISTANCE)
    return contents


_SPEED, _DISTANCE = 1001, 1002  # beside the field numbers of a row, which end at 255


def _values(frame: Any, number: int, wanted: tuple[int, ...]) -> Message:
    """The wanted fields as raw values, the first of each number; else a compressed time."""
    message: Message = {}
    seen: set[int] = set()
    for field in frame.fields:
        definition = field.field_def
        if definition is None:
            if field.name == "timestamp" and frame.time_offset is not None and profile.TIMESTAMP in wanted:
                message.setdefault(profile.TIMESTAMP, field.raw_value)
            continue
        if definition.is_dev or definition.def_num in seen or definition.def_num not in wanted:
            continue
        seen.add(definition.def_num)
        value = _value(field.raw_value, is_text=(number, definition.def_num) in TEXT_FIELDS)
        if value is not None:
            message[definition.def_num] = value
    return message


def _value(raw: Any, *, is_text: bool) -> Value | None:
    if isinstance(raw, tuple) and len(raw) == 1:
        (raw,) = raw
    if is_text:
        return raw if isinstance(raw, str) else None
    return raw if isinstance(raw, int | float) else None


def _unpack(frame: Any, row: Message, before: float | None) -> float | None:
    """Take the three-byte speed and distance of early devices apart; `before` is the distance so far."""
    for field in frame.fields:
        definition = field.field_def
        if definition is None or definition.is_dev or definition.def_num != COMPRESSED_SPEED_DISTANCE:
            continue
        raw = field.raw_value
        if isinstance(raw, tuple) and len(raw) == 3 and definition.base_type.name == "byte":
            number = int.from_bytes(bytes(raw), "little")
            row[_SPEED] = number & 0xFFF
            distance = number >> 12
            row[_DISTANCE] = distance if before is None else before + (distance - before) % _WRAP_M16
            return float(row[_DISTANCE])
        break
    return before


def _stand_in(frame: Any) -> dict[tuple[int, int], int]:
    said = {field.def_num: field.raw_value for field in frame.fields if field.field_def is not None}
    native = said.get(15)
    if native in NATIVE_FIELDS and said.get(14) in (None, profile.RECORD):
        return {(said.get(0, -1), said.get(1, -1)): native}
    return {}


def _developer_values(frame: Any, stand_ins: dict[tuple[int, int], int]) -> Message:
    """The developer fields that stand in for native ones, the first of each."""
    message: Message = {}
    seen: set[int] = set()
    for field in frame.fields:
        definition = field.field_def
        if definition is None or not definition.is_dev:
            continue
        native = stand_ins.get((definition.dev_data_index, definition.def_num))
        if native is None or native in seen:
            continue
        seen.add(native)
        value = _value(field.raw_value, is_text=False)
        if value is not None:
            message[native] = value
    return message


def _columns(rows: list[Message], wanted: tuple[int, ...]) -> dict[int, Any]:
    if not rows:
        return {}
    return {
        number: np.array([row.get(number, np.nan) for row in rows], dtype=np.float64)
        for number in wanted
        if number == profile.TIMESTAMP or any(number in row for row in rows)
    }
