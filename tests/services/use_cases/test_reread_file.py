"""A file read again tells its ride anew in one step; what riders said of the ride stays with it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import select

from fixtures.fit_writer import fit_bytes
from ingest.bikes.ride_clues import clues_of
from ingest.files.read_pool import ToRead
from ingest.files.reader import recordings_in
from ingest.ride.recording import Recording, SensorSeen
from ingest.ride.smoothing import only
from ingest.ride.summary import summarise
from rules.commands import TellRide
from rules.vocabulary import BikeId, Condition, ConditionTag, DecidedBy, RideId, RiderId, Tier
from services.app import App
from services.store import FileRecord, Transaction
from services.store.same_outings import SameOutings
from services.store.tables_rides import Tagged, ride_hour
from services.use_cases.import_rides import FileOutcome, Outcome, import_files
from services.use_cases.record_change import record
from services.use_cases.undo import undo
from services.wiring import open_app
from tests.ingest.lift_days import DOWN, day
from tests.ingest.rides import ridden
from tests.put_into import into
from tests.saying import put_rides_on, say_condition, say_unpaved

START = datetime(2025, 6, 4, 8, tzinfo=UTC)
NOW = datetime(2025, 8, 1, tzinfo=UTC)
IVA, PLOVER = RiderId(1), BikeId(1)
RAIN = ConditionTag(1.0, 1.0, 0.5, 0.0, 0.9, Tier.FINAL, 2.0, 0.0, "an archive", NOW, "it rained")


def whole(*, device: int = 1) -> Recording:
    """Two hours that look ridden."""
    ride = ridden(120, seed=1, start=START)
    return replace(ride, sport="cycling", device=SensorSeen("head unit", serial=device))


def part(ride: Recording, first_min: float, last_min: float) -> Recording:
    passed = ride.time_s - ride.time_s[0]
    return only(ride, (passed >= first_min * 60) & (passed < last_min * 60))


@pytest.fixture
def shop(tmp_path: Path) -> App:
    shop = open_app(tmp_path / "home")
    with shop.store.writing() as tx:
        into(tx).add_rider("Iva")
        for name in ("Plover", "Harrier"):
            into(tx).add_bike(name, IVA)
    return shop


def read(shop: App, file: Path, *, again: bool = False, said_ride: bool = False) -> FileOutcome:
    asked = ToRead(file, IVA, said_ride, again)
    (outcome,) = import_files(shop.store, [asked], now=NOW)
    return outcome


def as_read_before(tx: Transaction, ride: RideId, reading: Recording) -> None:
    """As if an older version had read that, and no more, from the ride's file."""
    (found,) = recordings_in(fit_bytes(reading), "older.fit")
    summary = summarise(found, now=NOW)
    tx.rides.renew(ride, summary, clues_of(found, summary, IVA).to_json())


def file_with(folder: Path, content: bytes, name: str = "ride.fit") -> Path:
    file = folder / name
    file.write_bytes(content)
    return file


def test_its_hours_and_metres_are_those_of_today_and_every_word_stands(shop: App, tmp_path: Path) -> None:
    file = file_with(tmp_path, fit_bytes(whole()))
    read(shop, file)
    with shop.store.writing() as tx:
        today = tx.rides.outing(RideId(1))
        as_read_before(tx, RideId(1), part(whole(), 0, 50))
        before = tx.rides.outing(RideId(1))
        assert before.drive_s < 0.5 * today.drive_s
    put_rides_on(shop, [RideId(1)], PLOVER, now=NOW)
    say_condition(shop, RideId(1), Condition.WET, now=NOW)
    say_unpaved(shop, RideId(1), 0.3, now=NOW)

    assert read(shop, file).outcome is Outcome.KNOWN
    anew = read(shop, file, again=True)

    assert (anew.outcome, anew.ride) == (Outcome.ANEW, RideId(1))
    assert f"{today.drive_s / 3600:.2f} drive hours instead of {before.drive_s / 3600:.2f}; " in anew.why
    with shop.store.reading() as tx:
        assert tx.rides.outing(RideId(1)) == today
        (ride,) = tx.rides.rides()
        assert (ride.bike, ride.decided_by, ride.word) == (PLOVER, DecidedBy.RIDER, Condition.WET)
        assert ride.unpaved_share == 0.3
    assert read(shop, file, again=True).outcome is Outcome.KNOWN
    undo(shop, None, now=NOW)  # the unpaved share
    undo(shop, None, now=NOW)  # the word
    with shop.store.reading() as tx:
        (ride,) = tx.rides.rides()
        assert (ride.bike, ride.word, ride.unpaved_share) == (PLOVER, None, today.unpaved_share)


def test_a_file_that_says_the_same_as_ever_writes_nothing_of_its_ride(
    shop: App, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = file_with(tmp_path, fit_bytes(whole()))
    read(shop, file)
    monkeypatch.setattr(SameOutings, "renew", None)

    assert read(shop, file, again=True).outcome is Outcome.KNOWN


def test_hours_keep_their_tags_and_new_ones_are_to_be_tagged(shop: App, tmp_path: Path) -> None:
    file = file_with(tmp_path, fit_bytes(part(whole(), 0, 100)))
    read(shop, file)
    with shop.store.writing() as tx:
        as_read_before(tx, RideId(1), part(whole(), 0, 50))  # an hour that is to come
        hours = [hour.hour_start for hour in tx.rides.ride(RideId(1)).hours]
        tx.rides.add_tags(RideId(1), [(hour, RAIN) for hour in hours], NOW)
        assert not tx.rides.any_unsettled()

    read(shop, file, again=True)

    with shop.store.writing() as tx:
        first, second = tx.rides.ride(RideId(1)).hours
        assert (first.tag, second.tag) == (RAIN, None)
        assert tx.rides.any_unsettled(never_tagged=True)
        tx.rides.add_tags(RideId(1), [(first.hour_start, RAIN)], NOW)  # the same, and settled by it
        assert {hour.tagged for hour in tx.rides._all(select(ride_hour))} == {Tagged.FINAL, Tagged.NOT_YET}
        as_read_before(tx, RideId(1), part(whole(), 0, 50))  # and an hour that is no more
        (only_hour,) = tx.rides.ride(RideId(1)).hours
        assert only_hour.tag == RAIN
    assert shop.store.faults() == ()


def test_the_recordings_of_an_outing_are_judged_by_what_they_say_now(shop: App, tmp_path: Path) -> None:
    """The whole was read as a half, so that another recording counted; the number keeps its rider's word."""
    full, cut = fit_bytes(whole()), fit_bytes(part(whole(device=2), 0, 90))
    read(shop, file_with(tmp_path, full, "whole.fit"))
    with shop.store.writing() as tx:
        today = tx.rides.outing(RideId(1))
        as_read_before(tx, RideId(1), part(whole(), 0, 60))
    read(shop, file_with(tmp_path, cut, "cut.fit"))
    with shop.store.reading() as tx:
        (ride,) = tx.rides.rides()
        assert tx.rides.outing(ride.id).file_name.endswith("cut.fit")
    put_rides_on(shop, [ride.id], PLOVER, now=NOW)

    read(shop, tmp_path / "whole.fit", again=True)

    with shop.store.reading() as tx:
        (now,) = tx.rides.rides()
        assert (now.id, now.bike) == (ride.id, PLOVER)
        assert tx.rides.outing(now.id) == today
        assert len(tx.rides.recordings_of([now.id])) == 2


def test_what_is_no_ride_by_todays_reader_stays_and_is_told(shop: App, tmp_path: Path) -> None:
    file = file_with(tmp_path, fit_bytes(replace(whole(), sport="running")))
    read(shop, file, said_ride=True)

    again = read(shop, file, again=True)

    assert again.outcome is Outcome.NOT_A_RIDE
    assert "“running”, not a bicycle ride; ride 1, read from it before, stays as it is" in again.why
    assert again.try_this == "if it was none, say so: gritledger correct 1 --not-a-ride"
    with shop.store.reading() as tx:
        assert tx.rides.count() == 1
        assert [one.outcome for one in tx.files.outcomes()] == [Outcome.NEW]


def test_damage_that_is_none_by_todays_reader_is_no_damage_any_more(shop: App, tmp_path: Path) -> None:
    file = file_with(tmp_path, fit_bytes(whole()))
    read(shop, file)
    with shop.store.writing() as tx:
        (found,) = recordings_in(file.read_bytes(), "ride.fit")
        damaged = replace(found, damage=("it ends after half of it",))
        summary = summarise(damaged, now=NOW)
        tx.rides.renew(RideId(1), summary, clues_of(damaged, summary, IVA).to_json())
        record_ = tx.files.outcomes()[0]
        tx.files.record(FileRecord(
            sha256=record_.sha256, name=record_.name, size=record_.size, seen_at=NOW,
            outcome=Outcome.DAMAGED.value, why="it ends after half of it", ride=RideId(1),
        ))  # fmt: skip

    assert "not damaged, as was said before" in read(shop, file, again=True).why

    with shop.store.reading() as tx:
        assert tx.rides.outing(RideId(1)).damage == ()
        assert [(one.outcome, one.why) for one in tx.files.outcomes()] == [(Outcome.NEW, "")]


def test_a_climb_that_looks_carried_to_todays_reader_is_told(shop: App, tmp_path: Path) -> None:
    climb = ((30.0, 6.0, 100.0, 130.0), (10.0, 6.0, 900.0, 85.0), DOWN)
    file = file_with(tmp_path, fit_bytes(day(*climb, wobble=0.2, turns=True)))
    read(shop, file)
    with shop.store.writing() as tx:
        today, clues = tx.rides.outing(RideId(1)), tx.rides.clues(RideId(1))
        tx.rides.renew(RideId(1), replace(today, dropped={}), clues)

    anew = read(shop, file, again=True)

    assert (anew.outcome, anew.why) == (Outcome.ANEW, today.doubt)
    assert today.doubt.startswith("10 of its")


def test_a_told_ride_whose_file_came_is_read_again_and_its_telling_undone(shop: App, tmp_path: Path) -> None:
    """The file stays, without the bike and the word that were told; it is judged as any other."""
    told = TellRide(IVA, BikeId(2), START + timedelta(minutes=5), 100.0, Condition.WET)
    record(shop, told, now=NOW, confirmed=True)
    file = file_with(tmp_path, fit_bytes(whole()))
    read(shop, file)
    with shop.store.writing() as tx:
        today = tx.rides.outing(RideId(1))
        as_read_before(tx, RideId(1), part(whole(), 0, 50))

    read(shop, file, again=True)

    with shop.store.reading() as tx:
        (ride,) = tx.rides.rides()
        assert (ride.id, ride.bike, ride.word) == (1, 2, Condition.WET)
        assert tx.rides.outing(ride.id) == today
    undo(shop, None, now=NOW)
    with shop.store.reading() as tx:
        (ride,) = tx.rides.rides()
        assert (ride.id, ride.word, ride.drive_s) == (1, None, today.drive_s)
        assert ride.decided_by is not DecidedBy.RIDER


def test_a_reading_that_fails_half_way_moves_nothing(
    shop: App, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = file_with(tmp_path, fit_bytes(whole()))
    read(shop, file)
    with shop.store.writing() as tx:
        as_read_before(tx, RideId(1), part(whole(), 0, 50))
        before = tx.rides.outing(RideId(1))

    def killed(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("services.use_cases.reread_file.judge_later", killed)
    with pytest.raises(KeyboardInterrupt):
        read(shop, file, again=True)

    with shop.store.reading() as tx:
        assert tx.rides.outing(RideId(1)) == before
    assert np.isclose(before.drive_s, sum(hour.drive_s for hour in before.hours))
