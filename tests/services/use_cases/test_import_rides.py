"""Files become rides: whatever lies in a folder, each has its outcome, and none is lost or counted twice."""

from __future__ import annotations

import hashlib
import io
import os
import sys
import zipfile
from collections import Counter
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from starlette.testclient import TestClient

from fixtures.fit_writer import fit_bytes
from fixtures.gpx_writer import gpx_bytes
from ingest.errors import UnreadableFile
from ingest.files import read_pool
from ingest.files.read_pool import ToRead
from ingest.files.reader import WAY_OF_READING
from ingest.fit.checksum import checksum
from ingest.ride.recording import Recording, SensorSeen
from rules.vocabulary import RideId, RiderId
from services.app import App
from services.cli.program import run
from services.store import FileRecord
from services.store.bookkeeping import FILES_READ_BY
from services.use_cases.import_rides import FileOutcome, Outcome, import_files, ride_files, whose
from services.use_cases.undo import undo
from services.views.file_summary import grouped
from services.views.terminal_text import ride_story
from services.web.app import create_app
from services.wiring import open_app
from tests import forked
from tests.ingest.lift_days import DOWN, day
from tests.put_into import into
from tests.saying import split_outing
from tests.services.readers_in_trouble import (
    READ_ONE,
    dies_on_a_named_file,
    reads_where_archives_vanish,
    reads_with_a_tenth_of_the_time,
    waits_on_a_named_file,
)

NOON = datetime(2025, 6, 1, 12, tzinfo=UTC)
NOW = datetime(2025, 8, 1, tzinfo=UTC)


def a_recording(start: datetime, *, sensor: int | None = None, device: int = 1, skip_s: int = 0) -> Recording:
    at = np.arange(skip_s, 901)
    nothing = np.full(len(at), np.nan)
    return Recording(
        file_name="ride.fit",
        reader="invented",
        time_s=start.timestamp() + at,
        latitude_deg=-31.0 + at * 7.0 / 111_195,
        longitude_deg=np.full(len(at), 21.0),
        altitude_m=np.full(len(at), 1400.0),
        distance_m=at * 7.0,
        speed_mps=np.full(len(at), 7.0),
        cadence_rpm=np.full(len(at), 90.0),
        power_w=nothing,
        temperature_c=nothing,
        heart_rate_bpm=nothing,
        sport="cycling",
        sub_sport="road",
        device=SensorSeen("head unit", serial=device),
        sensors=() if sensor is None else (SensorSeen("power meter", serial=sensor),),
    )


@dataclass
class House:
    shop: App
    folder: Path
    rider: RiderId

    def put(self, name: str, content: Recording | bytes) -> Path:
        file = self.folder / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(content if isinstance(content, bytes) else fit_bytes(content))
        return file

    def read(self, *paths: Path, rider: RiderId | None = None, said_ride: bool = False) -> list[FileOutcome]:
        files = [ToRead(path, rider or self.rider, said_ride) for path in paths or ride_files([self.folder])]
        return import_files(self.shop.store, files, now=NOW)

    def state(self) -> dict[str, object]:
        with self.shop.store.reading() as tx:
            return {
                "rides": {(r.rider, r.started_at, round(r.drive_s), r.bike) for r in tx.rides.rides()},
                "count": tx.rides.count(),
                "files": {(f.sha256, f.outcome) for f in tx.files.outcomes()},
            }


@pytest.fixture
def house(tmp_path: Path) -> House:
    shop = open_app(tmp_path / "home")
    with shop.store.writing() as tx:
        rider = into(tx).add_rider("Iva")
        for name, sensor in (("Plover", 4711), ("Harrier", 4712)):
            bike = into(tx).add_bike(name, rider.id)
            into(tx).add_sensor("power meter", f"serial {sensor}", bike.id)
    (tmp_path / "rides").mkdir()
    return House(shop, tmp_path / "rides", rider.id)


def outcomes(read: list[FileOutcome]) -> dict[str, Outcome]:
    return {Path(one.name).name: one.outcome for one in read}


def test_each_file_has_its_outcome_and_none_stops_the_others(house: House) -> None:
    ride = fit_bytes(a_recording(NOON, sensor=4711))
    house.put("a.fit", ride)
    house.put("b broken.fit", ride[:60])
    house.put("c run.fit", replace(a_recording(NOON + timedelta(days=1)), sport="running"))
    house.put("d empty.fit", b"")
    house.put("e letter.txt", b"no ride at all")
    house.put("f spoilt.fit", ride[:-2] + b"\0\0")
    house.put("g.gpx", gpx_bytes(a_recording(NOON + timedelta(days=2))))

    read = house.read()

    assert outcomes(read) == {
        "a.fit": Outcome.NEW,
        "b broken.fit": Outcome.UNREADABLE,
        "c run.fit": Outcome.NOT_A_RIDE,
        "d empty.fit": Outcome.UNREADABLE,
        "e letter.txt": Outcome.UNREADABLE,
        "f spoilt.fit": Outcome.SAME_OUTING,
        "g.gpx": Outcome.NEW,
    }
    assert all(one.why and one.try_this for one in read if one.outcome is Outcome.UNREADABLE)
    with house.shop.store.reading() as tx:
        assert tx.rides.count() == 2
        assert len(tx.files.outcomes()) == 7


def test_known_files_are_passed_over_by_place_and_by_content(house: House) -> None:
    file = house.put("a.fit", a_recording(NOON))
    house.read()

    assert outcomes(house.read()) == {"a.fit": Outcome.KNOWN}
    (house.folder / "moved").mkdir()
    moved = file.rename(house.folder / "moved" / "other name.fit")
    (again,) = house.read(moved)
    assert (again.outcome, again.ride) == (Outcome.KNOWN, RideId(1))
    assert house.state()["count"] == 1


def test_the_same_bytes_twice_in_one_batch_are_one_ride(house: House) -> None:
    house.put("a.fit", a_recording(NOON))
    house.put("b.fit", a_recording(NOON))

    read = house.read()

    assert [one.outcome for one in read] == [Outcome.NEW, Outcome.KNOWN]
    assert [one.ride for one in read] == [RideId(1), RideId(1)]


def test_two_devices_on_one_ride_in_one_batch_are_one_outing(house: House) -> None:
    house.put("a.fit", a_recording(NOON, device=1))
    house.put("b.fit", a_recording(NOON, skip_s=20, device=2, sensor=4712))
    house.put("c.fit", a_recording(NOON + timedelta(hours=4), device=1))

    read = house.read()

    assert [one.outcome for one in read] == [Outcome.NEW, Outcome.SAME_OUTING, Outcome.NEW]
    assert read[1].ride == read[0].ride
    assert house.state()["count"] == 2


def test_an_outing_split_again_counts_twice_and_undo_joins_it(house: House) -> None:
    house.put("a.fit", a_recording(NOON, device=1))
    house.put("b.fit", a_recording(NOON, skip_s=20, device=2, sensor=4712))
    house.read()
    before = house.state()

    done = split_outing(house.shop, RideId(1), now=NOW)

    assert house.state()["count"] == 2
    with house.shop.store.reading() as tx:
        assert tx.rides.details(RideId(2)).kept_ride is None
        assert tx.rides.assignment_in_force(RideId(2)) is not None
    undo(house.shop, done.number, now=NOW)
    assert house.state() == before


def test_two_riders_side_by_side_are_two_rides(house: House) -> None:
    with house.shop.store.writing() as tx:
        other = into(tx).add_rider("Bo")
    mine = house.put("Iva/a.fit", a_recording(NOON, sensor=4711))
    theirs = house.put("Bo/b.fit", a_recording(NOON, skip_s=3, device=2))
    read = [*house.read(mine), *house.read(theirs, rider=other.id)]

    assert [one.outcome for one in read] == [Outcome.NEW, Outcome.NEW]


def test_whose_ride_a_file_is(house: House) -> None:
    with house.shop.store.writing() as tx:
        other = into(tx).add_rider("Bo")
        riders = tx.equipment.riders()

    assert whose(Path("/x/bo/deeper/a.fit"), riders) == other.id
    assert whose(Path("/x/a.fit"), riders) is None
    assert whose(Path("/x/bo/a.fit"), riders, house.rider) == house.rider
    assert whose(Path("/x/a.fit"), riders[:1]) == riders[0].id


def test_a_file_that_is_nobodys_is_asked_about_and_taken_once_that_is_known(house: House) -> None:
    file = house.put("a.fit", a_recording(NOON))
    (asked,) = import_files(house.shop.store, [ToRead(file, None)], now=NOW)
    assert asked.outcome is Outcome.WHOSE
    assert "--rider" in asked.try_this
    assert house.state()["count"] == 0

    assert outcomes(house.read(file)) == {"a.fit": Outcome.NEW}


def test_a_file_that_vanished_says_so(house: House) -> None:
    (gone,) = house.read(house.folder / "gone.fit")

    assert (gone.outcome, gone.why) == (Outcome.UNREADABLE, "it is gone")
    assert house.state()["files"] == set()


def test_a_path_that_is_not_there_is_refused_before_anything_is_read(house: House) -> None:
    with pytest.raises(UnreadableFile, match="no such file or folder"):
        ride_files([house.folder, house.folder / "nowhere"])


def test_what_was_refused_as_no_ride_is_taken_on_the_riders_word(house: House) -> None:
    file = house.put("hike.fit", replace(a_recording(NOON), sport="hiking"))
    assert outcomes(house.read()) == {"hike.fit": Outcome.NOT_A_RIDE}
    assert outcomes(house.read()) == {"hike.fit": Outcome.KNOWN}

    (taken,) = house.read(file, said_ride=True)

    assert taken.outcome is Outcome.NEW
    assert outcomes(house.read(file, said_ride=True)) == {"hike.fit": Outcome.KNOWN}
    assert house.state()["count"] == 1


def test_an_archive_in_an_archive_is_read_member_by_member(house: House) -> None:
    inner, outer = io.BytesIO(), io.BytesIO()
    with zipfile.ZipFile(inner, "w") as archive:
        archive.writestr("deep/er/one.fit", fit_bytes(a_recording(NOON)))
    with zipfile.ZipFile(outer, "w") as archive:
        archive.writestr("all/inner.zip", inner.getvalue())
        archive.writestr("../../two.gpx", gpx_bytes(a_recording(NOON + timedelta(days=1))))
        archive.writestr("all/three.fit", b"\x0e\x10broken")
    house.put("export.zip", outer.getvalue())

    read = house.read()

    assert Counter(one.outcome for one in read) == {Outcome.NEW: 2, Outcome.UNREADABLE: 1}
    assert all(" > " in one.name for one in read)
    assert not (house.folder.parent / "two.gpx").exists()
    assert outcomes(house.read()) == {"export.zip": Outcome.KNOWN}


def test_damage_is_told_and_the_ride_is_kept(house: House) -> None:
    data = bytearray(fit_bytes(a_recording(NOON)))
    data[-1] ^= 0xFF
    house.put("a.fit", bytes(data))

    (one,) = house.read()

    assert one.outcome is Outcome.DAMAGED
    assert "checksum" in one.why


def test_progress_is_told_once_for_every_outcome(house: House) -> None:
    house.put("a.fit", a_recording(NOON))
    house.read()
    house.put("b.fit", a_recording(NOON + timedelta(days=1)))
    told: list[FileOutcome] = []

    read = import_files(
        house.shop.store,
        [ToRead(path, house.rider) for path in ride_files([house.folder])],
        now=NOW,
        on_progress=told.append,
    )

    assert told == read


# ---------------------------------------------------------------------- many files, several processes


MANY = 16  # files: more than are held at a time by one reader


@pytest.mark.skipif(sys.platform == "win32", reason="ends a process by a POSIX signal")
def test_a_file_that_kills_its_reader_suffers_alone(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    for number in range(MANY):
        house.put(f"{number:02}.fit", a_recording(NOON + timedelta(days=number)))
    house.put("03 poison.fit", a_recording(NOON - timedelta(days=1)))
    monkeypatch.setattr(read_pool, "_read_one", dies_on_a_named_file)
    monkeypatch.setattr(os, "cpu_count", lambda: 1)  # fewer in hand at once, each of which is read alone

    read = house.read()

    counts = Counter(one.outcome for one in read)
    assert counts == {Outcome.NEW: MANY, Outcome.NOT_READ_NOW: 1}
    (killed,) = (one for one in read if one.outcome is Outcome.NOT_READ_NOW)
    assert "poison" in killed.name
    assert "ended by the system" in killed.why

    monkeypatch.setattr(read_pool, "_read_one", READ_ONE)
    again = house.read()
    assert Counter(one.outcome for one in again) == {Outcome.KNOWN: MANY, Outcome.NEW: 1}


def test_a_file_whose_disk_stands_still_does_not_hold_up_the_others(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    house.put("a stuck.fit", a_recording(NOON))
    house.put("b.fit", a_recording(NOON + timedelta(days=1)))
    monkeypatch.setattr(read_pool, "_read_one", waits_on_a_named_file)

    taken = set()
    for patience_s in range(2, 22, 2):  # on a busy machine the sound one needs longer, and is tried again
        monkeypatch.setattr(read_pool, "PATIENCE_S", float(patience_s))
        read = {Path(one.name).name: one for one in house.read()}
        taken.add(read["b.fit"].outcome)
        if Outcome.NEW in taken:
            break

    assert Outcome.NEW in taken
    assert read["a stuck.fit"].outcome is Outcome.NOT_READ_NOW
    assert read["a stuck.fit"].why == f"nothing came of reading it for {patience_s} s"


@pytest.mark.skipif(sys.platform == "win32", reason="ends a process by a POSIX signal")
def test_a_single_file_that_kills_its_reader_does_not_end_the_import(
    house: House, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    house.put("poison.fit", a_recording(NOON))
    monkeypatch.setattr(read_pool, "_read_one", dies_on_a_named_file)

    assert [one.outcome for one in house.read()] == [Outcome.NOT_READ_NOW]
    run(["import", str(house.folder), "--home", str(house.shop.settings.home)])
    said = capsys.readouterr().out
    assert "poison.fit: could not be read now: the process that read it was ended by the system" in said
    assert "What could not be read now is read by the same command again." in said
    assert "gritledger list files" not in said  # nothing was kept of it

    monkeypatch.setattr(read_pool, "_read_one", READ_ONE)
    assert [one.outcome for one in house.read()] == [Outcome.NEW]


@pytest.mark.skipif(sys.platform == "win32", reason="there is no budget there")
def test_what_takes_too_long_waits_until_it_is_asked_for(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another file of the same import comes; without a budget, the slow one does too."""
    monkeypatch.setattr(read_pool, "_read_one", reads_with_a_tenth_of_the_time)
    house.put("a.fit", a_recording(NOON))
    slow = house.folder / "slow.fit"
    slow.write_bytes(slow_fit(fit_bytes(a_recording(NOON + timedelta(days=1)))))

    read = {Path(one.name).name: one for one in house.read()}

    assert read["a.fit"].outcome is Outcome.NEW
    assert read["slow.fit"].outcome is Outcome.TOO_MUCH
    assert "import --again" in read["slow.fit"].try_this
    assert {one.outcome for one in house.read()} == {Outcome.KNOWN}
    again = import_files(house.shop.store, [ToRead(slow, house.rider, again=True)], now=NOW)
    assert [one.outcome for one in again] == [Outcome.NEW]


def slow_fit(ride: bytes) -> bytes:
    """A ride with a file before it, in its chain, whose samples each follow a definition of their own."""
    body = bytearray()
    for number in range(60_000):
        fields = (number & 0xFF, 1, 2, number >> 8, 1, 2)
        body += bytes((0x40, 0, 0, 20, 0, 2, *fields, 0x00, 1, 1))
    head = bytes((12, 0x20, 0, 0)) + len(body).to_bytes(4, "little") + b".FIT"
    checked = head + bytes(body)
    return checked + checksum(checked).to_bytes(2, "little") + ride


def test_what_may_have_been_carried_is_counted_aloud(house: House) -> None:
    """When it is read, and wherever the ride is told."""
    climb = ((30.0, 6.0, 100.0, 130.0), (10.0, 6.0, 900.0, 85.0), DOWN)
    house.put("van.fit", day(*climb, wobble=0.2, turns=True))
    house.put("sound.fit", a_recording(NOON + timedelta(days=900)))

    sound, van = import_files(
        house.shop.store,
        [ToRead(path, house.rider) for path in ride_files([house.folder])],
        now=NOW + timedelta(days=1000),
    )

    with house.shop.store.reading() as tx:
        outing = tx.rides.outing(van.ride or RideId(0))
    doubt = f"10 of its {outing.drive_s / 60:.0f} drive minutes look carried uphill"
    assert (sound.outcome, sound.why, van.outcome, van.why) == (Outcome.NEW, "", Outcome.NEW, doubt)
    assert grouped([sound, van]) == [
        "1 new ride.",
        f"{van.name}: new ride {van.ride}: {doubt}; that is a guess, so they count; the lower of its figures "
        "is without them.",
    ]
    low = f"its lower figure of {outing.drive_low_s / 3600:.2f} h is without them"
    assert f"  {doubt}; that is a guess, so they count, and {low}" in ride_story(house.shop, van.ride or 0)
    app = create_app(house.shop)
    with TestClient(app, base_url="http://127.0.0.1:8765") as page:
        assert f"{doubt}; that is a guess" in page.get(f"/rides/{van.ride}").text


def test_what_was_stored_as_unreadable_is_taken_once_it_can_be_read(house: House) -> None:
    """Older versions kept a killed reader as a fact about the file."""
    file = house.put("a.fit", a_recording(NOON))
    with house.shop.store.writing() as tx:
        digest = hashlib.sha256(file.read_bytes()).hexdigest()
        tx.files.record(
            FileRecord(
                sha256=digest,
                name="b.fit",
                size=1,
                seen_at=NOW,
                outcome="unreadable",
                why="",
                try_this="",
                ride=None,
            )
        )

    assert [one.outcome for one in house.read()] == [Outcome.NEW]
    assert [one.outcome for one in house.read()] == [Outcome.KNOWN]


def test_what_an_older_version_refused_is_read_again_after_an_upgrade(house: House) -> None:
    file = house.put("a.fit", a_recording(NOON))
    with house.shop.store.writing() as tx:
        digest = hashlib.sha256(file.read_bytes()).hexdigest()
        tx.files.record(FileRecord(sha256=digest, name=str(file), size=1, seen_at=NOW, outcome="not a ride"))
        tx.files.record_paths([(str(file), file.stat().st_size, file.stat().st_mtime)])
        tx.notes.put(FILES_READ_BY, WAY_OF_READING, at=NOW)
    assert [one.outcome for one in house.read()] == [Outcome.KNOWN]

    with house.shop.store.writing() as tx:
        tx.notes.put(FILES_READ_BY, "an older way", at=NOW)

    assert [one.outcome for one in house.read()] == [Outcome.NEW]
    assert [one.outcome for one in house.read()] == [Outcome.KNOWN]


def test_a_damaged_archive_that_vanishes_while_it_is_read_suffers_alone(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    (house.folder / "0.gz").write_bytes(b"no archive")
    house.put("a.fit", a_recording(NOON))
    monkeypatch.setattr(read_pool, "_read_one", reads_where_archives_vanish)

    read = house.read()

    assert {Path(one.name).name: one.outcome for one in read} == {
        "0.gz": Outcome.NOT_READ_NOW,
        "a.fit": Outcome.NEW,
    }


RESUMED = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from services.use_cases import import_rides
from ingest.files.read_pool import ToRead
from services.wiring import open_app
import_rides.BATCH = 4
shop = open_app(Path(sys.argv[1]))
with shop.store.reading() as tx:
    rider = tx.equipment.riders()[0].id
files = [ToRead(p, rider) for p in import_rides.ride_files([Path(sys.argv[2])])]
import_rides.import_files(
    shop.store, files, now=datetime(2025, 8, 1, tzinfo=UTC), on_progress=lambda _: print(".", flush=True)
)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="ends a process by a POSIX signal")
def test_a_kill_in_the_middle_loses_nothing_and_doubles_nothing(house: House, tmp_path: Path) -> None:
    for number in range(40):
        house.put(f"{number:02}.fit", a_recording(NOON - timedelta(days=number), sensor=4711))
        if number % 5 == 0:
            second = a_recording(NOON - timedelta(days=number), skip_s=9, device=2)
            house.put(f"{number:02} other device.fit", second)
    process = forked.Program(RESUMED, str(house.shop.settings.home), str(house.folder))
    for _ in range(10):
        assert process.stdout.readline() == ".\n"
    process.end()
    with house.shop.store.reading() as tx:
        assert 0 < tx.rides.count() < 40

    read = house.read()

    assert Outcome.KNOWN in {one.outcome for one in read}
    interrupted = house.state()
    whole = open_app(tmp_path / "another home")
    with whole.store.writing() as tx:
        rider = into(tx).add_rider("Iva")
        for name, sensor in (("Plover", 4711), ("Harrier", 4712)):
            into(tx).add_sensor("power meter", f"serial {sensor}", into(tx).add_bike(name, rider.id).id)
    unbroken = House(whole, house.folder, rider.id)
    unbroken.read()
    assert interrupted == unbroken.state()
    assert interrupted["count"] == 40


def test_a_second_run_over_two_thousand_known_files_opens_none_of_them(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in range(2000):
        (house.folder / f"{number:04}.fit").write_bytes(b"")
    files = ride_files([house.folder])
    with house.shop.store.writing() as tx:
        for file in files:
            status = file.stat()
            tx.files.record_paths([(str(file), status.st_size, status.st_mtime)])
    monkeypatch.setattr(read_pool, "_read_one", None)

    read = import_files(house.shop.store, [ToRead(file, house.rider) for file in files], now=NOW)

    assert [one.outcome for one in read] == [Outcome.KNOWN] * 2000
