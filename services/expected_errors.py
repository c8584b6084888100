"""Trouble that is expected in ordinary use: said in one sentence to whoever can act, never as a traceback."""

from __future__ import annotations

from ingest.errors import UnreadableFile
from ingest.weather.hourly import ArchiveUnavailable
from rules.rulebook import RulebookError
from services.channels import ChannelError
from services.settings import SettingsError
from services.store import StoreError

EXPECTED: tuple[type[Exception], ...] = (
    ArchiveUnavailable,
    ChannelError,
    RulebookError,
    SettingsError,
    StoreError,
    UnreadableFile,
)
