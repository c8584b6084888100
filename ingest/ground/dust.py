"""How dusty unpaved ground is, as a ratio to a dry public gravel road ridden at 20 km/h.

Source of the shape: US EPA AP-42, sections 13.2.1 (paved, 01/2011) and 13.2.2 (unpaved, 11/2006),
https://www.epa.gov/sites/default/files/2020-10/documents/13.2.2_unpaved_roads.pdf. AP-42 was
fitted to cars of 1.5 to 3 tons on public roads; a bicycle lies outside. It is used here as a dimensionless
ratio of silt, speed, moisture and rain, never as grams. No weather source measures dust: every value is
inferred.
"""

from __future__ import annotations

from itertools import pairwise

from ingest.ground.thresholds import WET_HOUR_MM

GRAVEL_SILT_PCT = 6.4  # table 13.2.2-1, public gravel roads, mean (0.1-15); from memory
SPEED_POWER = 0.5  # equation 1b, public unpaved roads, PM10; table 13.2.2-2
WATERING_CURVE = ((0.0, 0.0), (1.0, 0.0), (2.0, 75.0), (5.0, 95.0))  # figure 13.2.2-2, vertices

REFERENCE_SPEED_KMH = 20.0  # our choice: the index is 1 here
RAIN_FACTOR = 0.2  # Pérez-Peña et al. 2017, doi 10.1016/j.apr.2016.07.006, for an hour with that much rain
FILM_GATE_MM = 0.06  # NORTRIP parameter table v14a: no suspension above this film (v12: 0.03)
CAP = 3.0  # our choice: beyond the range AP-42 was fitted to


def dust_index(
    *,
    speed_mps: float | None,
    soil_moisture_m3m3: float,
    rain_mm: float,
    film_mm: float,
    dry_soil_m3m3: float,
    silt_pct: float = GRAVEL_SILT_PCT,
) -> float:
    """How dusty an hour wholly on unpaved ground is; 1 = dry public gravel road at 20 km/h, 0 to 3.

    speed_mps: mean over moving time, None = 20 km/h.  film_mm: water on the loose layer.
    dry_soil_m3m3: soil moisture of the same ground when it is air dry. Source: the ratio of AP-42 eq. 1b to
    itself at the reference, with its watering curve for moisture (made for watered roads; for soil it is our
    extrapolation); the gate is NORTRIP's.
    """
    if film_mm > FILM_GATE_MM:
        return 0.0
    speed_kmh = REFERENCE_SPEED_KMH if speed_mps is None else max(0.0, speed_mps * 3.6)
    index: float = (silt_pct / GRAVEL_SILT_PCT) * (speed_kmh / REFERENCE_SPEED_KMH) ** SPEED_POWER
    index *= 1 - watering_efficiency_pct(soil_moisture_m3m3 / dry_soil_m3m3) / 100
    if rain_mm >= WET_HOUR_MM:
        index *= RAIN_FACTOR
    return min(CAP, index)


def watering_efficiency_pct(moisture_ratio: float) -> float:
    """How much dust watering holds down, by surface moisture over its dry value. [%] Figure 13.2.2-2."""
    for (x0, y0), (x1, y1) in pairwise(WATERING_CURVE):
        if moisture_ratio <= x1:
            return y0 + (y1 - y0) * (max(moisture_ratio, x0) - x0) / (x1 - x0)
    return WATERING_CURVE[-1][1]
