"""A file's tracks, segments and chained files: whatever their order, nothing ridden is lost or invented."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fixtures.fit_writer import fit_bytes
from fixtures.gpx_writer import gpx_bytes
from ingest.files.reader import recordings_in
from ingest.ride.file_parts import FEWEST_SAMPLES, rides_in
from ingest.ride.recording import Recording
from ingest.ride.summary import RideSummary, summarise
from tests.straight_ride import straight_ride

NOON = datetime(2025, 6, 4, 12, tzinfo=UTC)
NOW = NOON + timedelta(days=30)
HOUR = timedelta(hours=1)


def summaries(data: bytes) -> list[RideSummary]:
    return [summarise(one, now=NOW) for one in recordings_in(data, "a.gpx")]


def tracks(*rides: Recording, segments: bool = False) -> bytes:
    """One GPX with a track for each, or one track with a segment for each, in this order."""
    whole = gpx_bytes(rides[0]).decode()
    points = [gpx_bytes(one).decode().split("<trkseg>")[1].split("</trkseg>")[0] for one in rides]
    between = "</trkseg><trkseg>" if segments else "</trkseg></trk><trk><trkseg>"
    head, tail = whole.split("<trkseg>")[0], whole.split("</trkseg>")[-1]
    return f"{head}<trkseg>{between.join(points)}</trkseg>{tail}".encode()


def three_hours(gap: timedelta = HOUR / 6) -> list[Recording]:
    return [straight_ride(NOON + n * (HOUR + gap), 3600, eastward_deg=n * 0.001) for n in range(3)]


@pytest.mark.parametrize("segments", [False, True])
@pytest.mark.parametrize("order", list(permutations(range(3))))
def test_the_order_of_tracks_in_a_gpx_changes_nothing(order: Sequence[int], segments: bool) -> None:
    rides = three_hours()

    (whole,) = summaries(tracks(*rides, segments=segments))
    (shuffled,) = summaries(tracks(*(rides[n] for n in order), segments=segments))

    assert whole.drive_s == pytest.approx(3 * 3600, rel=0.01)
    assert shuffled.damage == ()
    assert (shuffled.drive_s, shuffled.distance_m) == (whole.drive_s, whole.distance_m)
    assert (shuffled.hours, shuffled.dropped) == (whole.hours, whole.dropped)


@pytest.mark.parametrize("order", list(permutations(range(3))))
def test_the_order_of_files_in_a_chained_fit_changes_nothing(order: Sequence[int]) -> None:
    parts = [fit_bytes(one) for one in three_hours()]

    (found,) = summaries(b"".join(parts[n] for n in order))

    assert found.damage == ()
    assert found.drive_s == pytest.approx(3 * 3600, rel=0.01)
    assert found.distance_m == pytest.approx(3 * 3600 * 7.0, rel=0.01)


def test_a_part_that_begins_before_the_last_has_ended_is_no_second_telling() -> None:
    (found,) = summaries(tracks(straight_ride(NOON, 3600), straight_ride(NOON + HOUR * 55 / 60, 3600)))

    assert found.drive_s == pytest.approx(115 * 60, rel=0.02)


def test_days_apart_are_rides_of_their_own() -> None:
    long, short = straight_ride(NOON, 3600), straight_ride(NOON + 72 * HOUR, 1800)
    for data in (tracks(short, long), tracks(long, short), fit_bytes(short) + fit_bytes(long)):
        first, second = summaries(data)

        assert (first.started_at, first.file_name) == (NOON, "a.gpx")
        assert (second.started_at, second.file_name) == (NOON + 72 * HOUR, "a.gpx > ride 2 of 2")
        assert first.drive_s == pytest.approx(3600, abs=5)
        assert second.drive_s == pytest.approx(1800, abs=5)
        assert (first.damage, second.damage) == ((), ())


def test_each_of_several_tracks_keeps_its_own_name_and_sport() -> None:
    data = tracks(straight_ride(NOON, 3600), straight_ride(NOON + 72 * HOUR, 1800))
    named = data.replace(b"<trk><trkseg>", b"<trk><name>Home</name><type>running</type><trkseg>")

    first, second = recordings_in(named, "a.gpx")

    assert (first.sport, second.title, second.sport) == ("cycling", "Home", "running")


def test_a_track_that_tells_the_same_hour_again_is_left_out_and_counted() -> None:
    ride = straight_ride(NOON, 3600)

    (found,) = summaries(tracks(ride, ride))

    assert found.drive_s == pytest.approx(3600, abs=5)
    assert found.dropped == {"a second track of the same time": 3601}


@pytest.mark.parametrize("segments", [False, True])
def test_a_train_in_a_pause_adds_no_metres(segments: bool) -> None:
    """20 km in 20 minutes, the timer stopped: at its ends the places say nothing of the bike."""
    before = straight_ride(NOON, 1800)
    after = straight_ride(NOON + timedelta(minutes=50), 1800, eastward_deg=0.21)

    (found,) = summaries(tracks(before, after, segments=segments))

    assert found.distance_m == pytest.approx(2 * 1800 * 7.0, rel=0.01)
    assert found.drive_s == pytest.approx(3600, rel=0.01)


def test_a_wild_time_is_left_out_where_it_stands() -> None:
    ride = straight_ride(NOON, 600)
    ride.time_s[300] += 90 * 86_400

    (found,) = summaries(fit_bytes(ride))

    assert found.drive_s == pytest.approx(600, abs=15)
    assert sum(found.dropped.values()) == 1


@given(
    st.lists(st.tuples(st.integers(0, 400), st.integers(FEWEST_SAMPLES, 40)), min_size=1, max_size=6),
    st.randoms(use_true_random=False),
)
def test_every_row_is_in_one_ride_or_counted_whatever_the_order(
    parts: list[tuple[int, int]], random: object
) -> None:
    """Rows of a ride ascend from part to part; the same parts in another order give the same rides."""
    told = [np.arange(count) * 60.0 + hour * 3600.0 for hour, count in parts]

    def rides(order: list[int]) -> list[list[float]]:
        times = np.concatenate([told[n] for n in order])
        starts = np.cumsum([0, *(len(told[n]) for n in order)])[:-1].tolist()
        found = rides_in(times, starts)
        assert sum(len(ride.rows) + ride.doubled for ride in found) == len(times)
        return sorted(sorted(times[ride.rows].tolist()) for ride in found)

    order = list(range(len(told)))
    first = rides(order)
    random.shuffle(order)  # type: ignore[attr-defined]
    assert rides(order) == first
