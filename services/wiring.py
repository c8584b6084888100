"""Puts a home folder's tools together from its settings, and equips them with the channels they name."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from rules.vocabulary import ReminderId
from services.app import App
from services.channels import Channel
from services.settings import LEDGER_FILE, SETTINGS_FILE, Settings, SettingsError, default_home, load_settings
from services.store import StoreError
from services.store.private_files import FOLDER, make_private


def open_app(home: Path | None = None) -> App:
    """The tools of a home folder, made if it is not there. Raises SettingsError."""
    place = (home or default_home()).expanduser().absolute()
    try:
        place.mkdir(mode=FOLDER, parents=True, exist_ok=True)
    except OSError as error:
        raise SettingsError(
            f"{place}: this folder cannot be made ({error.strerror}); choose another with --home"
        ) from error
    app = App(load_settings(place), equip=channels_of)
    _close_to_others(app.settings)
    return app


def _close_to_others(settings: Settings) -> None:
    """What older versions left readable by everybody is closed; a folder that is not the ledger's is not."""
    database = settings.home / LEDGER_FILE
    if not database.exists():
        return
    for path in (settings.home, settings.home / SETTINGS_FILE, *settings.home.glob(f"{database.stem}*.db*")):
        make_private(path)
    if settings.channels.mail_folder is not None and settings.channels.mail_folder.is_relative_to(
        settings.home
    ):
        make_private(settings.channels.mail_folder)


def channels_of(app: App) -> Mapping[str, Channel]:
    """The channels that the settings name, by name."""
    chosen = app.settings.channels
    found: list[Channel] = []
    if chosen.mail is not None:
        from services.channels.email import EmailChannel

        found.append(EmailChannel(chosen.mail))
    if chosen.desktop:
        from services.channels.desktop import DesktopChannel

        found.append(
            DesktopChannel(partial(_done_on_the_desktop, app), partial(_put_off_on_the_desktop, app))
        )
    if chosen.calendar_file is not None:
        from services.channels.calendar import CalendarChannel
        from services.views.calendar_entries import entries

        found.append(CalendarChannel(chosen.calendar_file, lambda: entries(app, now=datetime.now(UTC))))
    if chosen.command is not None:
        from services.channels.command import CommandChannel

        found.append(CommandChannel(chosen.command))
    if chosen.mail_folder is not None:
        from services.channels.eml_folder import EmlFolder

        found.append(EmlFolder(chosen.mail_folder))
    return {channel.name: channel for channel in found}


def _done_on_the_desktop(app: App, reminders: tuple[ReminderId, ...]) -> None:
    from services.use_cases.answer_reminder import done

    for reminder in reminders:
        with suppress(StoreError):  # answered elsewhere meanwhile, or the database is busy
            done(app, reminder, "pressed on the desktop", now=datetime.now(UTC), by="the desktop")


def _put_off_on_the_desktop(app: App, reminders: tuple[ReminderId, ...]) -> None:
    from services.use_cases.answer_reminder import A_DAY, put_off

    now = datetime.now(UTC)
    for reminder in reminders:
        with suppress(StoreError):
            put_off(app, reminder, now + A_DAY, now=now, by="the desktop")
