"""Which elements of a GPX file carry a value, by their local names in any namespace: cadence, power …"""

from __future__ import annotations

# Local names of the elements that carry a value, in the track-point extensions and the like.
EXTENSIONS = {
    "cad": "cadence_rpm", "cadence": "cadence_rpm", "atemp": "temperature_c", "temp": "temperature_c",
    "hr": "heart_rate_bpm", "heartrate": "heart_rate_bpm", "power": "power_w", "PowerInWatts": "power_w",
    "speed": "speed_mps",
}  # fmt: skip
CHILDREN = {"ele": "altitude_m", "time": "time_s"}  # of a track point itself
COLUMNS = ("latitude_deg", "longitude_deg", "altitude_m", *dict.fromkeys(EXTENSIONS.values()))
