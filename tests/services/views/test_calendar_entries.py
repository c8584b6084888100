"""The household's calendar after a round: what is due, what is on its way, and nothing that is done."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import icalendar

from rules.reminder import Reason, Reminder, ReminderKind, ReminderStep, Step
from rules.vocabulary import TreatmentKind
from services.app import App
from services.running.round import one_round
from services.settings import Settings
from services.views.calendar_entries import entries, refresh_calendar
from services.wiring import channels_of
from tests.put_into import into

NOW = datetime.now(UTC)


def household(home: Path) -> App:
    shop = App(
        Settings.model_validate(
            {
                "home": home,
                "weather": {"archive": "none"},
                "channels": {"calendar_file": home / "chains.ics"},
                "quiet_hours": {"outlook_weekday": None},
            }
        ),
        equip=channels_of,
    )
    with shop.store.writing() as tx:
        for name, bike_name, chain_name in (("Ines", "Plover", "Copper"), ("Tomas", "Harrier", "Tin")):
            rider = into(tx).add_rider(name, None, "America/Denver")
            bike = into(tx).add_bike(bike_name, rider.id)
            chain = into(tx).add_chain(chain_name)
            into(tx).fit_chain(chain.id, bike.id, NOW - timedelta(days=90))
            into(tx).log_treatment(chain.id, TreatmentKind.IMMERSION, NOW - timedelta(days=90))
            raised = Reminder(
                key=f"drip:{chain.id}:treatment 1",
                kind=ReminderKind.DRIP,
                chain=chain.id,
                rider=rider.id,
                bike=bike.id,
                cause_at=NOW,
                headline=f"Drip the chain {chain_name} on {bike_name}",
                sentence="It has 12.4 grit-hours; the limit is 12.",
                total=12.4,
                limit=12.0,
                unit="grit-hours",
                unknown_h=0.0,
                reasons=(Reason(NOW, "An hour of riding."),),
                rulebook_version="test",
            )
            tx.reminders.raise_(raised, NOW, "the round")
    return shop


def summaries(path: Path) -> list[str]:
    return [str(event["SUMMARY"]) for event in icalendar.Calendar.from_ical(path.read_bytes()).walk("VEVENT")]


def test_a_household_shares_one_calendar_with_each_riders_name(tmp_path: Path) -> None:
    shared = [entry.headline for entry in entries(household(tmp_path), now=NOW)]
    assert shared == ["Ines: Drip the chain Copper on Plover", "Tomas: Drip the chain Tin on Harrier"]


def test_what_is_done_is_gone_from_the_file_after_the_next_round(tmp_path: Path) -> None:
    shop = household(tmp_path)
    assert refresh_calendar(shop) == []
    assert len(summaries(tmp_path / "chains.ics")) == 2

    # Neither chain was ever ridden: a round finds nothing due, withdraws both, and the file follows.
    one_round(shop, now=NOW)

    assert summaries(tmp_path / "chains.ics") == []


def test_a_reminder_put_off_moves_to_its_new_day_under_the_same_uid(tmp_path: Path) -> None:
    shop = household(tmp_path)
    before = entries(shop, now=NOW)[0]
    with shop.store.writing() as tx:
        until = NOW + timedelta(days=3)
        first = tx.reminders.standing()[0]
        tx.reminders.add_step(first.id, ReminderStep(Step.PUT_OFF, NOW, "Ines", until=until))
    after = entries(shop, now=NOW)[0]

    assert after.key == before.key
    assert after.day == before.day + timedelta(days=3)


def test_a_file_that_cannot_be_written_is_trouble_of_the_round_not_its_end(tmp_path: Path) -> None:
    shop = household(tmp_path)
    (tmp_path / "chains.ics").mkdir()

    report = one_round(shop, now=NOW)

    assert "chains.ics cannot be written" in report.trouble[0]
