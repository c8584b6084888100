"""Settings said on a screen, written into the file that people edit by hand: their comments stay.

The whole file is checked as it is at every start before a byte of it is written.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import tomlkit
from filelock import FileLock
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Table

from services.atomic_write import write_whole
from services.settings import (
    OLD_QUIET_HOURS,
    SETTINGS_FILE,
    Settings,
    SettingsError,
    settings_of,
    settings_text,
    variable_over,
)

PRIVATE = 0o600
PASSWORD_FILE = "mail-password"  # noqa: S105 - the name of a file


def change_settings(home: Path, values: Mapping[str, Any]) -> Settings:
    """Set dotted keys ('quiet_hours.bedtime') to these values; None takes a key away: its default holds.

    `watch` is a list of folders' entries as the file has them. Returns what is set then. Raises SettingsError
    naming the key; the file is as it was.
    """
    path = (home / SETTINGS_FILE).resolve()  # a link to a file kept elsewhere stays one
    with FileLock(f"{home / SETTINGS_FILE}.lock"):
        text = settings_text(home)
        before = settings_of(text, home)
        try:
            document = tomlkit.parse(text)
        except TOMLKitError as error:
            raise SettingsError(f"{path}: not valid TOML ({error}); mend it by hand first") from error
        if OLD_QUIET_HOURS in document:
            document["quiet_hours"] = document.pop(OLD_QUIET_HOURS)
        for key, value in values.items():
            over = variable_over(key, before)
            if over is not None:
                raise SettingsError(
                    f"'{key}' is said by the variable {over}, which wins over the file; change it there, "
                    "or take it away"
                )
            if key == "watch":
                _set_folders(document, value)
            else:
                _set(document, key.split("."), value)
        written = tomlkit.dumps(document)
        try:
            after = settings_of(written, home)
        except SettingsError as error:
            raise SettingsError(str(error).replace(str(home / SETTINGS_FILE), SETTINGS_FILE)) from error
        if written != text:
            write_whole(path, written.encode(), mode=PRIVATE)
    return after


def keep_mail_password(home: Path, password: str) -> Path:
    """Put the mail server's password into a file that its owner alone may read; returns the file."""
    path = home / PASSWORD_FILE
    write_whole(path, password.encode(), mode=PRIVATE)
    return path


def _set(document: tomlkit.TOMLDocument, keys: Sequence[str], value: Any) -> None:
    at: Any = document
    for key in keys[:-1]:
        if key not in at:
            if value is None:
                return
            at[key] = tomlkit.table(is_super_table=key != keys[-2])
        at = at[key]
    last = keys[-1]
    if value is None:
        at.pop(last, None)
    elif last not in at or at[last] != value:
        at[last] = value  # an equal value is left as it was written


def _set_folders(document: tomlkit.TOMLDocument, wanted: Sequence[Mapping[str, Any]]) -> None:
    """Entries that stay keep their comments; those that are wanted no more go."""
    before = document.get("watch")
    kept: list[Table] = [one for one in before if isinstance(one, Table)] if isinstance(before, AoT) else []
    entries = tomlkit.aot()
    for one in wanted:
        table = next((old for old in kept if str(old.get("folder")) == one["folder"]), None)
        if table is None:
            table = tomlkit.table()
        for name in [name for name in table if name not in one]:
            table.pop(name)
        for name, value in one.items():
            if name not in table or table[name] != value:
                table[name] = value
        entries.append(table)
    if not wanted:
        document.pop("watch", None)
    elif before is None:
        document.append("watch", entries)
    else:
        document["watch"] = entries


def folders_as_written(home: Path) -> list[dict[str, Any]]:
    """The watched folders as the file has them, to be changed and set again."""
    entries = tomlkit.parse(settings_text(home)).unwrap().get("watch", [])
    return [dict(one) for one in entries]
