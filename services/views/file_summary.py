"""What became of many files, in as few sentences as tell it: one a reason, with a count."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from pathlib import PurePath

from services.use_cases.import_rides import FileOutcome, Outcome

NAMED = 3  # files of a group that are named
# Nothing to mend, so nothing is said but the count.
_PLAIN = frozenset({Outcome.NEW, Outcome.KNOWN, Outcome.SAME_OUTING})
_FIGURES = re.compile(r"[\d.,:]*\d|“[^”]*”")

_SEVERAL = {
    Outcome.NEW: "new rides",
    Outcome.DAMAGED: "new rides, from damaged files",
    Outcome.SAME_OUTING: "more recordings of outings already here",
    Outcome.KNOWN: "already read",
    Outcome.NOT_A_RIDE: "are no rides",
    Outcome.UNREADABLE: "are unreadable",
    Outcome.WHOSE: "rides, and nobody knows whose",
    Outcome.NOT_READ_NOW: "could not be read now, and are tried again by themselves",
    Outcome.TOO_MUCH: "take too much to read",
}


def grouped(outcomes: Iterable[FileOutcome], *, quiet: Iterable[Outcome] = ()) -> list[str]:
    """A sentence for each outcome and reason, most files first; a single file is named, with its reason.

    quiet: outcomes that are left out. Reasons that differ only in figures or in quoted words are one.
    """
    silent = frozenset(quiet)
    groups: dict[tuple[Outcome, str], list[FileOutcome]] = {}
    for one in outcomes:
        if one.outcome not in silent:
            alike = "" if one.outcome in _PLAIN else _FIGURES.sub("#", one.why)
            groups.setdefault((one.outcome, alike), []).append(one)
    in_order = sorted(groups.items(), key=lambda item: (item[0][0] not in _PLAIN, -len(item[1])))
    return [_sentence(outcome, files) for (outcome, _), files in in_order]


def _sentence(outcome: Outcome, files: Sequence[FileOutcome]) -> str:
    first = files[0]
    if outcome in _PLAIN:
        return f"{len(files)} {_SEVERAL[outcome] if len(files) > 1 else outcome.value}."
    reason = "; ".join(filter(None, (first.why, first.try_this)))
    if len(files) == 1:
        return f"{first.name}: {outcome.value}{f' {first.ride}' if first.ride else ''}: {reason}."
    names = ", ".join(PurePath(one.name).name for one in files[:NAMED])
    more = f" and {len(files) - NAMED} more" if len(files) > NAMED else ""
    alike = "" if all(one.why == first.why for one in files) else ", or the like"
    return f"{len(files)} files {_SEVERAL[outcome]} ({names}{more}): {first.why}{alike}; {first.try_this}."
