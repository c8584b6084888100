"""Whether soil is frozen, and frozen so deep that tyres meet it hard, by the air of the hours before."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import fmean

SOIL_FREEZES_C = -1.0  # mean air of the last 48 h; our choice
# What tyres work freezes and thaws sooner: by Stefan's equation, from memory, two centimetres of wet soil are
# hard after 5 °C hours of frost at its surface. The mean air of so many hours; our choice, 6-24.
HARD_AFTER_H = 12


def is_frozen(air_c: Sequence[float]) -> bool:
    """Whether the ground is cold enough that rain freezes on it.

    air_c: of the last 48 h, hour by hour, at least one.
    """
    return fmean(air_c) < SOIL_FREEZES_C


def is_hard(air_c: Sequence[float], *, snow_lies: bool) -> bool:
    """Whether what tyres work is frozen; under snow it is not.

    air_c: hour by hour, this one last, at least one.
    """
    return fmean(air_c[-HARD_AFTER_H:]) < SOIL_FREEZES_C and not snow_lies
