"""The numbers of the FIT profile that a ride needs, and their words.

Source: the public FIT profile, as fitdecode's tables have it; the tests compare both.
"""

from __future__ import annotations

from typing import Final

EPOCH_S: Final = 631_065_600  # Unix seconds of 1989-12-31T00:00:00Z, FIT's zero
ABSOLUTE_FROM: Final = 0x1000_0000  # a smaller timestamp counts seconds since the device was switched on
DEGREES_PER_SEMICIRCLE: Final = 180.0 / 2**31
TIMESTAMP: Final = 253  # this field means the same in every message

FILE_ID, SPORT, SESSION, LAP, RECORD, EVENT, DEVICE_INFO, ACTIVITY, FIELD_DESCRIPTION = (
    0, 12, 18, 19, 20, 21, 23, 34, 206,
)  # fmt: skip

ACTIVITY_FILE: Final = 4
FILE_TYPES: Final = {
    1: "device description", 2: "settings", 3: "sport settings", 4: "activity", 5: "workout", 6: "course",
    7: "schedule", 9: "weight", 10: "totals", 11: "goals", 14: "blood pressure", 15: "day monitoring",
    20: "activity summary", 28: "day monitoring", 32: "day monitoring", 34: "segment", 35: "segment list",
    40: "screen configuration",
}  # fmt: skip

SPORTS: Final = {
    0: "generic", 1: "running", 2: "cycling", 3: "transition", 4: "fitness_equipment", 5: "swimming",
    6: "basketball", 7: "soccer", 8: "tennis", 9: "american_football", 10: "training", 11: "walking",
    12: "cross_country_skiing", 13: "alpine_skiing", 14: "snowboarding", 15: "rowing",
    16: "mountaineering", 17: "hiking", 18: "multisport", 19: "paddling", 20: "flying", 21: "e_biking",
    22: "motorcycling", 23: "boating", 24: "driving", 25: "golf", 26: "hang_gliding",
    27: "horseback_riding", 28: "hunting", 29: "fishing", 30: "inline_skating", 31: "rock_climbing",
    32: "sailing", 33: "ice_skating", 34: "sky_diving", 35: "snowshoeing", 36: "snowmobiling",
    37: "stand_up_paddleboarding", 38: "surfing", 39: "wakeboarding", 40: "water_skiing", 41: "kayaking",
    42: "rafting", 43: "windsurfing", 44: "kitesurfing", 45: "tactical", 46: "jumpmaster", 47: "boxing",
    48: "floor_climbing", 49: "baseball", 53: "diving", 62: "hiit", 64: "racket",
    65: "wheelchair_push_walk", 66: "wheelchair_push_run", 67: "meditation", 69: "disc_golf",
    71: "cricket", 72: "rugby", 73: "hockey", 74: "lacrosse", 75: "volleyball", 76: "water_tubing",
    77: "wakesurfing", 80: "mixed_martial_arts", 82: "snorkeling", 83: "dance", 84: "jump_rope",
    254: "all",
}  # fmt: skip
RIDDEN: Final = frozenset({"cycling", "e_biking"})

SUB_SPORTS: Final = {
    0: "generic", 1: "treadmill", 2: "street", 3: "trail", 4: "track", 5: "spin", 6: "indoor_cycling",
    7: "road", 8: "mountain", 9: "downhill", 10: "recumbent", 11: "cyclocross", 12: "hand_cycling",
    13: "track_cycling", 28: "e_bike_fitness", 29: "bmx", 46: "gravel_cycling", 47: "e_bike_mountain",
    48: "commuting", 49: "mixed_surface", 58: "virtual_activity", 88: "indoor_hand_cycling",
}  # fmt: skip

SENSOR_KINDS: Final = {  # by the radio profile's device type
    11: "power meter", 17: "trainer", 34: "shifter", 35: "light", 36: "light", 40: "radar",
    120: "heart rate", 121: "speed and cadence", 122: "cadence", 123: "speed",
}  # fmt: skip
SOURCE_LOW_ENERGY: Final = 3
LOW_ENERGY_KINDS: Final = {  # the short list of the other radio; devices use SENSOR_KINDS there as well
    1: "heart rate", 2: "power meter", 3: "speed and cadence", 4: "speed", 5: "cadence", 7: "trainer",
}  # fmt: skip
SOURCE_LOCAL: Final = 5  # a part of the head unit itself, not a sensor
BATTERY_WORDS: Final = {1: "new", 2: "good", 3: "ok", 4: "low", 5: "critical", 6: "charging"}

EVENT_TIMER, EVENT_FRONT_GEAR, EVENT_REAR_GEAR = 0, 42, 43
TIMER_STARTS: Final = frozenset({0})
TIMER_STOPS: Final = frozenset({1, 4, 8, 9})

# By message, the numbers of the fields that are read.
RECORD_FIELDS: Final = (253, 0, 1, 2, 78, 5, 6, 73, 3, 4, 7, 13)
COMPRESSED_SPEED_DISTANCE: Final = 8  # three bytes: 12 bits of speed, 12 bits of a distance that wraps
NATIVE_FIELDS: Final = (3, 4, 7, 13)  # a developer field may stand in for these
EVENT_FIELDS: Final = (253, 0, 1, 3)
MESSAGE_FIELDS: Final[dict[int, tuple[int, ...]]] = {
    FILE_ID: (0, 1, 2, 3, 4, 8),
    SPORT: (0, 1, 3),
    SESSION: (2, 5, 6, 7, 8, 9, 110),
    LAP: (2, 7, 8, 9),
    DEVICE_INFO: (0, 1, 2, 3, 4, 10, 11, 21, 25, 27, 32),
}
TEXT_FIELDS: Final = frozenset({(FILE_ID, 8), (SPORT, 3), (SESSION, 110), (DEVICE_INFO, 27)})
