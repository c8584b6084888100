"""Where the stream and gpxpy read different things from the same GPX bytes."""

from __future__ import annotations

import re

import numpy as np

from ingest.errors import UnreadableFile
from ingest.gpx import reference, stream
from ingest.gpx.contents import GpxContents
from ingest.gpx.extensions import COLUMNS, EXTENSIONS
from ingest.ride.recording import Column
from tests.ingest.fuzz.fit_differences import Comparison

_MICROSECOND = 1.5e-6  # gpxpy cuts a time there

# Where we mean to differ. First single values: what gpxpy does, how the input shows it, and who has none.
# No more values are excused than the input shows.
EXCEPTIONS = (
    ("takes 4_7.1 for 47.1", re.compile(rb"\d_\d"), "ours"),
    ("reads the beginning of a value that another element breaks", re.compile(rb"<(?:a|trkpt)/?>"), "ours"),
    ("reads the beginning of a time", re.compile(rb"<time>[^<]{19,}[^Z0-9<]"), "ours"),
    ("takes a digit for the sign of a zone", re.compile(rb":\d{3,}</time>"), "ours"),
    ("reads months, days and hours of one digit", re.compile(rb"<time>[^<]*[-T:]\d[-T:Z.<]"), "ours"),
    ("reads no time with white space round it", re.compile(rb"<time>\s|\s</time>"), "theirs"),
    (
        "reads the first of a point's extensions alone",
        re.compile(rb"(?s)</extensions>(?:(?!</trkpt>).)*?<extensions>"),
        "theirs",
    ),
)
# Then whole files. gpxpy knows no extensions and no types in GPX 1.0, …
_NOT_1_1 = re.compile(rb'<gpx(?![^>]*?\sversion="1\.1")')
# … cuts the namespace out before it parses, whatever stands in it or beside it, …
_BROKEN_NAMESPACE = re.compile(rb"""xmlns=(['"])[^'"]*[^!-%'-;=?-~]|xmlns=[^>]*\sxmlns=""")
# … takes an unknown encoding for UTF-8, …
_UNKNOWN_ENCODING = "its encoding is unknown"
# … and refuses everything for a value that the stream leaves out, or for a declaration that expat lets pass.
REFUSALS = ("Invalid value", "is mandatory in", "line 1, column 1", "version", "namespace URI", "encoding")


def compare(data: bytes) -> Comparison:
    """Do both readers find the same number in every column of every point, and the same words?

    Where gpxpy refuses the whole file, the stream may have read the points before the fault and told it.
    """
    reason = ""
    try:
        theirs = reference.gpx_contents(data, "input")
    except UnreadableFile as refused:
        theirs, reason = None, refused.why
    try:
        ours = stream.gpx_contents(data, "input")
    except UnreadableFile as refused:
        meant = theirs is None or refused.why.startswith(_UNKNOWN_ENCODING)
        return Comparison("stream refused", 0, [] if meant else [f"only the stream refuses: {refused.why}"])
    if theirs is None:
        told = bool(ours.damage) or any(words in reason for words in REFUSALS)
        return Comparison(
            "gpxpy refused", len(ours.time_s), [] if told else [f"only gpxpy refuses: {reason}"]
        )
    if ours.damage:
        meant = _BROKEN_NAMESPACE.search(data) is not None
        return Comparison("damage", 0, [] if meant else [f"gpxpy reads it, the stream says {ours.damage}"])
    return Comparison("equal", len(theirs.time_s), _differences(data, ours, theirs))


def _differences(data: bytes, ours: GpxContents, theirs: GpxContents) -> list[str]:
    if len(ours.time_s) != len(theirs.time_s):
        return [f"{len(ours.time_s)} points, gpxpy {len(theirs.time_s)}"]
    found = []
    is_1_1 = _NOT_1_1.search(data) is None
    none = np.full(len(ours.time_s), np.nan)
    columns = [(name, ours.columns.get(name, none), theirs.columns.get(name, none)) for name in COLUMNS]
    for name, left, right in [*columns, ("time_s", ours.time_s, theirs.time_s)]:
        if not is_1_1 and name in EXTENSIONS.values() and np.isnan(right).all():
            continue
        count = _unexcused(data, left, right, _MICROSECOND if name == "time_s" else 0.0)
        if count:
            found.append(f"{name} of {count} points")
    for name in ("segment_starts", "title", "sport", "creator", "other_points"):
        left, right = getattr(ours, name), getattr(theirs, name)
        if isinstance(right, str):
            right = right.strip() or None
        if left != right and (is_1_1 or name != "sport"):
            found.append(f"{name}: {left!r}, gpxpy {right!r}")
    return found


def _unexcused(data: bytes, left: Column, right: Column, tolerance: float) -> int:
    """How many values differ for no reason that the input shows?"""
    apart = ~np.isclose(left, right, rtol=0, atol=tolerance, equal_nan=True)
    if not apart.any():
        return 0
    for _, shown_by, without in EXCEPTIONS:
        excused = apart & np.isnan(left if without == "ours" else right)
        if int(excused.sum()) <= len(shown_by.findall(data)):
            apart &= ~excused
    return int(apart.sum())
