"""Ways to reach a rider: one module each, all with the same three members."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Protocol

from services.queued_letter import Letter

LONGEST_LINE = 300  # characters of what others wrote


class ChannelError(Exception):
    """A letter did not get through.

    why: what happened, in words, with the other side's own words where it gave any.
    permanent: this letter will never be taken as it is: shown, not repeated. Otherwise it is tried again.
    try_this: what the rider can do about it; "" = waiting is enough.
    everything: no other letter would get through this channel now either (server down, password refused).
    """

    def __init__(
        self, why: str, *, permanent: bool = False, try_this: str = "", everything: bool = False
    ) -> None:
        self.why, self.permanent, self.try_this, self.everything = why, permanent, try_this, everything
        super().__init__(f"{why}; {try_this}" if try_this else why)


class Channel(Protocol):
    """One way to reach a rider."""

    @property
    def name(self) -> str:
        """As letters name it: email, desktop, calendar, command, mail folder."""
        ...

    def send(self, letter: Letter) -> None:
        """Return only when the other side has taken the letter. Raises ChannelError."""
        ...

    def check(self) -> list[str]:
        """What is wrong with the settings, one sentence each; nothing is sent. Empty = nothing found."""
        ...


def cannot_write_in(folder: Path) -> str:
    """Why this user can make no file in a folder that may not be there yet; "" = it can be made."""
    nearest = next(place for place in (folder, *folder.parents) if place.exists())
    if not nearest.is_dir():
        return f"{nearest} is a file"
    return "" if os.access(nearest, os.W_OK) else f"this user may not write in {nearest}"


def one_line(words: str) -> str:
    """Words from outside, fit for one line of a page or a header: no control characters, bounded."""
    line = " ".join("".join(c if c.isprintable() else " " for c in words).split())
    return line if len(line) <= LONGEST_LINE else line[: LONGEST_LINE - 1] + "…"
