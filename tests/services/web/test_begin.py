"""The first hour: who rides, files, bikes, chains, reminders; and everything the settings file says."""

from __future__ import annotations

import io
import time
import zipfile
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from rules.vocabulary import DecidedBy, Regime, TreatmentKind
from services.app import App
from services.settings import SETTINGS_FILE
from services.web.app import create_app
from services.wiring import open_app
from tests.mail_server import mail_server
from tests.services.web.conftest import HERE, token_in
from tests.services.web.small_household import NOW, fit_ride

BY_HAND = '# Ours.\n[weather]\narchive = "none"  # offline\n'


@pytest.fixture
def home(tmp_path: Path) -> Path:
    home = tmp_path / "home"
    home.mkdir()
    (home / SETTINGS_FILE).write_text(BY_HAND)
    return home


@pytest.fixture
def new(home: Path) -> Iterator[App]:
    app = open_app(home)
    yield app
    app.store.close()


@pytest.fixture
def page(new: App) -> TestClient:
    return TestClient(create_app(new, clock=lambda: NOW), base_url=HERE, follow_redirects=True)


def token(page: TestClient) -> str:
    return token_in(page.get("/begin/riders").text)


def riders(page: TestClient, *names: str) -> None:
    data = {"the_page": token(page), "name": list(names), "time_zone": "Etc/GMT-2"}
    assert page.post("/begin/riders", data=data).status_code == 200


def a_file(day: int, *, sensor: int | None = 11, seconds: int = 900) -> bytes:
    return fit_ride(NOW - timedelta(days=40 - day), sensor=sensor, seconds=seconds)


def piece(
    page: TestClient, name: str, data: bytes, *, at: int = 0, size: int | None = None, rider: str = ""
) -> dict:  # type: ignore[type-arg]
    answer = page.post(
        "/drop/piece",
        params={"name": name, "size": len(data) if size is None else size, "at": at, "rider": rider},
        content=data,
        headers={"X-The-Page": token(page)},
    )
    return {**answer.json(), "status": answer.status_code}


def read(page: TestClient) -> str:
    """Everything that arrived is read; the page that says so."""
    page.post("/drop/read", headers={"X-The-Page": token(page)})
    until = time.monotonic() + 60
    while page.get("/drop/reading").json()["busy"]:
        assert time.monotonic() < until
        time.sleep(0.1)
    return page.get("/begin/files").text


def test_the_way_leads_from_an_empty_ledger_to_the_first_open_step(page: TestClient) -> None:
    assert 'href="/begin"' in page.get("/").text
    assert page.get("/begin").url.path == "/begin/riders"

    riders(page, "Nele", " Maro ", "")

    assert page.get("/begin").url.path == "/begin/files"
    assert "Still open: your ride files" in page.get("/").text
    page.post("/begin/enough", data={"the_page": token(page)})
    assert "Still open" not in page.get("/").text
    assert page.get("/begin/files").status_code == 200


def test_without_a_rider_files_are_refused_in_one_sentence(page: TestClient) -> None:
    assert "First <a" in page.get("/begin/files").text
    assert piece(page, "a.fit", b"x") == {"refused": "Nobody rides yet: first say who does.", "status": 422}


def test_pieces_go_on_where_they_were_cut_off_and_become_rides(page: TestClient, new: App) -> None:
    riders(page, "Nele")
    data = a_file(1)

    assert piece(page, "x/a.fit", data[:100], size=len(data)) == {"have": 100, "status": 200}
    assert "1 file came only in part" in page.get("/begin/files").text
    assert piece(page, "x/a.fit", data[:100], size=len(data)) == {"have": 100, "status": 409}
    assert piece(page, "x/a.fit", data[100:], at=100, size=len(data)) == {"whole": True, "status": 200}
    assert piece(page, "x/.DS_Store", b"x") == {"left_alone": True, "status": 200}
    assert piece(page, "b.fit", a_file(2)) == {"whole": True, "status": 200}
    assert piece(page, "torn.fit", b"no ride at all") == {"whole": True, "status": 200}

    html = read(page)
    assert "2 new rides." in html
    assert "torn.fit" in html
    assert str(new.settings.home) not in html.partition("What became of them")[2].partition("</ul>")[0]
    with new.store.reading() as tx:
        assert tx.rides.count() == 2


def test_several_riders_say_whose_files_they_are(page: TestClient, new: App) -> None:
    riders(page, "Nele", "Maro")

    assert piece(page, "a.fit", a_file(1)) == {"refused": "Say whose rides these are.", "status": 422}
    assert piece(page, "a.fit", a_file(1), rider="2")["status"] == 200
    read(page)

    with new.store.reading() as tx:
        assert [ride.rider for ride in tx.rides.rides()] == [2]


def test_a_plain_form_takes_files_and_zips_without_a_script(page: TestClient, new: App) -> None:
    riders(page, "Nele")
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for day in (3, 4):
            archive.writestr(f"year/{day}.fit", a_file(day))
    html = page.post(
        "/drop/files",
        data={"the_page": token(page)},
        files=[
            ("file", ("a.fit", a_file(1))),
            ("file", ("years.zip", packed.getvalue())),
            ("file", (".hidden.fit", b"x")),
        ],
    ).text
    assert "2 files came; 1 hidden or half-loaded left alone." in html

    assert "3 new rides." in read(page)
    with new.store.reading() as tx:
        assert tx.rides.count() == 3


@pytest.mark.parametrize("token_sent", [None, "", "0" * 64])
def test_nothing_is_kept_of_a_form_or_a_piece_that_is_not_ours(
    page: TestClient, home: Path, token_sent: str | None
) -> None:
    riders(page, "Nele")
    fields = {} if token_sent is None else {"the_page": token_sent}
    form = page.post(
        "/drop/files", data=fields, files={"file": ("a.fit", a_file(1))}, headers={"Origin": HERE}
    )
    headers = {} if token_sent is None else {"X-The-Page": token_sent}
    sent = page.post("/drop/piece", params={"name": "a.fit", "size": 1}, content=b"x", headers=headers)

    assert (form.status_code, sent.status_code) == (403, 403)
    assert not (home / "dropped").exists()


@pytest.mark.parametrize("path", ["/drop/piece", "/drop/files", "/drop/read"])
def test_another_site_can_drop_nothing(page: TestClient, home: Path, path: str) -> None:
    answer = page.post(path, content=b"x", headers={"Origin": "http://attacker.invalid"})

    assert answer.status_code == 403
    assert not (home / "dropped").exists()


def test_bodies_are_bounded_by_where_they_go(page: TestClient) -> None:
    riders(page, "Nele")
    headers = {"X-The-Page": token(page)}
    params = {"name": "a.zip", "size": 1 << 30}
    assert (
        page.post("/drop/piece", params=params, content=b"x" * 4_200_001, headers=headers).status_code == 413
    )
    assert page.post("/begin/riders", content=b"x" * 1_000_001, headers=headers).status_code == 413


def test_a_damaged_form_is_told_and_leaves_no_half_file(page: TestClient, home: Path) -> None:
    riders(page, "Nele")
    body = (
        f'--b\r\nContent-Disposition: form-data; name="the_page"\r\n\r\n{token(page)}\r\n'
        '--b\r\nContent-Disposition: form-data; name="file"; filename="a.fit"\r\n\r\nhalf of it'
    )
    answer = page.post(
        "/drop/files", content=body.encode(), headers={"Content-Type": "multipart/form-data; boundary=b"}
    )

    assert answer.status_code == 422
    assert [one for one in (home / "dropped").rglob("*") if one.is_file()] == []


def named(page: TestClient, new: App) -> None:
    riders(page, "Nele")
    for day in range(4):
        piece(page, f"{day}.fit", a_file(day))
    for day in range(4, 8):
        piece(page, f"{day}.fit", a_file(day, sensor=22))
    read(page)


def group_of(html: str) -> str:
    return html.partition('name="group" value="')[2].partition('"')[0]


def test_a_group_is_named_in_one_press_and_taken_back_in_one(page: TestClient, new: App) -> None:
    named(page, new)
    html = page.get("/begin/bikes").text
    assert "2 bikes show in your files" in html
    assert "4 rides share a power meter" in html
    assert "checked" not in html

    said = {"the_page": token(page), "group": group_of(html), "name": "Courser"}
    html = page.post("/begin/bikes", data=said).text
    assert "Courser added" in html
    assert "One bike shows in your files" in html
    with new.store.reading() as tx:
        spoken = [ride for ride in tx.rides.rides() if ride.decided_by is DecidedBy.RIDER]
        first = tx.changes.all_()[-2]
    assert len(spoken) == 4

    question = page.post(f"/corrections/{first.number}/undo", data={"the_page": token(page)}).text
    assert "4 rides" in question
    page.post(f"/corrections/{first.number}/undo", data={"the_page": token(page), "yes": "yes"})
    with new.store.reading() as tx:
        assert [bike.name for bike in tx.equipment.bikes()] == []
        assert not [ride for ride in tx.rides.rides() if ride.decided_by is DecidedBy.RIDER]
    assert "2 bikes show" in page.get("/begin/bikes").text


def test_a_group_can_be_a_bike_that_has_a_name_or_none_of_ours(page: TestClient, new: App) -> None:
    named(page, new)
    group = group_of(page.get("/begin/bikes").text)
    page.post("/begin/bikes", data={"the_page": token(page), "group": group, "name": "Courser"})
    stale = page.post("/begin/bikes", data={"the_page": token(page), "group": group, "name": "Again"})
    assert stale.status_code == 409
    group = group_of(page.get("/begin/bikes").text)
    nothing = page.post("/begin/bikes", data={"the_page": token(page), "group": group})
    assert nothing.status_code == 422
    page.post("/begin/bikes", data={"the_page": token(page), "group": group, "not_ours": "yes"})

    with new.store.reading() as tx:
        assert [bike.name for bike in tx.equipment.bikes()] == ["Courser"]
        said = [ride.bike for ride in tx.rides.rides() if ride.decided_by is DecidedBy.RIDER]
    assert sorted(said, key=str) == [1] * 4 + [None] * 4


@pytest.mark.parametrize(
    ("kept", "when", "kind", "days"),
    [
        ("hot-melt wax", "a month ago", TreatmentKind.IMMERSION, 30),
        ("drip wax", "this week", TreatmentKind.DRIP, 3),
        ("wet lube", "two weeks ago", TreatmentKind.CLEAN, 14),
        ("hot-melt wax", "no idea", None, 0),
    ],
)
def test_a_chain_is_noted_with_a_rough_date_and_taken_back_with_it(
    page: TestClient, new: App, kept: str, when: str, kind: TreatmentKind | None, days: int
) -> None:
    named(page, new)
    group = group_of(page.get("/begin/bikes").text)
    page.post("/begin/bikes", data={"the_page": token(page), "group": group, "name": "Courser"})
    said = {"the_page": token(page), "bike": "1", "name": "First", "kept": kept, "when": when}

    page.post("/begin/chains", data=said)

    with new.store.reading() as tx:
        (chain,), (fitting,) = tx.equipment.chains(), tx.equipment.fittings()
        care = tx.care.treatments()
        ledger, changes = tx.ledger(), tx.changes.all_()
    assert chain.regime is (Regime.WET_LUBE if kept == "wet lube" else Regime.WAXED)
    assert fitting.fitted_at == NOW - timedelta(days=days)
    assert [(one.kind, one.done_at) for one in care] == ([(kind, fitting.fitted_at)] if kind else [])
    assert ledger.chain_on(fitting.bike, NOW) == chain
    added = next(one.number for one in changes if "First" in one.what and "added" in one.what)
    page.post(f"/corrections/{added}/undo", data={"the_page": token(page), "yes": "yes"})
    with new.store.reading() as tx:
        assert (tx.equipment.chains(), tx.care.treatments()) == ((), ())


def test_mail_is_tried_at_once_and_a_refusal_says_what_to_change(
    page: TestClient, new: App, home: Path
) -> None:
    riders(page, "Nele")
    with mail_server(security="none") as post:
        said = {
            "the_page": token(page),
            "email-1": "nele@plateau.example",
            "password": "",
            "channels.mail.host": "localhost",
            "channels.mail.port": str(post.port),
            "channels.mail.security": "starttls",
            "channels.mail.sender": "Chains <chains@plateau.example>",
        }
        html = page.post("/begin/mail", data=said).text
        assert "it offers no STARTTLS" in html
        assert "ask its owner" not in html
        html = page.post("/begin/mail", data=said | {"channels.mail.security": "loopback only"}).text
        assert "The server took the test to nele@plateau.example at 20:00" in html

    assert [one.to for one in post.received] == ["nele@plateau.example"]
    written = (home / SETTINGS_FILE).read_text()
    assert written.startswith(BY_HAND)
    assert open_app(home).settings.channels.mail is not None


def test_the_server_is_guessed_from_the_address_and_the_password_kept_apart(
    page: TestClient, home: Path
) -> None:
    riders(page, "Nele")
    said = {"the_page": token(page), "email-1": "nele@plateau.invalid", "password": "  tricky pass "}

    html = page.post("/begin/mail", data=said).text

    assert "smtp.plateau.invalid:465 cannot be found" in html
    mail = open_app(home).settings.channels.mail
    assert mail is not None
    assert (mail.host, mail.security, mail.user) == ("smtp.plateau.invalid", "tls", "nele@plateau.invalid")
    assert mail.password_file is not None
    assert mail.password_file.read_text() == "  tricky pass "
    assert mail.password_file.stat().st_mode & 0o777 == 0o600
    assert "tricky" not in (home / SETTINGS_FILE).read_text() + page.get("/begin/reminders").text


def test_settings_are_kept_in_the_file_by_the_words_of_the_page(
    page: TestClient, home: Path, tmp_path: Path
) -> None:
    secret = token(page)

    def keep(form: str, **said: str) -> str:
        shown = page.get({"quiet": "/settings/quiet"}.get(form, "/settings/more")).text
        assert f'action="/settings/set/{form}"' in shown
        return page.post(f"/settings/set/{form}", data={"the_page": secret, **said}).text

    quiet = {
        "quiet_hours.quiet_from": "22:00",
        "quiet_hours.quiet_until": "06:30",
        "quiet_hours.bedtime": "23:30",
        "quiet_hours.outlook_weekday": "4",
        "quiet_hours.messages_a_month": "9",
        "quiet_hours.every_s": "60,5",
    }
    assert "it counts from now on" in keep("quiet", **quiet)
    assert "it is so already" in keep("quiet", **quiet)
    keep("money", **{"money.currency": "€", "money.cassette": "45", "money.setup": ""})
    keep("copies", **{"backup.folder": str(tmp_path)})

    settings = open_app(home).settings
    assert settings.quiet_hours.model_dump() == {
        "quiet_from": "22:00",
        "quiet_until": "06:30",
        "bedtime": "23:30",
        "outlook_weekday": 4,
        "messages_a_month": 9,
        "every_s": 60.5,
    }
    assert (settings.money.currency, settings.money.cassette, settings.money.setup) == ("€", 45.0, None)
    assert (settings.backup.daily, settings.backup.folder) == (False, tmp_path)
    assert (home / SETTINGS_FILE).read_text().startswith(BY_HAND)
    assert 'value="22:00"' in page.get("/settings/quiet").text
    wrong = page.post(
        "/settings/set/quiet", data={"the_page": secret, **quiet, "quiet_hours.bedtime": "25:00"}
    )
    assert wrong.status_code == 422
    assert "a time of day is wanted" in wrong.text
    assert open_app(home).settings.quiet_hours.bedtime == "23:30"


def test_folders_are_watched_and_let_go_on_the_page(page: TestClient, home: Path, tmp_path: Path) -> None:
    secret = token(page)
    missing = page.post("/settings/folders", data={"the_page": secret, "folder": str(tmp_path / "rides")})
    assert missing.status_code == 422
    assert "There is no folder" in missing.text
    said = {"the_page": secret, "folder": str(tmp_path / "rides"), "make": "yes"}
    html = page.post("/settings/folders", data=said).text
    assert "is watched: it is there and may be read; no file yet" in html
    assert page.post("/settings/folders", data=said).status_code == 422
    assert [one.folder for one in open_app(home).settings.watch] == [tmp_path / "rides"]

    page.post("/settings/folders/forget", data={"the_page": secret, "folder": str(tmp_path / "rides")})
    assert open_app(home).settings.watch == []
    assert (tmp_path / "rides").is_dir()
