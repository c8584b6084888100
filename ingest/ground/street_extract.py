"""Streets near some tracks, read from a local extract of the open street map. Nothing leaves the machine.

Reads what osmium reads: .osm.pbf, .osm, .osm.gz, .osm.bz2. osmium comes with the extra `surface`.
"""

from __future__ import annotations

from collections.abc import Iterable
from importlib import import_module
from pathlib import Path

import numpy as np

from ingest.errors import UnreadableFile
from ingest.ground.street_surface import NOT_RIDDEN, Street, ground_of
from ingest.ride.recording import Column

CELL_DEG = 0.02  # about two kilometres: streets are kept by the cells that tracks touch
CREDIT = "© OpenStreetMap contributors, https://www.openstreetmap.org/copyright"  # as its licence (ODbL) asks
_Cells = set[tuple[int, int]]


def streets_near(path: Path, tracks: Iterable[tuple[Column, Column]]) -> list[Street]:
    """The streets of an extract within some two kilometres of the tracks, in the file's order.

    tracks: latitudes and longitudes of each. Raises UnreadableFile for a file that is none, and when the
    extra is not installed.
    """
    try:
        osmium = import_module("osmium")
        import_module("shapely")  # needed later; said now, not after the file was read
    except ImportError as error:
        raise UnreadableFile(
            str(path),
            "reading a street map needs osmium and shapely, which are not installed",
            "install them with: pip install 'gritledger[surface]'",
        ) from error
    if not path.is_file():
        raise UnreadableFile(
            str(path), "there is no such street map", "check 'surface.street_extract' in the settings"
        )
    wanted = _cells_around(tracks)
    streets = []
    try:
        ways = osmium.FileProcessor(str(path), osmium.osm.NODE | osmium.osm.WAY).with_locations()
        for way in ways.with_filter(osmium.filter.KeyFilter("highway")):
            if not way.is_way() or way.tags.get("highway") in NOT_RIDDEN:
                continue
            places = [(n.location.lat, n.location.lon) for n in way.nodes if n.location.valid()]
            if len(places) < 2:
                continue
            latitude, longitude = np.array(places).T
            if not wanted.isdisjoint(_cells(latitude, longitude)):
                streets.append(Street(ground_of(dict(way.tags)), latitude, longitude))
    except (RuntimeError, ValueError) as error:
        raise UnreadableFile(
            str(path), f"is no street map that can be read ({error})", "give an .osm.pbf or .osm extract"
        ) from error
    return streets


def _cells_around(tracks: Iterable[tuple[Column, Column]]) -> _Cells:
    touched = {cell for latitude, longitude in tracks for cell in _cells(latitude, longitude)}
    columns = round(360 / CELL_DEG)
    return {
        (row + up, (column + right) % columns)
        for row, column in touched
        for up in (-1, 0, 1)
        for right in (-1, 0, 1)
    }


def _cells(latitude_deg: Column, longitude_deg: Column) -> _Cells:
    """The cells a line goes through, near enough: a point at least every half a cell."""
    gap = np.maximum(np.abs(np.diff(latitude_deg)), np.abs((np.diff(longitude_deg) + 180.0) % 360.0 - 180.0))
    if len(gap) and gap.max() > CELL_DEG / 2:
        counts = np.maximum(1, np.ceil(gap / (CELL_DEG / 2))).astype(np.intp)
        leg = np.repeat(np.arange(len(gap)), counts)
        along = (np.arange(len(leg)) - (np.cumsum(counts) - counts)[leg]) / counts[leg]
        east = (np.diff(longitude_deg) + 180.0) % 360.0 - 180.0
        latitude = np.append(latitude_deg[leg] + np.diff(latitude_deg)[leg] * along, latitude_deg[-1])
        longitude = np.append(longitude_deg[leg] + east[leg] * along, longitude_deg[-1])
    else:
        latitude, longitude = latitude_deg, longitude_deg
    rows = np.floor(latitude / CELL_DEG).astype(int).tolist()
    columns = np.floor(((longitude + 180.0) % 360.0) / CELL_DEG).astype(int).tolist()
    return set(zip(rows, columns, strict=True))
