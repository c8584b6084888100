"""A form that is not taken comes back as it was typed, with what is wrong said at its field."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from lxml import html as markup
from lxml.html import HtmlElement
from playwright.sync_api import Browser, expect
from starlette.testclient import TestClient

from services.app import App
from services.web.context import MOST_TYPED
from services.web.refused_form import RefusedForm, shown_again
from tests.services.web.conftest import HERE, Served

Token = Callable[[], str]


def sent(page: TestClient, token: Token, came_from: str, path: str, form: dict[str, object]) -> HtmlElement:
    """The page that follows a form sent from another, as a browser sends it."""
    answer = page.post(path, data={"the_page": token(), **form}, headers={"referer": f"{HERE}{came_from}"})
    assert answer.status_code == 200
    assert answer.url.path == came_from.partition("?")[0]
    return markup.document_fromstring(answer.text)


def wrong_at(document: HtmlElement) -> tuple[str, str]:
    """The sentence, and the name of the field it describes."""
    (said,) = document.xpath('//*[@id="wrong"]')
    fields = document.xpath('//*[@aria-describedby="wrong"]/@name')
    return said.text_content(), fields[0] if fields else ""


CASES = [
    (
        "/care",
        "/care/treatment",
        {"kind": "drip", "chain": "1", "minutes": "ten"},
        "minutes",
        "is no number; write it as 6 or 6.5",
    ),
    (
        "/care",
        "/care/treatment",
        {"kind": "drip", "chain": "1", "minutes": "1e309"},
        "minutes",
        "must be from 0",
    ),
    ("/care", "/care/treatment", {"kind": "drip", "minutes": "8"}, "chain", "Choose a chain."),
    (
        "/care",
        "/care/treatment",
        {"kind": "drip", "chain": "1", "when": "then", "at": "2031-01-01T10:00"},
        "at",
        "has not come yet",
    ),
    (
        "/care/reading",
        "/care/reading",
        {"chain": "1", "tool": "ruler", "exact": "99"},
        "exact",
        "The elongation",
    ),
    (
        "/care/reading",
        "/care/reading",
        {"chain": "1", "tool": "gauge", "over": "0.5", "under": "0.25"},
        "over",
        "leave nothing between",
    ),
    ("/settings/riders", "/settings/riders", {"name": "Bo", "email": "nobody"}, "email", "no mail address"),
    (
        "/settings/riders",
        "/settings/riders",
        {"name": "Bo", "time_zone": "Mars/One"},
        "time_zone",
        "no time zone",
    ),
    ("/settings/bikes", "/settings/bikes", {"name": "plover", "owner": "1"}, "name", "already"),
    (
        "/settings/bikes",
        "/settings/bikes",
        {"name": "Rook", "owner": "1", "cogs": "11-99"},
        "cogs",
        "99 teeth",
    ),
    (
        "/settings/bikes",
        "/settings/bikes",
        {"name": "Rook", "owner": "1", "unpaved": "160"},
        "unpaved",
        "0 %",
    ),
    (
        "/settings/bikes",
        "/settings/bikes",
        {"name": "Rook", "owner": "1", "wheel_mm": "21"},
        "wheel_mm",
        "0.5",
    ),
    ("/settings/chains", "/settings/chains", {"name": "Tin", "regime": "waxed", "links": "3"}, "links", "40"),
    (
        "/rides",
        "/rides/tell",
        {"rider": "1", "bike": "1", "at": "2025-01-01T10:00", "minutes": "0"},
        "minutes",
        "1",
    ),
    ("/settings/bikes", "/settings/bikes", {"bike": "1", "name": "Harrier", "owner": "1"}, "name", "already"),
]


@pytest.mark.parametrize(("came_from", "path", "form", "field", "words"), CASES)
def test_what_is_wrong_stands_at_its_field_and_all_that_was_typed_is_still_there(
    page: TestClient,
    shop: App,
    token: Token,
    came_from: str,
    path: str,
    form: dict[str, object],
    field: str,
    words: str,
) -> None:
    with shop.store.reading() as tx:
        before = tx.writes()
    document = sent(page, token, came_from, path, form)

    sentence, at = wrong_at(document)
    assert words in sentence
    assert at == field
    (said,) = document.xpath('//*[@id="wrong"]')
    kept = next(said.iterancestors("form"))
    assert kept.action == path
    assert not [one for one in kept.iterancestors("details") if one.get("open") is None]
    fields = dict(kept.form_values())
    assert {name: fields.get(name) for name in form} == form
    with shop.store.reading() as tx:
        assert tx.writes() == before


def test_ticks_and_choices_come_back_as_they_were_set(page: TestClient, token: Token) -> None:
    form = {
        "kind": "wipe",
        "chain": ["1", "3"],
        "when": "yesterday",
        "minutes": "x",
        "note": "“two” <of> them",
    }
    document = sent(page, token, "/care?did=wipe", "/care/treatment", form)

    kept = next(document.xpath('//*[@id="wrong"]')[0].iterancestors("form"))
    values = kept.form_values()
    assert sorted(value for name, value in values if name == "chain") == ["1", "3"]
    assert dict(values)["when"] == "yesterday"
    assert dict(values)["note"] == "“two” <of> them"


def test_a_no_to_a_question_leads_back_to_what_was_typed(page: TestClient, token: Token) -> None:
    form = {"the_page": token(), "kind": "oil", "chain": "1", "minutes": "7"}
    asked = page.post("/care/treatment", data=form, headers={"referer": f"{HERE}/care?did=oil"})
    assert "is waxed: oil it all the same?" in asked.text
    no = markup.document_fromstring(asked.text).xpath('//a[text()="No, go back"]/@href')[0]
    document = markup.document_fromstring(page.get(no).text)
    assert document.xpath('//input[@name="minutes"]/@value') == ["7"]
    assert not document.xpath('//*[@id="wrong"]')


def test_who_comes_from_elsewhere_or_types_a_book_gets_the_sentence_alone(
    page: TestClient, token: Token
) -> None:
    form = {"the_page": token(), "kind": "drip", "chain": "1", "minutes": "ten"}
    for headers, more in (
        ({}, {}),
        ({"referer": "http://elsewhere.invalid/care"}, {}),
        ({"referer": f"{HERE}/care"}, {"extra": "x" * MOST_TYPED}),
    ):
        answer = page.post("/care/treatment", data={**form, **more}, headers=headers)
        assert answer.status_code == 422
        assert "is no number; write it as 6 or 6.5" in answer.text


def test_a_time_that_came_twice_is_asked_for_in_a_field_that_takes_an_offset() -> None:
    page = (
        '<html><main id="main"><form method="post" action="/x"><input type="datetime-local" name="at"></form>'
    )
    for sentence, kind in (
        ("02:30 came twice in Europe/Madrid", "text"),
        ("It is to come.", "datetime-local"),
    ):
        refused = RefusedForm("/x", (("at", "2025-10-26T02:30"),), sentence, "at")
        assert f'<input type="{kind}" name="at" value="2025-10-26T02:30"' in shown_again(page, refused)


def test_where_no_such_form_stands_the_sentence_does() -> None:
    page = '<!doctype html><html><body><main id="main"><h1>Here</h1></main></body></html>'
    again = markup.document_fromstring(shown_again(page, RefusedForm("/gone", (), "That cannot be.")))
    assert again.xpath("//main/p[@id='wrong']")[0].text.startswith("That cannot be.")


def test_in_a_browser_the_field_has_the_focus_and_the_drawings_are_whole(
    browser: Browser, served: Served
) -> None:
    tab = browser.new_page(base_url=served.url)
    tab.goto("/care")
    links = tab.locator(".choice svg.wide path").count()
    tab.get_by_label("Minutes").fill("ten")
    tab.get_by_role("textbox", name="Note").fill("with Tilo")
    tab.locator("form#treatment button").click()
    expect(tab.locator("#wrong")).to_contain_text("“ten” is no number; write it as 6 or 6.5")
    expect(tab.get_by_label("Minutes")).to_be_focused()
    expect(tab.get_by_label("Minutes")).to_have_value("ten")
    expect(tab.get_by_role("textbox", name="Note")).to_have_value("with Tilo")
    expect(tab.locator(".choice svg.wide path")).to_have_count(links)
    assert tab.locator(".choice svg.wide").first.evaluate("one => one.viewBox.baseVal.width") > 700
    tab.get_by_label("Minutes").fill("10")
    tab.locator("form#treatment button").click()
    expect(tab.locator(".flash")).to_contain_text("logged on")
    tab.close()
