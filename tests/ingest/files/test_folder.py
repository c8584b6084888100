"""A file is handed over once it is still: decided over listings, and scanned on a real disk."""

from __future__ import annotations

import os
from datetime import timedelta
from pathlib import Path

import pytest

from ingest.errors import UnreadableFile
from ingest.files.folder import (
    DEEPEST,
    EMPTY_QUIET_S,
    FileState,
    Seen,
    decide,
    is_passing,
    released,
    scan,
    settled,
)
from tests.ingest.rides import NOON

RIDE = Path("rides/ride.fit")


def at(seconds):
    return NOON + timedelta(seconds=seconds)


def handed(listings, quiet_s=5.0):
    """What is handed over at each of these (second, {name: (size, time)}) listings."""
    state, result = {}, []
    for second, files in listings:
        listing = {Path(name): Seen(*form) for name, form in files.items()}
        found, state = decide(listing, state, now=at(second), quiet_s=quiet_s)
        result.append([str(file.path) for file in found])
    return result


def test_a_new_file_waits_until_it_has_been_still():
    still = {"a.fit": (100, 1)}
    assert handed([(0, still), (3, still), (5, still), (8, still)]) == [[], [], ["a.fit"], []]


def test_one_scan_is_never_enough_however_old_the_file_looks():
    assert handed([(0, {"a.fit": (100, 1)})], quiet_s=0.0) == [[]]


@pytest.mark.parametrize("change", [(200, 1), (100, 2), (50, 1)], ids=["grew", "touched", "shrank"])
def test_a_change_starts_the_wait_again(change):
    before, after = {"a.fit": (100, 1)}, {"a.fit": change}
    assert handed([(0, before), (4, after), (8, after), (9, after)]) == [[], [], [], ["a.fit"]]


def test_a_slow_copy_is_left_alone_until_it_ends():
    copy = [(second, {"a.fit": (min(second, 20) * 100 + 1, min(second, 20))}) for second in range(0, 30, 2)]
    assert [second for (second, _), found in zip(copy, handed(copy), strict=True) if found] == [26]


def test_a_file_is_handed_over_once_and_again_only_when_it_changed():
    old, new = {"a.fit": (100, 1)}, {"a.fit": (120, 9)}
    seen = handed([(0, old), (6, old), (12, old), (18, new), (24, new), (30, new)])
    assert seen == [[], ["a.fit"], [], [], ["a.fit"], []]


def test_a_file_that_went_and_came_back_is_new():
    here = {"a.fit": (100, 1)}
    assert handed([(0, here), (6, here), (7, {}), (8, here), (14, here)]) == [
        [],
        ["a.fit"],
        [],
        [],
        ["a.fit"],
    ]


def test_an_empty_file_is_a_promise_until_it_has_been_one_for_long():
    empty = {"a.fit": (0, 1)}
    assert handed([(0, empty), (60, empty), (EMPTY_QUIET_S, empty)]) == [[], [], ["a.fit"]]


def test_a_clock_set_back_only_delays():
    still = {"a.fit": (100, 1)}
    assert handed([(1000, still), (0, still), (4, still), (5, still)]) == [[], [], [], ["a.fit"]]


def test_files_come_oldest_first_and_can_be_released_to_come_again():
    listing = {Path("b"): Seen(1, 5), Path("a"): Seen(1, 9), Path("c"): Seen(1, 5)}
    _, state = decide(listing, {}, now=at(0), quiet_s=5.0)
    found, state = decide(listing, state, now=at(5), quiet_s=5.0)
    assert [str(file.path) for file in found] == ["b", "c", "a"]
    assert all(kept.handed_over for kept in state.values())
    again, _ = decide(listing, released(state, [Path("a"), Path("gone")]), now=at(6), quiet_s=5.0)
    assert [str(file.path) for file in again] == ["a"]


@pytest.mark.parametrize(
    "name",
    [
        *(".hidden", ".DS_Store", ".ride.fit.Xy12ab", "ride.fit.part", "ride.fit.crdownload", "ride.FIT.TMP"),
        *("~$list.gpx", "ride.gpx~", "#ride.gpx#", "ride.gpx.swp", "Thumbs.db", "desktop.ini"),
        *("__MACOSX", "@eaDir", "System Volume Information"),
    ],
)
def test_droppings_of_systems_and_tools_are_passing(name):
    assert is_passing(name)


@pytest.mark.parametrize(
    "name", ["ride.fit", "RIDE.FIT.GZ", "part 2.gpx", "template.gpx", "temp", "2024-06-02", "ride"]
)
def test_names_people_give_are_not(name):
    assert not is_passing(name)


def test_a_scan_finds_files_in_folders_and_leaves_the_rest(tmp_path):
    for name in ("a.fit", "2024/june/b.gpx", ".cache/c.fit", "2024/d.fit.part", "__MACOSX/e.fit"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(b"ride")
    os.mkfifo(tmp_path / "pipe.fit")
    (tmp_path / "nowhere.fit").symlink_to(tmp_path / "missing")
    assert sorted(str(path.relative_to(tmp_path)) for path in scan(tmp_path)) == ["2024/june/b.gpx", "a.fit"]


def test_a_link_that_leads_in_circles_ends(tmp_path):
    inside = tmp_path / "watched" / "year"
    inside.mkdir(parents=True)
    (inside / "a.fit").write_bytes(b"ride")
    (inside / "up").symlink_to(tmp_path / "watched")
    (inside / "self").symlink_to(inside)
    assert len(scan(tmp_path / "watched")) == 1


def test_folders_deeper_than_anybody_keeps_rides_are_told_not_passed_over(tmp_path):
    deep = tmp_path
    for _ in range(DEEPEST + 1):
        deep = deep / "in"
    deep.mkdir(parents=True)
    (deep / "a.fit").write_bytes(b"ride")
    (deep.parent / "b.fit").write_bytes(b"ride")
    troubles = []
    assert list(scan(tmp_path, on_trouble=troubles.append)) == [deep.parent / "b.fit"]
    assert [(trouble.path, trouble.try_this) for trouble in troubles] == [(str(deep), "move it up")]


def test_a_linked_folder_is_part_of_the_watched_one(tmp_path):
    device = tmp_path / "device"
    device.mkdir()
    (device / "a.fit").write_bytes(b"ride")
    (tmp_path / "watched").mkdir()
    (tmp_path / "watched" / "head unit").symlink_to(device)
    assert list(scan(tmp_path / "watched")) == [tmp_path / "watched" / "head unit" / "a.fit"]


def test_the_state_follows_a_real_file(tmp_path):
    ride = tmp_path / "a.fit"
    ride.write_bytes(b"half")
    _, state = settled(tmp_path, {}, now=at(0), quiet_s=5.0)
    ride.write_bytes(b"half and half")
    found, state = settled(tmp_path, state, now=at(6), quiet_s=5.0)
    assert found == []
    found, state = settled(tmp_path, state, now=at(12), quiet_s=5.0)
    assert [(file.path, file.size) for file in found] == [(ride, 13)]
    assert state[ride] == FileState(Seen(13, ride.stat().st_mtime_ns), at(6), handed_over=True)


def test_a_missing_folder_or_a_file_in_its_place_is_said(tmp_path):
    with pytest.raises(
        UnreadableFile, match=r"cannot be read .*; create it, mount it, or name another folder"
    ):
        settled(tmp_path / "gone", {}, now=at(0), quiet_s=5.0)
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(UnreadableFile, match="is a file, not a folder"):
        settled(tmp_path / "file", {}, now=at(0), quiet_s=5.0)


def test_a_locked_folder_inside_is_reported_and_the_rest_is_scanned(tmp_path, monkeypatch):
    (tmp_path / "a.fit").write_bytes(b"ride")
    locked = tmp_path / "locked"
    locked.mkdir()
    really = os.scandir

    def scandir(place):  # taking the right away on disk would not stop root
        if str(place) == str(locked):
            raise PermissionError(13, "Permission denied")
        return really(place)

    monkeypatch.setattr(os, "scandir", scandir)
    troubles = []
    assert list(scan(tmp_path, on_trouble=troubles.append)) == [tmp_path / "a.fit"]
    assert [(trouble.path, trouble.why) for trouble in troubles] == [
        (str(locked), "cannot be read (Permission denied)")
    ]


def test_many_files_are_looked_at_folder_by_folder(tmp_path, monkeypatch):
    for year in range(20):
        folder = tmp_path / str(year)
        folder.mkdir()
        for number in range(100):
            (folder / f"{number}.fit").touch()
    really, listed = os.scandir, []
    monkeypatch.setattr(os, "scandir", lambda place: listed.append(place) or really(place))
    found, state = settled(tmp_path, {}, now=at(0), quiet_s=5.0)
    found, state = settled(tmp_path, state, now=at(6), quiet_s=600)
    assert (len(found), len(state)) == (0, 2000)
    assert len(listed) == 2 * (1 + 21)  # once to see that it is there, then each folder once
