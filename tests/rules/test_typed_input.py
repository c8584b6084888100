"""What a person types as a number or a time, by the rider's clock and by nobody else's."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest

from rules.typed_input import Mistyped, TypedTime, number_in, time_in, whole_in

MADRID = ZoneInfo("Europe/Madrid")
NOW = datetime(2026, 5, 3, 22, 30, tzinfo=UTC)  # half past midnight on the 4th in Madrid


@pytest.mark.parametrize(
    ("typed", "at", "day"),
    [
        ("now", NOW, None),
        ("2026-05-01 18:00", datetime(2026, 5, 1, 16, tzinfo=UTC), None),
        ("2026-05-01T18:00:30", datetime(2026, 5, 1, 16, 0, 30, tzinfo=UTC), None),
        ("2026-01-01T9:05", datetime(2026, 1, 1, 8, 5, tzinfo=UTC), None),
        ("yesterday 18:00", datetime(2026, 5, 3, 16, tzinfo=UTC), None),
        ("14:30", datetime(2026, 5, 4, 12, 30, tzinfo=UTC), None),
        ("3 days ago", datetime(2026, 5, 1, 10, tzinfo=UTC), date(2026, 5, 1)),
        ("today", datetime(2026, 5, 4, 10, tzinfo=UTC), date(2026, 5, 4)),
        ("2026-05-01", datetime(2026, 5, 1, 10, tzinfo=UTC), date(2026, 5, 1)),
        ("2024-02-29", datetime(2024, 2, 29, 11, tzinfo=UTC), date(2024, 2, 29)),
        ("2026-05-01 18:00+05:30", datetime(2026, 5, 1, 12, 30, tzinfo=UTC), None),
        ("2026-05-01T18:00Z", datetime(2026, 5, 1, 18, tzinfo=UTC), None),
        ("2026-10-25 02:30 +01:00", datetime(2026, 10, 25, 1, 30, tzinfo=UTC), None),
    ],
)
def test_a_time_is_the_riders(typed: str, at: datetime, day: date | None) -> None:
    assert time_in(typed, now=NOW, zone=MADRID) == TypedTime(at, day)


@pytest.mark.parametrize(
    ("typed", "why"),
    [
        (
            "2026-03-29 02:30",
            "no clock in Europe/Madrid showed 02:30 on 2026-03-29: it was put on past",
        ),
        ("2026-10-25 02:30", "02:30 came twice in Europe/Madrid on 2026-10-25"),
        (
            "2026-10-25 02:30",
            "write '2026-10-25 02:30+02:00' for the first or '2026-10-25 02:30+01:00' for the",
        ),
        ("some day", "no time I understand"),
        ("2026-02-30", "not in the calendar"),
        ("2025-02-29", "not in the calendar"),
        ("25:10", "not in the calendar or on the clock; write it like"),
        ("2026-05-01 18:00+25:00", "not in the calendar or on the clock; write it like"),
        ("999999999999 days ago", "not in the calendar"),
        ("0001-01-01 00:00", "not in the calendar"),
        ("9999-12-31 23:59Z", "not in the calendar"),
        ("2026-W05-1", "no time I understand"),  # ISO 8601 has more ways to write a day than people
        ("20260501", "no time I understand"),
        ("01.05.2026 10:00", "no time I understand"),
        ("٢٠٢٦-٠٥-٠١", "no time I understand"),
        ("", "no time I understand"),
    ],
)
def test_a_time_that_is_none_is_refused_with_what_to_write(typed: str, why: str) -> None:
    with pytest.raises(Mistyped) as refused:
        time_in(typed, now=NOW, zone=MADRID)
    assert why in str(refused.value)


@pytest.mark.parametrize(
    ("typed", "value"),
    [
        (" 6 ", 6.0),
        ("+6.5", 6.5),
        ("6,5", 6.5),
        (",5", 0.5),
        ("0,125", 0.125),
        ("1e3", 1000.0),
        ("1e-400", 0.0),
        ("1e309", math.inf),
        ("-Inf", -math.inf),
    ],
)
def test_a_number_may_have_a_comma_for_its_point(typed: str, value: float) -> None:
    assert number_in(typed) == value


def test_a_number_may_be_none_or_minus_nought_or_a_percentage() -> None:
    assert math.isnan(number_in("NaN"))  # a number for the reader; the gate lets none of it pass
    assert math.copysign(1.0, number_in("-0")) == 1.0
    assert number_in("60 %", percent=True) == 60.0


@pytest.mark.parametrize(
    ("typed", "why"),
    [
        ("six", "“six” is no number; write it as 6 or 6.5"),
        ("", "is no number"),
        ("60%", "is no number"),
        ("1_000", "is no number"),
        ("1\u2009000", "is no number"),  # a thin space
        ("١٢", "is no number"),
        ("0x1", "is no number"),
        ("1.000,5", "is no number"),
        ("1,500", "“1,500” can be read in two ways; write 1500 or 1.500"),
        ("1,000,000", "“1,000,000” can be read in two ways; write 1000000"),
    ],
)
def test_what_is_no_number_or_may_be_two_is_refused(typed: str, why: str) -> None:
    with pytest.raises(Mistyped) as refused:
        number_in(typed)
    assert str(refused.value).startswith(why) or why in str(refused.value)


def test_a_whole_number_is_written_as_one() -> None:
    assert [whole_in(one) for one in ("12", " -3 ", "12.0", "+1.")] == [12, -3, 12, 1]
    for wrong in ("1e1", "12.5", "", "1_0", "１２", "9" * 41):
        with pytest.raises(Mistyped, match="is no whole number; write it as 12"):
            whole_in(wrong)
