"""Retired by a press, tomorrow's bike, starting by itself, and how far a zip is: settings of every day."""

from __future__ import annotations

import re
import zipfile
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from ingest.files.read_pool import ToRead
from rules.vocabulary import RiderId
from services.app import App
from services.settings import SETTINGS_FILE
from services.use_cases.import_rides import import_files
from services.web.background_import import Reading
from tests.services.web.small_household import NOW, fit_ride

Token = Callable[[], str]


def undo(page: TestClient, html: str, token: Token) -> None:
    way_back = re.search(r'action="(/corrections/\d+/undo)"', html)
    assert way_back
    assert page.post(way_back[1], data={"the_page": token(), "yes": "yes"}).status_code == 200


def test_a_chain_is_retired_by_one_press_and_another_takes_it_back(
    page: TestClient, shop: App, token: Token
) -> None:
    form = re.search(
        r'action="/settings/take-off" class="row">.*?name="chain" value="1".*?>Retired</button>',
        page.get("/settings/chains").text,
    )
    assert form
    said = page.post("/settings/take-off", data={"the_page": token(), "chain": "1", "retire": "yes"}).text
    with shop.store.reading() as tx:
        assert tx.ledger().chains[0].retired_at == NOW
    assert "Plover’s chain was retired</button>" not in page.get("/settings/chains").text
    undo(page, said, token)
    with shop.store.reading() as tx:
        ledger = tx.ledger()
        assert ledger.chains[0].retired_at is None
        assert ledger.chain_on(ledger.bikes[0].id, NOW) == ledger.chains[0]


def test_a_bike_leaves_the_household_by_one_press_and_comes_back_by_another(
    page: TestClient, shop: App, token: Token
) -> None:
    assert page.get("/settings/bikes").text.count('action="/settings/bikes/left"') == 2
    said = page.post("/settings/bikes/left", data={"the_page": token(), "bike": "2"}).text
    assert page.get("/settings/bikes").text.count('action="/settings/bikes/left"') == 1
    with shop.store.reading() as tx:
        assert tx.ledger().bikes[1].until_at == NOW
    undo(page, said, token)
    with shop.store.reading() as tx:
        assert tx.ledger().bikes[1].until_at is None


def test_tomorrow_s_bike_is_set_on_the_page(page: TestClient, shop: App, token: Token) -> None:
    data = {"the_page": token(), "tomorrow.forecast": "yes", "tomorrow.tell": "evening"}
    assert "Kept in" in page.post("/settings/set/tomorrow", data=data).text
    written = (shop.settings.home / SETTINGS_FILE).read_text()
    assert "forecast = true" in written
    assert 'tell = "evening"' in written
    html = page.get("/settings/more").text
    assert re.search(r'name="tomorrow.forecast" value="yes" checked', html)


def test_where_no_systemd_runs_the_page_says_so_and_starts_nothing(
    page: TestClient, token: Token, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setattr("services.web.pages.settings_forms.by_systemd", lambda: False)
    assert "This machine has no systemd that the page could ask" in page.get("/settings/folders").text
    answer = page.post("/settings/starts-by-itself", data={"the_page": token(), "on": "yes"})
    assert answer.status_code == 422
    assert "gritledger watch --at-login" in answer.text
    assert not list(tmp_path.rglob("*.service"))


def test_where_systemd_runs_one_press_writes_the_unit_and_asks_for_it_and_one_takes_it_away(
    page: TestClient, token: Token, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    programs, asked = tmp_path / "bin", tmp_path / "asked"
    programs.mkdir()
    systemctl = programs / "systemctl"  # writes down what it is asked, as the real one is not here to do it
    systemctl.write_text(f'#!/bin/sh\necho "$@" >> "{asked}"\n')
    systemctl.chmod(0o755)
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("PATH", f"{programs}:/usr/bin:/bin")
    monkeypatch.setattr("services.web.pages.settings_forms.by_systemd", lambda: True)
    unit = tmp_path / ".config/systemd/user/gritledger.service"

    said = page.post("/settings/starts-by-itself", data={"the_page": token(), "on": "yes"}).text
    assert "Done: systemctl --user enable --now gritledger.service" in said
    assert "watch" in unit.read_text()
    assert asked.read_text().splitlines() == [
        "--user daemon-reload",
        "--user enable --now gritledger.service",
    ]
    assert "It begins whenever you log in" in page.get("/settings/folders").text

    systemctl.write_text("#!/bin/sh\nexit 1\n")
    said = page.post("/settings/starts-by-itself", data={"the_page": token()}).text
    assert "This did not work; run it yourself: systemctl --user disable --now gritledger.service" in said
    assert not unit.exists()


def test_a_zip_is_told_ride_by_ride_while_it_is_read(
    shop: App, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    packed = tmp_path / "years.zip"
    with zipfile.ZipFile(packed, "w") as archive:
        archive.mkdir("old")
        for day in range(4):
            ride = fit_ride(NOW - timedelta(days=200 + day), sensor=None, seconds=600)
            archive.writestr(f"old/{day}.fit", ride)
        archive.writestr("old/notes.txt", "no ride")
    reading = Reading()
    seen: list[tuple[int, int]] = []

    def watched(store: object, files: list[ToRead], *, now: object, on_progress: Callable[..., None]) -> None:
        def advance(outcome: object) -> None:
            on_progress(outcome)
            state = reading.state()
            seen.append((state["read"], state["total"]))

        import_files(store, files, now=now, on_progress=advance)  # type: ignore[arg-type]

    monkeypatch.setattr("services.web.background_import.import_files", watched)
    reading.add(packed, RiderId(1))
    reading.begin(shop, NOW)
    assert reading._thread is not None
    reading._thread.join(timeout=120)
    assert [read for read, _ in seen[:4]] == [1, 2, 3, 4]
    assert {total for _, total in seen} == {5}
    state = reading.state()
    assert (state["read"], state["total"], state["rides"]) == (5, 5, 4)
