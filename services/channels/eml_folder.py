"""A folder of .eml files instead of a mail server: for trying things out, and for the demo."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime
from pathlib import Path

from services.atomic_write import write_whole
from services.channels import ChannelError, cannot_write_in
from services.channels.mail_message import as_mail
from services.queued_letter import Letter


class EmlFolder:
    """Each letter becomes one file that any mail program opens; a repeat overwrites the same file."""

    name = "mail folder"

    def __init__(self, folder: Path, *, sender: str = "gritledger <gritledger@localhost.invalid>") -> None:
        self.folder, self.sender = folder, sender

    def path_of(self, letter: Letter) -> Path:
        """Where this letter is written: by date first, so that a listing reads as a history."""
        digest = hashlib.sha256(letter.message_id.encode()).hexdigest()[:12]
        queued = f"{letter.queued_at:%Y-%m-%d-%H%M%S}" if letter.queued_at else "undated"
        return self.folder / f"{queued}-{digest}.eml"

    def send(self, letter: Letter) -> None:
        """Write the file whole. Raises ChannelError (passing) when the folder cannot be written."""
        mail = as_mail(letter, sender=self.sender, now=letter.queued_at or datetime.now(UTC))
        try:
            write_whole(self.path_of(letter), mail.as_bytes(), mode=0o600)
        except OSError as error:
            raise ChannelError(
                f"{self.folder} cannot be written: {error.strerror or error}",
                try_this="make room or give this user the right to write there",
                everything=True,
            ) from error

    def check(self) -> list[str]:
        """Whether the folder is there, or can be made."""
        why = cannot_write_in(self.folder)
        return [f"The mail folder {self.folder} cannot be written: {why}."] if why else []
