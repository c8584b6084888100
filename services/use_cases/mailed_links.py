"""Links of a club that go by mail: by which channel, and to which page."""

from __future__ import annotations

from services.app import App
from services.channels import Channel
from services.store import FactRefused

MAIL_CHANNELS = ("email", "mail folder")


def mail_of(app: App) -> Channel | None:
    """By which channel links are mailed; None = no mail server is set."""
    return next((app.channels[name] for name in MAIL_CHANNELS if name in app.channels), None)


def link_to(app: App, where: str, token: str) -> str:
    base = app.settings.page.public_url or app.page_url
    if base is None:
        raise FactRefused("Set page.public_url first: that is a link to the page.")
    return f"{base.rstrip('/')}{where}{token}"
