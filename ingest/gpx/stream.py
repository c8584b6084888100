"""Reads GPX 1.0 and 1.1 in one pass: expat callbacks only collect texts, numbers are made at the end."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Final
from xml.parsers import expat

import numpy as np

from ingest.errors import UnreadableFile
from ingest.gpx.contents import CHILDREN, COLUMNS, EXTENSIONS, GpxContents, Track
from ingest.gpx.fast_path import TAKEN, Alike, take_out
from ingest.gpx.times import unix_seconds
from ingest.ride.recording import Column

# What fits into two seconds. A day at one sample a second, with every extension, has a quarter to a half of
# each.
MOST_POINTS: Final = 350_000
MOST_TAGS: Final = 2_500_000  # opening and closing
MOST_ATTRIBUTES: Final = 800_000
DEEPEST: Final = 100  # elements inside one another; a track point's extensions lie eight deep
_NOWHERE = 1 << 30  # deeper than anything: outside a track point
_NUMBER: Final = re.compile(r"\s*[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?\s*", re.ASCII)


def gpx_contents(data: bytes, file_name: str) -> GpxContents:
    """What do the points of these GPX bytes say?

    Any encoding that the XML names, any namespace prefix. Everything up to the first damage is kept, and the
    damage is told.
    Raises UnreadableFile when the XML is not GPX, declares entities, or is nested or sized to harm.
    """
    for mark, most, what in ((b"<", MOST_TAGS, "tags"), (b"=", MOST_ATTRIBUTES, "attributes")):
        if data.count(mark) > most:
            raise _too_many(file_name, most, what)
    alike = take_out(data)
    if alike is not None:
        points, damage = _parsed(alike.rest, file_name)
        if not damage and points.taken == len(alike):
            return points.contents(alike)
    points, damage = _parsed(data, file_name)
    contents = points.contents()
    contents.damage.extend(damage)
    return contents


def _parsed(data: bytes, file_name: str) -> tuple[_Points, list[str]]:
    """The points that the XML holds, and where it breaks off."""
    points = _Points(file_name)
    parser = expat.ParserCreate(namespace_separator="}")
    parser.buffer_text = True
    points.attach(parser)
    try:
        parser.Parse(data, True)  # in one piece: fed in chunks, one long attribute takes a minute
    except expat.ExpatError as error:
        points.forget_open_point()
        return points, [f"its XML breaks off in line {error.lineno}: {expat.ErrorString(error.code)}"]
    except (LookupError, ValueError) as error:  # an encoding that nobody knows
        raise UnreadableFile(
            file_name, f"its encoding is unknown ({error})", "export the ride again"
        ) from error
    return points, []


_Note = tuple[Callable[[int], None], Callable[[str], None]]  # of a row, and of its text


class _Points:
    """Collects the texts of track points; a value is noted with the row of its point."""

    def __init__(self, file_name: str) -> None:
        self._file_name = file_name
        self._latitudes: list[str] = []
        self._longitudes: list[str] = []
        self._texts: dict[str, tuple[list[int], list[str]]] = {
            name: ([], []) for name in ("time_s", "altitude_m", *dict.fromkeys(EXTENSIONS.values()))
        }
        self._notes = {name: (rows.append, texts.append) for name, (rows, texts) in self._texts.items()}
        self._segment_starts: list[int] = []
        self._tracks: list[Track] = []
        self._creator: str | None = None
        self._words: dict[str, str] = {}  # the first text of each pair of elements, e.g. "trk name"
        self._other_points = 0
        self._is_open: Callable[[], bool] = lambda: False
        self._namespace = ""  # of the root, with the separator that expat puts behind it

    def attach(self, parser: expat.XMLParserType) -> None:
        """Set the handlers. They are closures: a variable of a closure is quicker than one of an object."""
        pieces: list[str] = []
        clear = pieces.clear
        latitudes, longitudes = self._latitudes, self._longitudes
        direct: dict[str, _Note | None] = {}  # by name: what to do with a child of the point
        deeper: dict[str, _Note | None] = {}  # and with what lies in its extensions
        path: list[str] = []
        depth, point_depth, row, point = 0, _NOWHERE, -1, ""

        def start(name: str, attributes: dict[str, str]) -> None:
            nonlocal depth, point_depth, row, point
            depth += 1
            clear()
            if depth > DEEPEST:
                raise UnreadableFile(self._file_name, "its XML is nested too deep", "export the ride again")
            if depth > point_depth:
                return
            if name == point and path[-1] == "trkseg":
                row += 1
                if row >= MOST_POINTS:
                    raise _too_many(self._file_name, MOST_POINTS, "points")
                point_depth = depth
                latitudes.append(attributes.get("lat", ""))
                longitudes.append(attributes.get("lon", ""))
            else:
                path.append(self._enter(name, attributes, row, root=depth == 1))
                point = f"{self._namespace}trkpt"

        def end(name: str) -> None:
            nonlocal depth, point_depth
            depth -= 1
            if depth > point_depth:
                note = deeper[name] if name in deeper else self._learn(deeper, name, {})
            elif depth == point_depth:
                note = direct[name] if name in direct else self._learn(direct, name, CHILDREN)
            elif depth == point_depth - 1:
                point_depth = _NOWHERE
                return
            else:
                if pieces and len(path) > 1:
                    self._word(path[-2], path[-1], pieces[0].strip())
                clear()
                path.pop()
                return
            if note is not None and pieces:
                note_row, note_text = note
                text = pieces.pop()
                if pieces:  # a value of several buffers' length is none
                    clear()
                else:
                    note_row(row)
                    note_text(text)

        def refuse(*_: object) -> None:
            raise UnreadableFile(self._file_name, "its XML declares entities", "export the ride again")

        self._is_open = lambda: point_depth != _NOWHERE
        parser.StartElementHandler = start
        parser.EndElementHandler = end
        parser.CharacterDataHandler = pieces.append
        parser.EntityDeclHandler = refuse
        parser.SkippedEntityHandler = refuse

    def _word(self, parent: str, name: str, text: str) -> None:
        self._words.setdefault(f"{parent} {name}", text)
        if parent == "trk" and self._tracks:
            track = self._tracks[-1]
            if name == "name":
                track.title = track.title or text
            elif name == "type":
                track.sport = track.sport or text

    def forget_open_point(self) -> None:
        """Leave out the point that the XML broke off in, with what it held so far."""
        if not self._is_open():
            return
        self._latitudes.pop()
        self._longitudes.pop()
        for rows, texts in self._texts.values():
            while rows and rows[-1] == len(self._latitudes):
                rows.pop()
                texts.pop()

    def _enter(self, name: str, attributes: dict[str, str], row: int, *, root: bool) -> str:
        """What an element outside a track point is called: its local name, empty when it is not GPX's."""
        space, separator, local = name.rpartition("}")
        if root:
            if local != "gpx":
                raise UnreadableFile(
                    self._file_name, f"is XML, but not GPX: <{local[:40]}>", "export it as GPX"
                )
            self._namespace = space + separator
            self._creator = attributes.get("creator", "")[:200].strip() or None
        if space + separator != self._namespace:
            return ""
        if local == "trk":
            self._tracks.append(Track(row + 1))
        elif local == "trkseg":
            self._segment_starts.append(row + 1)
        elif local in ("wpt", "rtept"):
            self._other_points += 1
        return local

    def _learn(self, notes: dict[str, _Note | None], name: str, children: dict[str, str]) -> _Note | None:
        """What to do with the text of an element of this name, the first time that it is met."""
        space, separator, local = name.rpartition("}")
        column = EXTENSIONS.get(local)
        if space + separator == self._namespace:
            column = children.get(local, column)
        notes[name] = None if column is None else self._notes[column]
        return notes[name]

    @property
    def taken(self) -> int:
        """How many points were taken out before the parsing."""
        return self._latitudes.count(TAKEN)

    def contents(self, alike: Alike | None = None) -> GpxContents:
        """What was collected, in columns; points that were taken out before come in at their places."""
        count = len(self._latitudes)
        columns = {name: np.full(count, np.nan) for name in ("time_s", *COLUMNS)}
        taken = np.fromiter(map(TAKEN.__eq__, self._latitudes), bool, count)
        own = np.flatnonzero(~taken).tolist()
        columns["latitude_deg"][own] = _numbers([self._latitudes[row] for row in own])
        columns["longitude_deg"][own] = _numbers([self._longitudes[row] for row in own])
        for name, (rows, texts) in self._texts.items():
            columns[name][rows[::-1]] = _values(name, texts)[
                ::-1
            ]  # of several in one point, the first counts
        if alike is not None:
            places = np.flatnonzero(taken)
            for name, given in alike.texts.items():
                told = np.array([text is not None for text in given]) if None in given else slice(None)
                spelt = [text.decode("ascii") for text in given if text is not None]
                columns[name][places[told]] = _values(name, spelt)
        words = self._words
        return GpxContents(
            time_s=columns.pop("time_s"),
            columns=columns,
            segment_starts=self._segment_starts,
            tracks=self._tracks,
            title=words.get("trk name") or words.get("metadata name") or words.get("gpx name") or None,
            sport=words.get("trk type") or None,
            creator=self._creator,
            other_points=self._other_points,
        )


def _too_many(file_name: str, most: int, what: str) -> UnreadableFile:
    return UnreadableFile(
        file_name, f"has more than {most} {what}, and no ride does", "export the ride again"
    )


def _values(name: str, texts: list[str]) -> Column:
    return unix_seconds(texts) if name == "time_s" else _numbers(texts)


def _numbers(texts: list[str]) -> Column:
    """The numbers that these texts spell; NaN for those that spell none."""
    joined = "".join(texts)
    if joined.isascii() and "_" not in joined:
        try:
            return np.fromiter(map(float, texts), np.float64, len(texts))
        except ValueError:
            pass
    return np.array([float(text) if _NUMBER.fullmatch(text) else np.nan for text in texts])
