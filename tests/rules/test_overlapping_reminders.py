"""One reminder a chain; readings beside an immersion; a month's worth of messages; new limits told."""

from __future__ import annotations

from dataclasses import replace
from datetime import time

from rules.care_due import due
from rules.changed_defaults import NEWEST, limits_moved
from rules.message_timing import Told, Unheard, bundles
from rules.overlapping_reminders import done_too, one_a_chain, spared
from rules.quiet_hours import QuietHours
from rules.reconcile import Change, reconcile
from rules.reminder import RaisedReminder, ReminderKind, ReminderStep, Step
from rules.rulebook import default_rulebook, parse_rulebook
from rules.vocabulary import ReminderId, RiderId
from tests.rules.notation import at, ledger_of

RULEBOOK = default_rulebook()
NOW = at("2025-06-20")
START = """
    2025-06-01        fitted    Copper  on Plover
    2025-06-01 13:00  immersed  Copper
    2025-06-01 14:00  measured  Copper  under 0.25
"""


def ridden(hours, *, day="02"):
    return f"2025-06-{day} 06:00  rode  {hours} h  on Plover  dry\n"


def raised(reminder, *steps, number=1):
    return RaisedReminder(
        ReminderId(number),
        reminder,
        (ReminderStep(Step.RAISED, NOW, "the round"), *(ReminderStep(step, NOW, "Ada") for step in steps)),
    )


def all_due(text, rulebook=RULEBOOK):
    return due(ledger_of(text), rulebook, now=NOW)


def kinds(reminders):
    return {one.kind for one in reminders}


def test_an_immersion_spares_the_drip_unless_it_was_put_off():
    both = all_due(START + ridden(30))
    assert kinds(both) == {ReminderKind.IMMERSION, ReminderKind.DRIP}
    assert kinds(one_a_chain(both, ())) == {ReminderKind.IMMERSION}
    (bath,) = one_a_chain(both, ())
    for step in (Step.PUT_OFF, Step.DISMISSED):
        assert kinds(one_a_chain(both, [raised(bath, step)])) == {ReminderKind.IMMERSION, ReminderKind.DRIP}


def test_a_chain_to_be_replaced_wants_nothing_else():
    worn = all_due(START + ridden(30) + "2025-06-10  measured  Copper  over 0.5\n")
    assert len(kinds(worn)) > 1
    assert kinds(one_a_chain(worn, ())) == {ReminderKind.REPLACEMENT}


def test_what_a_put_off_immersion_would_have_done_is_wanted_after_all():
    both = all_due(START + ridden(30))
    bath, drip = sorted(both, key=lambda one: one.kind is ReminderKind.DRIP)
    said = "“Re-immerse the chain Copper on Plover” takes care of this too."
    assert spared(both) == spared(both, [raised(bath), raised(drip, number=2)]) == {drip.key: said}
    for step in (Step.PUT_OFF, Step.DISMISSED):
        assert spared(both, [raised(bath, step), raised(drip, number=2)]) == {}
    # it is withdrawn for what changed, not for the immersion nobody is asked for
    dripped = START + ridden(30) + "2025-06-01 20:00  dripped  Copper\n2025-06-02 20:00 dripped Copper\n"
    stood = [raised(bath, Step.PUT_OFF), raised(drip, number=2)]
    after = one_a_chain(all_due(dripped), stood)
    (why,) = (
        one.step.why
        for one in reconcile(stood, after, ledger_of(dripped), now=NOW)
        if one.raised is not None and one.raised.id == 2
    )
    assert "takes care" not in why


def test_an_immersion_is_a_wiping_too_but_rust_does_not_wait_for_it():
    wet = START + ridden(30) + "2025-06-19 18:00  rode  2 h  on Plover  wet\n"
    due_now = one_a_chain(all_due(wet), ())
    assert kinds(due_now) == {ReminderKind.IMMERSION, ReminderKind.WIPE_AND_DRIP}
    assert [key.partition(":")[0] for key in spared(due_now)] == ["wipe and drip"]
    worn = all_due(wet + "2025-06-19 22:00  measured  Copper  over 0.5\n")
    assert set(spared(worn).values()) == {"Not worth doing if you replace the chain now."}
    assert len(spared(worn)) == len(worn) - 1


def test_another_chain_is_spared_nothing():
    text = START + ridden(30) + "2025-06-01  fitted  Slate  on Curlew\n2025-06-01 13:00  immersed  Slate\n"
    text += "2025-06-03 06:00  rode  12 h  on Curlew  dry\n"
    asked = one_a_chain(all_due(text), ())
    assert [(one.chain, one.kind) for one in asked] == [
        (1, ReminderKind.IMMERSION),
        (2, ReminderKind.DRIP),
    ]


def test_a_reading_waits_for_an_immersion_and_comes_with_it():
    dripped = "".join(
        ridden(11, day=day) + f"2025-06-{day} 20:00  dripped  Copper\n" for day in ("02", "04", "06", "08")
    )
    book = parse_rulebook("[limit]\nimmersion = 64\n", name="my.toml", base=RULEBOOK)
    alone = all_due(START + dripped, book)
    assert kinds(alone) == {ReminderKind.INSPECTION}
    assert one_a_chain(alone, ()) == ()
    together = all_due(START + dripped)
    assert kinds(one_a_chain(together, ())) == {ReminderKind.IMMERSION, ReminderKind.INSPECTION}
    # the immersion was told before the reading fell due: the reading waits for the next one
    bath = next(one for one in together if one.kind is ReminderKind.IMMERSION)
    assert kinds(one_a_chain(together, [raised(bath)])) == {ReminderKind.IMMERSION}
    # and once asked for, it stands
    reading = next(one for one in together if one.kind is ReminderKind.INSPECTION)
    standing = [raised(bath), raised(reading, number=2)]
    assert kinds(one_a_chain(together, standing)) == {ReminderKind.IMMERSION, ReminderKind.INSPECTION}


def test_a_reading_speaks_alone_at_twice_its_limit_or_when_the_chain_may_be_worn():
    text = START + "".join(
        ridden(11, day=f"{day:02}") + f"2025-06-{day:02} 20:00  dripped  Copper\n" for day in range(2, 18, 2)
    )
    book = parse_rulebook("[limit]\nimmersion = 64\ninspection = 44\n", name="my.toml", base=RULEBOOK)
    assert ReminderKind.INSPECTION in kinds(one_a_chain(all_due(text, book), ()))
    early = ledger_of(START + ridden(5))
    worn = due(early, RULEBOOK, now=NOW, worn_chance={early.chains[0].id: 0.5})
    assert kinds(one_a_chain(worn, ())) == {ReminderKind.INSPECTION}


def test_over_the_months_messages_only_a_wet_and_a_worn_chain_speak():
    ada = RiderId(1)
    drip = next(one for one in all_due(START + ridden(12)) if one.kind is ReminderKind.DRIP)
    waiting = [Unheard(raised(drip), worse=False)]
    noon = {ada: at("2025-06-18 12:00")}  # a Wednesday
    quiet = {ada: QuietHours(quiet_from=time(22, 0))}
    assert len(bundles(waiting, noon, quiet, Told({ada: 3}))) == 1
    assert bundles(waiting, noon, quiet, Told({ada: 4})) == ()
    assert len(bundles(waiting, noon, {ada: QuietHours(messages_a_month=None)}, Told({ada: 40}))) == 1
    for kind in (ReminderKind.WIPE_AND_DRIP, ReminderKind.REPLACEMENT):
        pressing = Unheard(raised(replace(drip, kind=kind), number=2), worse=False)
        (bundle,) = bundles([*waiting, pressing], noon, quiet, Told({ada: 9}))
        assert len(bundle.unheard) == 2  # what waits is said in the same breath


def test_what_can_wait_comes_with_the_outlook_that_is_near():
    ada = RiderId(1)
    drip = next(one for one in all_due(START + ridden(12)) if one.kind is ReminderKind.DRIP)
    waiting, quiet = [Unheard(raised(drip), worse=False)], {ada: QuietHours()}
    told = {
        day: len(bundles(waiting, {ada: at(f"2025-06-{day} 08:00")}, quiet)) for day in range(15, 24)
    }  # Sundays: the 15th and the 22nd
    assert [day for day, count in told.items() if count] == [15, 16, 17, 18, 22, 23]
    assert bundles(waiting, {ada: at("2025-06-21 12:00")}, {ada: QuietHours(outlook_weekday=None)})
    for pressing in (replace(drip, urgency=2), replace(drip, kind=ReminderKind.WIPE_AND_DRIP)):
        assert bundles([Unheard(raised(pressing), worse=False)], {ada: at("2025-06-21 12:00")}, quiet)


def test_new_limits_are_told_once_with_what_becomes_of_the_reminders():
    first = parse_rulebook("[limit]\ndrip = 9\nimmersion = 16\n", name="first.toml", base=RULEBOOK)
    ledger = ledger_of(START + ridden(9.5))
    stood = [raised(one) for one in due(ledger, first, now=NOW)]
    changes = reconcile(
        stood, one_a_chain(due(ledger, RULEBOOK, now=NOW), stood), ledger, now=NOW, rulebook=RULEBOOK
    )
    said = limits_moved(RULEBOOK, None, changes)
    assert said == (
        "The limits are new: the drip from 9 to 12 grit-hours, the immersion from 16 to 40 grit-hours and a "
        "wet chain from 0.1 to 0.5 wet drive hours a day. A drip now puts the immersion off: what is ridden "
        "on a used-up film counts 2 times as dirt. By them, withdrawn: Drip the chain Copper on Plover."
    )
    assert limits_moved(RULEBOOK, NEWEST, changes) == ""
    own = limits_moved(first, None, [])
    assert own.startswith("The limits are new: a wet chain from 0.1 to 0.5 wet drive hours a day. ")
    assert own.endswith(" What you set yourself stays. No reminder changes by them.")
    due_now = one_a_chain(all_due(START + ridden(30)), ())
    assert limits_moved(RULEBOOK, None, [Change(None, one, None) for one in due_now]).endswith(
        " By them, newly due: Re-immerse the chain Copper on Plover."
    )
    everything = parse_rulebook(
        "[limit]\ndrip = 9\nimmersion = 16\nwet_ride = 0.1\n", name="mine.toml", base=RULEBOOK
    )
    assert limits_moved(everything, None, []).startswith("The limits are new. A drip now ")


def test_what_a_job_does_as_well_is_told_by_its_kind():
    assert done_too(ReminderKind.IMMERSION) == {ReminderKind.WIPE_AND_DRIP, ReminderKind.DRIP}
    assert done_too(ReminderKind.REPLACEMENT) == set(ReminderKind) - {ReminderKind.REPLACEMENT}
    assert done_too(ReminderKind.DRIP) == frozenset()
