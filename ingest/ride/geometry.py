"""Distances and mean places on the globe, and tracks with fewer points. Columns in, columns out."""

from __future__ import annotations

from typing import cast

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
    half_phi = np.sin((to_phi - from_phi) / 2)
    half_lambda = np.sin(np.radians(to_longitude - from_longitude) / 2)
    square = half_phi * half_phi + np.cos(from_phi) * np.cos(to_phi) * half_lambda * half_lambda
    return cast(Column, 2 * MEAN_EARTH_RADIUS_M * np.arcsin(np.sqrt(np.clip(square, 0.0, 1.0))))


def steps_m(latitude_deg: Column, longitude_deg: Column) -> Column:
    """How far each sample is from the one before. [m] One shorter than the columns; NaN = not known."""
    return haversine_m(latitude_deg[:-1], longitude_deg[:-1], latitude_deg[1:], longitude_deg[1:])


def unwrapped(longitude_deg: Column) -> Column:
    """The same longitudes without the jump at ±180°, so that they may be averaged and interpolated. [degrees]

    Values may leave −180..180; `wrapped` brings them back. NaN stays NaN and does not break the run.
    """
    result = longitude_deg.copy()
    known = np.isfinite(result)
    if known.any():
        result[known] = np.unwrap(result[known], period=360.0)
    return result


def wrapped(longitude_deg: Column) -> Column:
    """Longitudes brought back to −180 (included) .. 180 (excluded). [degrees]"""
    return (longitude_deg + 180.0) % 360.0 - 180.0


def mean_places(
    latitude_deg: Column, longitude_deg: Column, group: NDArray[np.intp], groups: int
) -> tuple[Column, Column]:
    """The middle of each group's places, safe at the ±180° meridian and at the poles. [degrees]

    group: for each sample, which of 0..groups−1 it belongs to. A group without a known place gets NaN.
    """
    known = np.isfinite(latitude_deg) & np.isfinite(longitude_deg)
    phi, lam, of = np.radians(latitude_deg[known]), np.radians(longitude_deg[known]), group[known]
    x = np.bincount(of, np.cos(phi) * np.cos(lam), groups)
    y = np.bincount(of, np.cos(phi) * np.sin(lam), groups)
    z = np.bincount(of, np.sin(phi), groups)
    latitude = np.degrees(np.arctan2(z, np.hypot(x, y)))
    longitude = np.degrees(np.arctan2(y, x))
    empty = np.bincount(of, minlength=groups) == 0
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
        kx, ky = x[kept], y[kept]
        area = np.abs((kx[1:-1] - kx[:-2]) * (ky[2:] - ky[:-2]) - (kx[2:] - kx[:-2]) * (ky[1:-1] - ky[:-2]))
        # Of neighbours only every second may go in one round, or a whole straight would go at once.
        fenced = np.concatenate(([np.inf], area, [np.inf]))
        low = (area <= fenced[:-2]) & (area <= fenced[2:])
        even = np.arange(len(area)) % 2 == 0
        beside = np.concatenate(([False], low[:-1])) | np.concatenate((low[1:], [False]))
        lowest = np.flatnonzero(low & (even | ~beside))
        if len(lowest) * 16 < len(area):  # a made-up spiral must not cost a round per point
            lowest = np.flatnonzero(even)
        spare = len(kept) - most
        if len(lowest) > spare:
            lowest = lowest[np.argpartition(area[lowest], spare - 1)[:spare]]
        kept = np.delete(kept, lowest + 1)
    return kept
