"""One evening: a reminder leaves by SMTP, its link is pressed on a phone in a browser, and it is done."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta

from playwright.sync_api import Browser, expect

from rules.commands import Amend
from rules.reminder import ReminderKind, Step
from services.app import App
from services.running.round import one_round
from services.settings import SETTINGS_FILE
from services.use_cases.record_change import record
from services.wiring import open_app
from tests.mail_server import mail_server
from tests.services.web.browser import a_tab
from tests.services.web.conftest import serving
from tests.services.web.small_household import NOW


def state(shop: App, number: int) -> Step:
    with shop.store.reading() as tx:
        return tx.reminders.get(number).state


def test_from_the_mail_to_done_on_a_phone(browser: Browser, shop: App) -> None:
    with shop.store.reading() as tx:
        wanted = next(
            one.id for one in tx.reminders.standing() if one.reminder.kind is ReminderKind.WIPE_AND_DRIP
        )
    record(shop, Amend("rider", 1, {"email": "ines@plateau.example"}), now=NOW)
    with mail_server(security="none") as post, serving(shop) as served:
        file = shop.settings.home / SETTINGS_FILE
        file.write_text(
            file.read_text() + '\n[channels.mail]\nhost = "localhost"\nsecurity = "loopback only"\n'
            f'port = {post.port}\nsender = "Chains <chains@plateau.example>"\n'
        )
        one_round(replace(open_app(shop.settings.home), page_url=served.url), now=NOW + timedelta(minutes=5))
        (mail,) = post.received
        body = mail.message.get_body(("html",)).get_content()
        links = re.findall(r'<a[^>]*href="([^"]+)"[^>]*>([^<]+)</a>', body)
        (done,) = [address for address, words in links if words.strip() == "Wiped and dripped"]
        assert done.startswith(f"{served.url}/a/")

        with a_tab(browser, served.url, width=360) as page:
            page.goto(done)
            assert state(shop, wanted) is not Step.DONE  # a scanner that opens links has changed nothing
            page.get_by_role("button", name="Yes, write it down").click()
            expect(page.get_by_role("heading", level=1)).to_have_text("Written down")
            assert state(shop, wanted) is Step.DONE
            answered = page.context.request.get(done)  # as a scanner that comes late
            assert answered.status == 410
            assert "Nothing to write" in answered.text()
            assert "Yes, write it down" not in answered.text()
