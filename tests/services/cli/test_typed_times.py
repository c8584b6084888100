"""What a person types as a time, by the rider's clock and by nobody else's."""

from __future__ import annotations

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest
import typer

from services.cli.output import TypedTime, local, parse_moment

MADRID = ZoneInfo("Europe/Madrid")
NOW = datetime(2026, 5, 3, 22, 30, tzinfo=UTC)  # half past midnight on the 4th in Madrid


@pytest.mark.parametrize(
    ("typed", "at", "day"),
    [
        (None, NOW, None),
        ("now", NOW, None),
        ("2026-05-01 18:00", datetime(2026, 5, 1, 16, tzinfo=UTC), None),
        ("2026-01-01T9:05", datetime(2026, 1, 1, 8, 5, tzinfo=UTC), None),
        ("yesterday 18:00", datetime(2026, 5, 3, 16, tzinfo=UTC), None),
        ("14:30", datetime(2026, 5, 4, 12, 30, tzinfo=UTC), None),
        ("3 days ago", datetime(2026, 5, 1, 10, tzinfo=UTC), date(2026, 5, 1)),
        ("today", datetime(2026, 5, 4, 10, tzinfo=UTC), date(2026, 5, 4)),
        ("2026-05-01", datetime(2026, 5, 1, 10, tzinfo=UTC), date(2026, 5, 1)),
        ("2026-05-01 18:00+05:30", datetime(2026, 5, 1, 12, 30, tzinfo=UTC), None),
        ("2026-05-01T18:00Z", datetime(2026, 5, 1, 18, tzinfo=UTC), None),
        ("2026-10-25 02:30+01:00", datetime(2026, 10, 25, 1, 30, tzinfo=UTC), None),
    ],
)
def test_a_time_is_the_riders(typed: str | None, at: datetime, day: date | None) -> None:
    assert parse_moment(typed, now=NOW, zone=MADRID) == TypedTime(at, day)


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
        ("25:10", "not in the calendar or on the clock"),
        ("999999999999 days ago", "not in the calendar"),
        ("", "no time I understand"),
    ],
)
def test_a_time_that_is_none_is_refused_with_what_to_write(typed: str, why: str) -> None:
    with pytest.raises(typer.BadParameter) as refused:
        parse_moment(typed, now=NOW, zone=MADRID)
    assert why in str(refused.value)


def test_what_is_shown_is_by_the_same_clock() -> None:
    assert local(NOW, MADRID) == "2026-05-04 00:30"
