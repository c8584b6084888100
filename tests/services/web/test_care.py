"""Care tonight: several chains in one act, each caution once; and the sheet for the bench."""

from __future__ import annotations

import html as htmllib
import io
import re
from collections.abc import Callable
from datetime import timedelta

import pytest
import segno
from PIL import Image
from playwright.sync_api import Browser, Page
from starlette.testclient import TestClient

from rules.vocabulary import TreatmentKind
from services.app import App
from services.web.app import create_app
from tests.services.web.browser import a_tab
from tests.services.web.conftest import HERE, serving
from tests.services.web.small_household import NOW, with_page
from tests.services.web.test_passphrase import PASSPHRASE, QUICK

Token = Callable[[], str]
DANGER = "Hot wax burns skin and can catch fire"


def ticked(html: str) -> set[str]:
    return set(re.findall(r'name="chain" value="(\d+)" checked', html))


def test_the_page_opens_with_what_is_most_pressing_its_chains_ticked_and_one_caution(
    look: TestClient,
) -> None:
    html = look.get("/care").text
    assert 'name="kind" value="drip"' in html
    assert ticked(html)
    assert html.count("<b>Careful.</b>") == 1
    assert DANGER not in html
    assert look.get("/care", params={"did": "immersion"}).text.count(DANGER) == 1


def test_chains_that_are_asked_about_come_ticked_and_no_other(look: TestClient) -> None:
    assert ticked(look.get("/care", params={"did": "immersion", "chain": ["1", "2"]}).text) == {"1", "2"}
    assert 'name="kind" value="oil"' in look.get("/care", params={"chain": "3"}).text
    assert look.get("/care", params={"did": "polish"}).status_code == 404


def test_several_chains_are_one_act_and_one_undo(page: TestClient, shop: App, token: Token) -> None:
    with shop.store.reading() as tx:
        before = len(tx.care.treatments())
    form = {"the_page": token(), "kind": "immersion", "chain": ["1", "2"], "minutes": "50", "when": "now"}
    html = htmllib.unescape(page.post("/care/treatment", data=form).text)
    assert "Immersion logged on Plover's chain and Harrier's chain" in html
    with shop.store.reading() as tx:
        newest = sorted(tx.care.treatments(), key=lambda one: one.id)[-2:]
        last = tx.changes.last()
    assert [(one.chain, one.minutes, one.done_at) for one in newest] == [(1, 25.0, NOW), (2, 25.0, NOW)]
    assert last is not None
    page.post(f"/corrections/{last.number}/undo", data={"the_page": token()})
    with shop.store.reading() as tx:
        assert len(tx.care.treatments()) == before


def test_yesterday_is_the_evening_and_a_date_is_that_date(page: TestClient, shop: App, token: Token) -> None:
    form = {"the_page": token(), "kind": "wipe", "chain": "1"}
    page.post("/care/treatment", data={**form, "when": "yesterday"})
    page.post("/care/treatment", data={**form, "when": "then", "at": "2025-01-09T19:30"})
    with shop.store.reading() as tx:
        evening, date = sorted(tx.care.treatments(), key=lambda one: one.id)[-2:]
    assert evening.done_at == (NOW - timedelta(days=1)).replace(hour=20, minute=0)
    assert (evening.kind, f"{date.done_at:%Y-%m-%d %H:%M}") == (TreatmentKind.WIPE, "2025-01-09 19:30")
    refused = page.post("/care/treatment", data={**form, "when": "then"})
    assert (refused.status_code, "Say when it was." in refused.text) == (422, True)
    none = page.post("/care/treatment", data={"the_page": token(), "kind": "wipe"})
    assert (none.status_code, "Choose a chain." in none.text) == (422, True)


def test_what_was_logged_is_found_by_chain_and_by_kind(look: TestClient) -> None:
    whole = look.get("/care/log").text
    assert "8 lines." in whole
    drips = look.get("/care/log", params={"what": "drip", "chain": "1"}).text
    assert "1 line." in drips
    assert "0 lines." in look.get("/care/log", params={"what": "drip", "chain": "3"}).text


def test_the_sheet_says_that_no_phone_reaches_the_page_until_it_is_told_where(look: TestClient) -> None:
    html = look.get("/care/sheet").text
    assert "page.public_url" in html
    assert '<svg class="code"' not in html
    assert "Wipe with a dry rag" in html
    assert html.count("Keep fingers, hair and sleeves away") == 1


def within_reach_of_a_phone(shop: App) -> App:
    """What others can reach wants a passphrase."""
    file = shop.settings.home / "passphrase"
    file.write_text(QUICK.hash(PASSPHRASE))
    file.chmod(0o600)
    return with_page(shop, public_url="http://192.0.2.7:8765", passphrase_file=file)


def open_the_sheet(page: Page) -> None:
    page.goto("/sign-in")
    page.get_by_label("Passphrase").fill(PASSPHRASE)
    page.get_by_role("button", name="Open").click()
    page.wait_for_url("**/")
    page.goto("/care/sheet")


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_the_code_on_the_sheet_leads_to_it_and_stands_black_on_white(
    browser: Browser, shop: App, dark: bool
) -> None:
    address = "http://192.0.2.7:8765/care/sheet"
    with (
        serving(within_reach_of_a_phone(shop)) as served,
        a_tab(browser, served.url, dark=dark) as page,
    ):
        open_the_sheet(page)
        shot = Image.open(io.BytesIO(page.locator("svg.code").screenshot())).convert("L")
    wanted = list(segno.make(address, error="m", micro=False).matrix_iter(border=2))
    size = shot.width / len(wanted)
    seen = [
        [shot.getpixel((int((x + 0.5) * size), int((y + 0.5) * size))) < 128 for x in range(len(wanted))]
        for y in range(len(wanted))
    ]
    assert seen == [[bool(module) for module in row] for row in wanted]


def test_the_sheet_is_one_page_of_a4(browser: Browser, shop: App) -> None:
    with (
        serving(within_reach_of_a_phone(shop)) as served,
        a_tab(browser, served.url) as page,
    ):
        open_the_sheet(page)
        paper = page.pdf(prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page\b", paper)) == 1
    width, height = map(float, re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", paper)[0])
    assert (round(width), round(height)) == (595, 842)  # ISO 216: 210 × 297 mm, in points of 1/72 inch


def test_a_chain_is_looked_at_even_when_there_is_none(tmp_path: object) -> None:
    from pathlib import Path

    from services.wiring import open_app

    shop = open_app(Path(str(tmp_path)))
    client = TestClient(create_app(shop, clock=lambda: NOW), base_url=HERE)
    assert "No chain is known yet" in client.get("/care").text
    assert "there is nothing to print" in client.get("/care/sheet").text
    shop.store.close()
