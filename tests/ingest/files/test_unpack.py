"""Archives by content: nested, damaged, locked, deceitful; bounded whatever they hold."""

from __future__ import annotations

import gzip
import io
import re
import struct
import tarfile
import time
import tracemalloc
import zipfile

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.errors import UnreadableFile
from ingest.files.unpack import Bounds, members

RIDE = b"\x0e\x20\x93\x08\x00\x00\x00\x00.FIT" + bytes(range(256)) * 40


def zipped(files, compression=zipfile.ZIP_DEFLATED, **how):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", compression, **how) as archive:
        for name, data in files:
            archive.writestr(name, data)
    return out.getvalue()


def unpacked(data, name="drop", **how):
    return list(members(data, name, **how))


def refusal(data, **how):
    with pytest.raises(UnreadableFile) as caught:
        unpacked(data, **how)
    return f"{caught.value.path}: {caught.value.why}"


def test_a_plain_file_yields_itself(tmp_path):
    (tmp_path / "ride.fit").write_bytes(RIDE)
    assert unpacked(RIDE) == [("drop", RIDE)]
    assert unpacked(tmp_path / "ride.fit", "ride.fit") == [("ride.fit", RIDE)]
    assert unpacked(b"") == [("drop", b"")]


def test_gzip_is_known_by_content_whatever_its_name(tmp_path):
    (tmp_path / "ride.fit").write_bytes(gzip.compress(RIDE))
    assert unpacked(tmp_path / "ride.fit", "ride.fit") == [("ride.fit", RIDE)]


def test_gzip_in_several_parts_and_with_padding_is_whole():
    assert unpacked(gzip.compress(RIDE) + gzip.compress(b"more") + bytes(100)) == [("drop", RIDE + b"more")]


def test_a_zip_yields_its_files_from_folders_of_any_depth():
    deep = "/".join("abcdefghijklmnop") + "/ride.fit"
    data = zipped([("years/", b""), ("years/2023/a.fit", RIDE), (deep, b"b"), ("c.gpx", b"<gpx/>")])
    assert unpacked(data, "all.zip") == [
        ("all.zip > years/2023/a.fit", RIDE),
        (f"all.zip > {deep}", b"b"),
        ("all.zip > c.gpx", b"<gpx/>"),
    ]


def test_archives_in_archives_are_opened_as_far_as_people_pack_them():
    inner = zipped([("a.fit.gz", gzip.compress(RIDE))])
    assert unpacked(zipped([("june.zip", inner)]), "all.zip") == [("all.zip > june.zip > a.fit.gz", RIDE)]
    deeper = zipped([("b.zip", zipped([("june.zip", inner)]))])
    assert "packed more than 3 times over" in refusal(deeper)


def test_what_systems_leave_in_archives_is_passed_over():
    data = zipped([("__MACOSX/._a.fit", b"x"), (".DS_Store", b"x"), ("a.fit", RIDE), ("d/Thumbs.db", b"x")])
    assert unpacked(data, "z") == [("z > a.fit", RIDE)]
    assert "without files" in refusal(zipped([(".DS_Store", b"x")]))
    assert "without files" in refusal(zipped([]))


@pytest.mark.parametrize(
    "name", ["../../etc/passwd", "/etc/passwd", "C:\\windows\\ride.fit", "a/../../b.fit"]
)
def test_a_members_name_is_only_a_name(name, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert unpacked(zipped([(name, RIDE)]), "z") == [(f"z > {name}", RIDE)]
    assert list(tmp_path.iterdir()) == []


def test_one_bad_member_does_not_spoil_the_others():
    data = bytearray(
        zipped(
            [("a.fit", b"first" * 50), ("b.fit", b"second" * 50), ("c.fit", b"third" * 50)],
            zipfile.ZIP_STORED,
        )
    )
    data[data.index(b"second") + 3] ^= 1
    troubles = []
    got = unpacked(bytes(data), "z", on_trouble=troubles.append)
    assert [name for name, _ in got] == ["z > a.fit", "z > c.fit"]
    assert [(trouble.path, trouble.why) for trouble in troubles] == [
        ("z > b.fit", "is damaged inside its archive")
    ]

    iterator = members(bytes(data), "z")
    assert [next(iterator)[0], next(iterator)[0]] == ["z > a.fit", "z > c.fit"]
    with pytest.raises(UnreadableFile, match=r"z > b\.fit: is damaged inside its archive"):
        next(iterator)


def test_a_locked_zip_says_so():
    data = bytearray(zipped([("a.fit", RIDE), ("b.fit", RIDE)]))
    for mark, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        place = data.find(mark)
        while place >= 0:
            data[place + offset] |= 1
            place = data.find(mark, place + 4)
    assert refusal(bytes(data)) == (
        "drop > a.fit: is locked with a password (and 1 more of its members cannot be had)"
    )


@pytest.mark.parametrize("method", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_unusual_packing_is_refused_because_it_cannot_be_bounded(method):
    assert "packed in a way that is not supported" in refusal(zipped([("a.fit", RIDE)], method))


@pytest.mark.parametrize("cut", [30, 200, -40, -1])
def test_a_zip_cut_short_is_damaged(cut):
    assert "damaged zip archive" in refusal(zipped([("a.fit", RIDE), ("b.fit", RIDE)])[:cut])


def test_gzip_cut_short_keeps_what_came_out():
    whole = gzip.compress(bytes(range(256)) * 400 + RIDE, 1)
    ((_, data),) = unpacked(whole[: len(whole) // 2])
    assert data
    assert (bytes(range(256)) * 400 + RIDE).startswith(data)
    assert "ends before any of it" in refusal(whole[:12])


def test_gzip_with_a_wrong_checksum_is_damaged():
    data = bytearray(gzip.compress(RIDE))
    data[-6] ^= 1
    assert "is damaged and cannot be unpacked" in refusal(bytes(data))


@pytest.mark.parametrize(
    ("head", "kind"),
    [(b"7z\xbc\xaf\x27\x1c", "7z"), (b"Rar!\x1a\x07", "rar"), (b"\xfd7zXZ\x00", "xz"), (b"BZh9", "bzip2")],
)
def test_other_archives_are_named(head, kind):
    assert refusal(head + bytes(100)) == f"drop: is a {kind} archive"


def test_a_tar_is_named_even_inside_gzip():
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w:gz") as archive:
        archive.addfile(tarfile.TarInfo("a.fit"), io.BytesIO())
    assert refusal(out.getvalue()) == "drop: is a tar archive"


# Bombs


@pytest.fixture
def traced():
    """Peak memory of this test's Python objects, as a function. [bytes]"""
    tracemalloc.start()
    yield lambda: tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()


def test_a_bomb_is_refused_at_once_and_in_little_memory(traced):
    nought = bytes(1 << 20)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive, archive.open("bomb.fit", "w") as member:
        for _ in range(40):
            member.write(nought)
    data = out.getvalue()
    assert len(data) < 50_000
    for bomb in (data, gzip.compress(nought * 64)):
        tracemalloc.reset_peak()
        begun = time.process_time()
        assert "swells to more than 250 times its size" in refusal(bomb)
        assert time.process_time() - begun < 5.0
        assert traced() < 100 << 20


def test_a_member_that_lies_about_its_size_is_still_bounded():
    data = bytearray(zipped([("a.fit", bytes(5 << 20))]))
    for mark, offset in ((b"PK\x03\x04", 22), (b"PK\x01\x02", 24)):
        struct.pack_into("<I", data, data.find(mark) + offset, 10)
    assert refusal(bytes(data)).startswith("drop > a.fit: ")


def test_many_good_looking_members_may_not_swell_together_either():
    member = (bytes(range(256)) * 40 + bytes(10_000)) * 60
    small = Bounds(file_bytes=2 << 20, ratio=20)
    assert "holds far more than its size allows" in refusal(
        zipped([(f"{n}.fit", member) for n in range(9)]), bounds=small
    )


def test_a_bomb_of_bombs_stops_at_the_first():
    layer = zipped([(f"{n}.gpx", bytes(1 << 20)) for n in range(100)])
    bomb = zipped([(f"{n}.zip", layer) for n in range(50)])
    begun = time.process_time()
    assert "holds far more than its size allows" in refusal(bomb)
    assert time.process_time() - begun < 5.0


def test_members_that_share_their_bytes_are_refused():
    data = zipped([("a.fit", RIDE * 3)])
    end = data.index(b"PK\x01\x02")
    directory, tail = data[end : data.index(b"PK\x05\x06")], data[data.index(b"PK\x05\x06") :]
    fields = list(struct.unpack("<4s4H2IH", tail))
    fields[3] = fields[4] = 50
    fields[5] = 50 * len(directory)
    assert "overlap" in refusal(data[:end] + directory * 50 + struct.pack("<4s4H2IH", *fields))


def test_too_many_members_and_too_long_a_table_of_contents_are_refused():
    many = zipped([(f"{n}.fit", b"x") for n in range(30)])
    assert "holds more than 20 files" in refusal(many, bounds=Bounds(members=20))
    assert "holds more than" in refusal(many, bounds=Bounds(directory_bytes=1000))
    wide = bytearray(many)
    struct.pack_into("<I", wide, wide.index(b"PK\x05\x06") + 12, 0xFFFF_FFFE)
    assert "holds more than" in refusal(bytes(wide))


def test_a_file_larger_than_any_ride_is_refused_unread(tmp_path, traced):
    huge = tmp_path / "film.fit"
    with huge.open("wb") as file:
        file.truncate(1 << 36)
    assert "is larger than 64 MB, more than a ride can be" in refusal(huge)
    assert traced() < 1 << 20


def test_years_of_rides_are_unpacked_one_at_a_time(tmp_path, traced):
    dice = bytes((n * 7919 + 13) % 251 for n in range(300_000))
    archive = tmp_path / "years.zip"
    archive.write_bytes(zipped([(f"{n}.fit", dice) for n in range(100)]))
    tracemalloc.reset_peak()
    assert sum(len(data) for _, data in members(archive, "years.zip")) == 30_000_000
    assert traced() < 5 << 20


SEEDS = (
    zipped([("a.fit", RIDE), ("b.gz", gzip.compress(RIDE)), ("c.zip", zipped([("d", b"x")]))]),
    gzip.compress(RIDE),
)


@given(
    st.sampled_from(SEEDS),
    st.lists(st.tuples(st.integers(0, 1 << 16), st.integers(0, 255)), max_size=12),
    st.integers(0, 3000),
)
def test_whatever_is_flipped_or_cut_only_a_refusal_comes_out(seed, flips, cut):
    data = bytearray(seed)
    for place, value in flips:
        data[place % len(data)] = value
    said = "drop: why; try this"
    try:
        for _, member in members(bytes(data[: len(data) - cut % 300]), "drop"):
            assert isinstance(member, bytes)
    except UnreadableFile as trouble:
        said = str(trouble)
    assert re.fullmatch(r"drop.*: .+; .+", said, re.DOTALL)
