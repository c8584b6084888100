"""Seeded FIT bytes for comparison and fuzzing: random structures, and damaged copies of sound files."""

from __future__ import annotations

import struct
from random import Random

from fixtures.fit_writer import file_of, fit_bytes
from tests.ingest.fit import fit_messages as fit
from tests.ingest.recordings import ride

_FORMATS = {
    fit.ENUM: "B", fit.SINT8: "b", fit.UINT8: "B", fit.SINT16: "h", fit.UINT16: "H", fit.SINT32: "i",
    fit.UINT32: "I", fit.FLOAT32: "f", fit.FLOAT64: "d", fit.UINT8Z: "B", fit.UINT16Z: "H",
    fit.UINT32Z: "I", 0x8E: "q", 0x8F: "Q", 0x90: "Q",
}  # fmt: skip
_NUMBERS = (20, 20, 20, 20, 21, 21, 23, 18, 19, 0, 12, 34, 233, 0xFF00)
_RECORD_FIELDS = (0, 1, 2, 3, 4, 5, 6, 7, 13, 73, 78, 30, 87, 200)
_FIELDS = {
    20: _RECORD_FIELDS, 21: (0, 1, 3, 4), 23: (0, 1, 2, 3, 4, 10, 11, 21, 25, 27, 32, 5),
    18: (2, 5, 6, 7, 8, 9, 110, 0), 19: (2, 7, 8, 9, 1), 0: (0, 1, 2, 3, 4, 8), 12: (0, 1, 3),
    34: (0, 1), 233: (1, 2, 3), 0xFF00: (0, 1),
}  # fmt: skip
_PROFILE_TYPES = {
    (20, 0): fit.SINT32, (20, 1): fit.SINT32, (20, 2): fit.UINT16, (20, 5): fit.UINT32, (20, 6): fit.UINT16,
    (20, 7): fit.UINT16, (20, 13): fit.SINT8, (20, 73): fit.UINT32, (20, 78): fit.UINT32, (21, 3): fit.UINT32,
    (12, 3): fit.STRING, (0, 8): fit.STRING, (18, 110): fit.STRING, (23, 27): fit.STRING,
}  # fmt: skip


def sound_files() -> list[bytes]:
    """Small sound files of every kind that the encoder writes."""
    small = ride(60, seed=5)
    options = (
        {},
        {"big_endian": True},
        {"compressed": True},
        {"smart": True, "compressed": True},
        {"enhanced": False},
    )
    files = [fit_bytes(small, **option) for option in options]  # type: ignore[arg-type]
    files.append(fit_bytes(small, developer={"grit": small.power_w}, header_size=12))
    files.append(files[0] + fit_bytes(ride(20, seed=6), big_endian=True))
    return files


def structure(random: Random) -> bytes:
    """A well-formed file of random definitions, redefinitions and messages; sometimes two in a chain."""
    return b"".join(_one_file(random) for _ in range(random.choice((1, 1, 1, 2))))


def _one_file(random: Random) -> bytes:
    out: list[bytes] = []
    current: dict[int, tuple[str, list[tuple[int, int]], int]] = {}
    has_developer = random.random() < 0.3
    if has_developer:
        out.append(_developer_preamble(random))
    clock = random.choice((fit.FIRST_S, fit.FIRST_S, 4000, 0xFFFF_FF00))
    compressed_times = random.random() < 0.4
    for _ in range(random.randrange(5, 80)):
        clock += random.choice((0, 1, 1, 1, 2, 30, 31, 32, 33, 70))
        if not current or random.random() < 0.15:
            local = random.randrange(4)
            written, layout = _definition(random, local, has_developer)
            out.append(written)
            current[local] = layout
            continue
        local = random.choice(list(current))
        order, fields, timestamp = current[local]
        header = local | random.choice((0, 0, 0, 0x10, 0x20))
        if compressed_times and random.random() < 0.5:
            header = 0x80 | local << 5 | clock & 0x1F
        out.append(bytes([header]) + b"".join(_value(random, order, *field) for field in fields))
        if timestamp >= 0 and random.random() < 0.8:
            offset = 1 + sum(size for size, _ in fields[:timestamp])
            whole = bytearray(out[-1])
            whole[offset : offset + 4] = struct.pack(order + "I", clock & 0xFFFF_FFFF)
            out[-1] = bytes(whole)
    return file_of(b"".join(out), header_size=random.choice((12, 14)))


def _definition(
    random: Random, local: int, developer: bool
) -> tuple[bytes, tuple[str, list[tuple[int, int]], int]]:
    order, number = random.choice("<<>"), random.choice(_NUMBERS)
    wanted = [field for field in _FIELDS[number] if random.random() < 0.6]
    random.shuffle(wanted)
    timed = random.random() < 0.7
    fields, layout = [], []
    if timed:
        fields.append((253, 4, fit.UINT32))
        layout.append((4, fit.UINT32))
    for field in wanted:
        base_type = _PROFILE_TYPES.get((number, field), fit.UINT8)
        if random.random() < 0.15:
            base_type = random.choice((*_FORMATS, fit.STRING, fit.BYTE, 0x03, 0x42))
        size = struct.calcsize(_FORMATS.get(base_type, "B"))
        if base_type == fit.STRING:
            size = random.randrange(1, 12)
        elif random.random() < 0.08:
            size = random.randrange(1, 9)
        fields.append((field, size, base_type))
        layout.append((size, base_type))
    if number == 20 and random.random() < 0.2:
        fields.append((8, 3, fit.BYTE))
        layout.append((3, fit.BYTE))
    extra = ((0, 1, 0), (1, 2, 0)) if developer and random.random() < 0.5 else ()
    layout.extend((size, fit.BYTE) for _, size, _ in extra)
    return fit.definition(local, number, fields, order=order, developer=extra), (
        order,
        layout,
        0 if timed else -1,
    )


def _value(random: Random, order: str, size: int, base_type: int) -> bytes:
    """The bytes of one field: plain, missing, or anything."""
    kind = random.random()
    if kind < 0.1:
        return b"\xff" * size
    if kind < 0.2:
        return random.choice(
            (
                b"\0" * size,
                (b"\x7f" + b"\xff" * (size - 1)) if order == ">" else (b"\xff" * (size - 1) + b"\x7f"),
            )
        )
    if base_type == fit.STRING:
        return bytes(random.choice(b"abc \0\xc3\xa9\xff") for _ in range(size))
    return random.randbytes(size)


def _developer_preamble(random: Random) -> bytes:
    """Two developer fields, one of which may stand in for heart rate, cadence, power or temperature."""
    out = fit.definition(14, 207, ((1, 16, fit.BYTE), (3, 1, fit.UINT8))) + fit.message(
        14, "16sB", b"\1" * 16, 0
    )
    out += fit.definition(13, 206, ((0, 1, 2), (1, 1, 2), (2, 1, 2), (14, 2, fit.UINT16), (15, 1, 2)))
    for number, base_type in ((0, fit.UINT8), (1, fit.UINT16)):
        message_number = random.choice((20, 20, 20, 21, 0xFFFF))
        out += fit.message(
            13, "BBBHB", 0, number, base_type, message_number, random.choice((3, 4, 7, 13, 90, 0xFF))
        )
    return out


def mutated(random: Random, data: bytes) -> bytes:
    """A damaged copy: bits and bytes changed, stretches cut, doubled or moved, the end missing."""
    out = bytearray(data)
    for _ in range(random.choice((1, 1, 2, 3, 8))):
        at = random.randrange(len(out)) if out else 0
        kind = random.randrange(8)
        if not out:
            break
        if kind <= 2:
            out[at] ^= 1 << random.randrange(8)
        elif kind == 3:
            out[at] = random.choice((0, 1, 0x40, 0x60, 0x7F, 0x80, 0xE0, 0xFF, random.randrange(256)))
        elif kind == 4:
            del out[at:]
        elif kind == 5:
            del out[at : at + random.randrange(1, 20)]
        elif kind == 6:
            out[at:at] = out[at : at + random.randrange(1, 40)]
        else:
            out[at:at] = random.randbytes(random.randrange(1, 8))
    if random.random() < 0.3 and len(out) > 16:  # let the damage through to the messages
        header = 12 if out[0] == 12 else 14
        return file_of(bytes(out[header:-2]))
    return bytes(out)
