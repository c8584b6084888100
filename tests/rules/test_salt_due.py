"""A chain that came home dry from salted roads: rinsed once a spell, rust named, a wet day joins it."""

from __future__ import annotations

from dataclasses import replace

from rules.care_due import due
from rules.overlapping_reminders import spared
from rules.reconcile import reconcile
from rules.reminder import RaisedReminder, ReminderKind, ReminderStep, Step
from rules.rulebook import default_rulebook
from rules.units import SI, said
from rules.vocabulary import Regime, ReminderId
from tests.rules.notation import at, ledger_of

RULEBOOK = default_rulebook()
FROST = """
    2025-01-05        fitted    Copper  on Plover
    2025-01-05 13:00  immersed  Copper
    2025-01-08 17:00  rode      1 h  on Plover  salt-damp
    2025-01-10 17:00  rode      1 h  on Plover  salt-damp
"""


def judge(text, now):
    return due(ledger_of(text), RULEBOOK, now=at(now))


def test_a_dry_ride_on_salted_road_asks_for_a_rinse_and_names_rust():
    (salted,) = judge(FROST.replace("1 h", "2 h"), "2025-01-08 19:30")
    assert salted.kind is ReminderKind.WIPE_AND_DRIP
    assert salted.headline == "Rinse, dry and drip the chain Copper on Plover"
    assert said(salted.sentence, SI) == (
        "Copper probably came home salted at 19:00 on 8 January 2025 (Ride 1): 2 h of the day were ridden "
        "while main roads were likely salted (inferred from weather); the limit is 0.5 h. Rinse and dry it "
        "each salted or wet evening for 10 days; probably road salt, which rusts it overnight. While the "
        "salted days last, this is asked once."
    )
    assert [reason.total for reason in salted.reasons] == [1.0, 2.0]
    assert [(reason.weight, reason.grit_h) for reason in salted.reasons] == [
        (None, None)
    ] * 2  # salt is no grit
    assert (salted.urgency, salted.total, salted.limit) == (1, 2.0, 0.5)
    assert judge(FROST, "2025-01-09 18:30")[0].urgency == 0


def test_a_lubed_chain_is_oiled_after_it():
    ledger = ledger_of(FROST)
    lubed = replace(ledger, chains=tuple(replace(one, regime=Regime.WET_LUBE) for one in ledger.chains))
    (salted,) = due(lubed, RULEBOOK, now=at("2025-01-08 18:30"))
    assert salted.headline == "Rinse, dry and oil the chain Copper on Plover"


def test_beside_an_immersion_the_rinse_is_still_a_rinse():
    for like, said_first in (("salt-damp", "Rinse and dry it"), ("wet", "Wipe it dry")):
        full = FROST.replace("salt-damp", like) + "2025-01-05 14:00 rode 45 h on Plover dry\n"
        words = spared(judge(full, "2025-01-08 18:30")).values()
        said = f"{said_first} tonight and each wet evening for 10 days; “Re-immerse” does the rest."
        assert said in words


def test_one_a_spell_and_what_answers_it_answers_all_of_it():
    (first,) = judge(FROST, "2025-01-08 18:30")
    (later,) = judge(FROST, "2025-01-10 18:30")
    assert later.key == first.key
    assert judge(FROST, "2025-01-14") == ()  # three days without salt
    answered = FROST + "2025-01-08 20:00 dripped Copper\n"
    for now in ("2025-01-08 21:00", "2025-01-10 18:30"):
        assert judge(answered, now) == ()
    another = answered + "2025-01-20 17:00 rode 1 h on Plover salt-damp\n"
    (again,) = judge(another, "2025-01-20 18:30")
    assert again.key != first.key


def test_to_work_and_home_on_the_first_salted_day_is_one_reminder():
    there = "2025-01-08 07:00 rode 1 h on Plover salt-damp\n"
    both = FROST.replace("01-05 13:00", "01-05 03:00") + there
    (first,), (later,) = judge(both, "2025-01-08 09:00"), judge(both, "2025-01-08 18:30")
    assert later.key == first.key
    assert (first.total, later.total) == (1.0, 2.0)


def test_to_work_and_home_on_the_first_wet_day_is_one_reminder_unless_it_was_answered_between():
    there = "2025-01-08 07:00 rode 1 h on Plover wet\n"
    wet = FROST.replace("salt-damp", "wet") + there
    (first,), (later,) = judge(wet, "2025-01-08 09:00"), judge(wet, "2025-01-08 18:30")
    assert later.key == first.key
    between = wet + "2025-01-08 12:00 dripped Copper\n"
    assert judge(between, "2025-01-08 12:30") == ()
    (again,) = judge(between, "2025-01-08 18:30")
    assert again.key != first.key


def test_a_drip_of_the_days_before_keeps_the_salt_off():
    assert judge(FROST + "2025-01-06 20:00 dripped Copper\n", "2025-01-08 18:30") == ()
    assert judge(FROST + "2025-01-05 17:00 dripped Copper\n", "2025-01-08 18:30") != ()


def test_salt_on_friday_and_late_on_monday_is_one_spell():
    on = "2025-01-{} 17:00  rode      1 h  on Plover  salt-damp\n"
    friday, monday = FROST + on.format("13"), FROST + on.format("14")
    (first,) = judge(FROST, "2025-01-10 18:30")
    (late,) = judge(friday.replace("13 17:00", "13 19:00"), "2025-01-13 20:30")
    assert late.key == first.key
    (again,) = judge(monday, "2025-01-14 18:30")
    assert again.key != first.key


def test_a_few_minutes_of_salt_ask_for_nothing():
    assert judge(FROST.replace("1 h ", "0.3 h"), "2025-01-10 18:30") == ()


def test_a_wet_day_in_it_is_the_same_reminder_and_is_not_told_again():
    (salted,) = judge(FROST, "2025-01-10 18:30")
    wet_too = FROST + "2025-01-11 17:00 rode 1 h on Plover salty\n"
    ledger, now = ledger_of(wet_too), at("2025-01-11 18:30")
    (wet,) = due(ledger, RULEBOOK, now=now)
    assert wet.key == salted.key
    assert "came home wet" in wet.sentence
    assert wet.headline == "Rinse, dry and drip the chain Copper on Plover"
    assert "Rinse and dry it each salted or wet evening" in wet.sentence
    steps = (ReminderStep(Step.RAISED, at("2025-01-10 18:30"), "the round"),)
    standing = RaisedReminder(ReminderId(1), replace(salted, urgency=1), steps)
    (change,) = reconcile([standing], [wet], ledger, now=now, rulebook=RULEBOOK)
    assert change.step is None


def test_who_rinsed_and_dripped_is_not_asked_again_the_next_evening_for_it_was_wet():
    answered = FROST + "2025-01-10 20:00 dripped Copper\n"
    wet = "2025-01-{} 17:00 rode 1 h on Plover wet\n"
    assert judge(answered + wet.format("11"), "2025-01-11 18:30") == ()
    spell = answered + wet.format("12") + wet.format("15")
    assert judge(spell, "2025-01-15 18:30") == ()
    (again,) = judge(spell + wet.format("18"), "2025-01-18 18:30")  # that drip is a week old
    assert again.headline == "Wipe, dry and drip the chain Copper on Plover"
    (another,) = judge(answered + wet.format("15"), "2025-01-15 18:30")  # three days without either
    assert another.key != again.key


def test_a_wet_day_after_salted_ones_that_a_drip_kept_off_is_asked_about():
    text = FROST + "2025-01-06 20:00 dripped Copper\n" + "2025-01-11 17:00 rode 1 h on Plover wet\n"
    (wet,) = judge(text, "2025-01-11 18:30")
    assert "came home wet" in wet.sentence
