"""Distances and mean places on the globe, and tracks with fewer points. Columns in, columns out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ingest.ride.recording import Column

# (2a + b) / 3 of the WGS 84 ellipsoid, rounded to the decimetre.
MEAN_EARTH_RADIUS_M = 6_371_008.8


def haversine_m(
    from_latitude: Column, from_longitude: Column, to_latitude: Column, to_longitude: Column
) -> Column:
    """How far apart places are on a sphere of the mean earth radius. [m]

    Degrees in, any longitudes (the ±180° meridian is no border). NaN where a place is not known.
    Against the WGS 84 ellipsoid it is off by +0.5614 % at worst (north-south at the equator) and −0.4467 %.
    """
    from_phi, to_phi = np.radians(from_latitude), np.radians(to_latitude)
    return _arc_m(to_phi - from_phi, to_longitude - from_longitude, np.cos(from_phi) * np.cos(to_phi))


def _arc_m(phi: Column, longitude_deg: Column, cosines: Column) -> Column:
    """The length of arcs by their difference of latitude [rad] and longitude, and the ends' cosines."""
    square = _sine_squared(phi / 2) + cosines * _sine_squared(np.radians(longitude_deg) / 2)
    return 2 * MEAN_EARTH_RADIUS_M * np.arcsin(np.sqrt(np.clip(square, 0.0, 1.0)))


def _sine_squared(angle: Column) -> Column:
    """sin² of angles; of short ones by two terms of its series: the third is beyond the last digit."""
    square = angle * angle
    is_long = square >= 1e-8
    return np.square(np.sin(angle)) if is_long.any() else square * (1.0 - square / 3)


def steps_m(latitude_deg: Column, longitude_deg: Column) -> Column:
    """How far each sample is from the one before. [m] One shorter than the columns; NaN = not known."""
    phi = np.radians(latitude_deg)
    cosine = np.cos(phi)  # of each sample once: it ends one step and begins the next
    return _arc_m(np.diff(phi), np.diff(longitude_deg), cosine[:-1] * cosine[1:])


def unwrapped(longitude_deg: Column) -> Column:
    """The same longitudes without the jump at ±180°, so that they may be averaged and interpolated. [degrees]

    Values may leave −180..180; `wrapped` brings them back. NaN stays NaN and does not break the run.
    """
    known = np.isfinite(longitude_deg)
    run = longitude_deg if known.all() else longitude_deg[known]
    if not (np.abs(np.diff(run)) >= 180.0).any():  # nearly every track: it jumps nowhere
        return longitude_deg
    result = longitude_deg.copy()
    result[known] = np.unwrap(run, period=360.0)
    return result


def wrapped(longitude_deg: Column) -> Column:
    """Longitudes brought back to −180 (included) .. 180 (excluded). [degrees]"""
    return (longitude_deg + 180.0) % 360.0 - 180.0


def mean_places(
    latitude_deg: Column, longitude_deg: Column, begins: NDArray[np.intp]
) -> tuple[Column, Column]:
    """The middle of each stretch's places, safe at the ±180° meridian and at the poles. [degrees]

    begins: where each stretch begins; it goes on to the next. One without a known place gets NaN.
    """
    known = np.isfinite(latitude_deg) & np.isfinite(longitude_deg)
    phi, lam = np.radians(latitude_deg), np.radians(longitude_deg)
    cosine = np.cos(phi)
    x, y, z = (
        np.add.reduceat(part if known.all() else np.where(known, part, 0.0), begins)
        for part in (cosine * np.cos(lam), cosine * np.sin(lam), np.sin(phi))
    )
    latitude = np.degrees(np.arctan2(z, np.hypot(x, y)))
    longitude = np.degrees(np.arctan2(y, x))
    empty = ~np.logical_or.reduceat(known, begins)
    latitude[empty] = longitude[empty] = np.nan
    return latitude, longitude


def thinned(latitude_deg: Column, longitude_deg: Column, most: int) -> NDArray[np.intp]:
    """Which points to keep so that at most `most` are left and the track looks the same.

    Points that make the smallest triangle with their neighbours go first, a round of them at a time.
    Every place must be known. The first and the last point stay.
    Source: after Visvalingam and Whyatt, Line generalisation by repeated elimination of points, The
    Cartographic Journal 30 (1993), 46-51; the rounds are ours, for speed.
    """
    kept = np.arange(len(latitude_deg))
    y = latitude_deg
    x = unwrapped(longitude_deg) * np.cos(np.radians(np.mean(latitude_deg) if len(latitude_deg) else 0.0))
    while len(kept) > most:
        area = np.abs((x[1:-1] - x[:-2]) * (y[2:] - y[:-2]) - (x[2:] - x[:-2]) * (y[1:-1] - y[:-2]))
        # Of neighbours only every second may go in one round, or a whole straight would go at once.
        low = np.ones(len(area), bool)
        low[1:] = area[1:] <= area[:-1]
        low[:-1] &= area[:-1] <= area[1:]
        goes = low.copy()
        goes[1::2] &= ~low[:-1:2][: len(goes[1::2])]
        goes[1:-1:2] &= ~low[2::2]
        lowest = np.flatnonzero(goes)
        if len(lowest) * 16 < len(area):  # a made-up spiral must not cost a round per point
            lowest = np.arange(0, len(area), 2)
        spare = len(kept) - most
        if len(lowest) > spare:
            lowest = lowest[np.argpartition(area[lowest], spare - 1)[:spare]]
        stay = np.ones(len(kept), bool)
        stay[lowest + 1] = False
        rows = np.flatnonzero(stay)  # quicker to take by than the mask
        kept, x, y = kept.take(rows), x.take(rows), y.take(rows)
    return kept
