"""Where the columns and fitdecode read different things from the same FIT bytes."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from ingest.errors import UnreadableFile
from ingest.fit import fast_reader, reference
from ingest.fit.contents import FitContents
from ingest.ride.recording import Column

_CUT_SHORT = "cannot be read to its end"
# Faults of fitdecode on files that are sound, or sound but for one field: the columns read on there.
EXCEPTIONS = {
    "to its end: size": "a field of no length",
    "unsupported operand type(s) for +: 'int' and 'NoneType'": "half an array where it wants a number",
    "unsupported operand type(s) for <<: 'float' and 'int'": "fractions where it wants bits",
}


@dataclass
class Comparison:
    """What both readers made of one input."""

    outcome: str  # "equal", "equal as far as fitdecode got", "both refused", "columns declined"
    rows: int = 0
    differences: list[str] = field(default_factory=list)


def compare(data: bytes) -> Comparison:
    """Do both readers find the same raw value in every field of every message, and the same checksums?

    Where fitdecode gives up, everything it found before must be the beginning of what the columns found.
    """
    try:
        ours = fast_reader.fit_contents(data, "input")
    except fast_reader.Declined:
        return Comparison("columns declined")
    except UnreadableFile:
        ours = None
    try:
        theirs = reference.fit_contents(data, "input")
    except UnreadableFile:
        theirs = None
    if ours is None or theirs is None:
        return Comparison("both refused", 0, [] if ours is theirs else ["only one of the readers refuses"])
    ends = [sentence for sentence in theirs.damage if sentence.startswith(_CUT_SHORT)]
    gave_up = bool(ends)
    excused = any(known in sentence for sentence in ends for known in EXCEPTIONS)
    found = Comparison(
        "equal as far as fitdecode got" if gave_up else "equal", len(theirs.records.get(253, ()))
    )
    found.differences = _differences(ours, theirs, gave_up, excused)
    return found


def _differences(ours: FitContents, theirs: FitContents, gave_up: bool, excused: bool) -> list[str]:
    found = []
    pairs = [
        ("record", ours.records, theirs.records),
        ("developer field", ours.developer, theirs.developer),
        ("event", ours.events, theirs.events),
        (
            "packed",
            {0: ours.compressed_speed, 1: ours.compressed_distance},
            {0: theirs.compressed_speed, 1: theirs.compressed_distance},
        ),
    ]
    for name, left, right in pairs:
        rows = len((theirs.events if name == "event" else theirs.records).get(253, ()))
        total = len((ours.events if name == "event" else ours.records).get(253, ()))
        if total != rows and not (gave_up and total > rows):
            found.append(f"{name}: {total} rows, fitdecode {rows}")
            continue
        numbers = sorted(set(left) | set(right))
        found += [f"{name} {n}" for n in numbers if not _agree(left.get(n), right.get(n), rows)]
    messages = ours.messages[: len(theirs.messages)] if gave_up else ours.messages
    if messages != theirs.messages:
        found.append(f"messages: {len(ours.messages)}, fitdecode {len(theirs.messages)}")
    if not gave_up:
        for sentence in ("its checksum is wrong", "the checksum of its header is wrong"):
            told = [any(line.startswith(sentence) for line in side.damage) for side in (ours, theirs)]
            if told[0] != told[1]:
                found.append(f"only one says {sentence!r}")
    elif not ours.damage and not excused:
        found.append(f"fitdecode gave up ({theirs.damage[-1]}), the columns saw no damage")
    return found


def _agree(left: Column | None, right: Column | None, rows: int) -> bool:
    """Whether the first rows are alike; a column that is not there is one without values."""
    nothing = np.full(rows, np.nan)
    left = nothing if left is None else left[:rows]
    right = nothing if right is None else right[:rows]
    return bool(np.array_equal(left, right, equal_nan=True))
