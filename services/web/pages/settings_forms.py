"""What the settings file says, said on the page: ways to be reached, quiet hours, folders, copies, money."""

from __future__ import annotations

from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, Response

from ingest.errors import UnreadableFile
from ingest.files.folder import scan
from rules.commands import Amend
from rules.dates_and_numbers import clock, day
from rules.vocabulary import Rider
from services.channels import ChannelError
from services.messages.sample_letter import sample_letter
from services.settings import Watched
from services.use_cases.autostart import autostart_here, by_systemd, remove, switch_on
from services.use_cases.change_settings import folders_as_written, keep_mail_password
from services.use_cases.deliver_letters import try_all_again
from services.use_cases.record_change import record
from services.web.context import AContext, APost, RequestContext
from services.web.forms import FormRefused, Posted
from services.web.pages import begin
from services.web.pages.corrections import back_of
from services.web.pages.settings_overview import show_part
from services.web.settings_fields import changes, filled, write

router = APIRouter()
FORM_PAGE = {"mail": "channels", "ways": "channels", "quiet": "quiet"}
GUESSED_PORT = 465  # RFC 8314 §3.3: submission over TLS from the first byte


@router.get("/settings/quiet")
def quiet(context: AContext) -> HTMLResponse:
    """When reminders may speak."""
    return show_part(context, "quiet", forms=filled(context.app.settings, "quiet"))


@router.get("/settings/more")
def more(context: AContext) -> HTMLResponse:
    """Units, weather, tomorrow's bike, copies, money."""
    names = ("units", "weather", "tomorrow", "copies", "money")
    return show_part(context, "more", forms=filled(context.app.settings, *names))


@router.post("/settings/set/{form}")
def keep(form: str, context: AContext, posted: APost) -> Response:
    """A form of settings: all of it is kept, or none."""
    page = back_of(posted, f"/settings/{FORM_PAGE.get(form, 'more')}")
    values = changes(context.app.settings, form, posted)
    if form == "mail":
        values |= _mail_defaults(context, posted, values)
    if not values:
        return context.redirect(page, "Nothing was changed: it is so already.")
    write(context.app, values)
    return context.redirect(
        page, f"Kept in {context.app.settings.home.name}/settings.toml; it counts from now on."
    )


def _mail_defaults(context: RequestContext, posted: Posted, values: dict[str, Any]) -> dict[str, Any]:
    """A password goes into a file of its own; a mail needs a sender, and a name is one."""
    more: dict[str, Any] = {}
    password = posted.secret("password")
    if password:
        more["channels.mail.password_file"] = keep_mail_password(context.app.settings.home, password).name
    if not values.get("channels.mail.sender") and context.app.settings.channels.mail is None:
        user = values.get("channels.mail.user") or ""
        if "@" not in str(user):
            raise FormRefused("Say from which address mails come: fill in the sender.")
        more["channels.mail.sender"] = f"gritledger <{user}>"
    return more


@router.get("/settings/folders")
def folders(context: AContext) -> HTMLResponse:
    """Which folders are watched, and how each is."""
    return show_part(context, "folders", folders=looked_at(context), starting=_starting(context))


def looked_at(context: RequestContext) -> list[tuple[int, Watched, str]]:
    """Every watched folder with its place in the file, and what a look into it finds."""
    return [(place, one, _look(one.folder, context)) for place, one in enumerate(context.app.settings.watch)]


def _look(folder: Path, context: RequestContext) -> str:
    try:
        found = scan(folder)
    except UnreadableFile as trouble:
        return f"{trouble.why}; {trouble.try_this}"
    if not found:
        return "it is there and may be read; no file yet"
    newest = max(one.modified_ns for one in found.values()) / 1e9
    at = datetime.fromtimestamp(newest, context.zone)
    files = "1 file" if len(found) == 1 else f"{len(found)} files"
    seen = f"{day(at, context.zone)}, {clock(at, context.zone)}"
    return f"it is there and may be read; {files}, the newest of {seen}"


@router.post("/settings/folders")
def add_folder(context: AContext, posted: APost) -> Response:
    """Watch one more folder."""
    home = context.app.settings.home
    typed = posted.need("folder", "which folder new rides land in")
    place = home / Path(typed).expanduser()
    if posted.ticked("make"):
        try:
            place.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise FormRefused(f"{place} cannot be made: {error.strerror}.") from error
    if not place.is_dir():
        raise FormRefused(f"There is no folder {place}. Correct the path, or tick that it is to be made.")
    if any(one.folder == place for one in context.app.settings.watch):
        raise FormRefused(f"{place} is watched already.")
    entry: dict[str, Any] = {"folder": typed}
    rider = posted.text("rider", most=100)
    if rider:
        entry["rider"] = rider
    if posted.ticked("polling"):
        entry["polling"] = True
    write(context.app, {"watch": [*folders_as_written(home), entry]})
    return context.redirect(
        back_of(posted, "/settings/folders"), f"{place} is watched: {_look(place, context)}."
    )


@router.post("/settings/folders/forget")
def forget_folder(context: AContext, posted: APost) -> Response:
    """Watch a folder no more; its files and rides stay."""
    home = context.app.settings.home
    entries, typed = folders_as_written(home), posted.text("folder")
    left = [one for one in entries if str(home / Path(str(one["folder"])).expanduser()) != typed]
    if len(left) == len(entries):
        raise FormRefused(f"{typed} is not watched.")
    write(context.app, {"watch": left})
    return context.redirect("/settings/folders", f"{typed} is watched no more; its files and rides stay.")


@router.post("/settings/starts-by-itself")
def starts_by_itself(context: AContext, posted: APost) -> Response:
    """The watching starts at login from now on, or no more."""
    plan = autostart_here(context.app.settings.home) if by_systemd() else None
    if plan is None:
        raise FormRefused(
            "This machine has no systemd to start it by; in a terminal: gritledger watch --at-login."
        )
    try:
        said = switch_on(plan) if posted.ticked("on") else remove(plan)
    except (OSError, ValueError) as error:
        raise FormRefused(f"That could not be done: {error}.") from error
    return context.redirect("/settings/folders", *said)


def _starting(context: RequestContext) -> tuple[bool, bool]:
    """Whether this machine can start the watching by itself, and whether it was told to."""
    try:
        plan = autostart_here(context.app.settings.home)
    except ValueError:
        plan = None
    return by_systemd() and plan is not None, plan is not None and plan.path.exists()


@router.get("/begin/reminders")
def reminders(context: AContext) -> HTMLResponse:
    """Where reminders go, with a test; and where new rides land."""
    mail = context.app.settings.channels.mail
    return begin.show(
        context,
        "reminders",
        mail=mail,
        entries=filled(context.app.settings, "mail")["mail"],
        desktop="desktop" in context.app.channels,
        folders=looked_at(context),
        quiet_until=begin.coming_quiet(context),
        page_url=context.app.page_url or str(context.request.base_url).rstrip("/"),
    )


@router.post("/begin/mail")
def by_mail(context: AContext, posted: APost) -> Response:
    """Addresses and server are kept, and a test goes out at once; what the server answered is said."""
    riders = context.snapshot.ledger.riders
    for number, address in posted.names("email-"):
        rider = next((one for one in riders if str(one.id) == number), None)
        wanted = address.strip() or None
        if rider is not None and rider.email != wanted:
            record(context.app, Amend("rider", rider.id, {"email": wanted}), now=context.now)
    with context.app.store.reading() as tx:
        reached = [one for one in tx.equipment.riders() if one.email]
    if not reached:
        raise FormRefused("Say at least one address that reminders go to.")
    values = changes(context.app.settings, "mail", posted) if posted.text("channels.mail.host") else {}
    if not values and context.app.settings.channels.mail is None:
        values = _guessed(reached[0])
    values |= _mail_defaults(context, posted, values)
    if values:
        write(context.app, values)
    return context.redirect("/begin/reminders", *_tried(context, "email", reached))


def _guessed(rider: Rider) -> dict[str, Any]:
    """The usual server of an address; common practice, no source: nobody was asked."""
    address = rider.email or ""
    return {
        "channels.mail.host": f"smtp.{address.rpartition('@')[2]}",
        "channels.mail.port": GUESSED_PORT,
        "channels.mail.security": "tls",
        "channels.mail.user": address,
    }


def _tried(context: RequestContext, name: str, riders: list[Rider]) -> list[str]:
    """A test by this channel to each rider, as it is set up by now: what the other side answered."""
    channel = context.shared.app.channels[name]
    said = []
    for rider in riders:
        to = rider.email or ""
        try:
            channel.send(sample_letter(name, to, now=context.now))
        except ChannelError as error:
            said.append(f"The test to {to or rider.name} was not taken: {error}.")
            if error.everything:
                break
        else:
            where = f"The server took the test to {to}" if name == "email" else "The desktop took the test"
            said.append(f"{where} at {clock(context.now, context.zone)}. Look whether it arrived.")
            try_all_again(context.app.store, name, now=context.now)
            context.app.wake()
    return said


@router.post("/begin/desktop")
def on_the_desktop(context: AContext, posted: APost) -> Response:
    """A note on this machine's desktop, and one to see now."""
    del posted
    write(context.app, {"channels.desktop": True})
    riders = list(context.snapshot.ledger.riders[:1])
    said = _tried(context, "desktop", riders) if riders else []
    if any("was not taken" in one for one in said):
        with suppress(FormRefused):
            write(context.app, {"channels.desktop": None})
        said.append("It was switched off again.")
    return context.redirect("/begin/reminders", *said)
