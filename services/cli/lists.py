"""The command that lists: what there is, what was done, what is set; the rows that the page exports."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime, tzinfo
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any

import typer

from rules.dates_and_numbers import local_stamp
from services.cli.output import AsJson, Home, now_utc, open_app, print_json, say, table

if TYPE_CHECKING:
    from services.settings import Settings


class What(StrEnum):
    """What can be listed."""

    RIDERS = "riders"
    BIKES = "bikes"
    CHAINS = "chains"
    FITTINGS = "fittings"
    SENSORS = "sensors"
    CARE = "care"
    REMINDERS = "reminders"
    FILES = "files"
    CHANGES = "changes"
    SETTINGS = "settings"


# What a terminal shows of each row, and how it is headed; --json has all of it.
SHOWN: Mapping[What, Mapping[str, str]] = {
    What.RIDERS: {"name": "rider", "email": "email", "time_zone": "time zone"},
    What.BIKES: {
        "name": "bike",
        "owner": "owner",
        "chain": "chain",
        "unpaved_share": "unpaved",
        "chainrings": "chainrings",
        "cogs": "cogs",
    },
    What.CHAINS: {
        "name": "chain",
        "regime": "regime",
        "where": "where",
        "since_drip_grit_h": "since drip",
        "since_immersion_grit_h": "since immersion",
        "over_life_grit_h": "over life",
        "over_life_drive_h": "drive hours",
    },
    What.FITTINGS: {"chain": "chain", "bike": "bike", "fitted_at": "from", "removed_at": "until"},
    What.SENSORS: {
        "sensor": "sensor",
        "kind": "kind",
        "rides": "rides",
        "first_heard_at": "first heard",
        "last_heard_at": "last heard",
        "sits_on": "sits on",
        "from_at": "from",
        "until_at": "until",
    },
    What.CARE: {
        "at": "when",
        "chain": "chain",
        "fact": "",
        "number": "number",
        "sentence": "what",
        "minutes": "minutes",
        "cost": "cost",
        "note": "note",
    },
    What.REMINDERS: {"reminder": "number", "raised_at": "raised", "state": "state", "headline": "what"},
    What.FILES: {
        "seen_at": "seen",
        "file": "file",
        "became": "became",
        "ride": "ride",
        "why": "why",
        "try_this": "what to do",
    },
    What.CHANGES: {"number": "number", "at": "when", "by": "by", "what": "what", "undone_at": "undone"},
}
NONE_YET = {
    What.RIDERS: "No rider yet: gritledger add rider NAME",
    What.BIKES: "No bike yet: gritledger add bike NAME",
    What.CHAINS: "No chain yet: gritledger add chain NAME --on BIKE",
    What.FITTINGS: "No chain was fitted yet: gritledger fit CHAIN BIKE",
    What.SENSORS: "No sensor was heard yet, and none entered.",
    What.CARE: "Nothing was logged yet: gritledger log drip CHAIN",
    What.REMINDERS: "Nothing was asked for yet.",
    What.FILES: "No file was read yet: gritledger import FOLDER",
    What.CHANGES: "Nothing was said yet that could be undone.",
}
MOST = 50
NEWEST_LAST = (What.FITTINGS, What.CARE, What.REMINDERS)  # as rows; here the newest come first


def list_(
    what: Annotated[What, typer.Argument(help="What to list.", show_default=False)],
    last: Annotated[
        int | None, typer.Option(min=1, help="How many, newest first; 50 by default.", show_default=False)
    ] = None,
    trouble: Annotated[
        bool, typer.Option("--trouble", help="Of files: only those that did not become a ride.")
    ] = False,
    as_json: AsJson = False,
    home: Home = None,
) -> None:
    """List riders, bikes, chains, fittings, sensors, care, reminders, files, what was said, or the settings.

    Examples: gritledger list chains · gritledger list files --trouble · gritledger list changes
    """
    if trouble and what is not What.FILES:
        raise typer.BadParameter("--trouble is about files: gritledger list files --trouble")
    app = open_app(home)
    if what is What.SETTINGS:
        _list_settings(app.settings, as_json)
        return
    from services.use_cases.import_rides import Outcome
    from services.views.export_rows import WAITS, Look, rows_of
    from services.views.json_values import plain

    fine = (Outcome.NEW, Outcome.SAME_OUTING) if trouble else ()
    look = Look(app, now_utc(), most=last or (None if as_json else MOST), but=fine)
    rows: list[Mapping[str, Any]] = list(rows_of(what, look))
    if what in NEWEST_LAST:
        rows.reverse()
    zone = look.zone
    if as_json:
        print_json(plain(one, zone) for one in rows[:last])
        return
    if not rows:
        say("No such file." if trouble else NONE_YET[what])
        return
    limited = what in (*NEWEST_LAST, What.FILES, What.CHANGES) or last is not None
    waiting = sum(one["became"] == WAITS for one in rows) if what is What.FILES else 0
    _show(what, rows[: last or MOST + waiting] if limited else rows, zone)
    if what is What.CHAINS:
        say(
            "Since drip, since immersion and over life are in grit-hours: "
            "drive hours weighted by water, mud and dust."
        )


def _show(what: What, rows: Iterable[Mapping[str, Any]], zone: tzinfo) -> None:
    """These rows as a table; a column of numbers stands to the right."""
    rows, columns = list(rows), SHOWN[what]
    figures = [
        place for place, key in enumerate(columns) if any(isinstance(one[key], int | float) for one in rows)
    ]
    cells = ([_cell(key, one[key], zone) for key in columns] for one in rows)
    table(list(columns.values()), cells, right=figures)


def _cell(key: str, value: Any, zone: tzinfo) -> str:
    """A value as a terminal shows it; "–" = none."""
    if value is None or value in ((), ""):
        return "–"
    if isinstance(value, datetime):
        return local_stamp(value, zone)
    if isinstance(value, tuple):
        return "-".join(map(str, value))
    if key.endswith("_share"):
        return f"{value:.0%}"
    return f"{value:.1f}" if isinstance(value, float) else str(value)


def _list_settings(chosen: Settings, as_json: bool) -> None:
    """Where the settings are and what they say."""
    from services.settings import SETTINGS_FILE, variables_in_force

    said = list(_flat(chosen.model_dump(mode="json")))
    if as_json:
        print_json({"setting": name, "value": value} for name, value in said)
        return
    file = chosen.home / SETTINGS_FILE
    say(f"Settings: {file}" + ("" if file.exists() else " (not there yet: everything is as by default)"))
    if variables := variables_in_force():
        won = "which win over the file" if chosen.use_variables else "not read here: use_variables = false"
        say(f"Variables: {', '.join(variables)} ({won})")
    for name, value in said:
        say(f"  {name} = {'not set' if value is None else json.dumps(value, ensure_ascii=False)}")


def _flat(section: Mapping[str, Any], under: str = "") -> Iterator[tuple[str, Any]]:
    """Every setting by its dotted name; secrets are left out."""
    from services.store.engine import url_of, where

    for name, value in section.items():
        if isinstance(value, dict):
            yield from _flat(value, f"{under}{name}.")
        elif f"{under}{name}" == "database" and value is not None:
            yield name, where(url_of(value))
        elif f"{under}{name}" == "channels.command.argv" and len(value) > 1:
            hidden = f"and {len(value) - 1} more, not shown: they may hold a password"
            yield f"{under}{name}", [value[0], hidden]
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            for number, one in enumerate(value, 1):
                yield from _flat(one, f"{under}{name} {number}: ")
        else:
            yield f"{under}{name}", value
