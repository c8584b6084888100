"""From a length in millimetres to elongation, for rulers and calipers."""

from __future__ import annotations

PITCH_MM = 12.7  # half an inch from pin to pin; ISO 606 and ISO 9633 (from memory)


def elongation_pct(length_mm: float, pitches: int) -> float:
    """How much longer than new is this stretch of chain? [%]

    length_mm: from a pin to the same side of the pin so many pitches on, the chain pulled straight.
    pitches: whole links of half an inch in between, at least 1; 24 make 304.8 mm, a foot.
    Over rollers instead of pins the play of the rollers reads as wear that is not there.
    ValueError for a length that is no chain of so many pitches: below -1 % or above 5 %.
    """
    if pitches < 1:
        raise ValueError("measure over at least one pitch")
    found = (length_mm / (pitches * PITCH_MM) - 1.0) * 100.0
    if not -1.0 <= found <= 5.0:
        raise ValueError(
            f"{length_mm:g} mm over {pitches} pitches would be {found:.1f} % elongation: "
            f"new, they measure {pitches * PITCH_MM:g} mm. Count the pitches again."
        )
    return found


def error_pct(error_mm: float, pitches: int) -> float:
    """What does a reading error of so many millimetres come to? [% of length]"""
    return error_mm / (pitches * PITCH_MM) * 100.0
