"""Which settings the page can change, in which words, and how what is typed becomes what the file says."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from services.app import App
from services.settings import Settings, SettingsError
from services.use_cases.change_settings import change_settings
from services.web.forms import FormRefused, Posted

Kind = Literal["text", "path", "time", "whole", "number", "tick", "choice"]


@dataclass(frozen=True, slots=True)
class Entry:
    """One setting: its key in the file, what the page calls it, and what may be said.

    choices: value in the file, and its words.  hint: what the field is for, where its name does not say.
    """

    key: str
    words: str
    kind: Kind = "text"
    choices: tuple[tuple[str, str], ...] = ()
    hint: str = ""


_DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
SECURITY = (
    ("tls", "TLS from the start (tls, usually port 465)"),
    ("starttls", "STARTTLS (usually port 587)"),
    ("loopback only", "none, to this very machine only (loopback only)"),
)
FORMS: Mapping[str, tuple[Entry, ...]] = {
    "mail": (
        Entry("channels.mail.host", "Outgoing server", hint="empty = no mail"),
        Entry("channels.mail.port", "Port", "whole"),
        Entry("channels.mail.security", "Encryption", "choice", SECURITY),
        Entry("channels.mail.user", "Name there"),
        Entry("channels.mail.sender", "Sender", hint="as mails name it"),
        Entry("channels.mail.authority_file", "Certificate authority of a server of your own", "path"),
    ),
    "ways": (
        Entry("channels.desktop", "A note on this machine’s desktop", "tick"),
        Entry("channels.calendar_file", "A calendar file, kept up to date at", "path"),
        Entry("channels.mail_folder", "Mails as files, into the folder", "path"),
    ),
    "quiet": (
        Entry("quiet_hours.quiet_from", "Quiet from", "time"),
        Entry("quiet_hours.quiet_until", "until", "time"),
        Entry("quiet_hours.bedtime", "A wet chain may speak until", "time"),
        Entry(
            "quiet_hours.outlook_weekday",
            "The weekly outlook comes on",
            "choice",
            tuple((str(number), name) for number, name in enumerate(_DAYS)),
        ),
        Entry("quiet_hours.messages_a_month", "At most so many messages a month", "whole"),
        Entry("quiet_hours.every_s", "A round every so many seconds", "number"),
    ),
    "weather": (
        Entry(
            "weather.archive",
            "Weather from",
            "choice",
            (
                ("open-meteo", "the open archive"),
                ("nasa-power", "NASA POWER"),
                ("local", "a file of your own"),
                ("none", "nowhere: every hour stays unknown"),
            ),
        ),
        Entry("weather.local_file", "The file of your own", "path"),
        Entry("weather.stand_by", "NASA POWER stands by for the open archive", "tick"),
        Entry(
            "surface.salted_roads",
            "In winter your roads are salted",
            "choice",
            (("always", "always"), ("usually", "usually"), ("never", "never")),
        ),
        Entry("surface.street_extract", "An extract of the open street map", "path"),
    ),
    "units": (
        Entry(
            "units.distance",
            "Distance, speed and height",
            "choice",
            (("km", "km, km/h and m"), ("miles", "miles, mph and feet")),
        ),
        Entry("units.temperature", "Temperature", "choice", (("°C", "°C"), ("°F", "°F"))),
        Entry("units.rain", "Rain and snow", "choice", (("mm", "mm and cm"), ("inches", "inches"))),
    ),
    "tomorrow": (
        Entry(
            "tomorrow.forecast",
            "Ask a forecast each evening which bike to take",
            "tick",
            hint="one question for the place you ride most",
        ),
        Entry(
            "tomorrow.tell",
            "Tell it, where another bike is worth a word,",
            "choice",
            (
                ("evening", "in the evening"),
                ("morning", "in the morning"),
                ("page only", "on the page alone"),
            ),
        ),
    ),
    "copies": (
        Entry("backup.daily", "A copy of the ledger every day", "tick"),
        Entry("backup.folder", "Copies lie in", "path", hint="another disk outlives this one"),
    ),
    "money": (
        Entry("money.currency", "Currency, as you write it after an amount"),
        Entry("money.cassette", "What a cassette costs", "number"),
        Entry("money.setup", "What setting up for wax cost, once", "number"),
    ),
}


def write(app: App, values: Mapping[str, Any]) -> None:
    """Put these into the settings file, and act by them. Raises FormRefused: the file is as it was."""
    try:
        change_settings(app.settings.home, values)
    except SettingsError as error:
        raise FormRefused(f"That cannot be kept: {error}.") from error
    app.wake()


def filled(settings: Settings, *names: str) -> dict[str, list[tuple[Entry, str]]]:
    """The entries of these forms, each with what its field shows; "" = not set."""
    return {name: [(entry, _value_of(settings, entry)) for entry in FORMS[name]] for name in names}


def _value_of(settings: Settings, entry: Entry) -> str:
    at = _set(settings, entry)
    if at is None:
        return ""
    if entry.kind == "tick":
        return "yes" if at else ""
    return f"{at:g}" if isinstance(at, float) else str(at)


def _set(settings: Settings, entry: Entry) -> Any:
    at: Any = settings
    for part in entry.key.split("."):
        at = getattr(at, part, None)
    return at


def changes(settings: Settings, form: str, posted: Posted) -> dict[str, Any]:
    """What a form says otherwise than the settings, by key, as the file writes it. Raises FormRefused.

    An empty field takes its key away, so that the default holds.
    """
    if form not in FORMS:
        raise FormRefused("There is no such form.", status=404)
    if form == "mail" and not posted.text("channels.mail.host"):
        return {} if settings.channels.mail is None else {"channels.mail": None}
    return dict(_changed(settings, FORMS[form], posted))


def _changed(settings: Settings, entries: tuple[Entry, ...], posted: Posted) -> Iterator[tuple[str, Any]]:
    for entry in entries:
        said = _as_written(entry, posted.text(entry.key), posted)
        is_set = _set(settings, entry)
        if said != (str(is_set) if isinstance(is_set, Path) else is_set):
            yield entry.key, said


def _as_written(entry: Entry, typed: str, posted: Posted) -> Any:
    if entry.kind == "tick":
        return bool(typed)
    if not typed:
        return "" if entry.key == "money.currency" else None
    if entry.kind == "whole" or (entry.kind == "choice" and typed.isdigit()):
        return posted.whole(entry.key, what=entry.words)
    if entry.kind == "number":
        return posted.number(entry.key, what=entry.words)
    if entry.kind == "path":
        return str(Path(typed))
    return typed
