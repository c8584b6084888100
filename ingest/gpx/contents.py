"""What the points of a GPX file said, and the recording they make."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from ingest.errors import NotARide, UnreadableFile
from ingest.ride.file_parts import RideRows, rides_in, several_names
from ingest.ride.plausible_samples import plausible
from ingest.ride.recording import Column, Recording, SensorSeen


@dataclass(slots=True)
class Track:
    """One track's own words, and the row of its first point."""

    row: int
    title: str | None = None
    sport: str | None = None


@dataclass(slots=True)
class GpxContents:
    """The track points in file order, as columns of equal length; NaN where a point has no such number."""

    time_s: Column
    columns: dict[str, Column]  # latitude and longitude, and those of COLUMNS that any point has
    segment_starts: list[int] = field(default_factory=list)  # the row of each segment's first point
    tracks: list[Track] = field(default_factory=list)
    title: str | None = None
    sport: str | None = None
    creator: str | None = None
    other_points: int = 0  # of waypoints and routes
    damage: list[str] = field(default_factory=list)


def recordings(contents: GpxContents, file_name: str, reader: str) -> tuple[Recording, ...]:
    """Which recordings do these contents make, the longest first? Several, where tracks lie days apart.

    A new segment after a gap is a pause. A point without a possible place is left out and counted. Raises
    NotARide for waypoints, routes and tracks that were never ridden (no times), and UnreadableFile when
    nothing remains of the points.  reader: who read the contents, kept with the recording.
    """
    time_s = contents.time_s
    if not len(time_s):
        if contents.damage:
            why = f"{'; '.join(contents.damage)}, and before that there are no track points"
            raise UnreadableFile(file_name, why, "export the ride again")
        why = "holds waypoints or a route, no track" if contents.other_points else "holds no track points"
        raise NotARide(file_name, why, "export the recorded track instead")
    if not np.isfinite(time_s).any():
        raise NotARide(
            file_name, "its points have no times: a plan, not a ride", "export the recorded track instead"
        )
    rides = rides_in(time_s, contents.segment_starts)
    return tuple(
        _recording(contents, ride, several_names(file_name, place, len(rides)), reader)
        for place, ride in enumerate(rides, 1)
    )


def _recording(contents: GpxContents, ride: RideRows, file_name: str, reader: str) -> Recording:
    time_s = ride.of(contents.time_s)
    columns = {name: ride.of(column) for name, column in contents.columns.items()}
    latitude, longitude = columns["latitude_deg"], columns["longitude_deg"]
    with np.errstate(invalid="ignore"):
        placed = (np.abs(latitude) <= 90.0) & (np.abs(longitude) <= 180.0)
    left_out = len(placed) - int(np.count_nonzero(placed))
    rows = placed if left_out else slice(None)
    samples = plausible(time_s[rows], {name: column[rows] for name, column in columns.items()})
    dropped = samples.dropped
    if left_out:
        dropped["impossible place"] = dropped.get("impossible place", 0) + left_out
    if ride.doubled:
        dropped["a second track of the same time"] = ride.doubled
    own = _track_of(contents, int(ride.rows.min()))
    kept = samples.columns
    if not len(kept["time_s"]):
        raise UnreadableFile(file_name, "no point has a possible place and time", "export the ride again")
    return Recording(
        file_name=file_name,
        reader=reader,
        **kept,  # type: ignore[arg-type]
        sport=own.sport or contents.sport,
        title=own.title or contents.title,
        device=SensorSeen("head unit", product=contents.creator) if contents.creator else None,
        pauses=tuple(_pauses(time_s, ride.starts, float(kept["time_s"][0]), float(kept["time_s"][-1]))),
        damage=tuple(dict.fromkeys([*contents.damage, *samples.damage])),
        dropped=dropped,
    )


def _track_of(contents: GpxContents, row: int) -> Track:
    """The track that this row belongs to."""
    before = [one for one in contents.tracks if one.row <= row]
    return before[-1] if before else Track(0)


def _pauses(
    time_s: Column, starts: Sequence[int], first_s: float, last_s: float
) -> list[tuple[float, float]]:
    """The gaps between the segments of the ride."""
    edges = [*starts, len(time_s)]
    spans = []
    for start, end in pairwise(edges):
        times = time_s[start:end]
        times = times[np.isfinite(times)]
        if len(times) and first_s <= times[0] and times[-1] <= last_s:
            spans.append((float(times[0]), float(times[-1])))
    return [(before[1], after[0]) for before, after in pairwise(spans) if after[0] > before[1] + 1]
