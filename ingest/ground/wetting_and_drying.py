"""How much water lies on paved and on unpaved ground, hour by hour.

Pure arithmetic on millimetres. A state is what an hour leaves behind; the march goes from hour to hour. Each
constant has its source beside it; "our choice" marks an assumption, with the range it could as well have.
Expect such a model to name wet and dry rightly in about 85 % of hours (Denby et al. 2013, Atmos. Environ.
81:485-503, doi 10.1016/j.atmosenv.2013.09.003), before any error in the rain itself.
"""

from __future__ import annotations

from math import exp

from ingest.ground.thresholds import WET_HOUR_MM
from ingest.ground.topsoil import EVAPORATING_DEPTH_M, LOAM, Soil, drying_reduction

PAVED_CAP_MM = (
    0.6  # NORTRIP parameter tables v12 and v14a: water above this runs off at once (0.6-2.5 elsewhere)
)
PAVED_HELD_MM = 0.2  # NORTRIP: slow drainage stops here
DRAINAGE_H = 12.0  # NORTRIP: time scale of slow drainage
PAVED_DRYING = 1.2  # FAO-56 eq. 72, upper limit of Kc,max for a bare wet surface; from memory
UNPAVED_DRYING = 1.15  # our choice, near FAO-56's 1.2; 1.0-1.2
LOOSE_CAP_MM = 1.8  # Pérez-Peña et al. 2017, doi 10.1016/j.apr.2016.07.006: 1.786 mm
FILM_MM = 0.05  # NORTRIP v12: spray starts above this film
FULL_FILM_MM = 0.6  # NORTRIP's cap again: a weight of 1
TOPMOST_M = 0.02  # how deep tyres work the ground: labelled assumption; 0.01-0.04
# What loam holds over field capacity before water stands on it [m³/m³]: porosity 0.46 less 0.27, Rawls,
# Brakensiek & Saxton 1982, from memory; by the tables of ERA5's own soils 0.09 (medium) to 0.16 (coarse).
OVER_CAPACITY_M3M3 = 0.19
SOIL_DRAINAGE_H = 24.0  # labelled assumption: field capacity is what is left after two or three days; 12-48
GAP_FILL_MM = 2.5  # what an hour without a value might have brought: fills both stores
SPIN_UP_H = 48  # our choice: four times the longest drying of asphalt (11 h at 0.05 mm/h); 24-96


def paved_after(store_mm: float, *, rain_mm: float, et0_mm: float, carried_off_mm: float = 0.0) -> float:
    """The film on paved ground after one hour. [mm] Rain, run-off, slow drainage in dry hours, drying."""
    store = min(PAVED_CAP_MM, store_mm + rain_mm)
    if rain_mm == 0:
        store -= max(0.0, store - PAVED_HELD_MM) * (1 - exp(-1 / DRAINAGE_H))
    return max(0.0, store - paved_drying_mm(et0_mm, carried_off_mm))


def paved_drying_mm(et0_mm: float, carried_off_mm: float) -> float:
    """What an hour can dry off a paved road: by sun and air as from grass, or by the air alone. [mm]"""
    return max(0.0, PAVED_DRYING * et0_mm, carried_off_mm)


def mean_film_mm(
    before_mm: float, after_mm: float, *, loses_mm: float | None, ridden: tuple[float, float]
) -> float:
    """The film between two moments of an hour, on average. [mm]

    before_mm, after_mm: when the hour begins and ends; it changes evenly between.
    loses_mm: what the hour could have dried, where it dried all there was; None = some was left.
    ridden: the two moments, as fractions of the hour.
    """
    begin, end = ridden
    slope = after_mm - before_mm
    if loses_mm is not None and loses_mm > before_mm:
        slope = -loses_mm
        gone = before_mm / loses_mm
        if gone <= begin:
            return 0.0
        wet_until = min(end, gone)
        return (before_mm + slope * (begin + wet_until) / 2) * (wet_until - begin) / (end - begin)
    return before_mm + slope * (begin + end) / 2


def loose_after(store_mm: float, *, rain_mm: float, et0_mm: float) -> float:
    """The water in the loose layer after one hour. [mm]"""
    return min(LOOSE_CAP_MM, max(0.0, store_mm + rain_mm - UNPAVED_DRYING * max(0.0, et0_mm)))


def depletion_after(depletion_mm: float, *, rain_mm: float, et0_mm: float, soil: Soil = LOAM) -> float:
    """The water missing from the top soil after one step, an hour or a day. [mm]

    FAO-56 eqs 73 and 74; the rain soaks in before the layer dries.
    """
    wetted = min(soil.total_evaporable_mm, max(0.0, depletion_mm - rain_mm))
    lost = UNPAVED_DRYING * drying_reduction(wetted, soil) * max(0.0, et0_mm)
    return min(soil.total_evaporable_mm, max(0.0, wetted + lost))


def water_weight(film_mm: float, *, rain_mm: float) -> float:
    """How wet ground with this film is, 0 dry to 1 wet; 1 in an hour with rain in earnest, whatever lay
    there.

    Paved and loose ground share the ramp; that the loose layer does is our choice. Treat it as ± 0.3.
    """
    if rain_mm >= WET_HOUR_MM:
        return 1.0
    return min(1.0, max(0.0, (film_mm - FILM_MM) / (FULL_FILM_MM - FILM_MM)))


def topmost_after(
    topmost_mm: float, *, rain_mm: float, et0_mm: float, drains: bool = True, soil: Soil = LOAM
) -> float:
    """The water in the topmost two centimetres over field capacity after one hour; negative = missing. [mm]

    Rain fills it first, however dry it is below; what it cannot hold goes on. It drains to field capacity and
    dries as the layer below it does, at its own share of what that layer holds.
    """
    share = TOPMOST_M / EVAPORATING_DEPTH_M
    wetted = min(1000 * TOPMOST_M * OVER_CAPACITY_M3M3, topmost_mm + rain_mm)
    if drains and wetted > 0:
        wetted *= exp(-1 / SOIL_DRAINAGE_H)
    lost = UNPAVED_DRYING * drying_reduction(max(0.0, -wetted) / share, soil) * max(0.0, et0_mm)
    return max(-share * soil.total_evaporable_mm, wetted - lost)
