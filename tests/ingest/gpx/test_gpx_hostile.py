"""What the stream makes of GPX files that are damaged or made to harm: points and damage, or one error."""

from __future__ import annotations

import gzip
import time

import numpy as np
import psutil
import pytest

from fixtures.gpx_writer import gpx_bytes
from ingest.errors import NotARide, UnreadableFile
from tests.ingest.gpx.gpx_text import point, track
from tests.ingest.recordings import ride, same_column
from tests.read_one import read

SOUND = gpx_bytes(ride(200))


def refusal(data: bytes) -> UnreadableFile:
    started = time.process_time()
    with pytest.raises(UnreadableFile) as raised:
        read(data, "broken.gpx")
    assert time.process_time() - started < 5
    assert raised.value.path == "broken.gpx"
    return raised.value


def test_entity_bombs_are_refused() -> None:
    levels = zip("abcdefgh", "bcdefghi", strict=True)
    bomb = '<!DOCTYPE gpx [<!ENTITY a "aaaaaaaaaa">'
    bomb += "".join(f'<!ENTITY {after} "{f"&{before};" * 10}">' for before, after in levels)
    data = track(point(0, "<name>&i;</name>")).replace(b"<gpx", f"{bomb}]><gpx".encode(), 1)

    assert refusal(data).why == "its XML declares entities"


@pytest.mark.parametrize("system", ["file:///etc/passwd", "http://127.0.0.1:9/x"])
def test_outside_entities_are_refused(system: str) -> None:
    doctype = f'<!DOCTYPE gpx [<!ENTITY x SYSTEM "{system}">]>'
    data = track(point(0, "<name>&x;</name>")).replace(b"<gpx", doctype.encode() + b"<gpx", 1)

    assert refusal(data).why == "its XML declares entities"


@pytest.mark.parametrize("around", ["", "<trkpt lat='1' lon='2'>"])
def test_200_000_nested_tags_are_refused(around: str) -> None:
    data = track(around + "<a>" * 200_000)

    assert refusal(data).why == "its XML is nested too deep"


def test_a_text_of_50_megabytes_is_no_value_and_little_memory() -> None:
    data = track(point(0, "<ele>" + "7" * 50_000_000 + "</ele>") + point(1, "<ele>5</ele>"))
    before = psutil.Process().memory_info().rss
    started = time.process_time()

    found = read(data, "made.gpx")

    assert time.process_time() - started < 5
    assert psutil.Process().memory_info().rss - before < 200e6
    assert np.array_equal(found.altitude_m, [np.nan, 5], equal_nan=True)


def test_an_attribute_of_20_megabytes_takes_no_minute() -> None:
    data = track(point(0, place=f'lat="35.1" lon="-118.2" note="{"x" * 20_000_000}"') + point(1))
    started = time.process_time()

    found = read(data, "made.gpx")

    assert time.process_time() - started < 5
    assert len(found) == 2


def test_a_file_larger_than_any_ride_is_refused() -> None:
    assert refusal(SOUND + b" " * 70_000_000).why == "has 67 MB, more than the 64 MB that a ride may have"


def test_more_tags_than_any_ride_has_are_refused() -> None:
    assert refusal(track("<a/>" * 2_500_000)).why == "has more than 2500000 tags, and no ride does"


def test_more_points_than_any_ride_has_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ingest.gpx.stream.MOST_POINTS", 100)

    assert len(read(track("".join(map(point, range(100)))), "made.gpx")) == 100
    assert "100 points, and no ride does" in refusal(track("".join(map(point, range(101))))).why


def test_more_attributes_than_any_ride_has_are_refused() -> None:
    attributes = " ".join(f"a{number}=''" for number in range(800_000))
    data = track(f"<a {attributes}/>")

    assert refusal(data).why == "has more than 800000 attributes, and no ride does"


def test_one_bad_point_costs_one_point() -> None:
    """gpxpy refuses the whole file for it."""
    places = ('lat="abc" lon="-118.2"', 'lat="35.1"', 'lat="" lon="-118.2"', 'lat="35,1" lon="-118.2"')
    points = [point(0), *(point(1, place=place) for place in places), point(2)]

    found = read(track("".join(points)), "made.gpx")

    assert len(found) == 2
    assert found.dropped == {"impossible place": len(places)}


@pytest.mark.parametrize("latitude", ["NaN", "91", "-90.5", "4_7.1", "1e400", "inf", "٣٥", "0x10", "--35"])
def test_a_place_that_cannot_be_is_left_out(latitude: str) -> None:
    points = [point(second) for second in range(20)] + [point(20, place=f'lat="{latitude}" lon="-118.2"')]

    found = read(track("".join(points)), "made.gpx")

    assert len(found) == 20
    assert found.dropped == {"impossible place": 1}


NO_VALUE = np.nan


@pytest.mark.parametrize(
    ("text", "value"), [("4_7.1", NO_VALUE), ("1e400", NO_VALUE), ("NaN", NO_VALUE), (" 7 ", 7)]
)
def test_a_value_that_cannot_be_is_no_value(text: str, value: float) -> None:
    found = read(track("".join(point(s, f"<ele>{text}</ele>") for s in range(20))), "made.gpx")

    assert np.array_equal(found.altitude_m, [value] * 20, equal_nan=True)


def test_a_prefix_on_every_tag_loses_no_point() -> None:
    """gpxpy finds no points at all, and says nothing."""
    assert len(read(gpx_bytes(ride(50), prefix="gpx"), "ride.gpx")) == 50


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16le", "utf-16be", "iso-8859-1", "windows-1252"])
def test_any_declared_encoding_is_read(encoding: str) -> None:
    data = track(point(0)).decode().replace("<trk>", "<trk><name>Wüste</name>")
    data = data.replace('version="1.0"?', f'version="1.0" encoding="{encoding}"?', 1)
    mark = {"utf-16le": b"\xff\xfe", "utf-16be": b"\xfe\xff"}.get(encoding, b"")

    assert read(mark + data.encode(encoding), "ride.gpx").title == "Wüste"


def test_a_byte_order_mark_is_no_hindrance() -> None:
    assert len(read(b"\xef\xbb\xbf" + SOUND, "ride.gpx")) == 200


@pytest.mark.parametrize("encoding", ["martian", "utf-7", "rot13", "base64", "idna"])
def test_an_unknown_encoding_is_one_clear_error(encoding: str) -> None:
    data = SOUND.replace(b'encoding="utf-8"', f'encoding="{encoding}"'.encode(), 1)

    assert refusal(data).why


@pytest.mark.parametrize("part", [0.3, 0.6, 0.95])
def test_a_truncated_file_keeps_its_points_and_says_so(part: float) -> None:
    whole = read(SOUND, "ride.gpx")

    found = read(SOUND[: int(len(SOUND) * part)], "ride.gpx")

    assert 0 < len(found) < 200
    assert same_column(found.power_w, whole.power_w[: len(found)])
    assert found.damage[0].startswith("its XML breaks off in line ")


def test_a_tag_that_fits_no_other_ends_the_reading() -> None:
    data = track("".join(map(point, range(20))) + "</trkpt>" + "".join(map(point, range(20, 40))))

    found = read(data, "made.gpx")

    assert len(found) == 20
    assert found.damage == ("its XML breaks off in line 2: mismatched tag",)


def test_a_file_cut_before_its_first_point_is_refused() -> None:
    why = refusal(SOUND[:150]).why

    assert why.startswith("its XML breaks off")
    assert why.endswith("and before that there are no track points")


@pytest.mark.parametrize("root", ["kml", "html", "TrainingCenterDatabase"])
def test_other_xml_is_one_clear_error(root: str) -> None:
    assert refusal(f"<{root}></{root}>".encode()).why == f"is XML, but not GPX: <{root}>"


def test_a_gzipped_file_is_not_opened_here() -> None:
    assert refusal(gzip.compress(SOUND)).why == "is neither FIT nor GPX"


def test_points_in_wild_order_keep_the_most_that_ascend() -> None:
    points = "".join(point(second) for second in (0, 1, 2, 50, 3, 4, 2, 5))

    found = read(track(points), "made.gpx")

    assert np.diff(found.time_s).tolist() == [1, 1, 1, 1, 1]
    assert found.dropped == {"time runs backwards": 2}


def test_a_place_far_from_its_neighbours_is_left_out() -> None:
    points = [point(second) for second in range(20)]
    points[7] = point(7, place='lat="36.1" lon="-118.2"')

    found = read(track("".join(points)), "made.gpx")

    assert np.flatnonzero(np.isnan(found.latitude_deg)).tolist() == [7]
    assert found.dropped == {"a place far from its neighbours": 1}


def test_a_polite_refusal_is_an_error_as_well() -> None:
    assert issubclass(NotARide, UnreadableFile)
