"""Takes the track points that are written alike out of GPX bytes, all at once, before the XML is parsed.

A device writes every point the same way. One of its points is the template: whatever has the same bytes
between the values is read without a parser, many times quicker. What fits no template stays in the XML and
is parsed as ever; so does whatever lies around the points.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ingest.gpx.extensions import CHILDREN, EXTENSIONS
from ingest.gpx.written_values import Places, end_of_attribute, numbers_at, stands_at, times_at
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
_UNNEEDED = "unneeded "
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
    found: list[_Alike] = []
    gap = b""
    for _ in range(_MOST_TEMPLATES):
        if len(left) < _FEWEST_POINTS:
            break
        middle = len(left) // 2
        sample, left = int(left[middle]), np.concatenate((left[:middle], left[middle + 1 :]))
        template = _template(data, int(tags[sample]), first[1])
        if template is not None:
            alike, left = _matching(data, tags, left, template)
            if len(alike.start):
                found.append(alike)
            gap = gap or template.gap
    return _taken_out(data, first[1], found, gap)


def _points(data: bytes, tags: Places, opening: bytes) -> Places:
    """Which of the tags open a track point?"""
    tags = tags[: np.searchsorted(tags, len(data) - len(opening))]
    after = np.frombuffer(data, np.uint8)[tags + len(opening)]
    here = np.flatnonzero(after <= ord(" "))  # most tags drop out by one character
    return here[stands_at(data, tags[here], opening)]


@dataclass(slots=True)
class _Template:
    """One point: its bytes between the values, one piece more than values, and the column of each value."""

    pieces: list[bytes]
    columns: list[str]  # of a value that nobody needs, a name of its own
    gap: bytes  # the white space after it


class _Alike(NamedTuple):
    """The points that fit one template: where each starts and ends, and by column where its value does."""

    start: Places
    end: Places
    values: dict[str, tuple[Places, Places]]


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


def _matching(data: bytes, tags: Places, points: Places, template: _Template) -> tuple[_Alike, Places]:
    """Where the values of the points that fit the template are, and the points that do not fit."""
    pieces, columns = template.pieces, template.columns
    count = sum(piece.count(b"<") for piece in pieces)
    reach = sum(map(len, pieces)) + _LONGEST_VALUE * (len(columns) + 1)
    closing = pieces[-1][pieces[-1].rindex(b"<") :]
    last = tags[points[: np.searchsorted(points, len(tags) - count)] + (count - 1)]
    # No look reaches beyond the end of the bytes: the last few points are left to the parser.
    last = last[: np.searchsorted(last, len(data) - reach)]
    fits = np.zeros(len(points), bool)
    fits[: len(last)] = stands_at(data, last, closing)
    rows = np.flatnonzero(fits)
    known = points[rows]

    # A value begins where the piece before it ends, and ends where the next piece begins: so many characters
    # before a certain tag, or at a quotation mark.
    edges = np.empty((len(pieces), len(rows)), np.intp)
    edges[0] = tags[known]
    tag = 0
    for number, (piece, following) in enumerate(pairwise(pieces), 1):
        tag += piece.count(b"<")
        to_tag = following.find(b"<")
        if to_tag < 0:
            edges[number] = end_of_attribute(data, edges[number - 1] + len(piece))
        else:
            np.subtract(tags[known + tag], to_tag, out=edges[number])
    first = edges[:-1] + np.array([[len(piece)] for piece in pieces[:-1]])
    length = edges[1:] - first
    fitting = ((length > 0) & (length <= _LONGEST_VALUE)).all(axis=0)
    for edge, piece in zip(edges, pieces, strict=True):
        fitting &= stands_at(data, edge, piece)
    fits[rows] = fitting
    if not fitting.all():
        first, edges = first[:, fitting], edges[:, fitting]
    values = dict(zip(columns, zip(first, edges[1:], strict=True), strict=True))
    return _Alike(edges[0], edges[-1] + len(pieces[-1]), values), points[~fits]


def _taken_out(data: bytes, prefix: bytes, found: list[_Alike], gap: bytes) -> TakenOut | None:
    """The values of all these points in the order of the file, and what is left of it.

    Of neighbours with the same white space between them one empty point stays, with their count.
    """
    if not found:
        return None
    start, end = (np.concatenate([alike[side] for alike in found]) for side in (0, 1))
    rows: list[Places | slice] = [slice(None)]
    if len(found) > 1:
        order = np.argsort(start)
        row = np.empty_like(order)  # of each point, in the order of the file
        row[order] = np.arange(len(order))
        rows = list(np.split(row, np.cumsum([len(alike.start) for alike in found])[:-1]))
        start, end = start[order], end[order]
    columns, can_be_told = _values_of(data, found, rows, len(start))
    if not can_be_told.any():
        return None
    if not can_be_told.all():
        start, end = start[can_be_told], end[can_be_told]
        columns = {name: column[can_be_told] for name, column in columns.items()}
    follows = start[1:] == end[:-1] + len(gap)
    if gap:
        follows &= stands_at(data, end[:-1], gap)
    runs = [0, *(np.flatnonzero(~follows) + 1).tolist()]
    counts = [after - before for before, after in pairwise([*runs, len(start)])]
    firsts, lasts = start[runs].tolist(), end[[*(run - 1 for run in runs[1:]), len(end) - 1]].tolist()
    pieces, at_byte = [], 0
    for first, last, count in zip(firsts, lasts, counts, strict=True):
        pieces += [data[at_byte:first], b'<%btrkpt lat="%b%d"/>' % (prefix, TAKEN.encode(), count)]
        at_byte = last
    rest = b"".join([*pieces, data[at_byte:]])
    return TakenOut(rest, columns) if rest.count(TAKEN.encode()) == len(runs) else None


def _values_of(
    data: bytes, found: list[_Alike], rows: list[Places | slice], count: int
) -> tuple[dict[str, Column], NDArray[np.bool_]]:
    """The columns of all these points, and which points can be told without a parser.

    rows: of each template's points.  All numbers are read at once, whichever column they fill.
    """
    names = dict.fromkeys(name for alike in found for name in alike.values)
    columns = {name: np.full(count, np.nan) for name in names if not name.startswith(_UNNEEDED)}
    can_be_told = np.ones(count, bool)
    spans = [
        (name, its_rows, first, last)
        for alike, its_rows in zip(found, rows, strict=True)
        for name, (first, last) in alike.values.items()
        if name in columns
    ]
    for at, some in (
        (times_at, [span for span in spans if span[0] == "time_s"]),
        (numbers_at, [span for span in spans if span[0] != "time_s"]),
    ):
        if not some:
            continue
        values, told = at(data, *(np.concatenate([span[side] for span in some]) for side in (2, 3)))
        all_told = told.all()
        end = 0
        for name, its_rows, first, _ in some:
            these, end = slice(end, end + len(first)), end + len(first)
            columns[name][its_rows] = values[these]
            if not all_told:
                can_be_told[its_rows] &= told[these]
    return columns, can_be_told
