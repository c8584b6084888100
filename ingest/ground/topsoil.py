"""The top ten centimetres of bare ground: how much water they hold and how they give it back.

Source: FAO Irrigation and Drainage Paper 56, table 19 and equations 73 to 75.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

EVAPORATING_DEPTH_M = 0.10  # FAO-56, at table 19: 0.10 to 0.15 m


class Texture(StrEnum):
    """Soil texture classes of FAO-56 table 19."""

    SAND = "sand"
    LOAMY_SAND = "loamy sand"
    SANDY_LOAM = "sandy loam"
    LOAM = "loam"
    SILT_LOAM = "silt loam"
    SILT = "silt"
    SILT_CLAY_LOAM = "silt clay loam"
    SILTY_CLAY = "silty clay"
    CLAY = "clay"


@dataclass(frozen=True, slots=True)
class TextureRange:
    """What table 19 prints for one texture, lowest and highest; for an evaporating depth of 0.10 m."""

    field_capacity: tuple[float, float]  # m³/m³
    wilting_point: tuple[float, float]  # m³/m³
    readily_evaporable_mm: tuple[float, float]
    total_evaporable_mm: tuple[float, float]


TABLE_19 = {
    Texture.SAND: TextureRange((0.07, 0.17), (0.02, 0.07), (2, 7), (6, 12)),
    Texture.LOAMY_SAND: TextureRange((0.11, 0.19), (0.03, 0.10), (4, 8), (9, 14)),
    Texture.SANDY_LOAM: TextureRange((0.18, 0.28), (0.06, 0.16), (6, 10), (15, 20)),
    Texture.LOAM: TextureRange((0.20, 0.30), (0.07, 0.17), (8, 10), (16, 22)),
    Texture.SILT_LOAM: TextureRange((0.22, 0.36), (0.09, 0.21), (8, 11), (18, 25)),
    Texture.SILT: TextureRange((0.28, 0.36), (0.12, 0.22), (8, 11), (22, 26)),
    Texture.SILT_CLAY_LOAM: TextureRange((0.30, 0.37), (0.17, 0.24), (8, 11), (22, 27)),
    Texture.SILTY_CLAY: TextureRange((0.30, 0.42), (0.17, 0.29), (8, 12), (22, 28)),
    Texture.CLAY: TextureRange((0.32, 0.40), (0.20, 0.24), (8, 12), (22, 29)),
}


def total_evaporable_mm(
    field_capacity: float, wilting_point: float, *, depth_m: float = EVAPORATING_DEPTH_M
) -> float:
    """How much water the layer can lose to the air, from just drained to air dry. [mm] FAO-56 eq. 73."""
    return 1000 * (field_capacity - 0.5 * wilting_point) * depth_m


@dataclass(frozen=True, slots=True)
class Soil:
    """One kind of ground, by the two numbers its drying depends on."""

    field_capacity: float  # m³/m³
    total_evaporable_mm: float
    readily_evaporable_mm: float

    def moisture_m3m3(self, depletion_mm: float) -> float:
        """How moist the layer is with so much missing since field capacity. [m³/m³]"""
        return self.field_capacity - depletion_mm / (1000 * EVAPORATING_DEPTH_M)

    @property
    def air_dry_m3m3(self) -> float:
        """How moist it is when air can dry it no further: half of wilting point, FAO-56 eq. 73. [m³/m³]"""
        return self.moisture_m3m3(self.total_evaporable_mm)

    @staticmethod
    def typical(texture: Texture) -> Soil:
        """The middle of what table 19 prints for this texture."""
        row = TABLE_19[texture]
        capacity, wilting = sum(row.field_capacity) / 2, sum(row.wilting_point) / 2
        return Soil(capacity, total_evaporable_mm(capacity, wilting), sum(row.readily_evaporable_mm) / 2)


LOAM = Soil.typical(Texture.LOAM)  # 19 mm and 9 mm: our default for a road nobody has dug up


def drying_reduction(depletion_mm: float, soil: Soil) -> float:
    """How freely the layer still gives water, 1 to 0. FAO-56 eq. 74.

    depletion_mm: water lost since field capacity.
    """
    span = soil.total_evaporable_mm - soil.readily_evaporable_mm
    return min(1.0, max(0.0, (soil.total_evaporable_mm - depletion_mm) / span))
