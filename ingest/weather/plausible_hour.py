"""The last gate before an archive's numbers become weather: one impossible value refuses its whole block."""

from __future__ import annotations

from collections.abc import Mapping
from math import inf

from ingest.weather.hourly import BlockRefused

# Lowest and highest that is believed, by the field of HourlyWeather. A little under zero is rounding: 0.
RANGES: Mapping[str, tuple[float, float]] = {
    "rain_mm": (0.0, 310.0),  # WMO record for one hour: 305 mm, Holt, Missouri, 1947
    "snowfall_cm": (0.0, 100.0),
    "temperature_c": (-90.0, 60.0),  # WMO records: -89.2 and 56.7 °C
    "humidity_pct": (0.0, 105.0),  # archives overshoot saturation a little
    "wind_10m_mps": (0.0, 115.0),  # WMO record gust: 113 m/s
    "shortwave_wm2": (0.0, 1500.0),  # outside the air: 1 361 W/m² and a margin
    "soil_moisture_m3m3": (0.0, 1.0),
    "et0_mm": (-0.3, 3.0),
    "pressure_kpa": (30.0, 110.0),
}
ROUNDING = 0.01
GAUGE_ROUNDING_MM = 0.1  # a gauge's or an archive's own step: a tenth under nought is no rain


def believed(archive: str, field: str, value: object, *, when: str) -> float | None:
    """The value if the field can have it, None for no value. Raises BlockRefused, naming value and `when`."""
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise BlockRefused(f"{archive}: {field} is {value!r} at {when}, which is no number")
    value = believable(value)
    lowest, highest = RANGES[field]
    rounding = GAUGE_ROUNDING_MM if field == "rain_mm" else ROUNDING
    if lowest == 0.0 and -rounding <= value <= 0:
        return 0.0
    if not lowest <= value <= highest:
        raise BlockRefused(
            f"{archive}: {field} is {value:g} at {when}; {lowest:g} to {highest:g} is believed"
        )
    return value


def believable(value: int | float) -> float:
    """The number as a float; one that is too large for any is no less absurd as infinity."""
    try:
        return float(value)
    except OverflowError:
        return inf if value > 0 else -inf
