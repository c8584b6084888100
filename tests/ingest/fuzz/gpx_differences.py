"""Where the stream and gpxpy read different things from the same GPX bytes."""

from __future__ import annotations

import re

import numpy as np

from ingest import gpx, gpx_reference
from ingest.errors import UnreadableFile
from ingest.gpx_contents import COLUMNS, GpxContents
from tests.ingest.fuzz.fit_differences import Comparison

_MICROSECOND = 1.5e-6  # gpxpy cuts a time there
_NOT_1_1 = re.compile(rb'<gpx[^>]*?\sversion="(?!1\.1")')
# Where we mean to differ: what gpxpy does, how the input shows it, and who then has no value.
EXCEPTIONS = (
    ("takes 4_7.1 for 47.1", re.compile(rb"\d_\d"), "ours"),
    ("reads the beginning of a value that another element breaks", re.compile(rb"<(?:a|trkpt)/?>"), "ours"),
    (
        "reads a time with something behind it",
        re.compile(rb"<time>[^<]{19,}[^Z0-9<]"),
        "ours",
    ),
    ("reads no time with white space round it", re.compile(rb"<time>\s|\s</time>"), "theirs"),
    ("knows no extensions in GPX 1.0", _NOT_1_1, "theirs"),
)
# What gpxpy refuses whole files for: a value or a point that the stream leaves out,
# an XML declaration or a namespace that expat lets pass.
REFUSALS = (
    "Invalid value for",
    "is mandatory in",
    "line 1, column 1",
    "Unsupported version",
    "namespace URI",
)


def compare(data: bytes) -> Comparison:
    """Do both readers find the same number in every column of every point, and the same words?

    Where gpxpy refuses the whole file, the stream may have read the points before the fault and told it.
    """
    try:
        theirs = gpx_reference.gpx_contents(data, "input")
    except UnreadableFile as refused:
        theirs, reason = None, refused.why
    try:
        ours = gpx.gpx_contents(data, "input")
    except UnreadableFile as refused:
        alone = [] if theirs is None else [f"only the stream refuses: {refused.why}"]
        return Comparison("both refused", 0, alone)
    if theirs is None:
        told = bool(ours.damage) or any(words in reason for words in REFUSALS)
        alone = [] if told else [f"only gpxpy refuses: {reason}"]
        return Comparison("gpxpy refused", len(ours.time_s), alone)
    if ours.damage:
        return Comparison("equal", 0, [f"gpxpy reads it, the stream says {ours.damage}"])
    return Comparison("equal", len(theirs.time_s), _differences(data, ours, theirs))


def _differences(data: bytes, ours: GpxContents, theirs: GpxContents) -> list[str]:
    if len(ours.time_s) != len(theirs.time_s):
        return [f"{len(ours.time_s)} points, gpxpy {len(theirs.time_s)}"]
    found = []
    columns = [(name, ours.columns[name], theirs.columns[name]) for name in COLUMNS]
    columns.append(("time_s", ours.time_s, theirs.time_s))
    for name, left, right in columns:
        apart = ~np.isclose(left, right, rtol=0, atol=_MICROSECOND if name == "time_s" else 0, equal_nan=True)
        for _, shown_by, without in EXCEPTIONS:
            if shown_by.search(data):
                apart &= ~np.isnan(left if without == "ours" else right)
        if apart.any():
            found.append(f"{name} of {int(apart.sum())} points")
    for name in ("segment_starts", "title", "sport", "creator", "other_points"):
        left, right = getattr(ours, name), getattr(theirs, name)
        if left != right and not (right is None and _NOT_1_1.search(data)):  # GPX 1.0 tracks have no type
            found.append(f"{name}: {left!r}, gpxpy {right!r}")
    return found
