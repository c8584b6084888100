"""Numbers and times read in their places are what Python's own float and the single times are, to the bit."""

from __future__ import annotations

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st

from ingest.gpx.times import unix_second
from ingest.gpx.written_values import end_of_attribute, number, numbers_at, times_at

BEFORE, AFTER = "<trkpt lat=1><ele>", '</ele> " ' + "." * 64
WRITTEN = st.one_of(
    st.floats(-1e9, 1e9).map(repr),
    st.floats(-180, 180).map("{:.7f}".format),
    st.floats(-9e3, 9e3).map("{:.1f}".format),
    st.integers(-(10**17), 10**17).map(str),
    st.text("-+.0123456789eE", max_size=24),
)


def placed(texts: list[str]) -> tuple[bytes, np.ndarray, np.ndarray]:
    """The texts in elements, and where each begins and ends."""
    starts, data = [], ""
    for text in texts:
        data += BEFORE
        starts.append(len(data))
        data += text + AFTER
    start = np.array(starts, dtype=np.intp)
    return data.encode("latin-1"), start, start + np.array([len(text) for text in texts], dtype=np.intp)


@given(st.lists(WRITTEN.filter(bool), min_size=1, max_size=20))
@example(["-0", "0.1", "9007199254740993", "90071992.54740993", "1.", ".5", "-", "-.5", "123456789", "1.2.3"])
@example(["12345678.5", "1234567.12345678901234567", "0.30000000000000004", "4/", ":1", "4e", "inf", "nan"])
@settings(max_examples=150)
def test_a_number_is_what_float_makes_of_it(texts: list[str]) -> None:
    values, told = numbers_at(*placed(texts))

    assert told.tolist() == [not set(text) & {"/"} for text in texts]
    expected = np.array([number(text) for text in texts])
    assert values[told].tobytes() == expected[told].tobytes()


def test_what_holds_markup_is_left_to_the_parser() -> None:
    _, told = numbers_at(*placed(["4&#50;", "4\xe9", "4"]))

    assert told.tolist() == [False, False, True]


@given(
    st.lists(
        st.one_of(
            st.datetimes().map("{:%Y-%m-%dT%H:%M:%SZ}".format),
            st.tuples(st.datetimes(), st.integers(0, 999)).map(
                lambda told: f"{told[0]:%Y-%m-%dT%H:%M:%S}.{told[1]:03}Z"
            ),
            st.from_regex(
                r"\A20[0-9]{2}-[01][0-9]-[0-3][0-9]T[0-2][0-9][:;0][0-6][0-9]:[0-6][0-9]([.,][0-9]{1,4})?Z?\Z"
            ).map(str),
        ),
        min_size=1,
        max_size=20,
    )
)
@example(
    ["2016-12-31T23:59:60Z", "2025-06-14T24:00:00Z", "2025-02-29T00:00:00Z", "2025-06-14T06:30:00+02:00"]
)
@settings(max_examples=80)
def test_a_time_is_what_it_is_alone(texts: list[str]) -> None:
    values, told = times_at(*placed(texts))

    expected = np.array([unix_second(text) for text in texts])
    assert values[told].tobytes() == expected[told].tobytes()
    assert told.tolist() == [not set(text) & {";", ","} for text in texts]


def test_more_dates_than_a_ride_has_are_left_to_the_parser() -> None:
    texts = [f"20{year:02}-01-01T00:00:00Z" for year in range(50)] * 41

    assert not times_at(*placed(texts))[1].any()


def test_an_attribute_ends_at_its_quotation_mark() -> None:
    data = ("1" * 7 + '"' + "2" * 15 + '"' + "3" * 23 + '"' + "4" * 30 + '"').encode()
    start = np.array([0, 8, 24, 48], dtype=np.intp)

    assert (end_of_attribute(data, start) - start).tolist() == [7, 15, 23, 24]
