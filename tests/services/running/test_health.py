"""Health says in words what stands between a rider and the next reminder."""

from __future__ import annotations

import json
import os
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from rules.vocabulary import RiderId
from services.app import App
from services.cli.program import run
from services.queued_letter import Letter
from services.running.health import Finding, findings
from services.settings import Settings, load_settings
from services.store import Store
from services.store.bookkeeping import FILES_WAITING
from services.store.tables import chain_state
from services.use_cases.back_up import back_up
from services.use_cases.upload_files import LEFT_FREE_BYTES
from services.wiring import channels_of
from tests.mail_server import mail_server
from tests.put_into import into
from tests.services.store.derived_household import NOW as DERIVED_AT
from tests.services.store.derived_household import household
from tests.services.store.household import ride_summary

NOW = datetime(2025, 6, 3, 19, 4, tzinfo=UTC)
PLENTY = 5_000_000_000


@pytest.fixture
def home(tmp_path: Path) -> Path:
    (tmp_path / "rides").mkdir()
    (tmp_path / "weather.csv").write_text("latitude_deg,longitude_deg,hour_start\n")
    return tmp_path


def app(home: Path, **changed: Any) -> App:
    written = {
        "watch": [{"folder": home / "rides"}],
        "weather": {"archive": "none"},
        "channels": {"mail_folder": home / "mail"},
        **changed,
    }
    return App(Settings(home=home, **written), equip=channels_of)


def look(shop: App, *, free: int = PLENTY, now: datetime = NOW) -> list[Finding]:
    return list(findings(shop, now=now, disk_free_bytes=lambda _place: free))


def to_mend(shop: App, **options: Any) -> list[Finding]:
    return [finding for finding in look(shop, **options) if not finding.fine]


def well(shop: App) -> None:
    """A household in order: a rider, and a round an hour ago."""
    with shop.store.writing() as tx:
        into(tx).add_rider("Ines", "ines@plateau.example", "America/Denver")
        tx.notes.put("last round", [], at=NOW - timedelta(hours=1))


def test_a_household_in_order_has_nothing_to_mend_and_says_what_was_looked_at(home: Path) -> None:
    shop = app(home)
    well(shop)

    found = look(shop)

    assert [f for f in found if not f.fine] == []
    assert {f.about for f in found} >= {
        "disk", "database", "clock", "folders", "rounds", "rulebook", "archive", "mail folder", "letters",
    }  # fmt: skip


def test_a_full_disk_is_named_with_what_is_left(home: Path) -> None:
    shop = app(home)
    well(shop)

    (finding,) = to_mend(shop, free=12_000_000)
    assert to_mend(shop, free=LEFT_FREE_BYTES - 1)
    assert not to_mend(shop, free=LEFT_FREE_BYTES)

    assert finding.sentence.startswith("Only 12 MB are free where the ledger lives")
    assert "Make room" in finding.try_this


def test_a_database_that_is_none_does_not_hide_the_rest(home: Path) -> None:
    (home / "gritledger.db").write_bytes(b"this is no database, and long enough to be sure of that" * 100)

    found = look(app(home))

    (database,) = [f for f in found if f.about == "database"]
    assert not database.fine
    assert "gritledger.db" in database.sentence
    assert {f.about for f in found} >= {"disk", "folders", "archive", "mail folder"}


def test_a_damaged_database_is_found(home: Path) -> None:
    shop = app(home)
    well(shop)
    shop.store.close()
    path = home / "gritledger.db"
    content = bytearray(path.read_bytes())
    content[4096 * 2 + 8 : 4096 * 3] = bytes(4096 - 8)
    path.write_bytes(content)
    for leftover in home.glob("gritledger.db-*"):
        leftover.unlink()

    finding = next(f for f in to_mend(app(home)) if f.about == "database")

    assert "gritledger.db" in finding.sentence


def test_folders_that_are_gone_or_belong_to_nobody_are_named(home: Path) -> None:
    shop = app(home, watch=[{"folder": home / "gone"}, {"folder": home / "rides", "rider": "Tomas"}])
    well(shop)

    sentences = [f.sentence for f in to_mend(shop)]

    assert sentences == [
        f"The watched folder {home / 'gone'} is not there.",
        f"{home / 'rides'} is watched for the rider Tomas, whom nobody added.",
    ]


def test_nobody_watching_is_noticed_after_a_day(home: Path) -> None:
    shop = app(home)
    (never,) = [f for f in to_mend(shop) if f.about == "rounds"]
    well(shop)
    assert to_mend(shop, now=NOW + timedelta(hours=24)) == []
    (silent,) = to_mend(shop, now=NOW + timedelta(hours=30))

    assert never.sentence == "No round was ever made."
    assert silent.sentence == "The last round was at 2025-06-03 12:04: nobody is watching."


def test_a_clock_that_was_set_back_is_noticed(home: Path) -> None:
    shop = app(home)
    well(shop)

    (finding,) = to_mend(shop, now=NOW - timedelta(days=300))

    assert finding.about == "clock"
    assert "still to come: the clock went back" in finding.sentence


def test_an_archive_that_gives_nothing_is_named_and_rides_are_not_lost_by_it(home: Path) -> None:
    shop = app(home, weather={"archive": "local", "local_file": home / "absent.csv"})
    well(shop)

    (finding,) = to_mend(shop)

    assert finding.about == "archive"
    assert "absent.csv: cannot be read (No such file or directory)" in finding.sentence
    assert "tagged once it answers" in finding.try_this


def test_an_archive_that_is_set_but_not_named_is_a_settings_matter(home: Path) -> None:
    shop = app(home, weather={"archive": "local"})
    well(shop)

    (finding,) = to_mend(shop)

    assert finding.sentence.startswith("weather.archive is 'local', but weather.local_file names no file")


def test_a_rulebook_with_a_typo_is_named(home: Path) -> None:
    (home / "own.toml").write_text("[limits]\ndripp = 3\n")
    shop = app(home, rulebook=home / "own.toml")
    well(shop)

    (finding,) = to_mend(shop)

    assert finding.about == "rulebook"
    assert "own.toml" in finding.sentence


def test_no_channel_at_all_is_trouble(home: Path) -> None:
    shop = app(home, channels={})
    well(shop)

    (finding,) = to_mend(shop)

    assert finding.sentence.startswith("No channel is set up")


def test_mail_is_tried_up_to_the_login_and_riders_without_an_address_are_named(home: Path) -> None:
    with mail_server(folder=home, accounts={"chains": "right"}) as server:
        mail = {
            "host": "localhost",
            "port": server.port,
            "sender": "chains@plateau.example",
            "authority_file": server.authority_file,
            "user": "chains",
            "timeout_s": 5,
        }
        good = app(home, channels={"mail": {**mail, "password": "right"}})
        well(good)
        with good.store.writing() as tx:
            into(tx).add_rider("Tomas")
        (no_address,) = to_mend(good)
        bad = app(home, channels={"mail": {**mail, "password": "wrong"}})
        wrong_password = next(f for f in to_mend(bad) if f.about == "email")

    assert no_address.sentence == "Tomas has no mail address and gets no mail."
    assert "does not accept the user and password: 535" in wrong_password.sentence
    assert server.received == []


def queue(store: Store, count: int, *, at: datetime = NOW - timedelta(hours=3)) -> list[Letter]:
    with store.writing() as tx:
        rider = tx.equipment.riders()[0]
        return [
            tx.outbox.queue(
                Letter(
                    0, RiderId(rider.id), "email", "i@x.example", f"Drip {n}", "t", "", f"<{n}@x.example>"
                ),
                at=at,
            )
            for n in range(count)
        ]


def test_messages_that_wait_or_were_refused_are_said_with_the_servers_words(home: Path) -> None:
    shop = app(home)
    well(shop)
    letters = queue(shop.store, 4)
    with shop.store.writing() as tx:
        tx.outbox.failed(letters[0].id, NOW, "550 nobody of that name", True)
        for letter in letters[1:3]:
            tx.outbox.failed(letter.id, NOW, "the server cannot be reached", False, NOW + timedelta(hours=1))

    sentences = [f.sentence for f in to_mend(shop)]

    assert sentences == [
        "“Drip 3” is undelivered by email since 2025-06-03 10:04: nobody tried to send it.",
        "“Drip 1” and 1 more are undelivered by email since 2025-06-03 10:04: the server cannot be reached.",
        "“Drip 0” is undelivered by email, refused for good: 550 nobody of that name.",
    ]


def test_a_message_of_this_minute_is_no_trouble(home: Path) -> None:
    shop = app(home)
    well(shop)
    queue(shop.store, 1, at=NOW - timedelta(minutes=1))

    assert to_mend(shop) == []


def test_a_home_without_any_settings_is_looked_at_without_a_crash(tmp_path: Path) -> None:
    found = look(App(load_settings(tmp_path).model_copy(update={"weather": app(tmp_path).settings.weather})))

    assert [f.about for f in found if not f.fine] == ["channels"]


def test_a_watched_file_that_waits_or_that_nobody_read_is_named(home: Path) -> None:
    shop = app(home)
    well(shop)
    for name in ("a.fit", "b.fit", "c.fit", "d.fit"):
        file = home / "rides" / name
        file.write_bytes(b"x")
        os.utime(file, ((NOW - timedelta(hours=2)).timestamp(),) * 2)
    status = (home / "rides" / "b.fit").stat()
    with shop.store.writing() as tx:
        tx.notes.put(FILES_WAITING, [[str(home / "rides" / "a.fit"), "it is locked", "unlock it"]], at=NOW)
        tx.files.record_paths([(str(home / "rides" / "b.fit"), status.st_size, status.st_mtime)])
        # Another file of the same size took its place since.
        tx.files.record_paths([(str(home / "rides" / "d.fit"), status.st_size, status.st_mtime - 60)])

    waiting, unread = (one for one in to_mend(shop) if one.about == "files")

    assert waiting.sentence == f"{home / 'rides' / 'a.fit'} waits to be read: it is locked."
    assert waiting.try_this == "Unlock it."
    assert unread.sentence == f"{home / 'rides' / 'c.fit'} and 1 more in a watched folder was not read yet."


def test_many_that_wait_are_told_at_once_and_listed_on_request(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shop = app(home)
    well(shop)
    rows = [[str(home / "rides" / f"{n:03}.fit"), "it is locked", "unlock it"] for n in range(212)]
    with shop.store.writing() as tx:
        tx.notes.put(FILES_WAITING, rows, at=NOW)

    (waiting,) = (one for one in to_mend(shop) if one.about == "files")

    assert waiting.sentence == (
        "212 files wait to be read (000.fit, 001.fit, 002.fit and 209 more): it is locked."
    )
    run(["list", "files", "--home", str(home)])
    listed = capsys.readouterr().out
    assert all(f"{n:03}.fit" in listed for n in range(212))
    run(["list", "files", "--trouble", "--json", "--home", str(home)])
    assert [one["why"] for one in json.loads(capsys.readouterr().out)] == ["it is locked"] * 212


def test_a_ledger_without_a_young_copy_is_named(home: Path) -> None:
    shop = app(home)
    well(shop)
    with shop.store.writing() as tx:
        tx.rides.add(ride_summary(NOW - timedelta(days=20)), RiderId(1))

    (none,) = (one for one in to_mend(shop) if one.about == "backup")
    assert none.sentence == f"There is no copy of the ledger in {home / 'backups'}."
    back_up(shop, now=NOW - timedelta(days=9))
    (old,) = (one for one in to_mend(shop) if one.about == "backup")
    assert old.sentence == "The newest copy of the ledger is of 2025-05-25."
    back_up(shop, now=NOW - timedelta(days=1))
    assert [one for one in to_mend(shop) if one.about == "backup"] == []


def test_what_was_derived_is_held_against_all_facts(tmp_path: Path) -> None:
    house = household(f"sqlite:///{tmp_path / 'ledger.db'}", tmp_path)

    def told() -> Finding:
        return next(one for one in look(house.app, now=DERIVED_AT) if one.about == "reminders")

    assert told().fine
    with house.app.store.writing() as tx:
        *kept, drive_h = json.loads(tx.derived.states([house.amber])[house.amber].worn)
        other = chain_state.update().where(chain_state.c.chain == house.amber)
        tx._connection.execute(other.values(worn=json.dumps([*kept, drive_h + 1])))
    assert (told().fine, told().sentence) == (False, "Not as all facts together give: 1 chain.")
    with house.app.store.writing() as tx:
        for table in ("reminder_step", "reminder_reason", "reminder"):
            tx._connection.exec_driver_sql(f"DELETE FROM {table}")
    assert told().sentence == "Not as all facts together give: 1 reminder, 1 chain."
    with house.app.store.writing() as tx:
        tx.derived.all_dirty()
    assert (told().fine, told().sentence) == (True, "3 chains wait for the next round to look at them.")
    house.reckon()
    assert told().sentence == "Reminders and chains are as all facts together give them."
