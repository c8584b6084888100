"""Reads GPX 1.0 and 1.1 in one pass: expat callbacks only collect texts, numbers are made at the end."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Final
from xml.parsers import expat

import numpy as np

from ingest.errors import UnreadableFile
from ingest.gpx_contents import COLUMNS, EXTENSIONS, GpxContents
from ingest.gpx_times import unix_seconds
from ingest.recording import Column

MOST_TAGS: Final = 6_000_000  # opening and closing; a day of points with every extension has two million
DEEPEST: Final = 100  # elements inside one another; a track point's extensions lie eight deep
_MOST_PIECES = 16  # of 8 kB: no value, name or time is longer
_NOWHERE = 1 << 30
_NUMBER: Final = re.compile(r"\s*[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?\s*", re.ASCII)


def gpx_contents(data: bytes, file_name: str) -> GpxContents:
    """What do the points of these GPX bytes say?

    Any encoding that the XML names, any namespace prefix. Everything up to the first damage is kept, and the
    damage is told.
    Raises UnreadableFile when the XML is not GPX, declares entities, or is nested or sized to harm.
    """
    if data.count(b"<") > MOST_TAGS:
        raise UnreadableFile(
            file_name, f"it has more than {MOST_TAGS} tags, and no ride does", "export the ride again"
        )
    points = _Points(file_name)
    parser = expat.ParserCreate(namespace_separator="}")
    parser.buffer_text = True
    points.attach(parser)
    damage = []
    try:
        parser.Parse(data, True)  # in one piece: fed in chunks, one long attribute takes a minute
    except expat.ExpatError as error:
        damage.append(f"its XML breaks off in line {error.lineno}: {expat.ErrorString(error.code)}")
    except (LookupError, ValueError) as error:  # an encoding that nobody knows
        raise UnreadableFile(
            file_name, f"its encoding is unknown ({error})", "export the ride again"
        ) from error
    return points.contents(damage)


class _Points:
    """Collects the texts of track points; a value is noted with the row of its point."""

    def __init__(self, file_name: str) -> None:
        self._file_name = file_name
        self._latitudes: list[str] = []
        self._longitudes: list[str] = []
        self._texts: dict[str, tuple[list[int], list[str]]] = {
            name: ([], []) for name in ("time_s", "altitude_m", *dict.fromkeys(EXTENSIONS.values()))
        }
        self._segment_starts: list[int] = []
        self._creator: str | None = None
        self._words: dict[str, str] = {}  # the first text of each path, e.g. "trk name"
        self._other_points = 0

    def attach(self, parser: expat.XMLParserType) -> None:
        """Set the handlers. They are closures: a variable of a closure is quicker than one of an object."""
        pieces: list[str] = []
        latitudes, longitudes = self._latitudes, self._longitudes
        direct: dict[str, tuple[Callable[[int], None], Callable[[str], None]] | None] = {}
        deeper: dict[str, tuple[Callable[[int], None], Callable[[str], None]] | None] = {}
        path: list[str] = []
        depth, point_depth, row = 0, _NOWHERE, -1
        point = ""  # how the track point is spelt here, its namespace included

        def start(name: str, attributes: dict[str, str]) -> None:
            nonlocal depth, point_depth, row
            depth += 1
            pieces.clear()
            if name == point and point_depth == _NOWHERE and path[-1:] == ["trkseg"]:
                row += 1
                point_depth = depth
                latitudes.append(attributes.get("lat", ""))
                longitudes.append(attributes.get("lon", ""))
            elif depth > DEEPEST:
                raise UnreadableFile(self._file_name, "its XML is nested too deep", "export the ride again")
            elif depth < point_depth:
                outside(name, attributes)

        def outside(name: str, attributes: dict[str, str]) -> None:
            nonlocal point
            space, _, local = name.rpartition("}")
            if depth == 1:
                if local != "gpx":
                    raise UnreadableFile(
                        self._file_name, f"it is XML, but not GPX: <{local}>", "export it as GPX"
                    )
                point = f"{space}}}trkpt" if space else "trkpt"
                self._creator = attributes.get("creator") or None
            path.append(local if name == point[: -len("trkpt")] + local else "")
            if path[-1] == "trkseg":
                self._segment_starts.append(row + 1)
            elif path[-1] in ("wpt", "rtept"):
                self._other_points += 1

        def end(name: str) -> None:
            nonlocal depth, point_depth
            depth -= 1
            if depth > point_depth:
                sink = deeper[name] if name in deeper else learn(deeper, name)
            elif depth == point_depth:
                sink = direct[name] if name in direct else learn(direct, name)
            elif depth == point_depth - 1:
                point_depth = _NOWHERE
                return
            else:
                word = "".join(pieces) if len(pieces) < _MOST_PIECES else ""
                self._words.setdefault(" ".join(path[-2:]), word.strip())
                path.pop()
                return
            if sink is not None and pieces and len(pieces) < _MOST_PIECES:
                sink[0](row)
                sink[1](pieces[0] if len(pieces) == 1 else "".join(pieces))
            pieces.clear()

        def learn(
            sinks: dict[str, tuple[Callable[[int], None], Callable[[str], None]] | None], name: str
        ) -> tuple[Callable[[int], None], Callable[[str], None]] | None:
            local = name.rpartition("}")[2]
            column = EXTENSIONS.get(local)
            if sinks is direct and name == point[: -len("trkpt")] + local:
                column = {"ele": "altitude_m", "time": "time_s"}.get(local, column)
            rows_texts = None if column is None else self._texts[column]
            sinks[name] = None if rows_texts is None else (rows_texts[0].append, rows_texts[1].append)
            return sinks[name]

        def refuse(*_: object) -> None:
            raise UnreadableFile(self._file_name, "its XML declares entities", "export the ride again")

        parser.StartElementHandler = start
        parser.EndElementHandler = end
        parser.CharacterDataHandler = pieces.append
        parser.EntityDeclHandler = refuse
        parser.SkippedEntityHandler = refuse

    def contents(self, damage: list[str]) -> GpxContents:
        """What was collected, in columns."""
        count = len(self._latitudes)
        columns = {name: np.full(count, np.nan) for name in COLUMNS}
        columns["latitude_deg"][:] = _numbers(self._latitudes)
        columns["longitude_deg"][:] = _numbers(self._longitudes)
        time_s = np.full(count, np.nan)
        for name, (rows, texts) in self._texts.items():
            values = unix_seconds(texts) if name == "time_s" else _numbers(texts)
            column = time_s if name == "time_s" else columns[name]
            column[rows[::-1]] = values[::-1]  # of several in one point, the first counts
        words = self._words
        return GpxContents(
            time_s=time_s,
            columns=columns,
            segment_starts=self._segment_starts,
            title=words.get("trk name") or words.get("metadata name") or words.get("gpx name") or None,
            sport=words.get("trk type") or None,
            creator=self._creator,
            other_points=self._other_points,
            damage=damage,
        )


def _numbers(texts: list[str]) -> Column:
    """The numbers that these texts spell; NaN for those that spell none."""
    joined = "".join(texts)
    if joined.isascii() and "_" not in joined:
        try:
            return np.array(list(map(float, texts)))
        except ValueError:
            pass
    return np.array([float(text) if _NUMBER.fullmatch(text) else np.nan for text in texts])
