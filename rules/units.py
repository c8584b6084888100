"""Distance, speed, height, rain and warmth in the units a rider reads; facts and reckoning stay in SI.

A sentence does not know who will read it. So it carries each amount marked, as SI has it ('⟨34 km|34.212⟩'),
and whoever shows the sentence says it in the reader's units. What is read by a program stays in SI.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from rules.dates_and_numbers import number

KM_A_MILE = 1.609344  # the international mile of 1959: 5280 feet of 0.3048 m, exact
FEET_A_METRE = 1 / 0.3048
MM_AN_INCH = 25.4
OPEN = "⟨"  # begins every marked amount

_MARKED = re.compile(r"⟨([^⟨⟩|]+) (km/h|km|mm|cm|m|°C)(?:\|(=?)([^⟨⟩|]+))?⟩")
_WRITTEN = re.compile(r"(?<![\w.⟨-])(\d+(?:\.\d+)?(?:[-–]\d+(?:\.\d+)?)?) (km/h|km|mm|°C)(?![\w/])")
_FIGURE = re.compile(r"\d+(?:\.\d+)?")


@dataclass(frozen=True, slots=True)
class Units:
    """What one household reads and types. Elongation stays in %, the parts of a chain in mm."""

    miles: bool = False  # and miles an hour, and feet of climbing
    fahrenheit: bool = False
    inches: bool = False  # of rain and snow

    @property
    def distance(self) -> str:
        """The short name beside a field for a distance."""
        return "mi" if self.miles else "km"

    @property
    def speed(self) -> str:
        """The short name beside an axis of speed."""
        return "mph" if self.miles else "km/h"

    @property
    def height(self) -> str:
        """The short name of a length too short for the other."""
        return "ft" if self.miles else "m"

    @property
    def small_length_m(self) -> float:
        """How long one of these is. [m]"""
        return 1 / FEET_A_METRE if self.miles else 1.0

    @property
    def rain(self) -> str:
        """The short name over a column of rain."""
        return "in" if self.inches else "mm"

    @property
    def thousand(self) -> str:
        """The way that costs are told for."""
        return f"a thousand {'miles' if self.miles else 'kilometres'}"

    def from_km(self, distance_km: float) -> float:
        """A distance as this household counts it."""
        return distance_km / KM_A_MILE if self.miles else distance_km

    def km(self, typed: float) -> float:
        """What was typed into a field for a distance. [km]"""
        return typed * KM_A_MILE if self.miles else typed

    def for_thousand(self, per_1000_km: float) -> float:
        """What a thousand of this household's miles or kilometres cost."""
        return self.km(per_1000_km)

    def rain_said(self, rain_mm: float) -> str:
        """A figure of rain whose unit stands over its column."""
        return _inches(rain_mm) if self.inches else number(rain_mm)


SI: Final = Units()


def distance(metres: float, digits: int = 1) -> str:
    """'42.3 km', for a sentence."""
    return _mark(f"{metres / 1000:.{digits}f}", "km", metres / 1000)


def kilometres(distance_km: float, digits: int = 0) -> str:
    """'300 km', without a tail of zeros, for a sentence."""
    return _mark(number(distance_km, digits), "km", distance_km)


def length(metres: float) -> str:
    """'1.2 km', or '850 m' of what is shorter, for a sentence."""
    return distance(metres) if metres >= 1000 else height(metres)


def height(metres: float) -> str:
    """'850 m', for a sentence."""
    return _mark(f"{metres:.0f}", "m", metres)


def speed(speed_mps: float) -> str:
    """'24 km/h', for a sentence."""
    return _mark(f"{speed_mps * 3.6:.0f}", "km/h", speed_mps * 3.6)


def without_unit(amount: str) -> str:
    """The figure of a marked amount alone, where its unit stands beside another."""
    return amount.replace("|", "|=")


def rain(rain_mm: float) -> str:
    """'4.1 mm', without a tail of zeros, for a sentence."""
    return _mark(number(rain_mm), "mm", rain_mm)


def rain_in_an_hour(rain_mm: float) -> str:
    """'4.0 mm', for a sentence that sets it beside others."""
    return _mark(f"{rain_mm:.1f}", "mm", rain_mm)


def snow_depth(depth_cm: float) -> str:
    """'2.9 cm', for a sentence."""
    return _mark(f"{depth_cm:.1f}", "cm", depth_cm)


def marked(text: str) -> str:
    """A text of our own that was written with its amounts in SI, with each of them marked."""
    return _WRITTEN.sub(r"⟨\1 \2⟩", text)


def said(text: str, units: Units) -> str:
    """A text as this household reads it: every marked amount in its units."""
    if OPEN not in text:
        return text
    return _MARKED.sub(lambda found: _amount(units, *found.groups()), text)


def _mark(figure: str, unit: str, value: float) -> str:
    return f"⟨{figure} {unit}|{value:.6g}⟩"


def _amount(units: Units, figure: str, unit: str, bare: str | None, value: str | None) -> str:
    """One amount, with as many digits as it has in SI; a span has both ends said."""
    words, name = _other(units, figure, unit, value) or (figure, unit)
    return words if bare else f"{words} {name}"


def _other(units: Units, figure: str, unit: str, value: str | None) -> tuple[str, str] | None:
    """Figure and unit where this household does not read SI."""
    whole = value or figure
    digits = len(figure.partition(".")[2]) if value else 0
    if units.miles and unit in ("km", "km/h"):
        said_as = _each(whole, lambda km: f"{km / KM_A_MILE:.{digits}f}")
        return said_as, units.distance if unit == "km" else units.speed
    if units.miles and unit == "m":
        return _each(whole, lambda metres: f"{metres * FEET_A_METRE:.0f}"), "ft"
    if units.fahrenheit and unit == "°C":
        return _each(whole, lambda celsius: f"{celsius * 1.8 + 32:.0f}"), "°F"
    if units.inches and unit == "mm":
        return _each(whole, _inches), "in"
    if units.inches and unit == "cm":
        return _each(whole, lambda depth_cm: f"{depth_cm * 10 / MM_AN_INCH:.1f}"), "in"
    return None


def _each(figures: str, said_as: Callable[[float], str]) -> str:
    return _FIGURE.sub(lambda found: said_as(float(found.group())), figures)


def _inches(rain_mm: float) -> str:
    """Two digits, as gauges that count in inches have; what is less is said to be less."""
    return "under 0.01" if 0.0 < rain_mm < 0.005 * MM_AN_INCH else number(rain_mm / MM_AN_INCH, 2)
