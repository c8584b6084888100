"""What the store refuses, in words for the person who asked for it."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


class StoreError(Exception):
    """Root of everything the store says no with; its text is one or two sentences for a rider.

    StoreError
     ├─ NewerDatabase    the data was written by a newer version of this program
     ├─ StoreBusy        another program holds the database; nothing was written, try again
     ├─ StoreUnusable    the database cannot be opened, read or written at all
     ├─ NotFound         no rider, bike, chain, ride … of that name or number
     ├─ NeedsConfirmation  the fact is odd: is it so?
     ├─ NotAllowed       not for whoever asks
     └─ FactRefused      the fact contradicts what is already known
    """


class NewerDatabase(StoreError):  # noqa: N818 - it names the thing found
    """The database carries a migration that this version does not know; nothing was touched."""

    def __init__(self, found: str, known: str) -> None:
        self.found, self.known = found, known
        super().__init__(
            f"The database was written by a newer gritledger: it is at schema {found}, and this version "
            f"knows up to {known}. Update gritledger, or use another data folder. Nothing was changed."
        )


class StoreBusy(StoreError):  # noqa: N818 - it names the state of the store
    """Another program held the database for longer than we wait; nothing was written."""

    def __init__(self, cause: str = "") -> None:
        self.cause = cause
        super().__init__(
            "The database is busy: another program is writing to it and did not finish in time. Nothing was "
            "written. Try again; if it stays so, look for a second gritledger or an open database browser."
        )


class StoreUnusable(StoreError):  # noqa: N818 - it names the state of the store
    """The database cannot be used: not a database, no permission, disk full, server not there."""

    def __init__(self, where: str, why: str, try_this: str) -> None:
        self.where, self.why, self.try_this = where, why, try_this
        super().__init__(f"{where}: {why}; {try_this}.")


class NotFound(StoreError):  # noqa: N818 - it names the thing missing
    """There is none of that name or number. `near` holds the names that look like it.

    known: the names there are.  highest: the highest number there is, where things are known by number.
    """

    def __init__(
        self, what: str, wanted: object, known: Iterable[str] = (), *, highest: int | None = None
    ) -> None:
        self.what, self.wanted = what, str(wanted)
        names = list(known)
        self.near = tuple(near_names(self.wanted, names))
        if highest:
            hint = f"They are numbered up to {highest}."
        elif self.near:
            hint = "Did you mean " + " or ".join(f"“{name}”" for name in self.near) + "?"
        elif names:
            hint = "Known: " + ", ".join(sorted(names)) + "."
        else:
            hint = f"There is no {what} yet."
        super().__init__(f"No {what} “{self.wanted}”. {hint}")


class NeedsConfirmation(StoreError):  # noqa: N818 - it names what is needed
    """The fact is odd but possible, and the message asks: said again with a yes, it stands."""


class NotAllowed(StoreError):  # noqa: N818 - it names what it is
    """Somebody of a club's household asked for what their role may not; nothing was written."""


class FactRefused(StoreError):  # noqa: N818 - it names the fact's fate
    """The fact contradicts what is already known, or lies outside what can be; nothing was written."""

    def __init__(self, sentence: str, field: str = "") -> None:
        """field: of what was asked, the one that is wrong; "" = the whole of it."""
        self.field = field
        super().__init__(sentence)


def near_names(wanted: str, names: Iterable[str]) -> list[str]:
    """Which of these names did the rider probably mean? At most three, best first, case ignored."""
    by_key = {name.casefold(): name for name in names}
    keys = difflib.get_close_matches(wanted.casefold(), by_key, n=3, cutoff=0.6)
    return [by_key[key] for key in keys]
