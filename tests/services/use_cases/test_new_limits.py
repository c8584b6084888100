"""A ledger of the first limits moves to the new ones in one step, told once; a month has room for so much."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from rules.message_timing import MONTH
from rules.reminder import ReminderKind, Step
from services.settings import SETTINGS_FILE
from services.store.bookkeeping import LIMITS_OF
from services.wiring import open_app
from tests.services.wet_week import DAY, Letterbox, Week
from tests.wet_household import FIRST_DAY, household

SUNDAY = 81  # of the days counted from the first: outlooks go out on Sundays
FIRST_LIMITS = """
[weight]
starved = 1
[limit]
drip = 9
immersion = 16
wet_ride = 0.1
"""


@pytest.fixture
def week(tmp_path: Path) -> Week:
    """Six days by the first limits: wet rides and a drip due, told one by one."""
    home = tmp_path / "home"
    household(home, 40, None).store.close()
    (home / "limits.toml").write_text(FIRST_LIMITS)
    settings = home / SETTINGS_FILE
    settings.write_text('rulebook = "limits.toml"\n' + settings.read_text())
    box = Letterbox()
    made = Week(open_app(home), box)
    made.shop = _with_box(made, box)
    for day in range(6):
        for bike in (0, 1):
            made.ride(day, bike)
        made.round(day)
    made.round(9)  # dry again: a drip is due
    return made


def _with_box(week: Week, box: Letterbox):  # type: ignore[no-untyped-def]
    from dataclasses import replace

    return replace(week.shop, equip=lambda _: {"email": box})


def test_new_limits_are_told_once_and_no_flip_is_mailed(week: Week) -> None:
    with week.shop.store.writing() as tx:
        tx.notes.forget(LIMITS_OF)  # as an older version left it
        open_before = {one.reminder.key for one in tx.reminders.standing()}
    assert open_before
    letters = len(week.box.taken)
    settings = week.shop.settings.home / SETTINGS_FILE
    settings.write_text(settings.read_text().replace('rulebook = "limits.toml"\n', ""))
    week.shop.store.close()
    week.shop = _with_box(Week(open_app(week.shop.settings.home), week.box), week.box)

    said = week.round(10, timedelta(hours=12)).sentences()

    (moved,) = [one for one in said if one.startswith("The limits are new: ")]
    assert "the drip from 9 to 12 grit-hours, the immersion from 16 to 40 grit-hours" in moved
    assert "By them, withdrawn: " in moved
    assert not any(one.startswith("Withdrawn (") for one in said)
    new = week.box.taken[letters:]
    assert [one.subject for one in new if not one.reminders] == ["New limits for your chains"]
    letter = " ".join(new[0].text.split())
    assert moved.partition(". ")[0] in letter
    assert "See all: gritledger due" in letter
    again = week.round(10, timedelta(hours=13)).sentences()
    assert not any("limits are new" in one for one in again)
    assert [one.subject for one in week.box.taken[letters:]].count("New limits for your chains") == 1
    with week.shop.store.reading() as tx:
        closed = {one.reminder.key for one in tx.reminders.all_() if one.state is Step.WITHDRAWN}
    assert closed & open_before


def test_over_the_months_messages_what_can_wait_joins_the_outlook(week: Week) -> None:
    rider = week.shop.store
    with rider.reading() as tx:
        told = tx.outbox.told_since(tx.equipment.riders()[0].id, FIRST_DAY - MONTH)
        told_of = [one for one in week.box.taken if one.reminders and "week ahead" not in one.subject]
        assert told == len({one.queued_at for one in told_of}) > 0
        assert tx.outbox.told_since(tx.equipment.riders()[0].id, FIRST_DAY + 30 * DAY) == 0
    settings = week.shop.settings.home / SETTINGS_FILE
    settings.write_text(settings.read_text() + "\n[quiet_hours]\nmessages_a_month = 1\n")
    week.shop.store.close()
    week.shop = _with_box(Week(open_app(week.shop.settings.home), week.box), week.box)
    letters = len(week.box.taken)
    for day in range(12, 21, 3):  # dry days only
        for bike in (0, 1):
            for hour in range(4):
                _dry_ride(week, day, bike, hour)
        week.round(day)
    with week.shop.store.reading() as tx:
        kinds = {one.reminder.kind for one in tx.reminders.standing()}
    assert kinds & {ReminderKind.DRIP, ReminderKind.IMMERSION}
    new = week.box.taken[letters:]
    assert new
    assert all(one.subject.startswith("The week ahead") for one in new)
    assert any(one.reminders for one in new)  # told by the outlook


def _dry_ride(week: Week, day: int, bike: int, hour: int) -> None:
    from tests.wet_household import BIKES, a_ride

    start = FIRST_DAY + day * DAY + timedelta(hours=5 + 2 * hour, minutes=2 * bike)
    name, sensor = BIKES[bike]
    path = week.shop.settings.home / "rides" / f"{start:%Y%m%d%H}-{name}.fit"
    path.write_bytes(a_ride(start, sensor, bike * 0.01))


def test_another_way_is_advised_in_an_outlook_once_a_season(
    week: Week, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rules.year.another_way.WORTH_A_WORD_MIN", 10.0)  # a short winter saves little
    monkeypatch.setattr("rules.year.another_way.WORTH_A_WORD", 0.1)
    for day in range(12, 75, 3):  # dry days
        for bike in (0, 1):
            for hour in range(4):
                _dry_ride(week, day, bike, hour)
    for day in range(SUNDAY, SUNDAY + 7 * 4, 7):
        week.round(day, timedelta(hours=9))
    advised = [one for one in week.box.taken if "Another way looks better" in " ".join(one.text.split())]
    assert len(advised) == 1
    assert advised[0].subject.startswith("The week ahead")
    for day in range(SUNDAY + 7 * 4, SUNDAY + 7 * 15, 14):  # a season is thirteen weeks
        week.round(day, timedelta(hours=9))
    later = [one for one in week.box.taken if "Another way looks better" in " ".join(one.text.split())]
    assert len(later) == 2
