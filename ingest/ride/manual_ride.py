"""A ride that nobody recorded, as its rider tells it: when, how long, and perhaps where."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final, Protocol

import numpy as np

from ingest.ride.drive_time import MOVING_SHARE, MOVING_SHARE_HIGH, MOVING_SHARE_LOW
from ingest.ride.plausible_samples import COLUMNS
from ingest.ride.recording import Recording
from ingest.ride.sketch import packed_sketch
from ingest.ride.summary import HourSummary, RideSummary
from ingest.ride.track import packed_track
from rules.vocabulary import DriveMethod

READER: Final = "its rider's word"
HOUR = timedelta(hours=1)
LEAST_SHARED = 0.5  # of the shorter one's time; a judgement


class Span(Protocol):
    """When a ride was under way."""

    @property
    def started_at(self) -> datetime: ...
    @property
    def ended_at(self) -> datetime: ...


def unrecorded(
    started_at: datetime,
    minutes: float,
    *,
    distance_m: float = 0.0,
    latitude_deg: float | None = None,
    longitude_deg: float | None = None,
    indoor: bool = False,
) -> RideSummary:
    """The summary of a ride without a file: a share of its time is drive time, with that share's band.

    started_at: aware UTC.  The place, if any, stands for all of it; indoors there is none.
    """
    ended_at = started_at + timedelta(minutes=minutes)
    moving_s = minutes * 60.0
    if indoor:
        latitude_deg = longitude_deg = None
    hours = []
    begin = started_at
    while begin < ended_at:
        hour = begin.replace(minute=0, second=0, microsecond=0)
        end = min(hour + HOUR, ended_at)
        part_s = (end - begin).total_seconds()
        metres = distance_m * part_s / moving_s
        hours.append(
            HourSummary(
                hour_start=hour,
                drive_s=part_s * MOVING_SHARE,
                distance_m=metres,
                moving_s=part_s,
                mean_speed_mps=metres / part_s if metres else None,
                latitude_deg=latitude_deg,
                longitude_deg=longitude_deg,
                climb_m=0.0,
            )
        )
        begin = end
    nothing = _nothing(started_at, ended_at)
    return RideSummary(
        title="",
        started_at=started_at,
        ended_at=ended_at,
        drive_s=moving_s * MOVING_SHARE,
        drive_low_s=moving_s * MOVING_SHARE_LOW,
        drive_high_s=moving_s * MOVING_SHARE_HIGH,
        drive_method=DriveMethod.MOVING_SHARE,
        moving_s=moving_s,
        distance_m=distance_m,
        climb_m=0.0,
        indoor=indoor,
        virtual=False,
        unpaved_share=None,
        sport=None,
        sub_sport=None,
        reader=READER,
        damage=(),
        dropped={},
        device=None,
        sensors=(),
        hours=tuple(hours),
        track=packed_track(nothing),
        sketch=packed_sketch(nothing),
        drive_parts=((DriveMethod.MOVING_SHARE, moving_s * MOVING_SHARE),),
    )


def shares_its_time(told: Span, recorded: Span) -> bool:
    """Whether a recording is, by its time, of the ride that a rider told of."""
    shared = min(told.ended_at, recorded.ended_at) - max(told.started_at, recorded.started_at)
    shorter = min(told.ended_at - told.started_at, recorded.ended_at - recorded.started_at)
    return shared >= shorter * LEAST_SHARED


def _nothing(started_at: datetime, ended_at: datetime) -> Recording:
    """A recording of that time in which nothing was measured."""
    time_s = np.array([started_at.timestamp(), ended_at.timestamp()])
    columns = {name: np.full(2, np.nan) for name in COLUMNS}
    return Recording(file_name="", reader=READER, time_s=time_s, **columns)  # type: ignore[arg-type]
