"""Takes the track points that are written alike out of GPX bytes, all at once, before the XML is parsed.

A device writes every point the same way. One of its points is the template: whatever has the same bytes
between the values is read without a parser, many times quicker. What fits no template stays in the XML and
is parsed as ever; so does whatever lies around the points.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from ingest.gpx.contents import CHILDREN, EXTENSIONS
from ingest.gpx.written_values import Places, end_of_attribute, numbers_at, text_at, times_at
from ingest.ride.recording import Column

TAKEN: Final = "taken out "  # and a count: the latitude of the empty point that is left for so many
_FEWEST_POINTS: Final = 64  # for fewer the parser is quicker
_MOST_TEMPLATES: Final = 12
_LONGEST_POINT: Final = 4096  # bytes
_LONGEST_VALUE: Final = 40
_POINT: Final = re.compile(rb"<((?:[A-Za-z][\w.-]*:)?)trkpt[ \t\r\n]")
_OPENING: Final = re.compile(
    rb'trkpt[ \t\r\n]+(lat|lon)="([-+.0-9eE]+)"[ \t\r\n]+(lat|lon)="([-+.0-9eE]+)"[ \t\r\n]*'
)
_NAME: Final = re.compile(rb"[A-Za-z][\w.:-]*/?")
_WHOLE, _UNNEEDED = "point", "unneeded "
_SPACE: Final = re.compile(rb"[ \t\r\n]*")
_TOKEN: Final = re.compile(rb"<([^<>]*)>([^<]*)")
_COLUMNS: Final = {b"lat": "latitude_deg", b"lon": "longitude_deg"}


class TakenOut(NamedTuple):
    """What was taken out, and what is left."""

    rest: bytes  # the XML, with one empty point marked TAKEN for each run of points taken out
    columns: dict[str, Column]  # of the points taken out, in their order; NaN where one has no such value

    def __len__(self) -> int:
        return len(self.columns["latitude_deg"])


def take_out(data: bytes) -> TakenOut | None:
    """Which points of this GPX are written alike, and what is left of it without them?

    None when it is not worth it or not safe: few points, an encoding with other brackets, or odd points.
    The first point and every template stay in the XML, so that undeclared prefixes come to light.
    """
    first = _POINT.search(data)
    if first is None:
        return None
    tags = np.flatnonzero(np.frombuffer(data, np.uint8) == ord("<"))
    left = _points(data, tags, first[0][:-1])[1:]
    if len(left) < _FEWEST_POINTS:
        return None
    found: list[_Spans] = []
    gap = b""
    for _ in range(_MOST_TEMPLATES):
        if len(left) < _FEWEST_POINTS:
            break
        sample, left = int(left[len(left) // 2]), np.delete(left, len(left) // 2)
        template = _template(data, int(tags[sample]), first[1])
        if template is not None:
            spans, left = _matching(data, tags, left, template)
            found.append(spans)
            gap = gap or template.gap
    return _taken_out(data, first[1], found, gap)


def _points(data: bytes, tags: Places, opening: bytes) -> Places:
    """Which of the tags open a track point?"""
    tags = tags[: np.searchsorted(tags, len(data) - len(opening))]
    after = np.frombuffer(data, np.uint8)[tags + len(opening)]
    here = np.flatnonzero(after <= ord(" "))  # most tags drop out by one character
    is_point = text_at(data, tags[here], len(opening)) == opening
    return np.compress(is_point, here)


@dataclass(slots=True)
class _Template:
    """One point: its bytes between the values, one piece more than values, and the column of each value."""

    pieces: list[bytes]
    columns: list[str]  # of a value that nobody needs, a name of its own
    gap: bytes  # the white space after it


_Spans = dict[str, tuple[Places, Places]]  # by column, and of the _WHOLE point: the starts and the ends


def _template(data: bytes, start: int, prefix: bytes) -> _Template | None:
    """The template that this point makes; None when it holds something that only a parser can read."""
    end_tag = b"</" + prefix + b"trkpt>"
    end = data.find(end_tag, start, start + _LONGEST_POINT) + len(end_tag)
    tokens: list[tuple[bytes, bytes]] = _TOKEN.findall(data[start:end]) if end >= len(end_tag) else []
    if len(tokens) < 2 or b"".join(b"<%b>%b" % token for token in tokens) != data[start:end]:
        return None
    inside, text = tokens[0]
    opening = _OPENING.fullmatch(inside, len(prefix))
    if opening is None or opening[1] == opening[3] or text.strip():
        return None
    pieces = [b"<" + inside[: opening.start(2)], inside[opening.end(2) : opening.start(4)]]
    pieces.append(inside[opening.end(4) :] + b">" + text)
    columns = [_COLUMNS[opening[1]], _COLUMNS[opening[3]]]
    open_names = [prefix + b"trkpt"]
    for (inside, text), (following, _) in zip(tokens[1:], [*tokens[2:], (b"", b"")], strict=True):
        if not open_names:
            return None
        pieces[-1] += b"<" + inside + b">"
        name, _, attributes = inside.partition(b" ")
        if inside.startswith(b"/"):
            if inside[1:] != open_names.pop():
                return None
        elif not name.endswith(b"/") and not attributes.endswith(b"/"):
            column = _column(name, prefix, is_direct=len(open_names) == 1)
            open_names.append(name)
            if not _NAME.fullmatch(name) or column == "" or (column and (column in columns or attributes)):
                return None
            if following == b"/" + name and text:
                pieces.append(b"")
                columns.append(column or f"{_UNNEEDED}{len(columns)}")
                continue
            if column:
                return None
        elif not _NAME.fullmatch(name) or _column(name.rstrip(b"/"), prefix, is_direct=True) == "":
            return None
        if text.strip():
            return None
        pieces[-1] += text
    space = _SPACE.match(data, end)
    return None if open_names or space is None else _Template(pieces, columns, space[0])


def _column(name: bytes, prefix: bytes, *, is_direct: bool) -> str | None:
    """The column that an element of this name fills; empty when only a parser can tell."""
    its_prefix, separator, local = name.rpartition(b":")
    word = local.decode("ascii", "replace")
    if word == "trkpt":
        return ""
    if is_direct and word in CHILDREN:
        return CHILDREN[word] if its_prefix + separator == prefix else ""
    return EXTENSIONS.get(word)


def _matching(data: bytes, tags: Places, points: Places, template: _Template) -> tuple[_Spans, Places]:
    """Where the values of the points that fit the template are, and the points that do not fit."""
    count = sum(piece.count(b"<") for piece in template.pieces)
    reach = sum(map(len, template.pieces)) + _LONGEST_VALUE * (len(template.columns) + 1)
    # No look reaches beyond the end of the bytes: the last few points are left to the parser.
    last_tag = min(len(tags) - count, int(np.searchsorted(tags, len(data) - reach)))
    most = int(np.searchsorted(points, last_tag))
    closing = template.pieces[-1][template.pieces[-1].rindex(b"<") :]
    fits = np.zeros(len(points), bool)
    fits[:most] = text_at(data, tags[points[:most] + count - 1], len(closing)) == closing
    rows = np.flatnonzero(fits)
    known = points[rows]
    start = cursor = tags[known]
    fitting = np.ones(len(rows), bool)
    spans: _Spans = {}
    tag = 0  # how many tags of the point begin before the cursor
    for piece, following, column in zip(
        template.pieces, [*template.pieces[1:], b""], [*template.columns, ""], strict=True
    ):
        fitting &= text_at(data, cursor, len(piece)) == piece
        cursor = cursor + len(piece)
        tag += piece.count(b"<")
        if column:
            # A value in an element ends where the next tag begins.
            to_tag = following.find(b"<")
            end = end_of_attribute(data, cursor) if to_tag < 0 else tags[known + tag] - to_tag
            spans[column] = cursor, end
            fitting &= (cursor < end) & (end - cursor <= _LONGEST_VALUE)
            cursor = np.where(fitting, end, start)
    spans[_WHOLE] = start, cursor
    fits[rows] = fitting
    if not fitting.all():
        spans = {name: (start[fitting], end[fitting]) for name, (start, end) in spans.items()}
    return spans, points[~fits]


def _taken_out(data: bytes, prefix: bytes, found: list[_Spans], gap: bytes) -> TakenOut | None:
    """The values of all these points in the order of the file, and what is left of it.

    Of neighbours with the same white space between them one empty point stays, with their count.
    """
    spans = _together(found)
    start, end = spans.pop(_WHOLE, (np.zeros(0, np.intp),) * 2)
    columns: dict[str, Column] = {}
    can_be_told = np.ones(len(start), bool)
    for name, (first, last) in spans.items():
        rows = slice(None) if last.all() else np.flatnonzero(last)
        at = times_at if name == "time_s" else numbers_at
        columns[name] = np.full(len(start), np.nan)
        columns[name][rows], told = at(data, first[rows], last[rows])
        can_be_told[rows] &= told
    if not can_be_told.any():
        return None
    start, end = start[can_be_told], end[can_be_told]
    follows = start[1:] == end[:-1] + len(gap)
    if gap:
        follows &= text_at(data, end[:-1], len(gap)) == gap
    runs = np.flatnonzero(np.append(True, ~follows))
    lengths = np.diff(runs, append=len(start))
    pieces, at_byte = [], 0
    ends = end[runs + lengths - 1]
    for first, last, count in zip(start[runs].tolist(), ends.tolist(), lengths.tolist(), strict=True):
        pieces += [data[at_byte:first], b'<%btrkpt lat="%b%d"/>' % (prefix, TAKEN.encode(), count)]
        at_byte = last
    rest = b"".join([*pieces, data[at_byte:]])
    kept = {name: column[can_be_told] for name, column in columns.items() if not name.startswith(_UNNEEDED)}
    return TakenOut(rest, kept) if rest.count(TAKEN.encode()) == len(runs) else None


def _together(found: list[_Spans]) -> _Spans:
    """The points of all templates in the order of the file; a value that is not there is from 0 to 0."""
    if len(found) == 1:
        return found[0]
    nothing = [np.zeros_like(spans[_WHOLE][0]) for spans in found]
    order = np.argsort(np.concatenate([spans[_WHOLE][0] for spans in found])) if found else slice(None)

    def one(name: str, side: int) -> Places:
        parts = zip(found, nothing, strict=True)
        return np.concatenate([spans.get(name, (none, none))[side] for spans, none in parts])[order]

    names = dict.fromkeys(name for spans in found for name in spans)
    return {name: (one(name, 0), one(name, 1)) for name in names}
