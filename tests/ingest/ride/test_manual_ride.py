"""A ride that its rider tells: which recording is of it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from ingest.ride.manual_ride import shares_its_time, unrecorded

NINE = datetime(2025, 5, 7, 9, tzinfo=UTC)


@pytest.mark.parametrize(
    ("begins_min", "lasts_min", "shares"),
    [
        (0, 60, True),
        (30, 60, True),  # half of either
        (31, 60, False),
        (-30, 60, True),
        (-31, 60, False),
        (50, 20, True),  # half of the recording, the shorter one
        (51, 20, False),
        (-120, 300, True),  # all of what was told
        (60, 60, False),
        (90, 60, False),
    ],
)
def test_a_recording_of_half_the_shorter_ones_time_is_of_the_ride_that_was_told(
    begins_min: float, lasts_min: float, shares: bool
) -> None:
    """By hand; how much is a judgement, no source."""
    told = unrecorded(NINE, 60.0)
    recorded = unrecorded(NINE + timedelta(minutes=begins_min), lasts_min)
    assert shares_its_time(told, recorded) is shares
    assert shares_its_time(recorded, told) is shares
