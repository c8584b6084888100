"""What the columns make of sound FIT files."""

from __future__ import annotations

import struct
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fixtures.fit_writer import file_of, fit_bytes
from ingest.errors import UnreadableFile
from ingest.fit.checksum import checksum
from ingest.ride.recording import Recording, SensorSeen
from tests.ingest.fit import fit_messages as fit
from tests.ingest.recordings import NAMES, START_S, ride, same_column
from tests.read_one import read

ENCODINGS: dict[str, dict[str, Any]] = {
    "little-endian": {},
    "big-endian": {"big_endian": True},
    "compressed times": {"compressed": True},
    "compressed, big-endian": {"compressed": True, "big_endian": True},
    "short header": {"header_size": 12},
    "with developer fields": {"developer": {"grit": np.arange(300.0)}},
}


def read_activity(messages: bytes) -> Recording:
    return read(fit.activity(messages), "made.fit")


# There and back ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("encoding", ENCODINGS)
def test_what_was_written_is_read(encoding: str) -> None:
    written = ride()

    found = read(fit_bytes(written, **ENCODINGS[encoding]), "ride.fit")

    for name in NAMES:
        assert same_column(getattr(written, name), getattr(found, name), tolerance=1e-9), name
    assert (found.sport, found.sub_sport, found.profile_name) == ("cycling", "gravel_cycling", "Dust")
    assert found.device == written.device
    assert found.sensors == written.sensors
    assert found.gear_changes == written.gear_changes
    assert found.pauses == written.pauses
    assert found.session_started_at == written.session_started_at
    assert found.session_timer_s == written.session_timer_s
    assert found.session_distance_m == written.session_distance_m
    assert (found.damage, found.dropped, found.reader) == ((), {}, "fit columns")


def test_older_fields_hold_speed_and_altitude_as_well() -> None:
    written = ride()

    found = read(fit_bytes(written, enhanced=False), "ride.fit")

    assert same_column(written.speed_mps, found.speed_mps, tolerance=1e-9)
    assert same_column(written.altitude_m, found.altitude_m, tolerance=1e-9)


def test_smart_recording_leaves_gaps_not_faults() -> None:
    written = ride()

    found = read(fit_bytes(written, smart=True, compressed=True), "ride.fit")

    rows = np.isin(written.time_s, found.time_s)
    assert 1 < np.diff(found.time_s).max() <= 8
    assert same_column(written.cadence_rpm[rows], found.cadence_rpm)


columns = st.fixed_dictionaries(
    {
        "cadence_rpm": st.lists(st.none() | st.integers(0, 254), min_size=1, max_size=40),
        "power_w": st.lists(st.none() | st.integers(0, 5000), min_size=1, max_size=40),
        "temperature_c": st.lists(st.none() | st.integers(-60, 80), min_size=1, max_size=40),
        "speed_mps": st.lists(st.none() | st.integers(0, 60_000), min_size=1, max_size=40),
        "gaps_s": st.lists(st.sampled_from([0, 1, 1, 1, 2, 31, 32, 33, 600]), min_size=1, max_size=40),
    }
)


@given(columns, st.booleans(), st.booleans())
@settings(max_examples=60)
def test_any_values_come_back(
    given_columns: dict[str, list[int | None]], big_endian: bool, compressed: bool
) -> None:
    rows = min(len(values) for values in given_columns.values())
    values = {
        name: np.array([np.nan if value is None else value for value in column[:rows]], dtype=np.float64)
        for name, column in given_columns.items()
    }
    nothing = np.full(rows, np.nan)
    written = Recording(
        "made.fit",
        "invented",
        time_s=START_S + values["gaps_s"].cumsum(),
        latitude_deg=nothing,
        longitude_deg=nothing,
        altitude_m=nothing,
        distance_m=nothing,
        speed_mps=values["speed_mps"] / 1000,
        cadence_rpm=values["cadence_rpm"],
        power_w=values["power_w"],
        temperature_c=values["temperature_c"],
        heart_rate_bpm=nothing,
        sport="cycling",
    )

    found = read(fit_bytes(written, big_endian=big_endian, compressed=compressed), "made.fit")

    for name in NAMES:
        assert same_column(getattr(written, name), getattr(found, name), tolerance=1e-9), name
    assert (found.damage, found.dropped) == ((), {})


# Times ------------------------------------------------------------------------------------------------------


def test_compressed_times_count_on_from_the_last_timestamp_of_any_message() -> None:
    unknown = 65_300
    body = fit.definition(0, fit.RECORD, ((4, 1, fit.UINT8),))
    body += fit.definition(1, unknown, ((253, 4, fit.UINT32),))
    body += fit.message(1, "I", fit.FIRST_S)
    for second in (0, 5, 31, 40, 71):
        body += fit.compressed(0, fit.FIRST_S + second, "B", 90)
    body += fit.message(1, "I", fit.FIRST_S + 1000) + fit.compressed(0, fit.FIRST_S + 1001, "B", 91)

    found = read_activity(body)

    assert (found.time_s - START_S).tolist() == [0, 5, 31, 40, 40 + 31, 1001]


def test_compressed_times_without_a_base_have_no_date() -> None:
    body = fit.definition(0, fit.RECORD, ((4, 1, fit.UINT8),)) + fit.compressed(0, 7, "B", 90)
    body += fit.records(2, local=1)

    found = read_activity(body)

    assert found.dropped == {"no time": 1}
    assert len(found) == 2


def test_a_device_without_a_clock_counts_from_when_the_file_was_made() -> None:
    found = read_activity(fit.records(3, first_s=5000))

    assert (found.time_s - START_S).tolist() == [0, 1, 2]
    assert found.damage == ("its clock was not set: times count from when the file was made",)


def test_without_any_date_there_is_no_ride() -> None:
    data = file_of(fit.file_id(created_s=100) + fit.records(3, first_s=5000))

    with pytest.raises(UnreadableFile, match="its clock was never set"):
        read(data, "made.fit")


# Definitions ------------------------------------------------------------------------------------------------


def test_rows_keep_their_order_over_redefinitions_and_several_local_types() -> None:
    wide = ((253, 4, fit.UINT32), (7, 2, fit.UINT16), (4, 1, fit.UINT8))
    narrow = ((253, 4, fit.UINT32), (4, 1, fit.UINT8))
    body = b""
    for second in range(0, 40, 4):
        at = fit.FIRST_S + second
        body += fit.definition(0, fit.RECORD, narrow) + fit.definition(3, fit.RECORD, wide, order=">")
        body += fit.message(0, "IB", at, 1) + fit.message(3, "IHB", at + 1, 200, 2, order=">")
        body += fit.definition(0, fit.RECORD, wide) + fit.message(0, "IHB", at + 2, 201, 3)
        body += fit.message(3, "IHB", at + 3, 202, 4, order=">")

    found = read_activity(body)

    assert (found.time_s - START_S).tolist() == list(range(40))
    assert found.cadence_rpm.tolist() == [1, 2, 3, 4] * 10
    assert np.array_equal(found.power_w, [np.nan, 200, 201, 202] * 10, equal_nan=True)


def test_messages_of_other_kinds_lie_between_records() -> None:
    body = fit.records(1) + fit.definition(1, 534, ((0, 7, fit.BYTE),))
    for second in range(1, 50):
        body += fit.message(1, "7s", b"\x40\x00\x01\x80\xff\x0f.")
        body += fit.message(0, fit.RECORD_PATTERN, fit.FIRST_S + second, *fit.PLACE, 85)

    assert len(read_activity(body)) == 50


def test_enhanced_fields_come_first_where_they_are_valid() -> None:
    fields = (
        (253, 4, fit.UINT32),
        (6, 2, fit.UINT16),
        (73, 4, fit.UINT32),
        (2, 2, fit.UINT16),
        (78, 4, fit.UINT32),
    )
    body = fit.definition(0, fit.RECORD, fields)
    body += fit.message(0, "IHIHI", fit.FIRST_S, 4000, 5000, 3000, 3500)
    body += fit.message(0, "IHIHI", fit.FIRST_S + 1, 4000, 0xFFFF_FFFF, 3000, 0xFFFF_FFFF)

    found = read_activity(body)

    assert found.speed_mps.tolist() == [5.0, 4.0]
    assert found.altitude_m.tolist() == [200.0, 100.0]


def test_fields_may_be_of_other_types_and_sizes() -> None:
    """A fraction where the profile says a whole number; an array and a size that fits no type say nothing."""
    fields = (
        (253, 4, fit.UINT32),
        (4, 4, fit.FLOAT32),
        (7, 4, fit.UINT16),
        (13, 3, fit.SINT16),
        (3, 1, fit.UINT16),
    )
    body = fit.definition(0, fit.RECORD, fields)
    body += fit.message(0, "If2H3sB", fit.FIRST_S, 88.5, 200, 210, b"abc", 140)
    body += fit.message(0, "If2H3sB", fit.FIRST_S + 1, float("nan"), 200, 210, b"abc", 0xFF)
    body += fit.message(0, "If2H3sB", fit.FIRST_S + 2, float("inf"), 200, 210, b"abc", 141)

    found = read_activity(body)

    assert np.array_equal(found.cadence_rpm, [88.5, np.nan, np.nan], equal_nan=True)
    assert np.array_equal(found.heart_rate_bpm, [140, np.nan, 141], equal_nan=True)
    assert np.isnan(found.power_w).all()
    assert np.isnan(found.temperature_c).all()
    assert found.dropped == {"impossible cadence": 1}


def test_a_field_of_no_length_says_nothing() -> None:
    body = fit.definition(0, fit.RECORD, ((253, 4, fit.UINT32), (7, 0, fit.UINT16), (4, 1, fit.UINT8)))
    body += fit.message(0, "IB", fit.FIRST_S, 77)

    found = read_activity(body)

    assert found.cadence_rpm.tolist() == [77]
    assert np.isnan(found.power_w).all()


def test_a_packed_distance_is_carried_over_its_wraps() -> None:
    """Three bytes: 12 bits of speed in cm/s, 12 bits of distance in 1/16 m."""
    body = fit.definition(0, fit.RECORD, ((253, 4, fit.UINT32), (8, 3, fit.BYTE)))
    sixteenths = [100, 3000, 4090, 4100, 8000, 12_000]
    for second, distance in enumerate(sixteenths):
        packed = 833 | (distance & 0xFFF) << 12
        body += fit.message(0, "I3s", fit.FIRST_S + second, packed.to_bytes(3, "little"))
    body += fit.message(0, "I3s", fit.FIRST_S + 6, b"\xff\xff\xff")

    found = read_activity(body)

    assert found.distance_m[:-1].tolist() == [distance / 16 for distance in sixteenths]
    assert found.speed_mps[:-1].tolist() == [8.33] * 6
    assert np.isnan(found.distance_m[-1])


def test_developer_fields_are_stepped_over_or_stand_in() -> None:
    """An app's power counts where the device itself has none; its other fields change nothing."""
    body = fit.definition(14, 207, ((1, 16, fit.BYTE), (3, 1, fit.UINT8))) + fit.message(
        14, "16sB", b"\1" * 16, 0
    )
    body += fit.definition(13, 206, ((0, 1, 2), (1, 1, 2), (2, 1, 2), (14, 2, fit.UINT16), (15, 1, 2)))
    body += fit.message(13, "BBBHB", 0, 0, fit.UINT16, 20, 7) + fit.message(
        13, "BBBHB", 0, 1, fit.FLOAT32, 20, 0xFF
    )
    fields = ((253, 4, fit.UINT32), (7, 2, fit.UINT16), (4, 1, fit.UINT8))
    body += fit.definition(0, fit.RECORD, fields, developer=((1, 4, 0), (0, 2, 0)))
    body += fit.message(0, "IHBfH", fit.FIRST_S, 180, 90, 0.5, 999)
    body += fit.message(0, "IHBfH", fit.FIRST_S + 1, 0xFFFF, 91, 0.5, 190)

    found = read_activity(body)

    assert found.power_w.tolist() == [180, 190]
    assert found.cadence_rpm.tolist() == [90, 91]


# Whole files ------------------------------------------------------------------------------------------------


def test_chained_files_are_one_recording() -> None:
    first, second = ride(100, seed=1), ride(60, seed=2)
    shifted = START_S + 400 - second.time_s[0]
    later = Recording(
        **{**{n: getattr(second, n) for n in NAMES}, "file_name": "", "reader": "", "sport": "cycling"}
    )
    later.time_s.__iadd__(shifted)

    found = read(fit_bytes(first) + fit_bytes(later, big_endian=True), "two.fit")

    assert np.array_equal(found.time_s, np.concatenate((first.time_s, later.time_s)))
    assert same_column(found.power_w, np.concatenate((first.power_w, later.power_w)))
    assert found.session_distance_m == 1234.5
    assert found.damage == ()


def test_of_several_sports_only_the_ride_counts() -> None:
    body = fit.records(300) + fit.definition(
        1, fit.SESSION, ((2, 4, fit.UINT32), (5, 1, fit.ENUM), (7, 4, fit.UINT32), (8, 4, fit.UINT32))
    )
    for sport, first, seconds in ((5, 0, 99), (2, 100, 119), (1, 220, 79)):
        body += fit.message(1, "IBII", fit.FIRST_S + first, sport, seconds * 1000, seconds * 1000)

    found = read_activity(body)

    assert found.sport == "cycling"
    assert (found.time_s[0] - START_S, found.time_s[-1] - START_S) == (100, 220)
    assert found.session_timer_s == 119
    assert found.dropped == {"another sport": 300 - 121}


def test_a_sensor_is_named_once_with_its_last_battery() -> None:
    fields = ((0, 1, 2), (1, 1, 2), (3, 4, fit.UINT32Z), (11, 1, 2), (21, 2, fit.UINT16Z), (25, 1, 0))
    body = fit.records(2) + fit.definition(2, fit.DEVICE_INFO, fields)
    body += fit.message(2, "BBIBHB", 0, 0xFF, 4711, 2, 0, 5)  # the head unit itself
    body += fit.message(2, "BBIBHB", 1, 4, 0, 0xFF, 0, 5)  # its barometer
    body += fit.message(
        2, "BBIBHB", 2, 11, 0xFFFF_FFFF, 2, 20_304, 1
    )  # a power meter without a serial number
    body += fit.message(2, "BBIBHB", 3, 1, 0, 0xFF, 0, 3)  # a heart-rate belt by the other radio
    body += fit.message(2, "BBIBHB", 4, 99, 0, 0xFF, 0, 1)  # something that says nothing
    body += fit.message(2, "BBIBHB", 2, 11, 0xFFFF_FFFF, 4, 20_304, 1)

    found = read_activity(body)

    assert found.device == SensorSeen("head unit", serial=4711, battery="good")
    assert found.sensors == (
        SensorSeen("power meter", ant_number=20_304, battery="low"),
        SensorSeen("heart rate"),
    )


def test_pauses_are_stops_that_were_started_again() -> None:
    body = fit.records(60) + fit.definition(1, fit.EVENT, ((253, 4, fit.UINT32), (0, 1, 0), (1, 1, 0)))
    for second, what in ((0, 0), (10, 4), (11, 4), (20, 0), (25, 0), (30, 1), (45, 0), (59, 8)):
        body += fit.message(1, "IBB", fit.FIRST_S + second, 0, what)

    pauses = read_activity(body).pauses

    assert pauses == ((START_S + 10, START_S + 20), (START_S + 30, START_S + 45))


# A wrong checksum is never silent ---------------------------------------------------------------------------


def test_every_flipped_bit_shows() -> None:
    """A bit that changes anything at all in what is read leaves a mark on the ride, or refuses the file."""
    sound = fit_bytes(ride(60))
    before = read(sound, "ride.fit")
    random = np.random.default_rng(3)
    changed = 0
    for bit in random.choice(len(sound) * 8, 600, replace=False).tolist():
        damaged = bytearray(sound)
        damaged[bit // 8] ^= 1 << bit % 8
        try:
            found = read(bytes(damaged), "ride.fit")
        except UnreadableFile:
            continue
        same = all(same_column(getattr(before, name), getattr(found, name)) for name in NAMES)
        changed += not same
        assert same or found.damage, bit
    assert changed > 200


def test_a_header_may_leave_its_checksum_out() -> None:
    data = bytearray(fit_bytes(ride(20)))
    data[12:14] = b"\0\0"
    data[-2:] = struct.pack("<H", checksum(bytes(data[:-2])))

    assert read(bytes(data), "ride.fit").damage == ()


def test_times_never_run_backwards() -> None:
    found = read(fit_bytes(ride()), "ride.fit")

    assert all(before <= after for before, after in pairwise(found.time_s.tolist()))
