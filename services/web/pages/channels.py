"""Channels: ways to be reached, what is wrong with them, a test message, letters that were refused."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, Response

from services.channels import ChannelError
from services.messages.sample_letter import sample_letter
from services.settings import SETTINGS_FILE
from services.store import NotFound
from services.use_cases.deliver_letters import try_again
from services.web.context import AContext, APost
from services.web.pages.settings_overview import show_part
from services.web.settings_fields import filled

router = APIRouter(prefix="/settings")


@router.get("/channels")
def channels(context: AContext) -> HTMLResponse:
    """Ways to be reached, and what is wrong with them."""
    with context.app.store.reading() as tx:
        sent = tx.outbox.sent(limit=10)
        waiting, refused = tx.outbox.waiting(), tx.outbox.refused()
    found = [(name, channel.check()) for name, channel in context.app.channels.items()]
    return show_part(
        context,
        "channels",
        channels=found,
        sent=sent,
        waiting=waiting,
        refused=refused,
        forms=filled(context.app.settings, "mail", "ways"),
        file=str(context.app.settings.home / SETTINGS_FILE),
    )


@router.post("/channels/try")
def try_it(context: AContext, posted: APost) -> Response:
    """Send a test message now, and say in the other side's words what became of it."""
    name = posted.text("channel")
    channel = context.app.channels.get(name)
    if channel is None:
        raise NotFound("channel", name, context.app.channels)
    riders = context.snapshot.ledger.riders
    chosen = posted.identity("rider", "a rider") if posted.text("rider") else riders[0].id if riders else 0
    to = next((one.email or "" for one in riders if one.id == chosen), "")
    try:
        channel.send(sample_letter(name, to, now=context.now))
    except ChannelError as error:
        return context.redirect("/settings/channels", f"{name}: not taken: {error}")
    return context.redirect("/settings/channels", f"{name}: the test message was taken.")


@router.post("/channels/again")
def again(context: AContext, posted: APost) -> Response:
    """Take a refused letter up again."""
    number = posted.identity("letter", "a letter")
    try_again(context.app.store, number, now=context.now)
    return context.redirect("/settings/channels", "It is tried again at the next round.")
