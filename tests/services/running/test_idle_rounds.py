"""A round that changes nothing writes nothing and looks at no file; what comes all the same is not missed."""

from __future__ import annotations

import os
from datetime import timedelta
from pathlib import Path

import pytest

from ingest.files import folder
from services.app import App
from services.heartbeat import last_look
from services.running.round import Watching, one_round
from services.store import Store
from services.store.bookkeeping import LAST_ROUND
from tests.mail_server import mail_server
from tests.wet_household import FIRST_DAY, RIDE_AT, ROUND_AT, a_ride, household

DAY = 1
NOW = FIRST_DAY + timedelta(days=DAY) + ROUND_AT
MINUTE = timedelta(minutes=1)


def writes(shop: App) -> int:
    with shop.store.reading() as tx:
        return tx.writes()


def ridden(place: Path) -> None:
    """Two rides of the day, hours apart."""
    for hours_before in (0, 5):
        start = FIRST_DAY + timedelta(days=DAY) + RIDE_AT - timedelta(hours=hours_before)
        (place / f"{start:%H}.fit").write_bytes(a_ride(start, 4711, 0.0))


def still(place: Path) -> None:
    """As folders are that nobody touched for a while."""
    for one in (place, *(below for below in place.rglob("*") if below.is_dir())):
        os.utime(one, (1_700_000_000, 1_700_000_000))


def rides(shop: App) -> int:
    with shop.store.reading() as tx:
        return tx.rides.count()


def read_all(shop: App, watching: Watching, count: int) -> timedelta:
    """Rounds until so many rides are there and nothing is left to do; returns the time since NOW.

    On a machine that does much else, a file that could not be read in time comes some minutes later.
    """
    passed = timedelta(0)
    while rides(shop) < count:
        one_round(shop, now=NOW + passed, watching=watching)
        passed += 7 * MINUTE if passed > 2 * MINUTE else MINUTE
        assert passed < timedelta(hours=3)
    for _ in range(2):
        one_round(shop, now=NOW + passed, watching=watching)
        passed += MINUTE
    return passed


@pytest.fixture
def scans(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """Which folders were scanned."""
    found: list[Path] = []
    whole = folder.scan

    def counting(place: Path, **options: object) -> dict[Path, folder.Seen]:
        found.append(place)
        return whole(place, **options)  # type: ignore[arg-type]

    monkeypatch.setattr(folder, "scan", counting)
    return found


def test_an_idle_round_writes_nothing_and_the_look_is_known_all_the_same(
    tmp_path: Path, scans: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    with mail_server(folder=tmp_path) as mail:
        shop, watching = household(tmp_path / "home", 5, mail), Watching()
        ridden(tmp_path / "home" / "rides")
        still(tmp_path / "home" / "rides")
        begun = NOW + read_all(shop, watching, 2)
        before, looked = writes(shop), len(scans)

        for minute in range(4):
            assert one_round(shop, now=begun + minute * MINUTE, watching=watching).sentences() == [
                "Nothing new."
            ]

        assert (writes(shop), len(scans)) == (before, looked)
        with monkeypatch.context() as counted:
            looks: list[None] = []
            begun_in = Store._begun
            counted.setattr(Store, "_begun", lambda *own, **how: looks.append(None) or begun_in(*own, **how))
            one_round(shop, now=begun + 3 * MINUTE, watching=watching)
            assert len(looks) == 1
        with shop.store.reading() as tx:
            with_news_at = tx.notes.written_at(LAST_ROUND)
        assert with_news_at is not None
        assert with_news_at < begun
        assert last_look(tmp_path / "home", with_news_at) == begun + 3 * MINUTE


def test_a_file_that_comes_is_seen_by_its_folder_and_one_that_was_written_to_when_somebody_says_so(
    tmp_path: Path, scans: list[Path]
) -> None:
    with mail_server(folder=tmp_path) as mail:
        shop, watching = household(tmp_path / "home", 5, mail), Watching()
        place = tmp_path / "home" / "rides"
        ridden(place)
        first, second = sorted(place.glob("*.fit"))
        whole = second.read_bytes()
        second.write_bytes(whole[:200])
        still(place)
        begun = NOW + read_all(shop, watching, 1)
        second.write_bytes(whole)  # in its place: the folder does not show it
        still(place)
        looked = len(scans)
        one_round(shop, now=begun, watching=watching)
        assert len(scans) == looked

        watching.stirred()
        for minute in (1, 2, 9, 20):
            one_round(shop, now=begun + minute * MINUTE, watching=watching)
        assert rides(shop) == 2

        still(place)
        for minute in (21, 22):
            one_round(shop, now=begun + minute * MINUTE, watching=watching)
        (place / "copy.fit").write_bytes(first.read_bytes())  # the folder does show this
        looked = len(scans)
        one_round(shop, now=begun + 23 * MINUTE, watching=watching)
        assert len(scans) == looked + 1


def test_all_is_scanned_once_an_hour(tmp_path: Path, scans: list[Path]) -> None:
    shop, watching = household(tmp_path / "home", 5, None), Watching()
    still(tmp_path / "home" / "rides")
    for minutes in (0, 1, 59, 61, 62):
        one_round(shop, now=NOW + minutes * MINUTE, watching=watching)
    assert len(scans) == 2


def test_a_folder_changed_this_very_second_is_not_relied_on(tmp_path: Path) -> None:
    places: dict[str, int] = {}
    (tmp_path / "a.fit").write_bytes(b"1")
    folder.scan(tmp_path, places=places)
    assert places == {str(tmp_path): -1}
    assert not folder.unchanged(places)
    still(tmp_path)
    folder.scan(tmp_path, places=places)
    assert folder.unchanged(places)
    (tmp_path / "b").mkdir()
    assert not folder.unchanged(places)
    assert not folder.unchanged({str(tmp_path / "gone"): 1})


def test_a_calendar_that_would_be_the_same_is_not_written(tmp_path: Path) -> None:
    shop = household(tmp_path / "home", 5, None)
    settings = tmp_path / "home" / "settings.toml"
    settings.write_text(f'{settings.read_text()}[channels]\ncalendar_file = "{tmp_path / "chains.ics"}"\n')
    from services.wiring import open_app

    shop = open_app(tmp_path / "home")
    one_round(shop, now=NOW, watching=Watching())
    os.utime(tmp_path / "chains.ics", (1, 1))
    one_round(shop, now=NOW + MINUTE, watching=Watching())
    assert (tmp_path / "chains.ics").stat().st_mtime == 1
