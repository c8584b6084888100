"""A household that reads miles, °F and inches finds nothing else, on any page, in any mail or list."""

from __future__ import annotations

import email
import email.policy
import json
import re
from collections.abc import Callable
from datetime import timedelta
from html import unescape

import pytest
from starlette.testclient import TestClient

from rules.units import OPEN
from services.app import App
from services.cli.program import run
from services.running.round import one_round
from services.settings import SETTINGS_FILE
from services.web.app import create_app
from services.wiring import open_app
from tests.services.web.conftest import HERE
from tests.services.web.small_household import NOW
from tests.services.web.test_pages import PAGES

MILES = '\n[units]\ndistance = "miles"\ntemperature = "°F"\nrain = "inches"\n\n'
OF_THE_OTHERS = re.compile(r"[\d.?] ?(km|km/h|mm|cm)\b|°C|speed, km|rain mm")
ON_PURPOSE = (  # parts of chains and wheels are measured in mm; a choice names what can be chosen
    "305.9 mm", "km, km/h and m", "mm and cm", "km, °C and mm", "°C</option>", '"°C"', ">°C",
)  # fmt: skip

Token = Callable[[], str]


def left_over(text: str) -> list[str]:
    """What is not in this household's units."""
    for one in ON_PURPOSE:
        text = text.replace(one, "")
    return [text[max(0, found.start() - 60) : found.end() + 20] for found in OF_THE_OTHERS.finditer(text)]


@pytest.fixture
def abroad(shop: App) -> App:
    """The small household, in miles from now on, its mails lying in a folder."""
    file = shop.settings.home / SETTINGS_FILE
    file.write_text(file.read_text() + MILES + '[channels]\nmail_folder = "mail"\n')
    return open_app(shop.settings.home)


def every_page(page: TestClient) -> dict[str, str]:
    """All pages that are listed, and every ride, chain and reminder."""
    found = {path: page.get(path).text for path in (*PAGES, "/careful", "/chains.ics")}
    for name in ("rides", "chains", "why"):
        links = {link for text in found.values() for link in re.findall(rf'href="(/{name}/\d+)"', text)}
        found |= {link: page.get(link).text for link in links if link not in found}
    return found


def seen_by(app: App) -> dict[str, str]:
    page = TestClient(create_app(app, clock=lambda: NOW), base_url=HERE, follow_redirects=True)
    return every_page(page)


def test_no_page_says_anything_in_the_others_units(abroad: App) -> None:
    pages = seen_by(abroad)
    assert len(pages) > 60
    for path, text in pages.items():
        assert OPEN not in text, path
        assert left_over(unescape(text)) == [], path
    assert re.search(r"\d mi, [\d,]+ ft of climbing", pages["/rides/1"])
    assert "in of rain fell in the hour" in " ".join(pages.values())
    assert "work at 176–203 °F, stop at 248 °F" in pages["/careful"]
    assert "speed, mph" in pages["/rides/1"]


def test_in_kilometres_no_page_shows_how_amounts_are_kept(shared_shop: App) -> None:
    pages = seen_by(shared_shop)
    assert not [path for path, text in pages.items() if OPEN in text]
    assert re.search(r"\d km, \d+ m of climbing", pages["/rides/1"])
    assert not re.search(r"\d (mi|mph|ft)\b|\d °F", "".join(pages.values()))


def test_no_mail_does(abroad: App) -> None:
    for day in range(8):
        one_round(abroad, now=NOW + timedelta(days=day))
    files = sorted((abroad.settings.home / "mail").glob("*.eml"))
    assert files
    whole = ""
    for file in files:
        mail = email.message_from_bytes(file.read_bytes(), policy=email.policy.default)
        texts = [part.get_content() for part in mail.walk() if part.get_content_maintype() == "text"]
        for text in (str(mail["subject"]), *texts):
            assert left_over(unescape(text)) == [], file
            assert OPEN not in text, file
            whole += text
    assert re.search(r"\d mi\b|\d in of rain", whole)


@pytest.mark.parametrize(
    "words", [("rides",), ("due",), ("why", "1"), ("rides", "1"), ("limits",), ("chains",), ("outlook",)]
)
def test_no_list_of_the_command_line_does(
    abroad: App, words: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    run([*words, "--home", str(abroad.settings.home)])
    said = capsys.readouterr().out
    assert OPEN not in said
    assert left_over(said) == []


def test_what_programs_read_stays_in_si(abroad: App, capsys: pytest.CaptureFixture[str]) -> None:
    run(["rides", "--json", "--home", str(abroad.settings.home)])
    by_command = capsys.readouterr().out
    page = TestClient(create_app(abroad, clock=lambda: NOW), base_url=HERE, follow_redirects=True)
    by_page = [
        page.get(path).text for path in ("/api/v1/reminders/1", "/api/v1/chains", "/export/reminders.json")
    ]
    assert json.loads(by_command)[0]["distance_m"] > 0
    assert not [text for text in (by_command, *by_page) if OPEN in text]
    assert any(" mm of rain" in text for text in by_page)


def test_the_unit_beside_a_field_is_the_one_that_is_taken(abroad: App) -> None:
    page = TestClient(create_app(abroad, clock=lambda: NOW), base_url=HERE, follow_redirects=True)
    html = page.get("/rides").text
    token = re.search(r'name="the_page" value="([^"]+)"', html)
    assert token
    assert re.search(r'name="distance"[^>]*> mi, if you know', html)
    rider, bike = re.search(r'name="rider">.*?value="(\d+)"', html, re.DOTALL), "1"
    told = {
        "the_page": token[1], "rider": rider[1] if rider else "1", "bike": bike, "minutes": "60",
        "at": f"{NOW - timedelta(days=3):%Y-%m-%dT%H:%M}", "distance": "10",
    }  # fmt: skip
    assert page.post("/rides/tell", data=told).status_code == 200
    with abroad.store.reading() as tx:
        assert 16_093 in [round(ride.distance_m) for ride in tx.ledger().rides]


def test_units_are_chosen_on_the_page_and_in_the_first_hour(
    page: TestClient, shop: App, token: Token
) -> None:
    form = {"units.distance": "miles", "units.temperature": "°C", "units.rain": "mm"}
    page.post("/settings/set/units", data={"the_page": token(), **form})
    assert 'distance = "miles"' in (shop.settings.home / SETTINGS_FILE).read_text()
    assert re.search(r"\d mi, [\d,]+ ft of climbing", page.get("/rides/1").text)
    page.post(
        "/begin/riders",
        data={"the_page": token(), "time_zone": "Africa/Johannesburg", "read": "km, °C and mm"},
    )
    assert re.search(r"\d km, \d+ m of climbing", page.get("/rides/1").text)


def test_a_told_ride_s_miles_are_miles_on_the_command_line_too(abroad: App) -> None:
    home = str(abroad.settings.home)
    words = ["add", "ride", "60", "--on", "Plover", "--at", "3 days ago 10:00", "--miles", "10", "--yes"]
    assert run([*words, "--home", home]) == 0
    with abroad.store.reading() as tx:
        assert 16_093 in [round(ride.distance_m) for ride in tx.ledger().rides]
