"""What can be wrong with a file, in words for the person who dropped it."""

from __future__ import annotations


class UnreadableFile(Exception):  # noqa: N818 - it names the thing, as a rider would
    """No ride can be had from this file.

    path: the file as the rider knows it (for a member of an archive: "archive.zip > member").
    why: what is wrong, half a sentence.  try_this: what to do about it, half a sentence.
    """

    def __init__(self, path: str, why: str, try_this: str) -> None:
        self.path, self.why, self.try_this = path, why, try_this
        super().__init__(f"{path}: {why}; {try_this}")

    def __reduce__(self) -> tuple[type[UnreadableFile], tuple[str, str, str]]:
        """Crosses to another process whole."""
        return type(self), (self.path, self.why, self.try_this)


class NotNow(UnreadableFile):
    """This machine could not read it now, by its memory, its disk or its clock: no fact about the file."""


class OverBudget(UnreadableFile):
    """Reading it takes more than a file may take unasked; it waits until its rider asks for it."""


class NotARide(UnreadableFile):
    """The file is sound, but it is a run, a hike, a swim or a course: refused politely, nothing to mend."""
