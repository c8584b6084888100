"""What the stream makes of sound GPX files, against gpxpy and round trips through the encoder."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fixtures.gpx_writer import gpx_bytes
from ingest.errors import NotARide, UnreadableFile
from ingest.gpx import stream as gpx
from ingest.gpx.fast_path import take_out
from ingest.gpx.times import unix_seconds
from ingest.ride.recording import Recording
from tests.ingest.fuzz import gpx_differences
from tests.ingest.fuzz.compare_readers import run
from tests.ingest.gpx.gpx_text import point, track
from tests.ingest.recordings import NAMES, START_S, corpus, ride, same_column
from tests.read_one import read

SPELLINGS: dict[str, dict[str, Any]] = {
    "1.1": {},
    "1.0": {"version": "1.0"},
    "point extension 2": {"point_extension": 2},
    "a prefix on every element": {"prefix": "g"},
    "UTF-16": {"encoding": "utf-16"},
    "ISO-8859-1": {"encoding": "iso-8859-1"},
    "windows-1252": {"encoding": "windows-1252"},
    "zone as an offset": {"zone": "+00:00"},
    "on one line": {"pretty": False},
}


NO_TRACK = "holds waypoints or a route, no track"
ODD = (
    "<!-- x -->",
    "<hr>1<b/>2</hr>",
    '<ele unit="m">5</ele>',
    "<ele>&#54;</ele>",
    "<sat>4</sat>",
    "<ele>6_5</ele>",
)


# Against gpxpy
# --------------------------------------------------------------------------------------------------


def test_real_files_read_as_gpxpy_reads_them() -> None:
    compared = 0
    for path in corpus("gpx"):
        comparison = gpx_differences.compare(path.read_bytes())
        assert (path.name, comparison.differences) == (path.name, [])
        compared += comparison.rows
    assert compared > 1_400


def test_random_structures_and_damaged_files_read_as_gpxpy_reads_them() -> None:
    """Some of the inputs that `python -m tests.ingest.fuzz.compare_readers` tries by the thousand."""
    outcomes, rows, differences = run("gpx", 100, seed=7)

    assert differences == []
    assert outcomes["structure: equal"] == 50
    assert rows > 1000


# There and back
# -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("spelling", SPELLINGS)
def test_what_was_written_is_read(spelling: str) -> None:
    written = ride()

    found = read(gpx_bytes(written, **SPELLINGS[spelling]), "ride.gpx")

    for name in ("time_s", "cadence_rpm", "power_w", "temperature_c", "heart_rate_bpm"):
        assert same_column(getattr(written, name), getattr(found, name)), name
    assert same_column(written.latitude_deg, found.latitude_deg, tolerance=0.6e-8)
    assert same_column(written.longitude_deg, found.longitude_deg, tolerance=0.6e-8)
    assert same_column(written.altitude_m, found.altitude_m, tolerance=0.6e-3)
    assert np.isnan(found.distance_m).all()
    assert np.isfinite(found.speed_mps).all() == (spelling == "1.0")
    assert found.sport == (None if spelling == "1.0" else "cycling")
    assert found.pauses == ()
    assert (found.damage, found.dropped, found.reader) == ((), {}, "gpx stream")


@given(
    st.lists(st.none() | st.integers(0, 254), min_size=1, max_size=30),
    st.lists(st.none() | st.integers(-4000, 90_000), min_size=1, max_size=30),
    st.lists(st.sampled_from([0, 0.25, 1, 1, 1, 3600]), min_size=1, max_size=30),
    st.sampled_from(sorted(SPELLINGS)),
)
@settings(max_examples=60)
def test_any_values_come_back(
    cadence: list[int | None], decimetres: list[int | None], gaps_s: list[float], spelling: str
) -> None:
    rows = min(len(cadence), len(decimetres), len(gaps_s))
    nothing = np.full(rows, np.nan)
    written = Recording(
        "made.gpx",
        "invented",
        time_s=START_S + np.cumsum(gaps_s[:rows]),
        latitude_deg=np.linspace(35, 35.001, rows),
        longitude_deg=np.linspace(-118, -118.001, rows),
        altitude_m=np.array([np.nan if value is None else value / 10 for value in decimetres[:rows]]),
        distance_m=nothing,
        speed_mps=nothing,
        cadence_rpm=np.array([np.nan if value is None else float(value) for value in cadence[:rows]]),
        power_w=nothing,
        temperature_c=nothing,
        heart_rate_bpm=nothing,
    )

    found = read(gpx_bytes(written, **SPELLINGS[spelling]), "made.gpx")

    for name in NAMES:
        assert same_column(getattr(written, name), getattr(found, name), tolerance=1e-7), name
    assert (found.damage, found.dropped) == ((), {})


@given(st.integers(0, 10_000))
@settings(max_examples=30)
def test_taking_points_out_changes_nothing(seed: int) -> None:
    """Points taken out in one sweep are the points that the parser finds."""
    random = np.random.default_rng(seed)
    inner = [
        "<ele>7</ele>" * int(random.integers(2))
        + "<extensions><hr>99</hr></extensions>" * int(random.integers(2))
        for _ in range(90)
    ]
    inner[int(random.integers(90))] += ODD[int(random.integers(len(ODD)))]
    data = track("".join(point(second, text) for second, text in enumerate(inner)))

    together = gpx.gpx_contents(data, "made.gpx")
    points, damage = gpx._parsed(data, "made.gpx")
    alone = points.contents()

    assert damage == []
    assert same_column(together.time_s, alone.time_s)
    assert all(same_column(together.columns[name], alone.columns[name]) for name in alone.columns)


def test_nearly_all_points_of_a_device_are_taken_out() -> None:
    taken = take_out(gpx_bytes(ride(300, gaps=False)))

    assert taken is not None
    assert len(taken) > 290  # the first, the template and the last few stay
    assert len(taken.rest) < 3_000


def test_points_without_some_of_the_values_are_taken_out_as_well() -> None:
    inner = ["<ele>7</ele>", "<sat>5</sat><ele>-7.25</ele>", "<extensions><hr>99</hr></extensions>"]
    data = track("\n".join(point(second, inner[second % 3]) for second in range(600)))

    taken = take_out(data)
    found = read(data, "made.gpx")

    assert taken is not None
    assert len(taken) > 580
    assert found.altitude_m[:3].tolist()[:2] == [7, -7.25]
    assert np.isnan(found.altitude_m[2::3]).all()
    assert (found.heart_rate_bpm[2::3] == 99).all()


def test_a_value_that_another_element_breaks_is_none() -> None:
    inner = ("<ele>5<a/>6</ele>", "<ele><a/>6</ele>", "<ele>7</ele>")

    found = read(track("".join(point(second, text) for second, text in enumerate(inner))), "made.gpx")

    assert same_column(found.altitude_m, np.array([np.nan, np.nan, 7]))


def test_points_in_comments_and_cdata_are_no_points() -> None:
    hidden = "".join(point(second) for second in range(90))
    before = f"<metadata><desc><![CDATA[{hidden}]]></desc></metadata>"
    data = track(point(0) + f"<!-- {hidden} -->" + point(1), before=before)

    assert len(read(data, "made.gpx")) == 2


# Times
# ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "instant"),
    [
        ("2025-06-14T06:30:00Z", "2025-06-14T06:30:00+00:00"),
        ("2025-06-14T06:30:00", "2025-06-14T06:30:00+00:00"),
        ("2025-06-14T08:30:00+02:00", "2025-06-14T06:30:00+00:00"),
        ("2025-06-13T23:00:00-07:30", "2025-06-14T06:30:00+00:00"),
        ("2025-06-14T06:30:00.250Z", "2025-06-14T06:30:00.250000+00:00"),
        ("2025-06-14 06:30:00Z", "2025-06-14T06:30:00+00:00"),
        ("2025-06-14T06:30:00.25Z", "2025-06-14T06:30:00.250000+00:00"),
        (" 2025-06-14T06:30:00Z\n", "2025-06-14T06:30:00+00:00"),
        ("2016-12-31T23:59:60Z", "2017-01-01T00:00:00+00:00"),  # the leap second of 2016
        ("2025-06-14T24:00:00Z", "2025-06-15T00:00:00+00:00"),
        ("2024-02-29T00:00:00Z", "2024-02-29T00:00:00+00:00"),
    ],
)
def test_a_time_is_read_in_every_spelling(text: str, instant: str) -> None:
    for texts in ([text], [text] * 3, ["2025-06-14T06:30:00Z", text]):
        assert datetime.fromtimestamp(unix_seconds(texts)[-1], UTC).isoformat() == instant


@pytest.mark.parametrize(
    "text",
    [
        "",
        "noon",
        "2025-06-31T00:00:00Z",
        "2025-02-29T00:00:00Z",
        "2025-13-01T00:00:00Z",
        "2025-06-14T25:00:00Z",
        "2025-06-14T24:00:01Z",
        "2025-06-14T06:60:00Z",
        "2025-06-14_06:30:00",
        "٢٠٢٥-06-14T06:30:00Z",
        "0000-01-01T00:00:00Z",
    ],
)
def test_what_is_no_time_is_none(text: str) -> None:
    assert np.isnan(unix_seconds([text])).all()
    assert np.isnan(unix_seconds(["2025-06-14T06:30:00Z", text])).tolist() == [False, True]


@given(st.lists(st.datetimes(datetime(1990, 1, 1), datetime(2099, 12, 31)), min_size=1, max_size=9))  # noqa: DTZ001
def test_many_times_at_once_are_each_time_alone(times: list[datetime]) -> None:
    texts = [f"{at:%Y-%m-%dT%H:%M:%S}Z" for at in times]

    expected = [at.replace(microsecond=0, tzinfo=UTC).timestamp() for at in times]

    assert unix_seconds(texts).tolist() == expected


# What a file may hold
# -------------------------------------------------------------------------------------------


def test_segments_are_ridden_one_after_the_other_with_pauses_between() -> None:
    first = "".join(point(second) for second in range(10))
    second = "".join(point(second) for second in range(100, 110))

    found = read(track(f"{first}</trkseg><trkseg>{second}"), "made.gpx")

    assert len(found) == 20
    assert found.pauses == ((START_S + 9, START_S + 100),)


def test_power_comes_from_either_extension() -> None:
    names = ' xmlns:p="http://example.org/power/1"'
    first = point(0, "<extensions><power>200</power></extensions>")
    second = point(1, "<extensions><p:PowerInWatts>210</p:PowerInWatts></extensions>")

    found = read(track(first + second, names=names), "made.gpx")

    assert found.power_w.tolist() == [200, 210]


def test_a_name_and_a_kind_are_kept() -> None:
    data = track(point(0)).replace(b"<trk>", b"<trk><name> Dust &amp; wind </name><type>gravel</type>")

    found = read(data, "made.gpx")

    assert (found.title, found.sport) == ("Dust & wind", "gravel")
    assert found.device is not None
    assert found.device.product == "made"


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (track(""), "holds no track points"),
        (track("", before='<wpt lat="35" lon="-118"/>'), NO_TRACK),
        (track("", before='<rte><rtept lat="35" lon="-118"/></rte>'), NO_TRACK),
        (track('<trkpt lat="35" lon="-118"/>' * 9), "its points have no times: a plan, not a ride"),
    ],
)
def test_what_was_never_ridden_is_refused_politely(data: bytes, why: str) -> None:
    with pytest.raises(NotARide) as raised:
        read(data, "plan.gpx")

    assert raised.value.why == why


def test_points_without_times_are_counted() -> None:
    found = read(track(point(0) + '<trkpt lat="35.1" lon="-118.2"/>' + point(1)), "made.gpx")

    assert len(found) == 2
    assert found.dropped == {"no time": 1}


def test_times_that_cannot_be_leave_no_ride() -> None:
    with pytest.raises(UnreadableFile, match="no point has a possible place and time"):
        read(track(point(0).replace("2025", "1901")), "made.gpx")
