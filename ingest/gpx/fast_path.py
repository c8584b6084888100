"""Takes the track points that are written alike out of GPX bytes in one sweep, before the XML is parsed.

A device writes every point the same way. A pattern made from one of its points, in which only numbers,
times and white space may differ, finds nearly all others many times quicker than callbacks do. What does
not fit the pattern stays in the XML and is parsed as ever; so does whatever lies around the points.
"""

from __future__ import annotations

import re
from typing import Final, NamedTuple

from ingest.gpx.contents import CHILDREN, EXTENSIONS

TAKEN: Final = "taken out"  # the latitude of the empty point that is left where one was taken out
_FEWEST_POINTS: Final = 8
_LONGEST_POINT: Final = 4096  # bytes
_SAMPLES: Final = 8
_SPACE: Final = rb"[ \t\r\n]*"
_TEXT: Final = rb"[-+.:0-9A-Za-z \t\r\n]*"  # holds no markup, whatever the encoding
_POINT: Final = re.compile(rb"<((?:[A-Za-z][\w.-]*:)?)trkpt[ \t\r\n]")
_OPENING: Final = re.compile(
    rb'trkpt[ \t\r\n]+(lat|lon)="[-+.0-9eE]*"[ \t\r\n]+(lat|lon)="[-+.0-9eE]*"[ \t\r\n]*'
)
_NAME: Final = re.compile(rb"[A-Za-z][\w.:-]*/?")
_PLACES: Final = {b"lat": "latitude_deg", b"lon": "longitude_deg"}
_TOKEN: Final = re.compile(rb"<([^<>]*)>([^<]*)")


class Alike(NamedTuple):
    """What was taken out, and what is left."""

    rest: bytes  # the XML, with an empty point marked TAKEN for each point taken out
    texts: dict[str, list[bytes | None]]  # by column, of the points taken out, in their order

    def __len__(self) -> int:
        return len(self.texts["latitude_deg"])


def take_out(data: bytes) -> Alike | None:
    """Which points of this GPX are written alike, and what is left of it without them?

    None when it is not worth it or not safe: few points, an encoding with other brackets, or odd points.
    The first point always stays in the XML, so that undeclared prefixes come to light.
    """
    first = _POINT.search(data)
    if first is None or TAKEN.encode() in data:
        return None
    prefix = first[1]
    if data.count(b"<" + prefix + b"trkpt") < _FEWEST_POINTS:
        return None
    made = _pattern(_fullest_point(data, prefix), prefix)
    if made is None:
        return None
    pattern, columns = made
    start = pattern.search(data)
    if start is None:
        return None
    pieces = pattern.split(data[start.end() :])
    step = len(columns) + 1
    left = f'<{prefix.decode()}trkpt lat="{TAKEN}"/>'.encode().join(pieces[::step])
    texts = {name: pieces[1 + place :: step] for place, name in enumerate(columns)}
    return Alike(data[: start.end()] + left, texts)


def _fullest_point(data: bytes, prefix: bytes) -> bytes:
    """The longest of a few points from all over the file."""
    fullest = b""
    for sample in range(_SAMPLES):
        start = data.find(b"<" + prefix + b"trkpt", len(data) * sample // _SAMPLES)
        end_tag = b"</" + prefix + b"trkpt>"
        end = data.find(end_tag, start, start + _LONGEST_POINT) if start >= 0 else -1
        if end >= 0:
            fullest = max(fullest, data[start : end + len(end_tag)], key=len)
    return fullest


def _pattern(point: bytes, prefix: bytes) -> tuple[re.Pattern[bytes], list[str]] | None:
    """A pattern for points written like this one, less any of its parts, and the columns it captures."""
    tokens: list[tuple[bytes, bytes]] = _TOKEN.findall(point)
    if len(tokens) < 2 or b"".join(b"<%b>%b" % token for token in tokens) != point or tokens[0][1].strip():
        return None
    opening = _OPENING.fullmatch(tokens[0][0].removeprefix(prefix))
    if opening is None or opening[1] == opening[2]:
        return None
    columns = [_PLACES[opening[1]], _PLACES[opening[2]]]
    inner = _parts(tokens, 1, prefix, True, columns)
    if inner is None or inner[1] != len(tokens) - 1 or tokens[-1] != (b"/" + prefix + b"trkpt", b""):
        return None
    name = re.escape(prefix + b"trkpt")
    place = rb'[ \t\r\n]+%b="([-+.0-9eE]*)"'
    start = b"<" + name + place % opening[1] + place % opening[2] + _SPACE + b">" + _SPACE
    return re.compile(start + inner[0] + b"</" + name + b">"), columns


def _parts(
    tokens: list[tuple[bytes, bytes]], at: int, prefix: bytes, is_direct: bool, columns: list[str]
) -> tuple[bytes, int] | None:
    """The pattern of the elements from this token on, and the token that closes the element around them.

    None when they hold something that the parser would read otherwise. Adds what it captures to the columns.
    """
    pattern = b""
    while at < len(tokens) and not tokens[at][0].startswith(b"/"):
        inside, text = tokens[at]
        name = inside.split(None, 1)[0] if inside.strip() else b""
        column = _column(name, prefix, is_direct)
        opening, closing = b"<" + re.escape(inside) + b">", b"</" + re.escape(name) + b">"
        if not _NAME.fullmatch(name) or column == "":
            return None
        if inside.endswith(b"/"):
            part, last = opening, at
        elif at + 1 < len(tokens) and tokens[at + 1][0] == b"/" + name:
            part, last = opening + _TEXT + closing, at + 1
            if column is not None:
                if column in columns or inside != name:
                    return None
                columns.append(column)
                part = opening + b"(" + _TEXT + b")" + closing
        else:
            inner = _parts(tokens, at + 1, prefix, False, columns)
            if inner is None or text.strip() or inner[1] >= len(tokens) or tokens[inner[1]][0] != b"/" + name:
                return None
            part, last = opening + _SPACE + inner[0] + closing, inner[1]
        if tokens[last][1].strip():
            return None
        pattern += b"(?:" + part + _SPACE + b")?"
        at = last + 1
    return pattern, at


def _column(name: bytes, prefix: bytes, is_direct: bool) -> str | None:
    """The column that an element of this name fills; empty when only a parser can tell."""
    its_prefix, separator, local = name.rpartition(b":")
    word = local.decode("ascii", "replace")
    if word == "trkpt":
        return ""
    if is_direct and word in CHILDREN:
        return CHILDREN[word] if its_prefix + separator == prefix else ""
    return EXTENSIONS.get(word)
