"""FIT times, places, checksums and tables against what is published and what fitdecode has."""

from __future__ import annotations

from datetime import UTC, datetime

import fitdecode
import numpy as np
import pytest
from fitdecode.utils import compute_crc
from hypothesis import given
from hypothesis import strategies as st

from ingest.fit import profile
from ingest.fit.checksum import checksum
from ingest.ride.recording import Recording
from tests.ingest.fit import fit_messages as fit
from tests.read_one import read


def read_activity(messages: bytes) -> Recording:
    return read(fit.activity(messages), "made.fit")


def test_the_epoch_is_the_last_day_of_1989() -> None:
    # FIT's zero, 1989-12-31T00:00:00Z = Unix 631065600. Source: docs.rs, fit-sdk-rust, datetime.
    assert datetime(1989, 12, 31, tzinfo=UTC).timestamp() == profile.EPOCH_S == 631_065_600


@pytest.mark.parametrize(
    ("raw", "instant"),
    [
        (938_622_559, "2019-09-28T16:29:19+00:00"),  # the sample in the FIT documentation
        (1_000_000_000, "2021-09-08T01:46:40+00:00"),  # computed from the epoch
    ],
)
def test_a_timestamp_counts_from_the_epoch(raw: int, instant: str) -> None:
    found = read_activity(fit.records(1, first_s=raw))

    assert datetime.fromtimestamp(found.time_s[0], UTC).isoformat() == instant


def test_a_timestamp_below_2_to_the_28_is_no_date() -> None:
    # A date_time below 0x10000000 is seconds since the device was switched on.
    # Source: docs.rs, FIT profile, types.
    messages = fit.records(3, first_s=0x0FFF_FFFF)

    found = read_activity(messages)

    assert found.dropped == {"no time": 1}
    assert found.time_s[0] == 0x1000_0000 + profile.EPOCH_S


@pytest.mark.parametrize(
    ("degrees", "semicircles"),
    [(45.0, 536_870_912), (90.0, 2**30), (47.37689, 565_228_314), (-122.4194, -1_460_520_332)],
)
def test_places_are_semicircles(degrees: float, semicircles: int) -> None:
    # degrees * 2**31 / 180; a semicircle is 8.381903e-8 degrees. Computed; the unit is in the FIT profile.
    assert pytest.approx(8.381903e-8, abs=1e-14) == profile.DEGREES_PER_SEMICIRCLE
    latitude = semicircles if abs(degrees) <= 90 else 0
    body = fit.definition(0, fit.RECORD, fit.RECORD_FIELDS)
    body += fit.message(0, fit.RECORD_PATTERN, fit.FIRST_S, latitude, semicircles, 90)

    found = read_activity(body)

    assert found.longitude_deg[0] == pytest.approx(degrees, abs=profile.DEGREES_PER_SEMICIRCLE / 2)


def test_the_checksum_has_the_published_check_value() -> None:
    # CRC-16/ARC gives 0xBB3D for the digits 1 to 9: the catalogue's check value, from memory.
    assert checksum(b"123456789") == 0xBB3D


@given(st.binary(min_size=1, max_size=700))
def test_the_checksum_is_fitdecodes(data: bytes) -> None:
    assert checksum(data) == compute_crc(data)


@pytest.mark.parametrize("size", [1_999, 2_048, 32_766, 32_767, 32_768, 65_534, 65_535, 98_301, 300_000])
def test_the_checksum_of_folded_bytes_is_fitdecodes(size: int) -> None:
    data = np.random.default_rng(size).bytes(size)

    assert checksum(data) == compute_crc(data)
    assert checksum(data + bytes(32_767)) == checksum(data)  # a period of zeros leaves 1


def test_our_tables_are_the_profiles() -> None:
    types = fitdecode.profile.FIELD_TYPES
    assert {number: types["sport"].enum[number] for number in profile.SPORTS} == profile.SPORTS
    assert set(types["sport"].enum) == set(profile.SPORTS)
    assert {number: types["sub_sport"].enum[number] for number in profile.SUB_SPORTS} == profile.SUB_SPORTS
    words = {number: types["battery_status"].enum[number] for number in profile.BATTERY_WORDS}
    assert words == profile.BATTERY_WORDS
    assert types["event"].enum[profile.EVENT_FRONT_GEAR] == "front_gear_change"
    assert types["event"].enum[profile.EVENT_REAR_GEAR] == "rear_gear_change"
    assert {types["event_type"].enum[number] for number in profile.TIMER_STARTS} == {"start"}
    assert {types["event_type"].enum[number] for number in profile.TIMER_STOPS} == {
        "stop",
        "stop_all",
        "stop_disable",
        "stop_disable_all",
    }
