"""The life of a reminder: raised once, told again only if worse, closed by its answer or by what changed."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.care_due import due, reconcile
from rules.ledger import Ledger
from rules.overlapping_reminders import one_a_chain
from rules.reminder import RaisedReminder, ReminderKind, ReminderStep, Step
from rules.vocabulary import BikeId, ChainId, Condition, ReminderId, RideId, TreatmentId
from tests.rules.notation import at, ledger_of, plain_limits

RULEBOOK = plain_limits()
COPPER = ChainId(1)
START = """
    2025-06-01        fitted    Copper  on Plover
    2025-06-01 13:00  immersed  Copper
    2025-06-01 14:00  measured  Copper  under 0.25
"""
WET = START + "2025-06-03 18:00  rode  2 h  on Plover  wet\n"
WORN_FILM = START + "2025-06-03 06:00  rode  10 h  on Plover  dry\n"


class Household:
    """Rounds over a changing ledger, with the reminders kept as a store would keep them."""

    def __init__(self, text: str = "", rulebook=RULEBOOK) -> None:
        self.ledger, self.rulebook = ledger_of(text), rulebook
        self.kept: list[RaisedReminder] = []

    def round(self, now: str, *, explained: bool = True):
        book = self.rulebook if explained else None
        found = [
            one
            for one in due(self.ledger, self.rulebook, now=at(now))
            if one.kind is not ReminderKind.IMMERSION
            or one.total >= one.limit  # early: rules.overlapping_reminders's
        ]
        changes = reconcile(self.kept, found, self.ledger, now=at(now), rulebook=book)
        for change in changes:
            self.keep(change)
        return [(change.step and change.step.step, change.reminder.kind) for change in changes]

    def keep(self, change) -> None:
        if change.raised is None:
            raised = RaisedReminder(ReminderId(len(self.kept) + 1), change.reminder, (change.step,))
            self.kept.append(raised)
            return
        position = self.kept.index(change.raised)
        steps = change.raised.steps + ((change.step,) if change.step else ())
        self.kept[position] = replace(change.raised, reminder=change.reminder, steps=steps)

    def say(self, step: Step, when: str, *, until: str | None = None, number: int = 0) -> None:
        """The rider, or a channel, adds a step."""
        said = ReminderStep(step, at(when), "Ada", until=at(until) if until else None)
        self.kept[number] = replace(self.kept[number], steps=(*self.kept[number].steps, said))

    def last(self, number: int = 0) -> ReminderStep:
        return self.kept[number].steps[-1]


def test_a_reminder_is_raised_once_and_stands():
    house = Household(WORN_FILM)
    assert house.round("2025-06-03 16:00") == [(Step.RAISED, ReminderKind.DRIP)]
    assert house.last().why == house.kept[0].reminder.sentence
    assert house.round("2025-06-03 16:30") == []
    house.say(Step.TOLD, "2025-06-03 16:30")
    assert house.round("2025-06-03 17:00") == []
    assert house.kept[0].is_open


def test_its_numbers_move_while_it_stands_and_it_is_told_again_when_it_is_worse():
    house = Household(WORN_FILM)
    house.round("2025-06-03 16:00")
    house.ledger = ledger_of(WORN_FILM + "2025-06-04 08:00  rode  1 h  on Plover  dry\n")
    assert house.round("2025-06-04 12:00") == [(None, ReminderKind.DRIP)]
    assert house.kept[0].reminder.total == pytest.approx(11.0)
    house.ledger = ledger_of(WORN_FILM + "2025-06-04 08:00  rode  4 h  on Plover  dry\n")
    assert house.round("2025-06-04 13:00") == [(Step.WORSE, ReminderKind.DRIP)]
    assert house.round("2025-06-04 14:00") == []


@pytest.mark.parametrize(
    ("text", "answer", "kind", "why"),
    [
        (WORN_FILM, "2025-06-04  dripped  Copper", ReminderKind.DRIP, "Drip on 4 June 2025."),
        (WORN_FILM, "2025-06-04  immersed  Copper", ReminderKind.DRIP, "Immersion on 4 June 2025."),
        (WET, "2025-06-03 20:00  dripped  Copper", ReminderKind.WIPE_AND_DRIP, "Drip on 3 June 2025."),
    ],
)
def test_a_treatment_after_the_cause_closes_it(text, answer, kind, why):
    house = Household(text)
    house.round("2025-06-03 20:00")
    house.ledger = ledger_of(text + answer)
    assert house.round("2025-06-04 13:00") == [(Step.DONE, kind)]
    assert (house.last().why, house.last().treatment, house.last().by) == (why, 1 + 1, "the round")
    assert not house.kept[0].is_open
    assert house.round("2025-06-04 14:00") == []


def test_a_treatment_taken_back_brings_the_same_reminder_back():
    house = Household(WORN_FILM)
    house.round("2025-06-03 20:00")
    house.ledger = ledger_of(WORN_FILM + "2025-06-04  dripped  Copper")
    house.round("2025-06-04 13:00")
    house.ledger = ledger_of(WORN_FILM)
    assert house.round("2025-06-04 14:00") == [(Step.RAISED, ReminderKind.DRIP)]
    assert house.last().why == "What was noted as the answer has been taken back."
    assert len(house.kept) == 1


def test_done_by_the_riders_word_stays_done():
    house = Household(WORN_FILM)
    house.round("2025-06-03 20:00")
    house.say(Step.DONE, "2025-06-03 21:00")
    assert house.round("2025-06-04") == []


def test_a_dismissed_cause_stays_silent_but_the_next_one_speaks():
    house = Household(WORN_FILM)
    house.round("2025-06-03 20:00")
    house.say(Step.DISMISSED, "2025-06-03 21:00")
    more = WORN_FILM + "2025-06-04 06:00  rode  5 h  on Plover  dry\n"
    house.ledger = ledger_of(more)
    assert house.round("2025-06-04 12:00") == []
    house.ledger = ledger_of(
        more + "2025-06-05  dripped  Copper\n2025-06-06 06:00  rode  9 h  on Plover  dry\n"
    )
    assert (Step.RAISED, ReminderKind.DRIP) in house.round("2025-06-06 20:00")


def test_put_off_is_silent_until_its_day_even_if_it_grows():
    house = Household(WORN_FILM)
    house.round("2025-06-03 20:00")
    house.say(Step.PUT_OFF, "2025-06-03 21:00", until="2025-06-07 09:00")
    assert house.round("2025-06-05") == []
    house.ledger = ledger_of(WORN_FILM + "2025-06-05 14:00  rode  4 h  on Plover  dry\n")
    assert house.round("2025-06-06") == [(None, ReminderKind.DRIP)]
    assert house.round("2025-06-07 08:59") == []
    assert house.round("2025-06-07 09:00") == [(Step.RAISED, ReminderKind.DRIP)]
    assert house.last().why == "The time it was put off to has come."


def test_put_off_and_done_in_the_meantime_is_done():
    house = Household(WORN_FILM)
    house.round("2025-06-03 20:00")
    house.say(Step.PUT_OFF, "2025-06-03 21:00", until="2025-06-07 09:00")
    house.ledger = ledger_of(WORN_FILM + "2025-06-04  dripped  Copper")
    assert house.round("2025-06-05") == [(Step.DONE, ReminderKind.DRIP)]


# --- withdrawn, and why ---


def withdrawn(before: str | Ledger, after: str | Ledger, now: str = "2025-06-04", **more) -> str:
    """What the round says when it withdraws the only reminder."""
    house = Household()
    house.ledger = ledger_of(before) if isinstance(before, str) else before
    house.round("2025-06-03 21:00")
    house.ledger = ledger_of(after) if isinstance(after, str) else after
    steps = house.round(now, **more)
    assert (Step.WITHDRAWN, house.kept[0].reminder.kind) in steps
    assert not house.kept[0].is_open
    return house.last().why


def test_a_corrected_bike_withdraws_what_the_ride_caused():
    other = WET + "2025-06-01  fitted  Slate  on Curlew\n2025-06-01  dripped  Slate\n"
    ledger = ledger_of(other)
    moved = replace(ledger, rides=(replace(ledger.rides[0], bike=BikeId(2)),))
    house = Household(other)
    house.round("2025-06-03 20:00")
    house.ledger = moved
    assert house.round("2025-06-03 21:00") == [
        (Step.RAISED, ReminderKind.WIPE_AND_DRIP),
        (Step.WITHDRAWN, ReminderKind.WIPE_AND_DRIP),
    ]
    assert house.kept[0].steps[-1].why == "Ride 1 of 3 June 2025 is now on Curlew, the chain Slate."
    house.ledger = ledger
    assert house.round("2025-06-03 22:00") == [
        (Step.RAISED, ReminderKind.WIPE_AND_DRIP),
        (Step.WITHDRAWN, ReminderKind.WIPE_AND_DRIP),
    ]
    assert house.kept[0].steps[-1].why == "The facts ask for it again."
    assert len(house.kept) == 2


def test_a_ride_that_lost_its_bike_or_went_to_a_bare_one_is_named():
    ledger = ledger_of(WET)
    no_bike = replace(ledger, rides=(replace(ledger.rides[0], bike=None),))
    assert withdrawn(ledger, no_bike) == "Ride 1 of 3 June 2025 has no bike now."
    bare = ledger_of("bike Plover\nbike Curlew\n" + WET)
    moved = replace(bare, rides=(replace(bare.rides[0], bike=BikeId(2)),))
    assert withdrawn(bare, moved) == "Ride 1 of 3 June 2025 is now on Curlew, no chain of ours."


def test_a_ride_that_is_gone_is_named():
    why = withdrawn(WET, replace(ledger_of(WET), rides=()))
    assert why.startswith("A ride of 3 June 2025 is gone: Ride 1 on Plover, 3 June 2025, hour 1 of 2: wet")


def test_hours_tagged_again_are_named():
    ledger = ledger_of(WET)
    ride = ledger.rides[0]
    dry = replace(ledger, rides=(replace(ride, word=Condition.DRY),))
    expected = "Ride 1 of 3 June 2025: hour 1 is now dry, was wet and hour 2 is now dry, was wet."
    assert withdrawn(ledger, dry) == expected
    shorter = replace(ride, hours=ride.hours[:1], word=Condition.DRY)
    why = withdrawn(ledger, replace(ledger, rides=(shorter,)))
    assert why == "Ride 1 of 3 June 2025: hour 1 is now dry, was wet and an hour is gone."


def test_without_the_rulebook_it_says_what_it_can():
    ledger = ledger_of(WORN_FILM)
    light = replace(ledger, rides=(replace(ledger.rides[0], hours=()),))
    assert withdrawn(ledger, light, explained=False) == "The facts it rested on have changed."


def test_a_treatment_noted_late_for_an_earlier_time_is_named():
    late = WORN_FILM + "2025-06-03 10:30  dripped  Copper"
    why = withdrawn(WORN_FILM, late)
    assert why == "A drip of 3 June 2025 is noted from before it was due."


def test_the_origin_that_was_taken_back_is_named():
    text = WORN_FILM.replace("13:00  immersed", "05:00  dripped")
    ledger = ledger_of(WORN_FILM)
    assert ledger_of(text)
    gone = replace(ledger, treatments=(), rides=(replace(ledger.rides[0], bike=None),))
    assert withdrawn(ledger, gone) == (
        "Ride 1 of 3 June 2025 has no bike now. The treatment it counted from was taken back."
    )


def test_a_chain_off_the_bike_retired_or_gone_is_named():
    assert (
        withdrawn(WORN_FILM, WORN_FILM + "2025-06-04 08:00  removed  Copper") == "Copper is on no bike now."
    )
    assert withdrawn(WORN_FILM, WORN_FILM + "2025-06-04 08:00  retired  Copper") == (
        "Copper was retired on 4 June 2025."
    )
    nobody = replace(ledger_of(WORN_FILM), riders=(), chains=(), fittings=(), treatments=(), readings=())
    assert withdrawn(WORN_FILM, nobody) == "The chain is no longer in the household."


def test_a_changed_limit_is_named():
    house = Household(WORN_FILM)
    house.round("2025-06-03 21:00")
    house.rulebook = RULEBOOK.with_value("limit.drip", 20.0)
    house.round("2025-06-04")
    assert house.last().why == (
        f"The rulebook changed from {RULEBOOK.version} to {RULEBOOK.version}, with limit.drip = 20."
    )


def test_a_later_wet_ride_belongs_to_the_same_spell_and_an_old_one_has_long_dried():
    house = Household(WET)
    house.round("2025-06-03 23:00")
    house.ledger = ledger_of(WET + "2025-06-04 08:00  rode  1 h  on Plover  wet")
    assert house.round("2025-06-04") == [(None, ReminderKind.WIPE_AND_DRIP)]  # only its numbers move
    assert withdrawn(WET, WET, now="2025-06-10 20:00") == ("It has long dried; what it took in still counts.")


def test_a_spell_without_its_first_ride_is_asked_for_by_the_next():
    both = WET + "2025-06-04 08:00  rode  1 h  on Plover  wet"
    house = Household(both)
    house.round("2025-06-04")
    ledger = ledger_of(both)
    house.ledger = replace(ledger, rides=ledger.rides[1:])
    assert (Step.WITHDRAWN, ReminderKind.WIPE_AND_DRIP) in house.round("2025-06-04")
    assert house.last().why.endswith("A later wet ride asks for the same.")


def test_a_reminder_that_another_answers_as_well_is_withdrawn_with_its_name():
    dripless = START + "2025-06-02 14:00  rode  9.5 h  on Plover  dry\n"
    house = Household(dripless)
    assert house.round("2025-06-03") == [(Step.RAISED, ReminderKind.DRIP)]
    house.ledger = ledger_of(dripless + "2025-06-04 08:00  rode  8 h  on Plover  dry\n")
    due_then = due(house.ledger, RULEBOOK, now=at("2025-06-05"))
    assert [one.kind for one in due_then] == [ReminderKind.DRIP, ReminderKind.IMMERSION]
    asked = one_a_chain(due_then, house.kept)
    assert [one.kind for one in asked] == [ReminderKind.IMMERSION]
    changes = reconcile(house.kept, asked, house.ledger, now=at("2025-06-05"))
    closing = next(one.step for one in changes if one.reminder.kind is ReminderKind.DRIP)
    assert closing.why == "“Re-immerse the chain Copper on Plover” takes care of it."


# --- readings and replacements ---

UNMEASURED = START + "2025-06-03 00:00  rode  8 h  on Plover  dry\n"


def test_a_reading_closes_an_inspection():
    baths = "".join(f"2025-06-02 {hour}:00  immersed  Copper\n" for hour in (14, 15, 16))
    house = Household(START + baths)
    assert house.round("2025-06-03") == [(Step.RAISED, ReminderKind.INSPECTION)]
    house.ledger = ledger_of(START + baths + "2025-06-04  measured  Copper  over 0.25 under 0.5\n")
    assert house.round("2025-06-05") == [(Step.DONE, ReminderKind.INSPECTION)]
    assert house.last().why == "Reading on 4 June 2025: over 0.25 %, under 0.5 %."
    assert withdrawn(START + baths, START + baths + "2025-06-02 14:30  measured  Copper  0.1\n") == (
        "A reading of 2 June 2025 (0.1 %) is noted from before it was due."
    )
    before = ledger_of(START + baths)
    gone = replace(before, readings=(), treatments=before.treatments[:1])
    assert withdrawn(before, gone) == "The reading it counted from was taken back."


WORN = START + "2025-06-02  measured  Copper  over 0.5\n"


def test_a_replacement_is_done_when_the_chain_comes_off_or_is_retired():
    for answer, why in (
        ("2025-06-04 08:00  removed  Copper", "It came off Plover on 4 June 2025."),
        ("2025-06-04 08:00  retired  Copper", "Copper was retired on 4 June 2025."),
    ):
        house = Household(WORN)
        assert house.round("2025-06-03") == [(Step.RAISED, ReminderKind.REPLACEMENT)]
        house.ledger = ledger_of(WORN + answer)
        assert house.round("2025-06-05") == [(Step.DONE, ReminderKind.REPLACEMENT)]
        assert house.last().why == why


def test_a_replacement_is_withdrawn_by_a_later_reading_or_a_reading_taken_back():
    assert withdrawn(WORN, WORN + "2025-06-03 22:00  measured  Copper  0.31") == (
        "A later reading of 3 June 2025 (0.31 %) is under the limit."
    )
    before = ledger_of(WORN)
    assert withdrawn(before, replace(before, readings=before.readings[:1])) == (
        "The reading it counted from was taken back."
    )


def test_a_replaced_chain_that_is_gone_altogether_is_withdrawn():
    before = ledger_of(WORN)
    gone = replace(before, chains=(), fittings=(), readings=(), treatments=())
    assert withdrawn(before, gone) == "The chain is no longer in the household."


# --- what a store might hold ---


def test_of_two_with_one_key_the_later_stands_and_the_other_closes():
    house = Household(WORN_FILM)
    house.round("2025-06-03 20:00")
    house.kept.append(replace(house.kept[0], id=ReminderId(2)))
    house.kept.append(replace(house.kept[0], id=ReminderId(0)))
    assert house.round("2025-06-03 21:00") == [
        (Step.WITHDRAWN, ReminderKind.DRIP),
        (Step.WITHDRAWN, ReminderKind.DRIP),
    ]
    assert [raised.is_open for raised in house.kept] == [False, True, False]


def test_a_chain_due_again_since_the_answer_has_a_reminder_of_its_own():
    house = Household(WORN_FILM)
    house.round("2025-06-03 20:00")
    house.ledger = ledger_of(
        WORN_FILM + "2025-06-04  dripped  Copper\n2025-06-05 00:00  rode  10 h  on Plover  dry\n"
    )
    steps = house.round("2025-06-06")
    assert (Step.RAISED, ReminderKind.DRIP) in steps
    assert (Step.DONE, ReminderKind.DRIP) in steps
    assert house.kept[0].steps[-1].treatment == TreatmentId(2)
    assert house.ledger.ride(RideId(1)) is not None
