"""Puts a workshop together from a home folder's settings, and equips it with the channels they name."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

from rules.reminder import Step
from rules.vocabulary import ReminderId
from services.channels import Channel
from services.settings import SettingsError, default_home, load_settings
from services.store import StoreError
from services.workshop import Workshop


def open_workshop(home: Path | None = None) -> Workshop:
    """The workshop of a home folder, made if it is not there. Raises SettingsError."""
    place = (home or default_home()).expanduser().absolute()
    try:
        place.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise SettingsError(
            f"{place}: this folder cannot be made ({error.strerror}); choose another with --home"
        ) from error
    return Workshop(load_settings(place), equip=channels_of)


def channels_of(workshop: Workshop) -> Mapping[str, Channel]:
    """The channels that the settings name, by name."""
    chosen = workshop.settings.channels
    found: list[Channel] = []
    if chosen.mail is not None:
        from services.channels.email import EmailChannel

        found.append(EmailChannel(chosen.mail))
    if chosen.desktop:
        from services.channels.desktop import DesktopChannel

        found.append(DesktopChannel(on_done=lambda reminders: _done_on_the_desktop(workshop, reminders)))
    if chosen.calendar_file is not None:
        from services.calendar_feed import entries
        from services.channels.calendar import CalendarChannel

        found.append(CalendarChannel(chosen.calendar_file, lambda: entries(workshop, now=datetime.now(UTC))))
    if chosen.command is not None:
        from services.channels.command import CommandChannel

        found.append(CommandChannel(chosen.command))
    if chosen.mail_folder is not None:
        from services.channels.eml_folder import EmlFolder

        found.append(EmlFolder(chosen.mail_folder))
    return {channel.name: channel for channel in found}


def _done_on_the_desktop(workshop: Workshop, reminders: tuple[ReminderId, ...]) -> None:
    from services.answer_reminder import close

    for reminder in reminders:
        with suppress(StoreError):  # answered elsewhere meanwhile, or the database is busy
            close(workshop, reminder, Step.DONE, "Done was pressed", now=datetime.now(UTC), by="the desktop")
