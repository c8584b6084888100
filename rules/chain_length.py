"""From a length to elongation, for rulers and calipers; lengths as people write them."""

from __future__ import annotations

import re

from rules.units import MM_AN_INCH

PITCH_MM = 12.7  # half an inch from pin to pin; ISO 606 and ISO 9633 (from memory)
_UNITS_MM = {"": 1.0, "mm": 1.0, "cm": 10.0} | dict.fromkeys(("in", "inch", "inches", '"', "″"), MM_AN_INCH)
_LENGTH = re.compile(r"(?:(\d+(?:[.,]\d+)?)(?![\d/.,])[\s-]*)?(?:(\d+)\s*/\s*(\d+))?\s*([a-z\"″]*)")


def length_mm(text: str) -> float:
    """How long is that? [mm] '305.4', '305,4 mm', '30.54 cm', '12.02 in', '12 1/16"', '12 1/16 inches'.

    ValueError, in words, for what is no length.
    """
    found = _LENGTH.fullmatch(text.strip().casefold())
    if found is None or found[4] not in _UNITS_MM or (found[1] is None and found[2] is None):
        raise ValueError(f"“{text.strip()}” is no length: write it as 305.4 mm, 30.54 cm or 12 1/16 in.")
    whole = float(found[1].replace(",", ".")) if found[1] else 0.0
    if found[2] is not None:
        if int(found[3]) == 0 or found[4] in ("", "mm", "cm"):
            raise ValueError(f"“{text.strip()}”: fractions are of inches; write it as 12 1/16 in.")
        whole += int(found[2]) / int(found[3])
    return whole * _UNITS_MM[found[4]]


def elongation_pct(length_mm: float, pitches: int) -> float:
    """How much longer than new is this stretch of chain? [%]

    length_mm: from a pin to the same side of the pin so many pitches on, the chain pulled straight.
    pitches: of half an inch in between; even, for only every other link lengthens; 24 make 304.8 mm, a foot.
    Over rollers instead of pins the play of the rollers reads as wear that is not there.
    ValueError for odd pitches, and for a length that is no chain of so many: below -1 % or above 5 %.
    """
    if pitches < 2 or pitches % 2:
        raise ValueError(
            "Measure over an even number of pitches, at least 2: outer links lengthen and inner ones do not, "
            "so from a pin to the like pin of another outer link."
        )
    found = (length_mm / (pitches * PITCH_MM) - 1.0) * 100.0
    if not -1.0 <= found <= 5.0:
        raise ValueError(
            f"{length_mm:g} mm over {pitches} pitches would be {found:.1f} % elongation: "
            f"new, they measure {pitches * PITCH_MM:g} mm. Count the pitches again."
        )
    return found
