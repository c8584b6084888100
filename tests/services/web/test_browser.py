"""The main jobs in a real browser, with JavaScript and without; no request leaves this machine."""

from __future__ import annotations

import time
from contextlib import nullcontext
from datetime import timedelta

import pytest
from playwright.sync_api import Browser, Locator, Page, Route, expect

from rules.reminder import ReminderKind, Step
from rules.vocabulary import DecidedBy
from tests.put_into import into
from tests.services.web.browser import a_tab
from tests.services.web.conftest import Served
from tests.services.web.small_household import NOW, SCRIPT
from tests.services.web.test_pages import standing

with_and_without_scripts = pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no scripts"])


def wet_chain(page: Page) -> Locator:
    """The first row of the bench that asks for a wet chain to be wiped and dripped."""
    return page.locator(".bike").filter(has=page.locator("h3", has_text="Wipe, dry and drip")).first


@with_and_without_scripts
def test_read_why_a_reminder_is_there(browser: Browser, served_to_look: Served, scripts: bool) -> None:
    with a_tab(browser, served_to_look.url, scripts=scripts) as page:
        page.goto("/")
        item = wet_chain(page)
        item.get_by_role("link", name="Why").click()
        expect(page.get_by_role("heading", level=1)).to_contain_text("Why wipe, dry and drip")
        expect(page.locator("tr.crossing")).to_contain_text("4.1 mm of rain in the hour")


@with_and_without_scripts
def test_correct_a_bike_see_the_reminder_withdrawn_and_undo_it(
    browser: Browser, served: Served, scripts: bool
) -> None:
    number = standing(served.shop, ReminderKind.WIPE_AND_DRIP)
    held: list[Route] = []  # a slow line: who is quick has chosen before the script is there
    with a_tab(browser, served.url, scripts=scripts) as page:
        page.goto(f"/why/{number}")
        page.route("**/page.js", lambda route: held.append(route), times=1)
        with page.expect_request("**/page.js") if scripts else nullcontext():
            page.locator("table.trace a").first.click()
        form = page.locator("#bike form").first
        form.get_by_role("combobox").select_option("none")
        if scripts:
            held[0].continue_()
            expect(form.locator("output")).to_contain_text("Withdrawn: Wipe, dry and drip")
            form.get_by_role("combobox").select_option("")
            expect(form.locator("output")).to_be_empty()
            form.get_by_role("combobox").select_option("none")
            expect(form.locator("output")).to_contain_text("Withdrawn: Wipe, dry and drip")
        else:
            form.get_by_role("button", name="Show what changes").click()
            expect(page.locator("#supposed")).to_contain_text("Withdrawn: Wipe, dry and drip")
        with served.shop.store.reading() as tx:
            assert tx.reminders.get(number).is_open
        page.locator("#bike form").first.get_by_role("button", name="Say so").click()
        expect(page.locator(".flash")).to_contain_text("Withdrawn")
        with served.shop.store.reading() as tx:
            assert tx.reminders.get(number).state is Step.WITHDRAWN
        page.get_by_role("button", name="Undo this").click()
        expect(page.locator(".flash")).to_contain_text("Undone")
        page.goto("/")
        expect(page.locator(".hands")).to_contain_text("Wipe, dry and drip")


@with_and_without_scripts
def test_log_a_drip_in_one_gesture_and_undo(browser: Browser, served: Served, scripts: bool) -> None:
    with a_tab(browser, served.url, scripts=scripts) as page:
        page.goto("/")
        before = page.locator(".hands > li").count()
        wet_chain(page).get_by_role("button", name="Wiped and dripped").click()
        expect(page.locator(".flash")).to_contain_text("Drip logged on")
        page.wait_for_load_state()  # the list stands below what was waited for
        assert page.locator(".hands > li").count() < before
        page.get_by_role("button", name="Undo this").click()
        expect(page.locator(".flash")).to_contain_text("Undone: drip logged")
        expect(page.locator(".hands > li")).to_have_count(before)


@with_and_without_scripts
def test_care_for_another_day_is_logged(browser: Browser, served: Served, scripts: bool) -> None:
    with a_tab(browser, served.url, scripts=scripts) as page:
        page.goto("/care")
        page.get_by_role("link", name="Immersed").click()
        form = page.locator("form#treatment")
        for box in form.get_by_role("checkbox").all():
            box.uncheck()
        form.get_by_role("checkbox", name="Plover's chain").check()
        form.get_by_label("on", exact=True).check()
        form.get_by_label("On which day").fill("2025-01-11T20:15")
        form.get_by_role("button", name="Immersed, as ticked").click()
        expect(page.locator(".flash")).to_contain_text("Immersion logged on")
        expect(page.locator("#logged")).to_contain_text("11 January 2025, 20:15")


def test_a_weeks_answers_by_keyboard_alone_in_under_a_minute(browser: Browser, served: Served) -> None:
    with a_tab(browser, served.url) as page:
        page.goto("/rides/answer")
        begun = time.monotonic()
        asked = page.locator(".answers fieldset").count()
        assert asked >= 2
        for position in range(asked):
            page.keyboard.press("0" if position == asked - 1 else "2" if position % 2 else "1")
        page.keyboard.press("ArrowUp")
        page.keyboard.press("Delete")
        page.keyboard.press("1")
        page.keyboard.press("Enter")
        expect(page.locator(".flash")).to_contain_text("rides on")
        assert time.monotonic() - begun < 60
    with served.shop.store.reading() as tx:
        answered = [tx.rides.ride(one.id) for one in tx.rides.rides(text="whose")]
    assert {ride.decided_by for ride in answered} == {DecidedBy.RIDER}


def test_a_question_is_answered_without_scripts(browser: Browser, served: Served) -> None:
    with a_tab(browser, served.url, scripts=False) as page:
        page.goto("/rides/answer")
        expect(page.locator(".keys")).to_be_hidden()
        page.locator(".answers fieldset").first.get_by_label("Plover").check()
        page.get_by_role("button", name="Keep all answers").click()
        expect(page.locator(".flash")).to_contain_text("on Plover")


def test_drawings_read_out_by_arrow_keys_and_by_pointer(browser: Browser, served_to_look: Served) -> None:
    with a_tab(browser, served_to_look.url) as page:
        page.goto("/chains/1")
        plot = page.locator("figure.plot").filter(has=page.locator("[data-value]")).first
        plot.focus()
        heard = []
        for _ in range(plot.locator("[data-value]").locator("visible=true").count()):
            page.keyboard.press("ArrowRight")
            heard.append(plot.locator("output").inner_text())
        assert len(set(heard)) == len(heard)
        assert any("grit-hours" in words for words in heard)
        assert any("immersion" in words for words in heard)
        assert any("0.19 %" in words for words in heard)
        page.keyboard.press("ArrowLeft")
        expect(plot.locator("output")).to_have_text(heard[-2])
        plot.locator("[data-value]").locator("visible=true").first.hover(force=True)
        expect(plot.locator("output")).to_have_text(heard[0])


def test_a_title_with_a_script_runs_nowhere(browser: Browser, served_to_look: Served) -> None:
    with a_tab(browser, served_to_look.url) as page:
        opened: list[str] = []
        page.on("dialog", lambda dialog: (opened.append(dialog.message), dialog.dismiss()))
        page.goto("/rides?text=script")
        page.locator("tr", has_text=SCRIPT).get_by_role("link").click()
        expect(page.get_by_role("heading", level=1)).to_have_text(SCRIPT)
        page.goto("/rides/answer")
        assert opened == []


def test_five_bikes_and_their_questions_stand_on_one_screen(browser: Browser, served: Served) -> None:
    with served.shop.store.writing() as tx:
        rider = tx.equipment.riders()[0].id
        for number in range(3):
            bike = into(tx).add_bike(f"Crake {number}", rider, chainrings=(40,), cogs=(11, 15, 21, 30))
            chain = into(tx).add_chain(f"Slate {number}")
            into(tx).fit_chain(chain.id, bike.id, NOW - timedelta(days=3))
    with a_tab(browser, served.url, width=1280) as page:
        page.goto("/")
        assert page.locator(".bike").count() == 5
        assert page.locator(".hands > .bike").count() >= 1
        for part in page.locator(".bike, .ask").all():
            box = part.bounding_box()
            assert box is not None
            assert box["y"] + box["height"] <= 800


def test_the_whole_page_is_used_from_the_keyboard(browser: Browser, served_to_look: Served) -> None:
    with a_tab(browser, served_to_look.url) as page:
        page.goto("/")
        page.keyboard.press("Tab")
        expect(page.get_by_role("link", name="To the page itself")).to_be_focused()
        page.keyboard.press("Enter")
        expect(page.locator("#main")).to_be_focused()
        for _ in range(3):
            page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.matches(':focus-visible')")
