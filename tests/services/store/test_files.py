"""Files seen, and paths that need not be opened again."""

from __future__ import annotations

from services.store import FileRecord, Store
from tests.services.store.household import DAY, HOUR, MORNING, ride_of, ride_summary, settle


def test_what_became_of_a_file_is_kept_by_its_content(store: Store) -> None:
    ride = ride_of(store, settle(store).ines.id)
    with store.writing() as tx:
        assert tx.files.seen_of(["aa"]) == {}
        tx.files.record(
            FileRecord(
                sha256="aa",
                name="year.zip > a.fit",
                size=88_310,
                seen_at=MORNING,
                outcome="new ride",
                ride=ride,
            )
        )
        tx.files.record(
            FileRecord(
                sha256="bb",
                name="b.fit",
                size=5_000_000_000,
                seen_at=MORNING + HOUR,
                outcome="unreadable",
                why="ends after 12 bytes",
                try_this="copy it again",
            )
        )
    with store.reading() as tx:
        seen = tx.files.seen_of(["bb"])["bb"]
        assert (seen.name, seen.size, seen.seen_at) == ("b.fit", 5_000_000_000, MORNING + HOUR)
        assert (seen.outcome, seen.why, seen.try_this, seen.ride) == (
            "unreadable",
            "ends after 12 bytes",
            "copy it again",
            None,
        )
        assert [one.sha256 for one in tx.files.outcomes()] == ["bb", "aa"]
        assert [one.sha256 for one in tx.files.outcomes(limit=1)] == ["bb"]
        assert [one.sha256 for one in tx.files.outcomes(outcomes=["new ride"])] == ["aa"]
        assert [one.name for one in tx.files.files_of(ride)] == ["year.zip > a.fit"]


def test_a_file_read_by_a_later_version_gets_its_new_outcome(store: Store) -> None:
    ride = ride_of(store, settle(store).ines.id)
    with store.writing() as tx:
        tx.files.record(
            FileRecord(sha256="aa", name="a.fit", size=1, seen_at=MORNING, outcome="unreadable", why="odd")
        )
        tx.files.record(
            FileRecord(
                sha256="aa", name="a.fit", size=1, seen_at=MORNING + DAY, outcome="new ride", ride=ride
            )
        )
        (kept,) = tx.files.outcomes()
        assert (kept.outcome, kept.why, kept.ride, kept.seen_at) == ("new ride", "", ride, MORNING + DAY)


def test_a_path_is_known_by_size_and_time(store: Store) -> None:
    with store.writing() as tx:
        tx.files.record_paths([("/rides/ä.fit", 10, 1_780_000_000.123456)])
        assert tx.files.known_of([("/rides/ä.fit", 10, 1_780_000_000.123456)])
    with store.writing() as tx:
        assert tx.files.known_of([("/rides/ä.fit", 10, 1_780_000_000.123456)])
        assert not tx.files.known_of([("/rides/ä.fit", 11, 1_780_000_000.123456)])
        assert not tx.files.known_of([("/rides/ä.fit", 10, 1_780_000_000.2)])
        assert not tx.files.known_of([("/rides/b.fit", 10, 1_780_000_000.123456)])
        tx.files.record_paths([("/rides/ä.fit", 11, 1_780_000_001.0)])
    with store.reading() as tx:
        assert tx.files.known_paths() == {"/rides/ä.fit": (11, 1_780_000_001.0)}


def test_a_name_that_is_no_text_is_kept_readable(store: Store) -> None:
    odd = b"/rides/caf\xe9.fit".decode("utf-8", "surrogateescape")
    rider = settle(store).ines.id
    with store.writing() as tx:
        tx.files.record_paths([(odd, 1, 1.0)])
        tx.files.record(FileRecord(sha256="aa", name=odd, size=1, seen_at=MORNING, outcome="new ride"))
        ride = tx.rides.add(ride_summary(file_name=odd, title="nul \0"), rider)
    with store.reading() as tx:
        assert tx.files.known_of([(odd, 1, 1.0)])
        assert tx.files.outcomes()[0].name == "/rides/caf\\xe9.fit"
        assert tx.rides.ride(ride).file_name == "/rides/caf\\xe9.fit"
        assert tx.rides.ride(ride).title == "nul \\x00"


def test_many_files_and_paths_are_kept_and_found_at_once(store: Store) -> None:
    digests = [f"{number:04}" for number in range(1203)]
    records = [
        FileRecord(digest, f"/rides/{digest}\udcff.fit", 5, MORNING, "unreadable", "odd", "copy it", None)
        for digest in digests
    ]
    with store.writing() as tx:
        tx.files.record_new(records)
        tx.files.record_paths([(one.name, one.size, 1.5) for one in records])
    with store.writing() as tx:
        seen = tx.files.seen_of([*digests, "never"])
        assert set(seen) == set(digests)
        assert seen["0007"].name == "/rides/0007\\xff.fit"  # a byte that is no letter, as it is kept
        assert tx.files.known_of([(records[7].name, 5, 1.5)])
        tx.files.record_paths([(records[7].name, 6, 2.5), ("/rides/new", 1, 1.0), (records[7].name, 7, 3.5)])
        assert tx.files.known_of([(records[7].name, 7, 3.5)])
        assert len(tx.files.known_paths()) == 1204
