"""An evening at the workshop, in a real browser with a real mail server: one pot, three roles."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, Page, expect

from rules.roles import Role
from rules.vocabulary import TreatmentKind
from tests.mail_server import MailServer, mail_server
from tests.services.web.browser import a_tab
from tests.services.web.club_evening import PASSWORD, Evening, evening, link_in, served
from tests.services.web.test_axe import AXE, EVERY_RULE


@pytest.fixture
def mail() -> Iterator[MailServer]:
    with mail_server(security="none") as running:
        yield running


@pytest.fixture
def night(club_url: str, tmp_path: Path, mail: MailServer) -> Iterator[Evening]:
    with evening(club_url, tmp_path, mail) as made:
        yield made


def look(page: Page, name: str) -> None:
    """On a desk and on a phone in the dark, nothing is wider than the screen and axe finds nothing."""
    page.wait_for_load_state()
    page.evaluate(AXE.read_text(encoding="utf-8"))
    size, dark = page.viewport_size, page.evaluate("matchMedia('(prefers-color-scheme: dark)').matches")
    assert size is not None
    for width, scheme in ((1280, "light"), (360, "dark")):
        page.set_viewport_size({"width": width, "height": 800})
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"), (name, width)
        found = page.evaluate(f"{EVERY_RULE}.then((result) => result.violations)")
        assert [(one["id"], node["html"][:150]) for one in found for node in one["nodes"]] == [], name
    page.set_viewport_size(size)
    page.emulate_media(color_scheme="dark" if dark else "light")


def join(page: Page, link: str, name: str) -> None:
    """Open a mail's link and send its form."""
    page.goto(urlsplit(link).path)
    page.get_by_label("What you are called").fill(name)
    page.get_by_label("A password of your own").fill(PASSWORD)
    page.get_by_role("button", name="Joined").click()
    page.wait_for_url("**/")


@pytest.mark.slow
def test_an_evening_at_the_workshop(
    night: Evening, mail: MailServer, browser: Browser, tmp_path: Path
) -> None:
    """The owner sits at a desk; mechanic and rider have a phone, and the mechanic's is dark."""
    place = f"{tmp_path.parent.name}.example"
    mill = night.household(f"Mill Lane 4 ({tmp_path.parent.name})")
    quay = night.household(f"Quay House ({tmp_path.parent.name})")
    night.invited(mill, f"ines@{place}", Role.OWNER)
    night.person("Ada", (quay, Role.OWNER, None))
    with (
        served(night) as url,
        a_tab(browser, url, width=1280) as owner,
        a_tab(browser, url, width=360, dark=True) as mechanic,
        closing(
            browser.new_context(
                base_url=url, java_script_enabled=False, viewport={"width": 360, "height": 800}
            )
        ) as refused_to,
    ):
        rider = refused_to.new_page()  # a refusal is an error to the console, so nobody listens to it here
        # The owner joins by the mail of whoever runs the club, and invites a mechanic and a rider.
        owner.goto(urlsplit(link_in(mail, f"ines@{place}")).path)
        look(owner, "1 invited")
        join(owner, link_in(mail, f"ines@{place}"), "Ines")
        owner.get_by_role("heading", name="chains want hands").wait_for()
        look(owner, "2 the owner's bench")
        owner.get_by_role("link", name="People").click()
        for who, role, whose in (("marek", "mechanic", ""), ("tomas", "rider", "Tomás")):
            owner.get_by_label("Mail address").fill(f"{who}@{place}")
            owner.locator("select[name=role]").select_option(role)
            if whose:
                owner.locator("select[name=rider]").select_option(label=whose)
            owner.get_by_role("button", name="Invitation sent").click()
            owner.get_by_text(f"{who}@{place} is invited as {role}: the mail is on its way.").wait_for()
        look(owner, "3 people")

        # The mechanic opens the mail's link twice, as scanners do, and joins; the other household follows.
        link = link_in(mail, f"marek@{place}")
        mechanic.goto(urlsplit(link).path)
        join(mechanic, link, "Marek")
        night.invited(quay, f"marek@{place}", Role.MECHANIC)
        mechanic.goto(urlsplit(link_in(mail, f"marek@{place}")).path)
        mechanic.get_by_role("button", name="Joined, as Marek").click()
        mechanic.wait_for_url("**/")
        mechanic.goto("/me")
        mechanic.get_by_role("button", name="Sign out here").click()
        mechanic.wait_for_url("**/sign-in")
        look(mechanic, "4 signing in")
        mechanic.get_by_label("Mail address").fill(f"marek@{place}")
        mechanic.get_by_label("Password").fill(PASSWORD)
        mechanic.get_by_role("button", name="Sign in").click()
        mechanic.get_by_role("heading", name="Whose bench?").wait_for()
        look(mechanic, "5 whose bench")

        # One pot for both households: four chains, one press, one act in each.
        mechanic.get_by_role("link", name="The pot").click()
        mechanic.get_by_role("heading", name="Four chains for tonight’s pot").wait_for()
        expect(mechanic.get_by_text("Careful.")).to_have_count(1)
        look(mechanic, "6 the pot")
        mechanic.get_by_label("Minutes, all together").fill("40")
        mechanic.get_by_role("button", name="Immersed, as ticked").click()
        mechanic.get_by_role("heading", name="No chain for tonight’s pot").wait_for()
        look(mechanic, "7 after the pot")
        for one in (mill, quay):
            with night.club.store(one.number).reading() as tx:
                acts = [change for change in tx.changes.standing() if change.by == "Marek"]
                care = tx.care_ledger().treatments
            assert len(acts) == 1
            assert [(t.kind, t.minutes) for t in care] == [(TreatmentKind.IMMERSION, 10.0)] * 2
        # Taken back by one press, and pressed again.
        mechanic.get_by_role("button", name="Undo all of this").click()
        mechanic.get_by_role("heading", name="Four chains for tonight’s pot").wait_for()
        mechanic.get_by_role("button", name="Immersed, as ticked").click()
        mechanic.get_by_role("heading", name="No chain for tonight’s pot").wait_for()

        # The owner sees it, and who did it.
        owner.goto("/care/log")
        assert owner.get_by_role("cell", name="immersion").count() == 2
        owner.goto("/corrections")
        owner.get_by_role("cell", name="Marek").first.wait_for()
        owner.goto("/")
        owner.get_by_role("heading", name="Nothing needs your hands").wait_for()
        look(owner, "8 the owner sees it")

        # The rider, without JavaScript, looks at all of it and may touch their own.
        join(rider, link_in(mail, f"tomas@{place}"), "Tomás")
        rider.goto("/care")
        rider.get_by_role("checkbox", name="Slate").check()
        rider.get_by_role("button", name="as ticked").click()
        rider.get_by_text("Slate").first.wait_for()
        rider.goto("/care")
        rider.get_by_role("checkbox", name="Amber").check()
        rider.get_by_role("button", name="as ticked").click()
        rider.get_by_text("of their own alone; for others ask an owner").wait_for()
        for closed in (
            "/people",
            "/settings/chains",
            "/settings/limits",
            "/export/rides.csv",
            "/settings/channels",
        ):
            answer = rider.goto(closed)
            assert answer is not None
            assert answer.status == 403, closed
