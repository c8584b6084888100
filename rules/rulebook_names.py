"""A name in a rulebook's text: what is set for somebody stays set when they are called otherwise."""

from __future__ import annotations

import re

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
