"""Reads GPX 1.0 and 1.1 in one pass: expat callbacks only collect texts, numbers are made at the end."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Final
from xml.parsers import expat

import numpy as np

from ingest.errors import UnreadableFile
from ingest.gpx.contents import GpxContents, Track
from ingest.gpx.extensions import CHILDREN, EXTENSIONS
from ingest.gpx.fast_path import TAKEN, TakenOut, take_out
from ingest.gpx.times import unix_seconds
from ingest.gpx.written_values import numbers

# What fits into two seconds. A day at one sample a second, with every extension, has a quarter to a half of
# each.
MOST_POINTS: Final = 350_000
MOST_TAGS: Final = 2_500_000  # opening and closing
MOST_ATTRIBUTES: Final = 800_000
DEEPEST: Final = 100  # elements inside one another; a track point's extensions lie eight deep
_CAPS: Final = ((b"<", MOST_TAGS, len("<a>"), "tags"), (b"=", MOST_ATTRIBUTES, len(' a=""'), "attributes"))
_COUNT: Final = re.compile("[0-9]{1,9}")
_NOWHERE = 1 << 30  # deeper than anything: outside a track point


def gpx_contents(data: bytes, file_name: str) -> GpxContents:
    """What do the points of these GPX bytes say?

    Any encoding that the XML names, any namespace prefix. Everything up to the first damage is kept, and the
    damage is told.
    Raises UnreadableFile when the XML is not GPX, declares entities, or is nested or sized to harm.
    """
    for mark, most, least_bytes, what in _CAPS:
        if len(data) > most * least_bytes and data.count(mark) > most:
            raise _too_many(file_name, most, what)
    taken = take_out(data)
    if taken is not None:
        points, damage = _parsed(taken.rest, file_name)
        if not damage and sum(points.taken()) == len(taken):
            return points.contents(taken)
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
            if depth > point_depth:
                pieces.append("")  # a value that another element breaks is none

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

    def taken(self) -> list[int]:
        """For each point: how many that were taken out before it stands for; 0 when it is one itself."""
        counts = [text.removeprefix(TAKEN) if text.startswith(TAKEN) else "" for text in self._latitudes]
        return [int(count) if _COUNT.fullmatch(count) else 0 for count in counts]

    def contents(self, taken: TakenOut | None = None) -> GpxContents:
        """What was collected, in columns; points that were taken out before come in at their places."""
        counts = np.array(self.taken() if taken else [0] * len(self._latitudes), np.int64)
        ends = np.cumsum(np.maximum(counts, 1))
        first = np.append(0, ends)  # of each point here, its row in the whole
        total = int(first[-1])
        if total > MOST_POINTS:
            raise _too_many(self._file_name, MOST_POINTS, "points")
        given = taken.columns if taken else {}
        its_own = {name: rows_and_texts for name, rows_and_texts in self._texts.items() if rows_and_texts[0]}
        names = dict.fromkeys(("time_s", "latitude_deg", "longitude_deg", *its_own, *given))
        columns = {name: np.full(total, np.nan) for name in names}
        columns["latitude_deg"][first[:-1]] = numbers(self._latitudes)
        columns["longitude_deg"][first[:-1]] = numbers(self._longitudes)
        for name, (rows, texts) in its_own.items():
            values = unix_seconds(texts) if name == "time_s" else numbers(texts)
            columns[name][first[rows[::-1]]] = values[::-1]  # of several in one point, the first counts
        if given:
            is_taken = np.ones(total, bool)
            is_taken[first[:-1][counts == 0]] = False
            rows_taken = np.flatnonzero(is_taken)
            for name, column in given.items():
                columns[name][rows_taken] = column
        for track in self._tracks:
            track.row = int(first[track.row])
        words = self._words
        return GpxContents(
            time_s=columns.pop("time_s"),
            columns=columns,
            segment_starts=first[self._segment_starts].tolist(),
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
