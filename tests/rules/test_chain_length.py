"""Half-inch arithmetic."""

from __future__ import annotations

import pytest

from rules.chain_length import PITCH_MM, elongation_pct, length_mm


def test_the_pitch_is_half_an_inch():
    assert PITCH_MM == 12.7  # ISO 606, ISO 9633 (from memory)


@pytest.mark.parametrize("pitches", [2, 10, 24, 100, 114])
@pytest.mark.parametrize("worn_pct", [0.25, 0.5, 0.75, 1.0])
def test_elongation_is_growth_over_the_new_length(pitches, worn_pct):
    # arithmetic on the pitch: e.g. 24 pitches at 0.5 % are 304.8 + 1.524 mm
    assert elongation_pct(pitches * 12.7 * (1 + worn_pct / 100), pitches) == pytest.approx(worn_pct, abs=1e-9)


@pytest.mark.parametrize(
    ("length_mm", "pitches", "expected_pct", "tolerance"),
    [
        # The rule of the foot ruler, 1/16 inch on 12 inches: pushbikes.org.uk, "Measuring chain wear".
        (304.8 + 1.5875, 24, 0.520833, 1e-6),
        (304.8 + 3.175, 24, 1.041667, 1e-6),
        (304.8 + 0.79375, 24, 0.260417, 1e-6),
        (255.0, 20, 0.393701, 1e-6),  # arithmetic: 1 mm on 254 mm
    ],
)
def test_the_foot_ruler(length_mm, pitches, expected_pct, tolerance):
    assert elongation_pct(length_mm, pitches) == pytest.approx(expected_pct, abs=tolerance)


def test_a_miscounted_chain_is_refused():
    with pytest.raises(ValueError, match=r"306 mm over 22 pitches would be 9.5 % .* they measure 279.4 mm"):
        elongation_pct(306.0, 22)
    with pytest.raises(ValueError, match=r"would be -7.3 % elongation"):
        elongation_pct(306.0, 26)
    for pitches in (0, 1, 23):
        with pytest.raises(ValueError, match="an even number of pitches, at least 2"):
            elongation_pct(306.0, pitches)


@pytest.mark.parametrize(
    ("text", "expected_mm"),
    [
        ("305.4", 305.4),
        ("305,4 mm", 305.4),
        ("30.54 cm", 305.4),
        ("12 in", 304.8),
        ("12 1/16 in", 306.3875),  # arithmetic: 304.8 + 25.4 / 16
        ('12 1/16"', 306.3875),
        ("12.0625 inches", 306.3875),
        ("  3/4 inch ", 19.05),
        ("12-1/16 in", 306.3875),
        ("193/16 in", 306.3875),  # all of it in sixteenths, not 19 3/16
    ],
)
def test_lengths_as_people_write_them(text, expected_mm):
    assert length_mm(text) == pytest.approx(expected_mm)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "long",
        "12 ft",
        "-3 mm",
        "1e9",
        "12 1/0 in",
        "305 1/16 mm",
        "12 1/16",
        "mm",
        "-1/16 in",
        "about 0.5",
    ],
)
def test_what_is_no_length_is_said_with_how_to_write_one(text):
    with pytest.raises(ValueError, match="write it as"):
        length_mm(text)
