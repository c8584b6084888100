"""What is due, when, for whom and why; the lines add up by hand to the number that crossed the limit."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from rules.care_due import due
from rules.ledger import Ledger
from rules.overlapping_reminders import one_a_chain
from rules.reasons import MOST_LINES
from rules.reminder import (
    ASKED_AHEAD,
    RaisedReminder,
    ReminderKind,
    ReminderStep,
    Step,
    asked_for_wet_evenings,
)
from rules.rulebook import default_rulebook, parse_rulebook
from rules.units import SI, said
from rules.vocabulary import ChainId, Condition, ReminderId
from tests.rules.notation import at, ledger_of, plain_limits

RULEBOOK = plain_limits()
COPPER = ChainId(1)
FRESH = """
    2025-06-01        fitted    Copper  on Plover
    2025-06-01 13:00  immersed  Copper
    2025-06-01 14:00  measured  Copper  under 0.25
"""


def judge(text, now, rulebook=RULEBOOK, **more):
    return due(ledger_of(text), rulebook, now=at(now), **more)


def only(text, now, **more):
    (reminder,) = judge(text, now, **more)
    return reminder


def kinds(text, now, **more):
    return [reminder.kind for reminder in judge(text, now, **more)]


def assert_adds_up(reminder):
    """By hand: every line's own number on top of the line before gives its total; the last is the total."""
    lines = [reason for reason in reminder.reasons if reason.total is not None]
    for before, line in pairwise(lines):
        step = line.grit_h if reminder.unit == "grit-hours" else line.drive_h
        assert line.total == pytest.approx(before.total + (step or 0.0))
        if line.grit_h is not None and line.weight is not None:
            assert line.grit_h == pytest.approx(line.drive_h * line.weight)
    assert lines[-1].total == pytest.approx(reminder.total)
    assert reminder.total >= reminder.limit - 1e-9


def test_a_fresh_chain_wants_nothing():
    assert judge(FRESH, "2025-06-02") == ()
    assert due(Ledger(), RULEBOOK, now=at("2025-06-02")) == ()
    assert judge("chain Copper\nrider Ada", "2025-06-02") == ()


# --- after a wet ride ---

WET = FRESH + "2025-06-03 20:10  rode  2.5 h  on Plover  wet\n"


def test_a_wet_ride_asks_for_hands_the_moment_it_is_over():
    assert judge(WET, "2025-06-03 22:39") == ()
    reminder = only(WET, "2025-06-03 22:40", zone_of=ZoneInfo)
    assert (reminder.kind, reminder.bike, reminder.rider) == (ReminderKind.WIPE_AND_DRIP, 1, 1)
    assert reminder.key == "wipe and drip:1:ride 1"
    assert reminder.headline == "Wipe, dry and drip the chain Copper on Plover"
    assert said(reminder.sentence, SI) == (
        "Copper came home wet at 22:40 on 3 June 2025 (Ride 1): 2.4 mm of rain fell in the hour "
        "from 20:00; 2.5 of 2.5 drive hours of the day were wet; "
        "the limit is 0.1 a day. Wipe it dry each wet evening for 10 days."
    )
    said_wet = only(WET.replace("  wet", "  said wet"), "2025-06-03 22:40").sentence
    assert "drive hours of the day were wet; the limit is 0.1 a day." in said_wet
    assert (reminder.total, reminder.limit, reminder.unit) == (2.5, 0.1, "drive hours")
    assert reminder.rulebook_version == RULEBOOK.version
    assert_adds_up(reminder)


def test_after_a_salted_ride_the_same_message_asks_for_a_rinse():
    salted = only(WET.replace("  wet", "  salty"), "2025-06-03 22:40")
    assert salted.headline == "Rinse, dry and drip the chain Copper on Plover"
    assert (
        " Rinse and dry it each salted or wet evening for 10 days; probably road salt, which rusts it "
        "overnight."
    ) in salted.sentence
    assert "nly wipe it" not in salted.sentence


def test_times_in_sentences_are_the_riders_own():
    reminder = only("rider Ada  zone America/Denver\n" + WET, "2025-06-04", zone_of=ZoneInfo)
    assert "came home wet at 16:40 on 3 June 2025 (" in reminder.sentence


def test_a_wet_ride_is_for_tonight_or_to_be_skipped_and_forgotten_after_a_spell():
    assert [
        only(WET, now).urgency for now in ("2025-06-03 22:40", "2025-06-04 22:39", "2025-06-04 22:40")
    ] == [*(1, 1, 0)]
    assert only(WET, "2025-06-04 22:40").sentence.endswith(
        " It has dried by now: skip it; a drip is due at 9 grit-hours, as usual."
    )
    assert kinds(WET, "2025-06-10 22:39") == [ReminderKind.WIPE_AND_DRIP]
    assert kinds(WET, "2025-06-10 22:40") == []


@pytest.mark.parametrize("answer", ["dripped", "immersed", "oiled", "cleaned"])
def test_a_treatment_after_its_end_answers_a_wet_ride(answer):
    assert judge(WET + f"2025-06-03 22:40  {answer}  Copper", "2025-06-04") == ()


@pytest.mark.parametrize("half", ["2025-06-03 23:30  wiped  Copper", "2025-06-03 21:30  dripped  Copper"])
def test_a_wipe_alone_or_a_drip_on_the_way_does_not(half):
    assert kinds(WET + half, "2025-06-04") == [ReminderKind.WIPE_AND_DRIP]


def test_a_puddle_is_no_wet_ride():
    assert judge(FRESH + "2025-06-03  rode  0.09 h  on Plover  wet", "2025-06-04") == ()
    assert kinds(FRESH + "2025-06-03  rode  0.1 h  on Plover  wet", "2025-06-04") == [
        ReminderKind.WIPE_AND_DRIP
    ]


def test_damp_dry_dusty_and_unknown_are_not_wet_but_mud_is():
    for word in ("damp", "dry", "dusty", ""):
        assert judge(FRESH + f"2025-06-03  rode  2 h  on Plover  {word}  unpaved 1", "2025-06-04") == ()
    assert kinds(FRESH + "2025-06-03  rode  1 h  on Plover  muddy  unpaved 1", "2025-06-04") == [
        ReminderKind.WIPE_AND_DRIP
    ]


def test_a_spell_asks_once_until_it_is_answered():
    next_day = WET + "2025-06-04 08:00  rode  0.5 h  on Plover  wet\n"
    reminder = only(next_day, "2025-06-04")
    assert reminder.key == "wipe and drip:1:ride 1"  # the same reminder, by the later day's hours
    assert (reminder.total, reminder.cause_at) == (0.5, at("2025-06-04 08:30"))
    assert judge(next_day + "2025-06-04 20:00  dripped  Copper\n", "2025-06-05") == ()


def test_after_its_drip_the_films_own_limit_asks_for_the_next_one():
    book = default_rulebook()
    spell = WET + "2025-06-03 23:00  dripped  Copper\n"
    for day in ("04", "05", "06", "07"):
        spell += f"2025-06-{day} 08:00  rode  1 h  on Plover  wet\n"
        assert judge(spell, f"2025-06-{day} 12:00", rulebook=book) == ()
    spell += "2025-06-08 08:00  rode  1 h  on Plover  wet\n"
    assert kinds(spell, "2025-06-08 12:00", rulebook=book) == [ReminderKind.DRIP]  # 13 of 12 grit-hours


def test_a_spell_that_uses_up_no_film_is_told_again_once_its_drip_is_a_week_old():
    book = default_rulebook()
    spell = WET + "2025-06-03 23:00  dripped  Copper\n"
    for day in ("06", "09"):
        spell += f"2025-06-{day} 08:00  rode  1 h  on Plover  wet\n"
        assert judge(spell, f"2025-06-{day} 12:00", rulebook=book) == ()
    spell += "2025-06-12 08:00  rode  1 h  on Plover  wet\n"
    assert only(spell, "2025-06-12 12:00", rulebook=book).key == "wipe and drip:1:ride 4"


def test_a_wet_evening_that_no_message_asked_for_is_asked_for_although_the_spell_had_its_drip():
    """The drip may have come for another reason, and answered a reminder that nobody heard."""
    book = default_rulebook()
    spell = WET + "2025-06-03 23:00  dripped  Copper\n2025-06-05 08:00  rode  1 h  on Plover  wet\n"

    def asked(*told, now="2025-06-05 12:00"):
        return judge(spell, now, rulebook=book, wet_told={COPPER: [at(one) for one in told]})

    assert asked("2025-05-26 10:00") == asked("2025-06-03 20:00") == ()  # ten days before, or lately
    (unheard,) = asked("2025-05-26 08:00")  # an hour longer ago than the words of that message hold
    assert unheard.key == "wipe and drip:1:ride 2"
    assert judge(spell, "2025-06-05 12:00", rulebook=book, wet_told={}) == (unheard,)
    # told since it came home: that is this very reminder, and it stands until it is answered
    assert asked("2025-06-05 11:00", now="2025-06-05 12:00") == (unheard,)
    spell += "2025-06-05 20:00  dripped  Copper\n"
    assert asked("2025-06-05 11:00", now="2025-06-05 21:00") == ()


def test_what_was_told_of_wet_evenings_is_found_in_every_reminder_of_a_chain():
    wet = only(WET, "2025-06-04")
    bath = replace(wet, kind=ReminderKind.IMMERSION, key="bath")
    other = replace(wet, chain=ChainId(2))
    heard = [at(f"2025-06-0{day} 20:00") for day in (3, 4, 5)]

    def known(reminder, *steps):
        return RaisedReminder(ReminderId(1), reminder, steps)

    told = asked_for_wet_evenings(
        [
            known(
                wet,
                ReminderStep(Step.RAISED, heard[0], "the round"),
                ReminderStep(Step.TOLD, heard[1], "email"),
                ReminderStep(Step.DONE, heard[2], "the round"),
            ),
            known(
                bath,
                ReminderStep(Step.TOLD, heard[0], "email", ASKED_AHEAD),
                ReminderStep(Step.TOLD, heard[2], "email"),  # the outlook had no room for it
            ),
            known(other, ReminderStep(Step.RAISED, heard[0], "the round")),
        ]
    )
    assert {chain: sorted(at) for chain, at in told.items()} == {COPPER: heard[:2], ChainId(2): []}


def test_three_dry_days_end_a_spell_however_late_on_the_fourth_it_rains():
    book = default_rulebook()
    spell = WET + "2025-06-03 23:00  dripped  Copper\n"
    within = spell + "2025-06-06 23:00  rode  1 h  on Plover  wet\n"  # more than three times 24 hours
    assert judge(within, "2025-06-07 06:00", rulebook=book) == ()
    beyond = spell + "2025-06-07 08:00  rode  1 h  on Plover  wet\n"
    assert only(beyond, "2025-06-07 12:00", rulebook=book).key == "wipe and drip:1:ride 2"


def test_an_immersion_takes_the_place_of_a_drip_just_before_it():
    book = default_rulebook()
    text = FRESH + "2025-06-02 06:00  rode  11.9 h  on Plover  dry\n2025-06-03 05:00  dripped  Copper\n"
    text += "2025-06-03 06:00  rode  11.9 h  on Plover  dry\n2025-06-04 05:00  dripped  Copper\n"
    text += "2025-06-04 06:00  rode  11 h  on Plover  dry\n"
    assert judge(text, "2025-06-05", rulebook=book) == ()  # 34.8 of 40, but no hands are wanted
    text += "2025-06-05 06:00  rode  2 h  on Plover  dry\n"
    both = judge(text, "2025-06-06", rulebook=book)
    assert [one.kind for one in both] == [ReminderKind.IMMERSION, ReminderKind.DRIP]
    assert one_a_chain(both, ()) == both[:1]
    assert both[0].sentence == (
        "Copper has 37.8 grit-hours since the immersion of 1 June 2025, nearly the 40 of its limit, and "
        "a drip is due: one evening does both."
    )
    assert both[0].cause_at == both[1].cause_at == at("2025-06-05 07:00")
    # whoever was asked for the drip first, or put it off, is not asked for both
    first = ReminderStep(Step.RAISED, at("2025-06-05"), "the round")
    asked = RaisedReminder(ReminderId(1), both[1], (first,))
    assert one_a_chain(both, [asked]) == both[1:]
    put_off = replace(asked, steps=(first, ReminderStep(Step.PUT_OFF, at("2025-06-05"), "Ada")))
    assert one_a_chain(both, [put_off]) == both[1:]
    # once asked for, it stands, also when it is the drip that is put off later
    bath = RaisedReminder(ReminderId(2), both[0], (first,))
    assert one_a_chain(both, [put_off, bath]) == both[:1]


def test_wet_rides_further_apart_than_a_spell_are_two():
    later = WET + "2025-06-12 08:00  rode  0.5 h  on Plover  wet\n"
    assert only(later, "2025-06-12 09:00").key == "wipe and drip:1:ride 2"


def test_the_wet_hours_of_a_day_count_together_and_days_are_the_riders():
    commute = FRESH + "".join(
        f"2025-06-03 {hour}  rode  0.3 h  on Plover  wet\n" for hour in ("07:00", "17:00")
    )
    (reminder,) = judge(commute, "2025-06-03 18:00", rulebook=default_rulebook())
    assert (reminder.total, reminder.limit) == (pytest.approx(0.6), 0.5)
    two_days = (
        FRESH
        + "2025-06-03 22:30  rode  0.3 h  on Plover  wet\n2025-06-04 05:00  rode  0.3 h  on Plover  wet\n"
    )
    assert judge(two_days, "2025-06-04 06:00", rulebook=default_rulebook()) == ()
    in_denver = "rider Ada  zone America/Denver\n" + two_days
    assert len(judge(in_denver, "2025-06-04 06:00", rulebook=default_rulebook(), zone_of=ZoneInfo)) == 1


def test_a_dry_hour_of_a_wet_ride_is_shown_and_adds_nothing():
    from dataclasses import replace

    from tests.rules.notation import tag

    ledger = ledger_of(WET)
    ride = ledger.rides[0]
    hours = (replace(ride.hours[0], tag=tag(0.0)), replace(ride.hours[1], tag=None), ride.hours[2])
    (reminder,) = due(replace(ledger, rides=(replace(ride, hours=hours),)), RULEBOOK, now=at("2025-06-04"))
    assert [reason.drive_h for reason in reminder.reasons] == pytest.approx([0.0, 0.0, 2 / 3])
    assert [reason.condition for reason in reminder.reasons] == [
        *(Condition.DRY, Condition.UNKNOWN, Condition.WET)
    ]
    assert reminder.unknown_h == pytest.approx(1.0)
    assert_adds_up(reminder)


def test_a_wet_chain_is_asked_about_even_off_the_bike_and_a_retired_one_never():
    off = only(WET + "2025-06-04 08:00  removed  Copper", "2025-06-04")
    assert off.headline == "Wipe, dry and drip the chain Copper"
    assert judge(WET + "2025-06-04 08:00  retired  Copper", "2025-06-04") == ()


def test_whoever_rode_it_wet_is_told():
    text = "rider Ada\nrider Ben\n" + FRESH + "2025-06-03  rode  1 h  on Plover  by Ben  wet"
    assert only(text, "2025-06-04").rider == 2


# --- grit-hours ---


def test_a_drip_is_due_when_the_film_has_had_nine_grit_hours():
    text = FRESH + "2025-06-02 08:00  rode  8.9 h  on Plover  dry\n"
    assert judge(text, "2025-06-03") == ()
    reminder = only(text + "2025-06-04 08:00  rode  1 h  on Plover  dry", "2025-06-05")
    assert reminder.key == "drip:1:treatment 1"
    assert reminder.headline == "Drip the chain Copper on Plover"
    assert (
        reminder.sentence == "Copper has 9.9 grit-hours since the immersion of 1 June 2025; the limit is 9."
    )
    assert reminder.cause_at == at("2025-06-04 09:00")
    assert (reminder.unit, reminder.urgency) == ("grit-hours", 0)
    assert reminder.reasons[0].text == "Immersion on 1 June 2025: total 0."
    assert len(reminder.reasons) == 1 + 9 + 1
    assert_adds_up(reminder)


def test_exactly_the_limit_is_due():
    assert kinds(FRESH + "2025-06-02 08:00  rode  9 h  on Plover  dry", "2025-06-03") == [ReminderKind.DRIP]


def test_a_drip_starts_the_film_again_but_not_the_cleaning():
    text = (
        FRESH
        + """
        2025-06-02 06:00  rode     8 h  on Plover  dry
        2025-06-02 20:00  dripped  Copper
        2025-06-02 21:00  wiped    Copper
        2025-06-03 06:00  rode     8.5 h  on Plover  dry
    """
    )
    reminder = only(text, "2025-06-04")
    assert (reminder.kind, reminder.key) == (ReminderKind.IMMERSION, "re-immersion:1:treatment 1")
    assert reminder.headline == "Re-immerse the chain Copper on Plover"
    said = [reason.text for reason in reminder.reasons if reason.ride is None]
    assert said == [
        "Immersion on 1 June 2025: total 0.",
        "Drip on 2 June 2025: renews the film, cleans nothing.",
        "Wipe on 2 June 2025: clears no total.",
    ]
    assert_adds_up(reminder)


def test_a_chain_never_treated_counts_from_its_first_day():
    text = "2025-06-01  fitted  Copper  on Plover\n2025-06-02 06:00  rode  9 h  on Plover  dry"
    reminder = only(text, "2025-06-03")
    assert reminder.key == "drip:1:start"
    assert reminder.sentence == "Copper has 9 grit-hours and no drip was ever noted; the limit is 9."
    assert reminder.reasons[0].text == "Fitted to Plover on 1 June 2025: counting starts here."


def test_a_chain_noted_before_it_was_fitted_counts_from_there():
    text = """
        2025-05-01        stripped  Copper
        2025-06-01        fitted    Copper  on Plover
        2025-06-02 06:00  rode      9 h     on Plover  dry
    """
    reminder = only(text, "2025-06-03")
    assert reminder.reasons[0].text == "First noted on 1 May 2025: counting starts here."
    assert_adds_up(reminder)


def test_half_the_limit_again_is_overdue():
    assert only(FRESH + "2025-06-02 06:00  rode  13.4 h  on Plover  dry", "2025-06-03").urgency == 0
    assert only(FRESH + "2025-06-02 06:00  rode  13.5 h  on Plover  dry", "2025-06-03").urgency == 2


def test_unknown_hours_are_counted_plainly_and_said():
    reminder = only(FRESH + "2025-06-02 06:00  rode  10 h  on Plover", "2025-06-03")
    assert reminder.unknown_h == pytest.approx(10.0)
    assert reminder.reasons[1].text == (
        "Ride 1 on Plover, 2 June 2025, hour 1 of 10: no weather known, counted as a plain hour."
    )
    assert reminder.reasons[1].weather == "no weather yet"


def test_a_line_names_ride_hour_condition_and_weather():
    reminder = only(
        "bike Plover  unpaved 0.4\n" + FRESH + "2025-06-02 06:00  rode  6 h  on Plover  water 0.3 dust 1",
        "2025-06-03",
    )
    line = reminder.reasons[1]
    assert line.text == "Ride 1 on Plover, 2 June 2025, hour 1 of 6: damp (water 0.3, dust 0.4)."
    assert said(line.weather, SI) == (
        "0.9 mm of rain in the hour, 0 mm in the 24 h before, local file (invented), final, "
        "fetched 1 January 2025 at 12:00, 85% sure"
    )
    assert (line.ride, line.condition, line.weight) == (1, Condition.DAMP, pytest.approx(2.0))


def test_a_long_history_is_folded_and_still_adds_up():
    rides = "".join(f"2025-06-{day:02} 06:00  rode  9 h  on Plover  wet\n" for day in range(2, 26))
    text = FRESH + rides + "2025-06-27  dripped  Copper\n"
    (immersion,) = (r for r in judge(text, "2025-06-28") if r.kind is ReminderKind.IMMERSION)
    assert len(immersion.reasons) == 1 + 1 + MOST_LINES + 1
    assert immersion.reasons[1].text == f"{24 * 9 - MOST_LINES} ride hours up to 9 June 2025, added up."
    assert_adds_up(immersion)
    (inspection,) = (r for r in judge(text, "2025-06-28") if r.kind is ReminderKind.INSPECTION)
    assert inspection.reasons[1].grit_h is None
    assert_adds_up(inspection)


def test_riding_reminders_need_a_bike():
    text = FRESH + "2025-06-02 06:00  rode  50 h  on Plover  dry\n"
    assert set(kinds(text, "2025-06-05")) == {
        *(ReminderKind.DRIP, ReminderKind.IMMERSION, ReminderKind.INSPECTION)
    }
    assert judge(text + "2025-06-04 12:00  removed  Copper", "2025-06-05") == ()


def test_facts_from_the_future_have_not_happened():
    text = (
        FRESH
        + "2025-06-02 06:00  rode  9 h  on Plover  dry\n"
        + "2025-07-01  dripped  Copper\n2025-08-01  removed  Copper"
    )
    assert kinds(text, "2025-06-03") == [ReminderKind.DRIP]
    assert kinds(text, "2025-07-02") == []


def test_the_rider_of_the_last_ride_on_it_is_told_else_the_owner():
    text = "rider Ada\nrider Ben\nbike Plover of Ada\nbike Curlew of Ben\n" + FRESH
    ridden = text + "2025-06-02 06:00  rode  9 h  on Plover  by Ben  dry\n"
    assert only(ridden, "2025-06-03").rider == 2
    moved = (
        ridden + "2025-06-03 06:00  fitted  Copper  on Curlew\n2025-06-03 07:00 rode 1 h on Curlew by Ada dry"
    )
    assert only(moved, "2025-06-04").rider == 1
    unridden = ridden.replace("by Ben", "by Ada") + "2025-06-03 06:00  fitted  Copper  on Curlew\n"
    assert only(unridden, "2025-06-04").rider == 2


def test_a_limit_of_its_own_holds_for_a_chain():
    book = parse_rulebook('[chain."Copper"]\ndrip = 20', name="my.toml", base=RULEBOOK)
    text = FRESH + "2025-06-02 06:00  rode  13 h  on Plover  dry\n"
    assert kinds(text, "2025-06-03", rulebook=book) == []
    assert kinds(text, "2025-06-03") == [ReminderKind.DRIP]


def test_only_some_chains_can_be_judged():
    text = FRESH + "2025-06-02 06:00  rode  9 h  on Plover  dry\n"
    assert due(ledger_of(text), RULEBOOK, now=at("2025-06-03"), only=()) == ()
    assert len(due(ledger_of(text), RULEBOOK, now=at("2025-06-03"), only=[COPPER])) == 1


# --- the control ---


def test_a_wet_lube_chain_gets_its_own_words():
    text = """
        chain Copper  12-speed  wet lube
        2025-06-01        fitted   Copper  on Plover
        2025-06-01 13:00  cleaned  Copper
        2025-06-01 14:00  measured Copper  under 0.25
        2025-06-02 06:00  rode     7 h     on Plover  wet
    """
    found = judge(text, "2025-06-03")
    assert [reminder.headline for reminder in found] == [
        "Oil the chain Copper on Plover",
        "Wipe, dry and oil the chain Copper on Plover",
        "Clean the chain Copper on Plover",
    ]
    assert "since the cleaning of 1 June 2025; the limit is 8." in found[0].sentence


# --- wear ---


def test_a_reading_is_due_after_forty_drive_hours():
    text = FRESH + "2025-06-02 06:00  rode  39.5 h  on Plover  dry\n2025-06-04  immersed  Copper\n"
    assert judge(text, "2025-06-05") == ()
    reminder = only(text + "2025-06-06 06:00  rode  1 h  on Plover  dry", "2025-06-07")
    assert reminder.key == "inspection:1:reading 1"
    assert reminder.headline == "Measure the chain Copper on Plover"
    assert reminder.sentence == (
        "It was last measured on 1 June 2025 (under 0.25 %), 40.5 drive hours ago; the limit is 40."
    )
    assert reminder.cause_at == at("2025-06-06 07:00")
    assert_adds_up(reminder)


def test_a_reading_is_due_after_three_immersions():
    baths = "".join(f"2025-06-{day:02}  immersed  Copper\n" for day in (10, 12, 14))
    reminder = only(FRESH + baths, "2025-06-15")
    assert (reminder.total, reminder.limit, reminder.unit) == (3.0, 3.0, "immersions")
    assert reminder.sentence.endswith("(under 0.25 %), 3 immersions ago; the limit is 3.")
    assert reminder.cause_at == at("2025-06-14")
    assert [reason.total for reason in reminder.reasons] == [0.0, 1.0, 2.0, 3.0]
    assert reminder.reasons[-1].text == "Immersion on 14 June 2025: number 3."


def test_a_chain_never_measured_says_so():
    text = """
        2025-06-01        fitted    Copper  on Plover
        2025-06-02        immersed  Copper
        2025-06-02 13:00  rode      40 h    on Plover  dry
        2025-06-05        immersed  Copper
    """
    reminder = only(text, "2025-06-06")
    assert reminder.key == "inspection:1:start"
    assert reminder.sentence == "It was never measured, and has 40 drive hours; the limit is 40."
    assert_adds_up(reminder)


def test_the_forecast_can_ask_for_a_reading_but_only_after_riding():
    ridden = FRESH + "2025-06-02 06:00  rode  1 h  on Plover  dry"
    assert judge(ridden, "2025-06-03", worn_chance={COPPER: 0.19}) == ()
    assert judge(FRESH, "2025-06-03", worn_chance={COPPER: 0.9}) == ()
    reminder = only(ridden, "2025-06-03", worn_chance={COPPER: 0.31})
    assert (reminder.kind, reminder.unit, reminder.urgency) == (ReminderKind.INSPECTION, "probability", 0)
    assert reminder.sentence.endswith("by the forecast it is over its wear limit with a probability of 31%.")
    assert reminder.cause_at == at("2025-06-02 07:00")
    assert only(ridden, "2025-06-04", worn_chance={COPPER: 0.31}) == reminder


def test_a_reading_at_the_limit_says_replace():
    reminder = only(FRESH + "2025-06-02  measured  Copper  over 0.5 under 0.75", "2025-06-03")
    assert reminder.kind is ReminderKind.REPLACEMENT
    assert reminder.key == "replacement:1:reading 2"
    assert reminder.headline == "Replace the chain Copper on Plover"
    assert reminder.sentence == (
        "Copper measured over 0.5 %, under 0.75 % on 2 June 2025; for 12 speeds the limit is 0.5 %."
    )
    assert (reminder.total, reminder.limit, reminder.unit, reminder.urgency) == (0.5, 0.5, "%", 1)
    assert [reason.text for reason in reminder.reasons] == [
        "Over its life: 0 drive hours, 0 grit-hours.",
        "Reading by gauge on 2 June 2025: over 0.5 %, under 0.75 %.",
    ]


@pytest.mark.parametrize("reading", ["over 0.25 under 0.75", "under 0.5", "0.49", "0.49 ruler"])
def test_a_reading_that_leaves_room_does_not(reading):
    assert judge(FRESH + f"2025-06-02  measured  Copper  {reading}", "2025-06-03") == ()


def test_the_latest_reading_speaks():
    text = FRESH + "2025-06-02  measured  Copper  over 0.5\n2025-06-03  measured  Copper  0.42\n"
    assert kinds(text, "2025-06-02 13:00") == [ReminderKind.REPLACEMENT]
    assert kinds(text, "2025-06-04") == []


@pytest.mark.parametrize(
    ("chain", "words"),
    [
        ("chain Copper 1-speed", "for 1 speed the limit is 1 %."),
        ("chain Copper", "the strictest limit holds, for its speeds are not noted: 0.5 %."),
    ],
)
def test_the_limit_is_explained_by_the_width(chain, words):
    reminder = only(f"{chain}\n{FRESH}2025-06-02  measured  Copper  1.2", "2025-06-03")
    assert reminder.sentence.endswith(words)
    assert reminder.urgency == (1 if "1-speed" in chain else 2)


def test_taking_a_worn_chain_off_answers_it_and_fitting_it_again_asks_anew():
    worn = FRESH + "2025-06-02  measured  Copper  0.6\n2025-06-03  removed  Copper\n"
    assert judge(worn, "2025-06-04") == ()
    again = only(worn + "2025-06-05  fitted  Copper  on Plover", "2025-06-06")
    assert (again.key, again.cause_at) == ("replacement:1:reading 2, fitting 2", at("2025-06-05"))
    assert (
        judge(worn + "2025-06-05  fitted  Copper  on Plover\n2025-06-06 removed Copper", "2025-06-07") == ()
    )


def test_a_worn_chain_measured_on_the_bench_is_spoken_of_where_it_lies():
    reminder = only("rider Ada\n2025-06-02  measured  Copper  0.6", "2025-06-04")
    assert (reminder.headline, reminder.bike, reminder.rider) == ("Replace the chain Copper", None, 1)
    assert (
        judge("rider Ada\n2025-06-02  measured  Copper  0.6\n2025-06-03 retired Copper", "2025-06-04") == ()
    )


# --- all together ---


def test_the_most_urgent_comes_first():
    text = (
        FRESH + "2025-06-02 06:00  rode  13 h  on Plover  wet\n2025-06-02 20:00  measured  Copper  over 0.5\n"
    )
    assert kinds(text, "2025-06-02 21:00") == [
        ReminderKind.IMMERSION,  # overdue by more than half
        ReminderKind.DRIP,
        ReminderKind.REPLACEMENT,
        ReminderKind.WIPE_AND_DRIP,
    ]


def test_reminders_are_raised_on_the_first_hour_after_their_cause():
    """Replaying hour by hour, nothing is ever found due later than the hour after it happened."""
    text = FRESH + "".join(
        f"2025-06-{day:02} 09:00  rode  2 h  on Plover  {word}\n"
        for day, word in zip(range(2, 22), ("dry", "dry", "wet", "damp", "dusty") * 4, strict=True)
    )
    ledger, known, now = ledger_of(text), set(), at("2025-06-01 15:00")
    while now < at("2025-06-22"):
        for reminder in due(ledger, RULEBOOK, now=now):
            if reminder.key not in known:
                known.add(reminder.key)
                assert timedelta(0) <= now - reminder.cause_at <= timedelta(hours=1)
        now += timedelta(hours=1)
    assert len(known) == 1 + 2 + 1  # a wet spell; drip and immersion; inspection after 40 h


# --- wet in a spell that had its drip ---

SPELL = FRESH + "2025-06-03 08:00  rode  1 h  on Plover  wet\n2025-06-03 20:00  dripped  Copper\n"


@pytest.mark.parametrize(
    ("tag", "asks"),
    [
        ("wet", "Wipe it dry each wet evening for 10 days."),
        (
            "salty",
            "Rinse and dry it each salted or wet evening for 10 days; probably road salt, which rusts it",
        ),
    ],
)
def test_a_larger_job_says_that_the_chain_came_home_wet_in_a_spell_that_had_its_drip(tag, asks):
    text = SPELL + f"2025-06-04 08:00  rode  5 h  on Plover  {tag}\n"
    due_now = film_of(text, "2025-06-04 16:30")
    assert f"; the limit is 9. It came home wet. {asks}" in due_now.sentence


def film_of(text, now):
    return next(one for one in judge(text, now) if one.kind is ReminderKind.DRIP)


def test_it_says_so_no_more_once_it_has_dried_was_treated_or_came_home_dry():
    text = SPELL + "2025-06-04 08:00  rode  5 h  on Plover  wet\n"
    assert "came home wet" in film_of(text, "2025-06-05 09:00").sentence
    assert "came home wet" not in film_of(text, "2025-06-05 16:30").sentence
    dry = FRESH + "2025-06-03 08:00  rode  9.5 h  on Plover  dry\n"
    assert "came home wet" not in film_of(dry, "2025-06-03 18:00").sentence
    treated = text.replace("5 h", "7 h") + "2025-06-05 06:00  dripped  Copper\n"
    bath = next(one for one in judge(treated, "2025-06-05 07:00") if one.kind is ReminderKind.IMMERSION)
    assert "came home wet" not in bath.sentence


def test_where_the_wet_asks_for_hands_itself_the_larger_job_does_not_repeat_it():
    found = judge(FRESH + "2025-06-03 08:00  rode  10 h  on Plover  wet\n", "2025-06-03 18:30")
    assert sum("Wipe it dry" in one.sentence for one in found) == 1


def test_a_wear_limit_is_said_to_hundredths_of_a_percent():
    book = parse_rulebook('[chain."Copper"]\nwear_narrow = 0.614', name="my.toml", base=RULEBOOK)
    (worn,) = judge(FRESH + "2025-06-02  measured  Copper  0.7", "2025-06-03", book)
    assert worn.sentence.endswith("for 12 speeds the limit is 0.61 %.")
