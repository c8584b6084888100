"""Several recordings of one outing end in the same ledger, whatever the order they come in."""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import permutations
from pathlib import Path

import numpy as np
import pytest

from fixtures.fit_writer import fit_bytes
from fixtures.gpx_writer import gpx_bytes
from ingest.files.read_pool import ToRead
from ingest.files.reader import recordings_in
from ingest.ride.recording import Recording, SensorSeen
from ingest.ride.smoothing import only
from ingest.ride.summary import summarise
from rules.vocabulary import BikeId, RideId
from services.app import App
from services.store import Store
from services.store.bookkeeping import OUTINGS_BY
from services.use_cases.import_rides import Outcome, import_files
from services.use_cases.regroup_outings import outings_anew
from services.wiring import open_app
from tests.ingest.rides import ridden
from tests.put_into import into
from tests.saying import put_rides_on, split_outing

MOST_ORDERS = 6
START = datetime(2025, 6, 4, 8, tzinfo=UTC)
NOW = datetime(2025, 8, 1, tzinfo=UTC)


def whole(*, device: int = 1, seed: int = 1) -> Recording:
    """Two hours that look ridden, with cadence."""
    return replace(
        ridden(120, seed=seed, start=START),
        sport="cycling",
        sub_sport="road",
        device=SensorSeen("head unit", serial=device),
    )


def part(ride: Recording, first_min: float, last_min: float) -> Recording:
    passed = ride.time_s - ride.time_s[0]
    return only(ride, (passed >= first_min * 60) & (passed < last_min * 60))


def without_cadence(ride: Recording) -> Recording:
    nothing = np.full(len(ride), np.nan)
    return replace(ride, cadence_rpm=nothing, power_w=nothing)


def later(ride: Recording, hours: float) -> Recording:
    return replace(ride, time_s=ride.time_s + hours * 3600)


def elsewhere(ride: Recording, device: int) -> Recording:
    """The same outing by another receiver, some metres off."""
    dice = np.random.default_rng(device)
    off = np.convolve(dice.normal(0, 1, len(ride) + 60), np.ones(61) / 61, "valid") * 4e-5
    return replace(ride, latitude_deg=ride.latitude_deg + off, device=SensorSeen("head unit", serial=device))


SETS: Mapping[str, Callable[[], tuple[dict[str, bytes], list[tuple[float, float]]]]] = {
    # The files, and what counts in the end: where it begins [min] and its drive time [h].
    "halves and the whole": lambda: (
        {
            "first.fit": fit_bytes(part(whole(), 0, 60)),
            "second.fit": fit_bytes(part(whole(), 62, 120)),
            "whole.fit": fit_bytes(elsewhere(whole(), 2)),
        },
        [(0, 2.0)],
    ),
    "halves with cadence and a whole without": lambda: (
        {
            "first.fit": fit_bytes(part(whole(), 0, 60)),
            "second.fit": fit_bytes(part(whole(), 61, 120)),
            "whole.gpx": gpx_bytes(without_cadence(elsewhere(whole(), 2))),
        },
        [(0, 1.0), (61, 1.0)],
    ),
    "a whole, a damaged one and a poorer one": lambda: (
        {
            "whole.fit": fit_bytes(whole()),
            "cut.fit": fit_bytes(elsewhere(whole(), 3))[:-40_000],
            "poor.gpx": gpx_bytes(without_cadence(elsewhere(whole(), 2))),
        },
        [(0, 2.0)],
    ),
    "thirds, a whole without cadence and a copy": lambda: (
        {
            "1.fit": fit_bytes(part(whole(), 0, 40)),
            "2.fit": fit_bytes(part(whole(), 41, 80)),
            "3.fit": fit_bytes(part(whole(), 81, 120)),
            "whole.gpx": gpx_bytes(without_cadence(elsewhere(whole(), 2))),
        },
        [(0, 0.67), (41, 0.65), (81, 0.65)],
    ),
    "a wrong clock between a device's whole and its parts": lambda: (
        {
            "part.fit": fit_bytes(part(whole(), 12, 84)),
            "whole.fit": fit_bytes(whole()),
            "clock.fit": fit_bytes(later(elsewhere(whole(), 13), 2)),
            "begin.fit": fit_bytes(part(whole(), 0, 40)),
        },
        [(0, 2.0)],
    ),
}


def a_home(folder: Path) -> App:
    shop = open_app(folder)
    with shop.store.writing() as tx:
        into(tx).add_rider("Iva")
        into(tx).add_bike("Plover", tx.equipment.riders()[0].id)
    return shop


def counted(store: Store) -> list[tuple[datetime, int]]:
    with store.reading() as tx:
        return [(one.started_at, round(one.drive_s)) for one in tx.rides.rides()]


def read(
    shop: App, folder: Path, files: Mapping[str, bytes], order: tuple[str, ...], *, at_once: bool
) -> None:
    with shop.store.reading() as tx:
        rider = tx.equipment.riders()[0].id
    folder.mkdir(exist_ok=True)
    for name in order:
        (folder / name).write_bytes(files[name])
    asked = [ToRead(folder / name, rider) for name in order]
    for batch in [asked] if at_once else [[one] for one in asked]:
        import_files(shop.store, batch, now=NOW)


@pytest.mark.parametrize("name", SETS)
def test_every_order_of_arrival_ends_in_the_same_rides(name: str, tmp_path: Path) -> None:
    files, expected = SETS[name]()
    found = {}
    orders = list(permutations(files))
    if len(orders) > MOST_ORDERS:  # all of them: python -m tests.benchmarks.outings
        orders = random.Random(name).sample(orders, MOST_ORDERS)
    for number, order in enumerate(orders):
        shop = a_home(tmp_path / str(number))
        read(shop, tmp_path / f"rides {number}", files, order, at_once=number % 2 == 0)
        found[order] = counted(shop.store)
        with shop.store.reading() as tx:
            every = [row for ride in tx.rides.rides() for row in tx.rides.recordings_of([ride.id])]
        assert len(every) == len(files)  # none is lost: each counts, or is linked to one that does
        shop.store.close()

    ends = {tuple(one) for one in found.values()}
    assert len(ends) == 1, found
    for (start, drive_s), (begins_min, drive_h) in zip(ends.pop(), expected, strict=True):
        assert abs((start - START).total_seconds() / 60 - begins_min) < 1.1
        assert drive_s / 3600 == pytest.approx(drive_h, rel=0.25)  # some of it is coasted


def test_a_clock_two_hours_off_makes_no_second_ride(tmp_path: Path) -> None:
    for hours in (-1, 2):
        for order in (("right.fit", "off.fit"), ("off.fit", "right.fit")):
            shop = a_home(tmp_path / f"{hours} {order[0]}")
            files = {
                "right.fit": fit_bytes(whole()),
                "off.fit": fit_bytes(later(part(elsewhere(whole(), 2), 0, 100), hours)),
            }
            read(shop, tmp_path / "rides", files, order, at_once=False)
            assert [start for start, _ in counted(shop.store)] == [START]
            with shop.store.reading() as tx:
                (ride,) = tx.rides.rides()
                (second,) = tx.rides.details(ride.id).second_recordings
                (because, *_) = tx.rides.why_same_outing(second)
            assert f"one of the two clocks is {abs(hours)} h wrong" in because


def test_two_rides_on_one_road_hours_apart_stay_two(tmp_path: Path) -> None:
    """The same loop again, at nearly the same pace: places at exactly that many hours are not the same."""
    again = ridden(120, seed=1, start=START)
    slower = replace(again, time_s=again.time_s[0] + (again.time_s - again.time_s[0]) * 1.02 + 2 * 3600)
    files = {"morning.fit": fit_bytes(whole()), "noon.gpx": gpx_bytes(replace(slower, sport="cycling"))}
    shop = a_home(tmp_path / "home")
    read(shop, tmp_path / "rides", files, tuple(files), at_once=True)
    assert len(counted(shop.store)) == 2


def test_what_a_rider_said_of_a_half_stays_when_the_whole_comes(tmp_path: Path) -> None:
    shop = a_home(tmp_path / "home")
    files, _ = SETS["halves and the whole"]()
    read(shop, tmp_path / "rides", files, ("first.fit",), at_once=True)
    put_rides_on(shop, [RideId(1)], BikeId(1), now=NOW)

    read(shop, tmp_path / "rides", files, ("second.fit", "whole.fit"), at_once=False)

    with shop.store.reading() as tx:
        (ride,) = tx.rides.rides()
        assert (ride.id, ride.bike) == (1, 1)
        assert tx.rides.details(ride.id).summary.file_name.endswith("whole.fit")


def test_what_a_rider_split_stays_split(tmp_path: Path) -> None:
    shop = a_home(tmp_path / "home")
    files, _ = SETS["a whole, a damaged one and a poorer one"]()
    read(shop, tmp_path / "rides", files, ("whole.fit", "poor.gpx"), at_once=True)
    split_outing(shop, RideId(1), now=NOW)
    before = counted(shop.store)
    assert len(before) == 2

    read(shop, tmp_path / "rides", files, ("cut.fit",), at_once=True)

    assert counted(shop.store) == before
    with shop.store.reading() as tx:
        assert {one.outcome for one in tx.files.outcomes()} == {Outcome.NEW.value, Outcome.SAME_OUTING.value}


def test_an_older_ledger_that_counts_an_outing_twice_moves_in_one_step_told_once(tmp_path: Path) -> None:
    shop = a_home(tmp_path / "home")
    files = {
        "right.fit": fit_bytes(whole()),
        "off.fit": fit_bytes(later(part(elsewhere(whole(), 2), 0, 100), 2)),
        "another.fit": fit_bytes(ridden(60, seed=9, start=START + timedelta(hours=6))),
    }
    read(shop, tmp_path / "rides", files, ("right.fit", "another.fit"), at_once=True)
    with shop.store.writing() as tx:  # as a version without an eye for clocks stored it
        mine = tx.rides.outing(RideId(1))
        off = replace(
            summarise(next(iter(recordings_in(files["off.fit"], "off.fit"))), now=NOW), file_name="off.fit"
        )
        tx.rides.add_many([(off, tx.equipment.riders()[0].id, tx.rides.clues(RideId(1)))])
        tx.notes.forget(OUTINGS_BY)
    assert len(counted(shop.store)) == 3
    put_rides_on(shop, [RideId(1)], BikeId(1), now=NOW)

    (said,) = outings_anew(shop, now=NOW)

    hours = mine.drive_s / 3600
    before = hours + off.drive_s / 3600
    assert said.startswith("Ride 3 is a second recording of an outing that was counted beside it")
    assert f"{before:.1f} drive hours there before, {hours:.1f} now" in said
    assert [start for start, _ in counted(shop.store)] == [START, START + timedelta(hours=6)]
    with shop.store.reading() as tx:
        assert tx.rides.rides()[0].bike == 1
    assert outings_anew(shop, now=NOW) == ()

    # The rider's own word is heard: what was split is not put together again.
    split_outing(shop, RideId(3), now=NOW)
    with shop.store.writing() as tx:
        tx.notes.forget(OUTINGS_BY)
    assert outings_anew(shop, now=NOW) == ()
    assert len(counted(shop.store)) == 3


def test_the_number_that_a_rider_spoke_of_keeps_his_word_whichever_recording_counts(tmp_path: Path) -> None:
    shop = a_home(tmp_path / "home")
    short, long = fit_bytes(part(whole(), 0, 100)), fit_bytes(elsewhere(whole(), 2))
    read(shop, tmp_path / "rides", {"short.fit": short}, ("short.fit",), at_once=True)
    put_rides_on(shop, [RideId(1)], BikeId(1), now=NOW)
    with shop.store.writing() as tx:
        full = replace(summarise(next(iter(recordings_in(long, "long.fit"))), now=NOW), file_name="long.fit")
        tx.rides.add_many([(full, tx.equipment.riders()[0].id, tx.rides.clues(RideId(1)))])
        tx.notes.forget(OUTINGS_BY)

    outings_anew(shop, now=NOW)

    with shop.store.reading() as tx:
        (ride,) = tx.rides.rides()
        assert (ride.id, ride.bike) == (1, 1)
        assert ride.drive_s == full.drive_s
