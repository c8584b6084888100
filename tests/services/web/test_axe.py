"""axe-core on every page, light and dark; and the contrast of every colour pair that text is set in."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import axe_playwright_python
import pytest
from playwright.sync_api import Browser, Page

from services.answer_links import Act, AnswerLink
from tests.services.web.browser import a_tab
from tests.services.web.conftest import Served
from tests.services.web.small_household import NOW
from tests.services.web.test_pages import PAGES

AXE = next(Path(axe_playwright_python.__file__).parent.rglob("axe.min.js"))
# Every violation of every rule; what passes is not listed place by place.
EVERY_RULE, COLOURS = "axe.run({ resultTypes: ['violations'] })", "axe.run({ runOnly: ['color-contrast'] })"
STYLES = Path(__file__).parents[3] / "services" / "web" / "static"


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_axe_finds_nothing_where_a_mail_is_answered(
    browser: Browser, served_to_look: Served, dark: bool
) -> None:
    axe, shop = AXE.read_text(encoding="utf-8"), served_to_look.shop
    with shop.store.reading() as tx:
        reminder, asked = tx.reminders.standing()[0].id, tx.rides.confirm_list()[0].id
    until = NOW + timedelta(days=1)
    links = [
        f"/a/{AnswerLink(act, number, until, bike).token(shop.answer_key)}"
        for act, number, bike in (
            (Act.DONE, reminder, 0),
            (Act.PUT_OFF, reminder, 0),
            (Act.IT_WAS, asked, 1),
            (Act.IT_WAS, asked, None),
        )
    ]
    with a_tab(browser, served_to_look.url, width=360, dark=dark) as page:
        for path in (*links, "/careful"):
            page.goto(path)
            page.evaluate(axe)
            found = page.evaluate(f"{EVERY_RULE}.then((result) => result.violations.map((one) => one.id))")
            assert found == [], path
            assert page.evaluate("document.documentElement.scrollWidth") <= 360, path


def test_axe_finds_nothing_on_any_page_and_each_fits_a_phone(
    browser: Browser, served_to_look: Served
) -> None:
    """Every rule in the light; in the dark, where only colours differ, those of colours; then a phone."""
    axe = AXE.read_text(encoding="utf-8")
    found = []
    with a_tab(browser, served_to_look.url) as page:
        for path in PAGES:
            page.set_viewport_size({"width": 1200, "height": 800})
            page.emulate_media(color_scheme="light")
            page.goto(path)
            page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true })")
            # The page's own policy forbids script tags, so axe comes in by the debugger's door.
            page.evaluate(axe)
            for scheme, run in (("light", EVERY_RULE), ("dark", COLOURS)):
                page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
                for one in page.evaluate(f"{run}.then((result) => result.violations)"):
                    found += [f"{scheme} {path}: {one['id']}: {n['html'][:200]}" for n in one["nodes"]]
            found += [f"{path}: {what}" for what in amiss_on_a_phone(page)]
    assert found == []


def amiss_on_a_phone(page: Page) -> Iterator[str]:
    """200 % zoom of a 720 px window leaves 360 px, 400 % of 1280 leaves 320 px (WCAG 2.2 SC 1.4.10).

    A box to tick has 24 by 24 px at least (SC 2.5.8).
    """
    for width in (360, 320):
        page.set_viewport_size({"width": width, "height": 800})
        sizes = page.evaluate(
            "[...document.querySelectorAll('[type=checkbox], [type=radio]')].map((one) => "
            "{ const box = one.getBoundingClientRect(); return Math.min(box.width, box.height) })"
        )
        if not all(size >= 24 for size in sizes):
            yield f"a box of {min(sizes)} px at a width of {width}"
        if not page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth"):
            yield f"wider than {width} px"


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it (https://www.w3.org/TR/WCAG22/#dfn-relative-luminance)."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio as WCAG 2.2 defines it, 1 to 21."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_is_reckoned_as_the_standard_does() -> None:
    # WCAG 2.2: black on white is 21; #767676 on white is the usual example of 4.54 (from memory).
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("scheme", [0, 1], ids=["light", "dark"])
def test_text_has_the_contrast_that_axe_cannot_see(scheme: int) -> None:
    """WCAG 2.2 SC 1.4.3: 4.5 for text; SC 1.4.11: 3 for the edges of what can be used."""
    css = (STYLES / "page.css").read_text(encoding="utf-8")
    colours = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", css.split("prefers-color-scheme")[scheme]))
    for text in ("ink", "soft", "act"):
        for ground in ("paper", "card", "said"):
            assert contrast(colours[text], colours[ground]) >= 4.5, (text, ground)
    assert contrast(colours["on-act"], colours["act"]) >= 4.5
    for ground in ("paper", "card"):
        assert contrast(colours["edge"], colours[ground]) >= 3.0, ground
