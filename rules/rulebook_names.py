"""Names in a rulebook: those that nobody has, and what is set for somebody who is called otherwise now."""

from __future__ import annotations

import difflib
import re

from rules.ledger import Ledger
from rules.rulebook import Rulebook

_HEADER = re.compile(r"^(?P<before>\s*\[\s*)(?P<path>.*?)(?P<after>\s*\]\s*(?:#.*)?)$")
_PIECE = re.compile(
    r"""(?P<dot>\s*\.\s*)|"(?P<double>(?:[^"\\]|\\.)*)"|'(?P<single>[^']*)'|(?P<bare>[A-Za-z0-9_-]+)"""
)


def renamed(text: str, scope: str, old: str, new: str) -> str:
    """The text with [scope."old"] called [scope."new"], and all else, comments too, as it was.

    scope: rider, bike or chain.  Tables inside, such as [bike."Plover".…], go along.
    """
    return "".join(_line(line, scope, old, new) for line in text.splitlines(keepends=True))


def _line(line: str, scope: str, old: str, new: str) -> str:
    body = line.rstrip("\r\n")
    header = _HEADER.match(body)
    if header is None:
        return line
    pieces = list(_PIECE.finditer(header["path"]))
    named = [piece for piece in pieces if piece["dot"] is None]
    if len(named) < 2 or _said(named[0]) != scope or _said(named[1]) != old:
        return line
    start, end = named[1].span()
    path = header["path"][:start] + _quoted(new) + header["path"][end:]
    return header["before"] + path + header["after"] + line[len(body) :]


def _said(piece: re.Match[str]) -> str:
    if piece["double"] is not None:
        return re.sub(r"\\(.)", r"\1", piece["double"])
    return piece["single"] if piece["single"] is not None else piece["bare"]


def _quoted(name: str) -> str:
    escaped = name.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def unknown_names(rulebook: Rulebook, ledger: Ledger) -> tuple[str, ...]:
    """What a rulebook sets for somebody who is not there: a slip, or a name of old. One sentence each."""
    names = {
        "rider": [one.name for one in ledger.riders],
        "bike": [one.name for one in ledger.bikes],
        "chain": [one.name for one in ledger.chains],
    }
    found = []
    for (scope, name), line in sorted(rulebook.lines.items(), key=lambda item: item[1]):
        if name in names[scope]:
            continue
        near = nearest(name, names[scope])
        hint = f"did you mean “{near}”?" if near else f"known: {', '.join(names[scope]) or 'none yet'}."
        found.append(
            f"{rulebook.name}, line {line}: there is no {scope} “{name}”, so what is set for it holds for "
            f"nobody; {hint}"
        )
    return tuple(found)


def nearest(name: str, known: list[str]) -> str | None:
    """Which of these names was probably meant?"""
    by_key = {one.casefold(): one for one in known}
    close = difflib.get_close_matches(name.casefold(), by_key, n=1, cutoff=0.6)
    return by_key[close[0]] if close else None
