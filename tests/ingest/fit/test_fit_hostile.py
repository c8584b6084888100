"""What the columns make of FIT files that are damaged or made to harm: rows and damage, or one error."""

from __future__ import annotations

import struct
import time

import numpy as np
import pytest

from fixtures.fit_writer import file_of, fit_bytes
from ingest.errors import NotARide, UnreadableFile
from ingest.fit import walk as fit_walk
from ingest.fit.checksum import checksum
from tests.ingest.fit import fit_messages as fit
from tests.ingest.recordings import START_S, ride, same_column
from tests.read_one import read

SOUND = fit_bytes(ride(200))


def resized(data: bytes, size: int) -> bytes:
    """The file with another data size in its header, and header and file checksums to match."""
    header = data[:4] + struct.pack("<I", size) + data[8:12]
    whole = header + struct.pack("<H", checksum(header)) + data[14:-2]
    return whole + struct.pack("<H", checksum(whole))


def refusal(data: bytes) -> UnreadableFile:
    with pytest.raises(UnreadableFile) as raised:
        read(data, "broken.fit")
    assert raised.value.path == "broken.fit"
    assert raised.value.why
    assert raised.value.try_this
    return raised.value


# Cut short --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("part", [0.3, 0.5, 0.9, 0.999])
def test_a_truncated_file_keeps_its_rows_and_says_so(part: float) -> None:
    whole = read(SOUND, "ride.fit")
    cut = SOUND[: int(len(SOUND) * part)]

    found = read(cut, "ride.fit")

    assert 0 < len(found) <= len(whole)
    assert np.array_equal(found.time_s, whole.time_s[: len(found)])
    assert same_column(found.power_w, whole.power_w[: len(found)])
    assert found.damage == (f"ends after {len(cut)} of {len(SOUND)} bytes",)


def test_a_file_cut_before_its_first_sample_is_refused() -> None:
    assert refusal(SOUND[:60]).why.startswith(f"ends after 60 of {len(SOUND)} bytes")


def test_a_file_without_its_checksum_says_so() -> None:
    assert read(SOUND[:-2], "ride.fit").damage == ("its checksum is missing",)
    assert read(SOUND[:-1], "ride.fit").damage == ("its checksum is missing",)


def test_a_data_size_of_four_gigabytes_is_a_file_cut_short() -> None:
    found = read(resized(SOUND, 0xFFFF_FFFF), "ride.fit")

    assert len(found) == 200
    assert any("of 4294967311 bytes" in sentence for sentence in found.damage)


def test_a_data_size_of_nothing_is_a_file_that_was_never_closed() -> None:
    found = read(resized(SOUND, 0), "ride.fit")

    assert len(found) == 200
    assert found.damage[0] == "was never closed by the device: it does not say how long it is"


def test_a_data_size_too_small_keeps_what_lies_inside() -> None:
    found = read(resized(SOUND, len(SOUND) // 2), "ride.fit")

    assert 0 < len(found) < 200
    assert any("are not FIT" in sentence for sentence in found.damage)


# Made wrong -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", [0, 1, 11, 13, 15, 255])
def test_a_header_of_an_impossible_size_is_one_clear_error(size: int) -> None:
    assert refusal(bytes([size]) + SOUND[1:]).why == "its header is not one of FIT's"


def test_a_message_that_was_never_defined_ends_the_reading() -> None:
    data = fit.activity(fit.records(20) + fit.message(9, "I", 7) + fit.records(20))

    found = read(data, "ride.fit")

    assert len(found) == 20
    assert found.damage[0].startswith("cannot be read from byte")


def test_a_definition_that_is_cut_ends_the_reading() -> None:
    data = fit.activity(fit.records(20) + fit.definition(1, 34, ((1, 1, 0),) * 200)[:-9])

    found = read(data, "ride.fit")

    assert len(found) == 20
    assert found.damage[0].startswith("cannot be read from byte")


def test_developer_fields_of_no_known_type_are_stepped_over() -> None:
    body = fit.definition(13, 206, ((0, 1, 2), (1, 1, 2), (2, 1, 2), (14, 2, fit.UINT16), (15, 1, 2)))
    body += fit.message(13, "BBBHB", 0, 0, 0x55, 20, 7)
    body += fit.definition(0, fit.RECORD, ((253, 4, fit.UINT32), (4, 1, 2)), developer=((0, 6, 0), (7, 3, 9)))
    body += fit.message(0, "IB6s3s", fit.FIRST_S, 90, b"abcdef", b"xyz")

    found = read(fit.activity(body), "ride.fit")

    assert found.cadence_rpm.tolist() == [90]
    assert np.isnan(found.power_w).all()


def test_a_megabyte_of_empty_messages_is_capped() -> None:
    data = fit.activity(fit.records(20) + fit.definition(1, fit.RECORD, ()) + b"\x01" * 1_000_000)
    started = time.process_time()

    found = read(data, "ride.fit")

    assert time.process_time() - started < 5
    assert len(found) == 20
    assert found.damage[0].startswith("cannot be read from byte")


def test_more_messages_than_any_ride_has_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fit_walk, "MOST_MESSAGES", 50)

    assert "messages, and no ride does" in refusal(fit.activity(fit.records(60))).why


def test_more_definitions_than_any_device_writes_end_the_reading(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fit_walk, "MOST_DEFINITIONS", 50)
    again = fit.definition(1, fit.EVENT, ((0, 1, 0),))

    found = read(fit.activity(fit.records(20) + again * 60 + fit.records(5)), "ride.fit")

    assert len(found) == 20
    assert found.damage[0].startswith("cannot be read from byte")


def test_chained_files_share_one_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fit_walk, "MOST_MESSAGES", 50)

    assert "messages, and no ride does" in refusal(fit.activity(fit.records(30)) * 2).why


def test_a_chain_of_countless_little_files_is_capped() -> None:
    links = fit.activity(fit.records(2)) + file_of(fit.definition(0, 34, ())) * 100_000
    started = time.process_time()

    found = read(links, "chain.fit")

    assert time.process_time() - started < 5
    assert len(found) == 2
    assert found.damage == ("is a chain of more than 200 files, and the rest was left out",)


def test_bytes_after_the_end_are_told() -> None:
    found = read(SOUND + b"\0" * 77, "ride.fit")

    assert len(found) == 200
    assert found.damage == ("77 bytes after its end are not FIT",)


# Values that cannot be --------------------------------------------------------------------------------------


def record(second: int, latitude: int, longitude: int, cadence: int = 90) -> bytes:
    return fit.message(0, fit.RECORD_PATTERN, fit.FIRST_S + second, latitude, longitude, cadence)


def test_a_latitude_of_120_degrees_is_left_out_and_counted() -> None:
    impossible = round(120 / 180 * 2**31)
    body = fit.definition(0, fit.RECORD, fit.RECORD_FIELDS)
    body += record(0, *fit.PLACE) + record(1, impossible, fit.PLACE[1]) + record(2, *fit.PLACE)

    found = read(fit.activity(body), "ride.fit")

    assert np.isnan(found.latitude_deg).tolist() == [False, True, False]
    assert np.isnan(found.longitude_deg).tolist() == [False, True, False]
    assert found.cadence_rpm.tolist() == [90, 90, 90]
    assert found.dropped == {"impossible place": 1}


def test_a_time_running_backwards_costs_the_least_samples() -> None:
    body = fit.definition(0, fit.RECORD, fit.RECORD_FIELDS)
    for second in (0, 1, 2, 900, 3, 4, 4, 2, 5):
        body += record(second, *fit.PLACE)

    found = read(fit.activity(body), "ride.fit")

    assert (found.time_s - START_S).tolist() == [0, 1, 2, 3, 4, 4, 5]
    assert found.dropped == {"time runs backwards": 2}


def test_the_year_2126_is_left_out_and_counted() -> None:
    # 2126-01-01 is 4 922 899 200 Unix seconds, and a FIT date ends at 2**32 - 2 after its epoch, in 2126
    body = fit.definition(0, fit.RECORD, fit.RECORD_FIELDS)
    body += record(0, *fit.PLACE) + fit.message(0, fit.RECORD_PATTERN, 2**32 - 2, *fit.PLACE, 90)

    found = read(fit.activity(body), "ride.fit")

    assert len(found) == 1
    assert found.dropped == {"impossible time": 1}


def test_a_timestamp_of_zero_is_left_out_and_counted() -> None:
    body = fit.definition(0, fit.RECORD, fit.RECORD_FIELDS)
    body += fit.message(0, fit.RECORD_PATTERN, 0, *fit.PLACE, 90) + record(0, *fit.PLACE)

    found = read(fit.activity(body), "ride.fit")

    assert len(found) == 1
    assert found.dropped == {"no time": 1}


# Sound, but no ride -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "name"), [(6, "course"), (5, "workout"), (2, "settings"), (32, "day monitoring")]
)
def test_other_kinds_of_file_are_refused_politely(kind: int, name: str) -> None:
    data = file_of(fit.file_id(kind) + fit.records(20))

    with pytest.raises(NotARide, match=f"is a {name} file"):
        read(data, "other.fit")


@pytest.mark.parametrize("kind", [8, 44, 49, 254])
def test_a_kind_that_nobody_knows_is_refused_when_it_holds_no_samples(kind: int) -> None:
    with pytest.raises(NotARide, match=rf"a FIT file of another kind \(number {kind}\)"):
        read(file_of(fit.file_id(kind)), "other.fit")
    assert len(read(file_of(fit.file_id(kind) + fit.records(20)), "other.fit")) == 20


def test_an_activity_without_samples_is_refused() -> None:
    assert refusal(fit.activity(b"")).why == "holds no samples: nothing was recorded"


# The slow reader --------------------------------------------------------------------------------------------


def fractional_times() -> bytes:
    """Compressed times that would build on a timestamp of a type for fractions: the columns decline."""
    body = fit.definition(0, fit.RECORD, ((4, 1, fit.UINT8),))
    body += fit.definition(1, fit.RECORD, ((253, 4, fit.UINT32), (4, 1, fit.UINT8)))
    body += fit.definition(2, 34, ((253, 8, fit.FLOAT64),))
    for second in range(10):
        body += fit.message(1, "IB", fit.FIRST_S + 2 * second, 80) + fit.compressed(
            0, fit.FIRST_S + 2 * second + 1, "B", 81
        )
    return fit.activity(body + fit.message(2, "d", fit.FIRST_S + 20.5))


def test_what_the_columns_decline_the_slow_reader_reads() -> None:
    found = read(fractional_times(), "ride.fit")

    assert found.reader == "fitdecode"
    assert (found.time_s - START_S).tolist() == list(range(20))
    assert found.cadence_rpm.tolist() == [80, 81] * 10


def test_the_slow_reader_is_not_given_large_files(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ingest.fit.reference.MOST_BYTES", 100)

    assert "written so unusually" in refusal(fractional_times()).why


@pytest.mark.parametrize("options", [{}, {"big_endian": True}, {"compressed": True}])
def test_a_fault_in_the_columns_is_caught_by_the_slow_reader(
    options: dict[str, bool], monkeypatch: pytest.MonkeyPatch
) -> None:
    data = fit_bytes(ride(60), **options)  # type: ignore[arg-type]
    in_columns = read(data, "ride.fit")

    def fail(*_: object) -> None:
        raise IndexError

    monkeypatch.setattr("ingest.fit.fast_reader.fit_contents", fail)
    found = read(data, "ride.fit")

    assert (in_columns.reader, found.reader) == ("fit columns", "fitdecode")
    assert same_column(found.power_w, in_columns.power_w)
    assert (found.sensors, found.pauses, found.gear_changes) == (
        in_columns.sensors,
        in_columns.pauses,
        in_columns.gear_changes,
    )
