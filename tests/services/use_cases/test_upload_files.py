"""Files that come in pieces: gone on with where they were cut off, bounded, under names that lead nowhere."""

from __future__ import annotations

import os
import shutil
import time
from collections import namedtuple
from pathlib import Path

import pytest

from ingest.files.folder import scan
from services.store import FactRefused
from services.use_cases.upload_files import ARRIVING, LARGEST_FILE, LARGEST_PIECE, Arriving, OutOfStep, Tray


def test_a_file_in_pieces_goes_on_where_it_was_cut_off_and_is_whole_at_the_end(tmp_path: Path) -> None:
    file = Arriving("summer/evening.fit", 10, "1700000000000")

    assert Tray(tmp_path).take(file, 0, b"01234", whose="Ines") is None
    assert Tray(tmp_path).have(file) == 5  # another process, another day
    with pytest.raises(OutOfStep) as out:
        Tray(tmp_path).take(file, 0, b"01234", whose="Ines")
    assert out.value.have == 5
    place = Tray(tmp_path).take(file, 5, b"56789", whose="Ines")

    assert place == tmp_path / "dropped" / "Ines" / "evening.fit"
    assert place.read_bytes() == b"0123456789"
    assert Tray(tmp_path).in_part() == 0


def test_what_came_in_part_is_no_file_for_the_watching_and_can_be_thrown_away(tmp_path: Path) -> None:
    tray = Tray(tmp_path)
    tray.take(Arriving("half.fit", 10), 0, b"01234", whose="Ines")
    tray.take(Arriving("whole.fit", 1), 0, b"0", whose="Ines")

    assert [path.name for path in scan(tray.folder)] == ["whole.fit"]
    assert (tray.in_part(), tray.throw_away_parts(), tray.in_part()) == (1, 1, 0)


def test_parts_that_nobody_went_on_with_are_cleared_after_a_week(tmp_path: Path) -> None:
    tray = Tray(tmp_path)
    tray.take(Arriving("half.fit", 10), 0, b"01234", whose="Ines")
    (part,) = (tray.folder / ARRIVING).iterdir()
    os.utime(part, (time.time() - 8 * 86400,) * 2)

    tray.take(Arriving("other.fit", 10), 0, b"0", whose="Ines")

    assert tray.in_part() == 1
    assert not part.exists()


@pytest.mark.parametrize(
    "name",
    [
        "../../etc/passwd",
        "/etc/cron.d/x",
        "..\\..\\x.fit",
        "a\0b.fit",
        "x" * 900 + ".fit",
        "",
        ".",
        "…/–/ü.fit",
    ],
)
def test_a_name_from_outside_never_leads_out_of_the_tray(tmp_path: Path, name: str) -> None:
    place = Tray(tmp_path).take(Arriving(name, 1), 0, b"x", whose="../../Ines")

    assert place is not None
    assert place.resolve().is_relative_to((tmp_path / "dropped").resolve())
    assert place.read_bytes() == b"x"


def test_the_same_file_again_is_kept_once_and_another_of_its_name_beside_it(tmp_path: Path) -> None:
    tray = Tray(tmp_path)
    first = tray.take(Arriving("a/ride.fit", 1), 0, b"1", whose="Ines")
    again = tray.take(Arriving("b/ride.fit", 1), 0, b"1", whose="Ines")
    other = tray.take(Arriving("c/ride.fit", 1), 0, b"2", whose="Ines")

    assert first == again
    assert other is not None
    assert other.name == "ride (2).fit"


def test_what_is_too_large_or_does_not_fit_the_disk_is_refused_before_a_byte(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tray = Tray(tmp_path)
    with pytest.raises(FactRefused, match="larger than 4 GB"):
        tray.take(Arriving("huge.zip", LARGEST_FILE + 1), 0, b"x", whose="Ines")
    with pytest.raises(FactRefused, match="pieces that do not fit"):
        tray.take(Arriving("ride.fit", 1), 0, b"xx", whose="Ines")
    with pytest.raises(FactRefused, match="pieces that do not fit"):
        tray.take(Arriving("ride.fit", 1 << 30), 0, b"x" * (LARGEST_PIECE + 1), whose="Ines")
    usage = namedtuple("usage", "total used free")
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage(10**12, 10**12, 1 << 20))
    with pytest.raises(FactRefused, match=r"disk is too full for ride\.fit"):
        tray.take(Arriving("ride.fit", 1), 0, b"x", whose="Ines")

    assert scan(tray.folder) == {}
    assert tray.in_part() == 0


@pytest.mark.parametrize(
    ("name", "ours"),
    [("ride.fit", True), ("2024/May/ride.gpx", True), ("2024/.DS_Store", False), ("__MACOSX/x.fit", False),
     ("ride.fit.part", False)],
)  # fmt: skip
def test_hidden_and_half_loaded_files_are_left_alone(name: str, ours: bool) -> None:
    assert Arriving(name, 1).is_ours is ours
