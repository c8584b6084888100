"""Rides without a rider's word get their unpaved share from a local street map, if there is one.

What the map says is kept like a word on the ride, spoken by the map, so that a rider's own word replaces it
and its history can be read. A ride of which the map tells too little is left to its file or its bike.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import numpy as np

from ingest.errors import UnreadableFile
from ingest.ground.street_extract import CREDIT, streets_near
from ingest.ground.street_surface import StreetMap, StreetSurface, street_surface
from ingest.ride.recording import Column
from ingest.ride.track import track_points
from rules.vocabulary import RideId
from services.app import App

MOST_RIDES = 500  # at one reading of the map; the newest first, the rest in the next round
SILENT = "rides the street map is silent on"


def surfaces_from_map(app: App, *, now: datetime) -> list[str]:
    """Ask the street map about every ride without a word; says what was learned, or why nothing could be."""
    extract = app.settings.surface.street_extract
    if extract is None:
        return []
    stamp = _stamp(extract)
    with app.store.reading() as tx:
        note = tx.notes.get(SILENT) or {}
        silent = set(note.get("rides", ())) if note.get("map") == stamp else set()
        waiting = [ride for ride in tx.rides.without_unpaved_word() if ride not in silent][:MOST_RIDES]
        tracks = {ride: _places(track) for ride, track in tx.rides.tracks(waiting).items()}
    tracks = {ride: places for ride, places in tracks.items() if len(places[0]) > 1}
    if not tracks:
        return []
    try:
        streets = StreetMap(streets_near(extract, tracks.values()))
    except UnreadableFile as error:
        return [str(error)]
    found = {ride: street_surface(*places, streets) for ride, places in tracks.items()}
    with app.store.writing() as tx:
        for ride, surface in found.items():
            if surface.unpaved_share is not None:
                tx.rides.set_unpaved_share(ride, surface.unpaved_share, now, _speaker(extract, surface))
        silent |= {ride for ride, surface in found.items() if surface.unpaved_share is None}
        tx.notes.put(SILENT, {"map": stamp, "rides": sorted(silent)}, at=now)
    return list(_sentences(found))


def _sentences(found: dict[RideId, StreetSurface]) -> Iterator[str]:
    told = [surface for surface in found.values() if surface.unpaved_share is not None]
    if told:
        rides = "1 ride has" if len(told) == 1 else f"{len(told)} rides have"
        yield f"{rides} an unpaved share from the street map."
    if len(told) < len(found):
        left = len(found) - len(told)
        yield f"The street map tells too little of {'1 ride' if left == 1 else f'{left} rides'}."


def _speaker(extract: Path, surface: StreetSurface) -> str:
    untold = f"{surface.untold_share:.0%} of the way has no surface tag"
    return f"the street map {extract.name} ({untold}; {CREDIT})"


def _places(track: bytes) -> tuple[Column, Column]:
    points = track_points(track)
    return np.array([p.latitude_deg for p in points]), np.array([p.longitude_deg for p in points])


def _stamp(extract: Path) -> list[int | str]:
    """Which state of the file was read: another one is asked again."""
    try:
        stat = extract.stat()
    except OSError:
        return [str(extract)]
    return [str(extract), stat.st_mtime_ns, stat.st_size]
