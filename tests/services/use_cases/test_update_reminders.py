"""What riders are told: all that is due in one message, at hours they allow, once; never of what is done."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from rules.commands import Amend, SetLimits
from rules.message_timing import MONTH, Told
from rules.reminder import Step
from rules.vocabulary import OwnValue, TreatmentKind
from services.channels import ChannelError
from services.settings import SETTINGS_FILE
from services.store import FactRefused
from services.use_cases.answer_reminder import ask_again, dismiss, done, put_off
from services.use_cases.find_by_name import the_chain_named
from services.use_cases.record_change import record
from services.views.untold_reminders import held_back
from services.wiring import open_app
from tests.saying import log_treatment
from tests.services.wet_week import DAY, Week, wet_week
from tests.wet_household import FIRST_DAY

QUIET = '\n[quiet_hours]\nmessages_a_month = 1\n[page]\npublic_url = "https://page.example"\n'
NIGHT, MORNING = timedelta(hours=23, minutes=30), timedelta(hours=31, minutes=5)


@pytest.fixture
def week(tmp_path: Path) -> Week:
    return wet_week(tmp_path / "home")


def test_several_chains_are_told_in_one_message(week: Week) -> None:
    week.ride(1, bike=0)
    week.ride(1, bike=1)

    week.round(1)

    (letter,) = week.box.taken
    assert len(letter.reminders) == 2
    assert "Plover's chain" in letter.text
    assert "Harrier's chain" in letter.text


def test_two_households_that_are_told_the_same_are_told_by_two_messages(tmp_path: Path) -> None:
    """Every ledger has a rider 1 and a ride 1; who gets both letters must not lose one as a repeat."""
    told = []
    for name in ("ours", "theirs"):
        week = wet_week(tmp_path / name)
        for day in (1, 4):
            week.ride(day)
            week.round(day)
        told.append([one.message_id for one in week.box.taken])
        assert [one.text for one in week.box.taken]

    assert len(told[0]) == len(told[1]) > 0
    assert len({*told[0], *told[1]}) == 2 * len(told[0])


def test_what_was_told_is_not_told_again(week: Week) -> None:
    week.ride(1)
    week.round(1)
    for hours in (19, 20, 21):
        week.round(1, timedelta(hours=hours))

    assert len(week.box.taken) == 1
    with week.shop.store.reading() as tx:
        (raised,) = tx.reminders.standing()
    assert [step.step for step in raised.steps].count(Step.TOLD) == 1


def test_quiet_hours_wait_for_the_morning(week: Week) -> None:
    week.ride(1)

    week.round(1, NIGHT)
    assert week.headlines()
    assert week.box.taken == []
    assert _held_back(week, NIGHT) == "Not sent yet: these are quiet hours. You are told at 07:00."

    week.round(1, MORNING)
    assert len(week.box.taken) == 1
    assert _held_back(week, NIGHT) == ""


def _held_back(week: Week, at: timedelta) -> str:
    with week.shop.store.reading() as tx:
        riders = tx.equipment.riders()
        now = FIRST_DAY + DAY + at
        told = tx.told_since(riders, now - MONTH)
        return held_back(week.shop, tx.reminders.standing(), riders, now, told)


def test_a_refused_letter_is_shown_and_not_repeated(week: Week) -> None:
    week.box.trouble = ChannelError("there is no such mailbox", permanent=True, try_this="check the address")
    week.ride(1)

    said = week.round(1).sentences()
    assert any("refused and not repeated" in one and "no such mailbox" in one for one in said)
    for hours in (19, 20):
        again = week.round(1, timedelta(hours=hours))
        assert not again.delivery.not_delivered
        assert again.reckoning.queued == 0
    with week.shop.store.reading() as tx:
        (refused,) = tx.outbox.refused()
        assert tx.outbox.waiting() == ()
    assert "no such mailbox" in refused.last_why


def test_a_letter_that_waits_is_cancelled_when_its_reminder_is_closed(week: Week) -> None:
    week.box.trouble = ChannelError("the server does not answer", try_this="wait")
    week.ride(1)
    week.round(1)
    with week.shop.store.reading() as tx:
        assert len(tx.outbox.waiting()) == 1

    at = FIRST_DAY + DAY + timedelta(hours=18, minutes=30)
    log_treatment(week.shop, "Plover", TreatmentKind.DRIP, at, now=at)

    with week.shop.store.reading() as tx:
        assert tx.outbox.waiting() == ()
    week.box.trouble = None
    week.round(1, timedelta(hours=20))
    assert week.box.taken == []


def test_a_letter_that_could_not_leave_leaves_later_and_once(week: Week) -> None:
    week.box.trouble = ChannelError("the server does not answer", try_this="wait")
    week.ride(1)
    week.round(1)
    week.box.trouble = None

    week.round(1, timedelta(hours=19))
    week.round(1, timedelta(hours=20))

    assert len(week.box.taken) == 1


def test_the_outlook_goes_out_once_a_week_on_its_day(week: Week) -> None:
    sunday = 4  # 2025-01-05
    week.ride(3)
    week.round(3)
    told = len(week.box.taken)
    for hours in (6, 7, 8, 12, 20):
        week.round(sunday, timedelta(hours=hours, minutes=5))

    outlooks = [letter for letter in week.box.taken[told:] if letter.subject.startswith("The week ahead")]
    assert len(outlooks) == 1
    week.round(sunday + 1)
    week.round(sunday + 7)
    outlooks = [letter for letter in week.box.taken[told:] if letter.subject.startswith("The week ahead")]
    assert len(outlooks) == 2


@pytest.mark.parametrize(("immersion", "dated"), [(4.0, False), (30.0, True)])
def test_the_outlook_gives_no_date_for_a_drip_that_an_immersion_asked_for_does_as_well(
    week: Week, immersion: float, dated: bool
) -> None:
    with week.shop.store.reading() as tx:
        plover = tx.equipment.find_bike("Plover").id
        ines = tx.equipment.find_rider("Ines").id
    for key, value in (("drip", 6.0), ("immersion", immersion), ("wet_ride", 2.0)):
        record(
            week.shop, SetLimits((OwnValue("bike", plover, key, value),), FIRST_DAY, "a test"), now=FIRST_DAY
        )
    for day in range(4):
        week.ride(day)
    week.round(4, timedelta(hours=7, minutes=5))

    outlook = next(one for one in week.box.taken if one.rider == ines and "week ahead" in one.subject)
    assert ("Drip the chain Plover's chain" in outlook.text) is dated
    assert ("Re-immerse the chain Plover's chain" in outlook.text) is not dated


def test_what_can_wait_comes_with_the_outlook_and_is_no_message_of_the_months(week: Week) -> None:
    with week.shop.store.reading() as tx:
        plover = tx.equipment.find_bike("Plover").id
        ines = tx.equipment.find_rider("Ines").id
    for key, value in (("drip", 1.0), ("wet_ride", 2.0)):
        limit = OwnValue("bike", plover, key, value)
        record(week.shop, SetLimits((limit,), FIRST_DAY, "a test"), now=FIRST_DAY)
    week.ride(0)
    week.ride(3)  # a Saturday, dry: 1.3 grit-hours in all
    week.round(3)
    assert week.headlines() == {"Drip the chain Plover's chain on Plover"}
    assert week.box.taken == []
    with week.shop.store.reading() as tx:
        held = held_back(
            week.shop, tx.reminders.standing(), tx.equipment.riders(), FIRST_DAY + 3 * DAY + NIGHT, Told()
        )
    assert held == "Not sent yet: it can wait, and comes with the week ahead on Sunday."

    week.round(4, timedelta(hours=7, minutes=5))

    (outlook,) = [one for one in week.box.taken if one.rider == ines]
    assert outlook.subject == "The week ahead: due already on Plover"
    assert len(outlook.reminders) == 1
    assert outlook.text.count("Drip the chain") == 1  # due, and not a second time as what comes
    week.round(5)
    assert [one for one in week.box.taken if one.rider == ines] == [outlook]
    with week.shop.store.reading() as tx:
        assert tx.outbox.told_since(ines, FIRST_DAY) == 0


def test_a_wet_chain_whose_last_message_still_holds_is_on_the_page_but_no_message_too_many(
    week: Week,
) -> None:
    settings = week.shop.settings.home / SETTINGS_FILE
    settings.write_text(settings.read_text() + QUIET)
    week.shop.store.close()
    box = week.box
    week = Week(replace(open_app(week.shop.settings.home), equip=lambda _: {"email": box}), box)
    evening = FIRST_DAY + DAY + timedelta(hours=20)
    week.ride(1)
    week.round(1)
    (first,) = box.taken
    assert "Wipe it dry each wet evening for 10 days." in " ".join(first.text.split())
    log_treatment(week.shop, "Plover's chain", TreatmentKind.DRIP, evening, now=evening)

    week.ride(8)
    week.round(8)

    assert week.headlines() == {"Wipe, dry and drip the chain Plover's chain on Plover"}
    assert [one for one in box.taken if one.reminders] == [first]
    assert _held_back(week, 7 * DAY + timedelta(hours=18)) == (
        "Not sent: 1 message in thirty days was enough. It stands here, and in the week ahead on Sunday."
    )
    week.ride(14)
    week.round(14)
    assert len([one for one in box.taken if one.reminders]) == 2  # that message is over ten days old


def test_a_rider_without_an_address_gets_no_mail_and_the_round_goes_on(week: Week) -> None:
    with week.shop.store.reading() as tx:
        ines = tx.equipment.find_rider("Ines").id
    record(week.shop, Amend("rider", ines, {"email": None}), now=FIRST_DAY)
    week.ride(1)

    week.round(1)

    assert week.headlines()
    assert week.box.taken == []


def test_a_reminder_put_off_is_silent_until_then_and_speaks_again(week: Week) -> None:
    week.ride(1)
    week.round(1)
    ((number, _, _),) = week.standing()
    at = FIRST_DAY + DAY + timedelta(hours=19)

    put_off(week.shop, number, at + timedelta(hours=14), now=at)
    week.round(1, timedelta(hours=20))
    week.round(2, timedelta(hours=8))
    assert len(week.box.taken) == 1

    week.round(2, timedelta(hours=9, minutes=5))
    assert len(week.box.taken) == 2
    with pytest.raises(FactRefused, match="has passed"):
        put_off(week.shop, number, at, now=at + DAY)
    with pytest.raises(FactRefused, match="more than 365 days ahead"):
        put_off(week.shop, number, at + 366 * DAY, now=at)


def test_a_closed_reminder_stays_closed_for_the_same_cause(week: Week) -> None:
    week.ride(1)
    week.round(1)
    ((number, headline, _),) = week.standing()

    dismiss(week.shop, number, "the bike is sold", now=FIRST_DAY + DAY + timedelta(hours=19))
    week.round(1, timedelta(hours=20))

    assert headline not in week.headlines()
    with pytest.raises(FactRefused, match="dismissed already"):
        done(week.shop, number, now=FIRST_DAY + DAY + timedelta(hours=21))


def test_what_was_put_off_or_dismissed_by_mistake_is_asked_for_again(week: Week) -> None:
    week.ride(1)
    week.round(1)
    ((number, headline, _),) = week.standing()
    at = FIRST_DAY + DAY + timedelta(hours=19)
    with pytest.raises(FactRefused, match="is asked for as it is"):
        ask_again(week.shop, number, now=at)

    dismiss(week.shop, number, "the bike is sold", now=at)
    assert headline not in week.headlines()
    assert "asked for again" in ask_again(week.shop, number, now=at).sentences[0]
    assert headline in week.headlines()
    put_off(week.shop, number, at + 3 * DAY, now=at)
    ask_again(week.shop, number, now=at)
    week.round(1, timedelta(hours=20))
    assert headline in week.headlines()
    assert len(week.box.taken) == 2  # as news: it was silent

    put_off(week.shop, number, at + 3 * DAY, now=at)
    with week.shop.store.reading() as tx:
        chain_name = tx.equipment.chain(tx.reminders.get(number).reminder.chain).name
    log_treatment(week.shop, chain_name, TreatmentKind.DRIP, at, now=at)
    with pytest.raises(FactRefused, match="take that care back"):
        ask_again(week.shop, number, now=at + timedelta(minutes=1))


def test_what_was_silenced_is_not_asked_for_once_its_cause_is_gone(week: Week) -> None:
    week.ride(1)
    week.round(1)
    ((number, headline, _),) = week.standing()
    at = FIRST_DAY + DAY + timedelta(hours=19)
    dismiss(week.shop, number, "the bike is sold", now=at)
    with week.shop.store.reading() as tx:
        chain_name = tx.equipment.chain(tx.reminders.get(number).reminder.chain).name
    log_treatment(week.shop, chain_name, TreatmentKind.DRIP, at, now=at)

    said = ask_again(week.shop, number, now=at + timedelta(minutes=1))

    assert said.sentences == (f"{headline}: not asked for any more: what called for it has changed.",)
    with week.shop.store.reading() as tx:
        assert tx.reminders.get(number).state is Step.DONE


def test_a_drip_that_was_told_of_a_wet_chain_holds_as_a_wet_message_does(week: Week) -> None:
    settings = week.shop.settings.home / SETTINGS_FILE
    settings.write_text(settings.read_text() + QUIET.replace("messages_a_month = 1", "messages_a_month = 4"))
    week.shop.store.close()
    box = week.box
    week = Week(replace(open_app(week.shop.settings.home), equip=lambda _: {"email": box}), box)
    with week.shop.store.reading() as tx:
        plover = tx.equipment.find_bike("Plover").id
        ines = tx.equipment.find_rider("Ines").id
        chain = the_chain_named(tx.ledger(), "Plover's chain").id
    record(week.shop, SetLimits((OwnValue("bike", plover, "drip", 1.0),), FIRST_DAY, "a test"), now=FIRST_DAY)
    evening = FIRST_DAY + DAY + timedelta(hours=20)
    week.ride(1)
    week.round(1)
    log_treatment(week.shop, "Plover's chain", TreatmentKind.DRIP, evening, now=evening)
    week.ride(2)
    week.round(2)

    wet, told = [one for one in box.taken if one.rider == ines]
    assert wet.subject.startswith("Wipe, dry and drip the chain Plover's chain on Plover")
    assert told.subject == "Drip the chain Plover's chain on Plover"  # a Friday, and not left to Sunday
    assert "Wipe it dry each wet evening for 10 days." in " ".join(told.text.split())
    with week.shop.store.reading() as tx:
        held = tx.told_since([tx.equipment.find_rider("Ines")], FIRST_DAY)
    assert list(held.wet_at) == [(ines, chain)]
    assert told.queued_at is not None
    assert held.wet_at[ines, chain] >= told.queued_at
