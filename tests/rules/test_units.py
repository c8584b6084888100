"""Amounts in sentences: marked in SI, said as the household reads them."""

from __future__ import annotations

import pytest

from rules import units
from rules.units import SI, Units, said
from rules.vocabulary import Condition

MILES = Units(miles=True, fahrenheit=True, inches=True)


@pytest.mark.parametrize(
    ("sentence", "in_si", "in_miles"),
    [
        # One mile is 1.609344 km, one foot 0.3048 m, one inch 25.4 mm: international yard and pound, 1959.
        (units.distance(34_212.0), "34.2 km", "21.3 mi"),
        (units.distance(33_600.0, digits=0), "34 km", "21 mi"),
        (units.kilometres(300.0), "300 km", "186 mi"),
        (units.length(1200.0), "1.2 km", "0.7 mi"),
        (units.length(1000.0), "1.0 km", "0.6 mi"),
        (units.length(999.0), "999 m", "3278 ft"),
        (units.distance(1_609_344.0), "1609.3 km", "1000.0 mi"),
        (units.length(850.0), "850 m", "2789 ft"),
        (units.height(310.0), "310 m", "1017 ft"),
        (units.speed(25.0), "90 km/h", "56 mph"),
        (units.rain(4.1), "4.1 mm", "0.16 in"),
        (units.rain(0.0), "0 mm", "0 in"),
        (units.rain(0.1), "0.1 mm", "under 0.01 in"),
        (units.rain_in_an_hour(12.0), "12.0 mm", "0.47 in"),
        (units.snow_depth(2.9), "2.9 cm", "1.1 in"),
        (units.without_unit(units.kilometres(200.0)), "200", "124"),
    ],
)
def test_each_amount_is_said_as_it_is_read(sentence: str, in_si: str, in_miles: str) -> None:
    assert said(f"It was {sentence}.", SI) == f"It was {in_si}."
    assert said(f"It was {sentence}.", MILES) == f"It was {in_miles}."


def test_a_text_of_our_own_is_marked_amount_by_amount_and_a_span_at_both_ends() -> None:
    text = "Work at 80–95 °C; 400-1600 km at 25 km per drive hour, 20 km/h, in 0.3 mm of water; 24 pitches."
    assert said(units.marked(text), SI) == text
    assert said(units.marked(text), MILES) == (
        "Work at 176–203 °F; 249-994 mi at 16 mi per drive hour, 12 mph, in 0.01 in of water; 24 pitches."
    )


def test_what_is_not_marked_stays_as_it_is() -> None:
    for text in ("the 100 km loop", "305.9 mm pin to pin", "⟨not ours⟩", Condition.WET.value):
        assert said(text, MILES) == text


def test_each_kind_is_chosen_by_itself() -> None:
    sentence = units.marked("10 km, 30 °C, 25.4 mm")
    assert said(sentence, Units(miles=True)) == "6 mi, 30 °C, 25.4 mm"
    assert said(sentence, Units(fahrenheit=True)) == "10 km, 86 °F, 25.4 mm"
    assert said(sentence, Units(inches=True)) == "10 km, 30 °C, 1 in"


def test_what_is_typed_into_a_field_is_taken_in_the_unit_beside_it() -> None:
    assert (SI.distance, SI.km(300.0), SI.from_km(300.0)) == ("km", 300.0, 300.0)
    assert MILES.distance == "mi"
    assert MILES.km(200.0) == pytest.approx(321.8688)
    assert MILES.from_km(MILES.km(200.0)) == pytest.approx(200.0)


def test_columns_and_costs_have_their_units_over_them() -> None:
    assert (SI.speed, SI.height, SI.rain, SI.thousand) == ("km/h", "m", "mm", "a thousand kilometres")
    assert (MILES.speed, MILES.height, MILES.rain, MILES.thousand) == (
        "mph", "ft", "in", "a thousand miles",
    )  # fmt: skip
    assert (SI.rain_said(4.1), MILES.rain_said(4.1)) == ("4.1", "0.16")
    assert MILES.for_thousand(10.0) == pytest.approx(16.09344)
    assert (SI.small_length_m, MILES.small_length_m) == (1.0, pytest.approx(0.3048))
