"""How muddy unpaved ground is, by the water in what tyres work."""

from __future__ import annotations

from ingest.ground.topsoil import EVAPORATING_DEPTH_M, LOAM, Soil
from ingest.ground.wetting_and_drying import TOPMOST_M

MUD_SHARE = 0.5  # labelled assumption, of the readily evaporable water: mud's ramp to each side; 0.25-0.75


def mud_weight(topmost_mm: float, *, soil: Soil = LOAM) -> float:
    """How muddy bare unpaved ground is, 0 to 1; over MUDDY_FROM a rider calls it mud.

    topmost_mm: water over field capacity in what tyres work; at field capacity itself soil turns from crumbs
    to paste (common practice, no source). The shape is a labelled assumption; no record of mud was found.
    """
    ramp_mm = MUD_SHARE * soil.readily_evaporable_mm * TOPMOST_M / EVAPORATING_DEPTH_M
    return min(1.0, max(0.0, 0.5 + topmost_mm / (2 * ramp_mm)))
