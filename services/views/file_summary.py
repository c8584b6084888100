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
    Outcome.NOT_READ_NOW: "could not be read now",
    Outcome.TOO_MUCH: "take too much to read",
    Outcome.ANEW: "of rides already here were read anew",
}


def grouped(outcomes: Iterable[FileOutcome], *, quiet: Iterable[Outcome] = ()) -> list[str]:
    """A sentence for each outcome and reason, most files first; a single file is named, with its reason.

    quiet: outcomes that are left out. Reasons that differ only in figures or in quoted words are one.
    """
    silent = frozenset(quiet)
    groups: dict[tuple[Outcome, str], list[FileOutcome]] = {}
    for one in outcomes:
        if one.outcome not in silent:
            alike = "" if _is_plain(one) else _FIGURES.sub("#", one.why)
            groups.setdefault((one.outcome, alike), []).append(one)
    in_order = sorted(groups.items(), key=lambda item: (item[0][1] != "", -len(item[1])))
    return [_sentence(outcome, files) for (outcome, _), files in in_order]


def by_reason(files: Iterable[tuple[str, str, str]], does: str, do: str) -> list[tuple[str, str]]:
    """For each reason a sentence and what to do, most files first; files: name, why, what to do.

    does: what a single one does, 'waits:'.  do: what several do, 'files wait'.
    """
    groups: dict[tuple[str, str], list[tuple[str, str]]] = {}
    for name, why, try_this in files:
        groups.setdefault((_FIGURES.sub("#", why), try_this), []).append((name, why))
    said = []
    for (_, try_this), alike in sorted(groups.items(), key=lambda group: -len(group[1])):
        (name, why), mend = alike[0], f"{try_this[:1].upper()}{try_this[1:]}."
        if len(alike) == 1:
            said.append((" ".join(filter(None, (name, does, why))) + ".", mend))
        else:
            names, reasons = zip(*alike, strict=True)
            said.append((f"{len(alike)} {do} ({_named(names)}): {why}{_or_the_like(reasons)}.", mend))
    return said


def _is_plain(one: FileOutcome) -> bool:
    """Whether it is one more, and no word is to be lost on it; a new ride may be doubtful."""
    return one.outcome in _PLAIN and not (one.outcome is Outcome.NEW and one.why)


def _named(files: Sequence[str]) -> str:
    names = ", ".join(PurePath(one).name for one in files[:NAMED])
    return f"{names} and {len(files) - NAMED} more" if len(files) > NAMED else names


def _or_the_like(reasons: Iterable[str]) -> str:
    return "" if len(set(reasons)) == 1 else ", or the like"


def _sentence(outcome: Outcome, files: Sequence[FileOutcome]) -> str:
    first = files[0]
    if _is_plain(first):
        return f"{len(files)} {_SEVERAL[outcome] if len(files) > 1 else outcome.value}."
    reason = "; ".join(filter(None, (first.why, first.try_this)))
    if len(files) == 1:
        return f"{first.name}: {outcome.value}{f' {first.ride}' if first.ride else ''}: {reason}."
    why = f"{first.why}{_or_the_like(one.why for one in files)}"
    names = _named([one.name for one in files])
    several = "are new rides" if outcome is Outcome.NEW else _SEVERAL[outcome]
    return f"{len(files)} files {several} ({names}): {why}; {first.try_this}."
