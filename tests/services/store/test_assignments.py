"""Which bike a ride was on: every decision is kept, and a rider's word is final."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.vocabulary import BikeId, DecidedBy, RideId
from services.store import FactRefused, JudgedRide, MachineDecision, NotFound, Store
from tests.services.store.household import DAY, HOUR, MORNING, ride_of, ride_summary, settle


def test_a_decision_puts_the_ride_on_its_bike(store: Store) -> None:
    household = settle(store)
    ride = ride_of(store, household.ines.id)
    with store.writing() as tx:
        assert tx.rides.assignment_in_force(ride) is None
        made = tx.rides.record(
            ride=ride,
            bike=household.plover.id,
            decided_by=DecidedBy.SENSOR,
            probability=0.998,
            verdict="certain",
            evidence='{"because": "its power meter sat on Plover"}',
            at=MORNING + HOUR,
            by="the round",
        )
        assert tx.rides.assignments_of(ride) == (made,)
        assert tx.rides.assignment_in_force(ride) == made
        assert tx.rides.confirm_list() == tx.rides.likely() == ()
        kept = tx.rides.ride(ride)
    assert (kept.bike, kept.decided_by) == (household.plover.id, DecidedBy.SENSOR)
    assert (made.probability, made.evidence) == (0.998, '{"because": "its power meter sat on Plover"}')
    assert (made.at, made.by, made.undone) == (MORNING + HOUR, "the round", False)


def test_a_question_names_no_bike_and_waits_on_the_confirm_list(store: Store) -> None:
    household = settle(store)
    asked, never_judged = ride_of(store, household.ines.id), ride_of(store, household.ines.id, MORNING + DAY)
    with store.writing() as tx:
        tx.rides.record(
            asked,
            household.plover.id,
            decided_by=DecidedBy.EVIDENCE,
            verdict="ask",
            probability=0.5,
            at=MORNING,
            by="the round",
        )
        assert [ride.id for ride in tx.rides.confirm_list()] == [asked, never_judged]
        assert (tx.rides.ride(asked).bike, tx.rides.ride(asked).decided_by) == (None, None)
        tx.rides.record(asked, None, decided_by=DecidedBy.RIDER, at=MORNING + DAY, by="Ines")
        assert [ride.id for ride in tx.rides.confirm_list()] == [never_judged]
        assert (tx.rides.ride(asked).bike, tx.rides.ride(asked).decided_by) == (None, DecidedBy.RIDER)


def test_a_likely_bike_counts_and_is_listed_apart(store: Store) -> None:
    household = settle(store)
    ride = ride_of(store, household.ines.id)
    with store.writing() as tx:
        tx.rides.record(
            ride,
            household.heron.id,
            decided_by=DecidedBy.EVIDENCE,
            verdict="likely",
            at=MORNING,
            by="the round",
        )
        assert tx.rides.likely() == (ride,)
        assert tx.rides.ride(ride).bike == household.heron.id


def test_the_newest_machine_decision_is_in_force(store: Store) -> None:
    household = settle(store)
    ride = ride_of(store, household.ines.id)
    with store.writing() as tx:
        for bike in (household.plover.id, household.heron.id):
            tx.rides.record(ride, bike, decided_by=DecidedBy.EVIDENCE, at=MORNING, by="the round")
        assert tx.rides.ride(ride).bike == household.heron.id
        assert len(tx.rides.assignments_of(ride)) == 2


@pytest.mark.parametrize("machine", [DecidedBy.SENSOR, DecidedBy.ONLY_BIKE, DecidedBy.EVIDENCE])
def test_no_machine_overrules_a_rider(store: Store, machine: DecidedBy) -> None:
    household = settle(store)
    ride = ride_of(store, household.ines.id)
    with store.writing() as tx:
        said = tx.rides.record(ride, household.plover.id, decided_by=DecidedBy.RIDER, at=MORNING, by="Ines")
        held = tx.rides.record(ride, household.heron.id, decided_by=machine, at=MORNING + DAY, by="the round")
        assert held == said
        assert tx.rides.ride(ride).bike == household.plover.id
        assert len(tx.rides.assignments_of(ride)) == 2


def test_a_rider_may_change_their_mind(store: Store) -> None:
    household = settle(store)
    ride = ride_of(store, household.ines.id)
    with store.writing() as tx:
        tx.rides.record(ride, household.plover.id, decided_by=DecidedBy.RIDER, at=MORNING, by="Ines")
        tx.rides.record(ride, household.heron.id, decided_by=DecidedBy.RIDER, at=MORNING + DAY, by="Ines")
        assert tx.rides.ride(ride).bike == household.heron.id


def test_an_undone_word_gives_the_ride_back_to_the_machine(store: Store) -> None:
    household = settle(store)
    ride = ride_of(store, household.ines.id)
    with store.writing() as tx:
        tx.rides.record(ride, household.plover.id, decided_by=DecidedBy.SENSOR, at=MORNING, by="the round")
        said = tx.rides.record(ride, household.heron.id, decided_by=DecidedBy.RIDER, at=MORNING, by="Ines")
        tx.rides.record(
            ride,
            household.plover.id,
            decided_by=DecidedBy.SENSOR,
            at=MORNING + DAY,
            by="Ines",
            undoes=said.id,
        )
        kept = tx.rides.ride(ride)
        assert (kept.bike, kept.decided_by) == (household.plover.id, DecidedBy.SENSOR)
        assert [decision.undone for decision in tx.rides.assignments_of(ride)] == [False, True, False]
        assert tx.rides.assignments_of(ride)[2].undoes == said.id


def test_a_decision_that_cannot_be_is_refused(store: Store) -> None:
    household = settle(store)
    ride, other = ride_of(store, household.ines.id), ride_of(store, household.ines.id, MORNING + DAY)
    with store.writing() as tx:
        made = tx.rides.record(other, None, decided_by=DecidedBy.RIDER, at=MORNING, by="Ines")
        with pytest.raises(FactRefused, match="about another ride"):
            tx.rides.record(ride, None, decided_by=DecidedBy.RIDER, at=MORNING, by="Ines", undoes=made.id)
        with pytest.raises(FactRefused, match="who decided"):
            tx.rides.record(ride, household.plover.id, decided_by=None, at=MORNING, by="Ines")
        with pytest.raises(NotFound):
            tx.rides.record(RideId(999_999), None, decided_by=DecidedBy.RIDER, at=MORNING, by="Ines")
    for wrong in ({"verdict": "sure"}, {"probability": 1.5}, {"bike": BikeId(999_999)}):
        with pytest.raises(FactRefused), store.writing() as tx:
            tx.rides.record(
                **{
                    "ride": ride,
                    "bike": None,
                    "decided_by": DecidedBy.RIDER,
                    "at": MORNING,
                    "by": "Ines",
                    **wrong,
                }  # type: ignore[arg-type]
            )


def test_rides_with_clues_are_listed_with_what_holds_and_one_may_count_as_never_judged(store: Store) -> None:
    household = settle(store)
    with store.writing() as tx:
        said, sensed, asked, without = tx.rides.add_many(
            [
                (ride_summary(MORNING + n * DAY), household.ines.id, clues)
                for n, clues in enumerate(("said", "sensed", "asked", ""))
            ]
        )
        plover = household.plover.id
        tx.rides.record(said, None, decided_by=DecidedBy.RIDER, at=MORNING, by="Ines")
        tx.rides.record(sensed, plover, decided_by=DecidedBy.SENSOR, at=MORNING, by="the round")
        tx.rides.record(asked, None, decided_by=DecidedBy.EVIDENCE, verdict="ask", at=MORNING, by="the round")
        tx.rides.record(without, plover, decided_by=DecidedBy.RIDER, at=MORNING, by="Ines")
        assert tx.rides.judged_rides() == [
            JudgedRide(said, "said", None, DecidedBy.RIDER, "certain", MORNING),
            JudgedRide(sensed, "sensed", plover, DecidedBy.SENSOR, "certain"),
            JudgedRide(asked, "asked", None, None, "ask"),
        ]
        assert not tx.rides.has_unjudged()
        for ride in (said, sensed):
            tx.rides.judge_anew(ride)
        assert [one.verdict for one in tx.rides.judged_rides()] == ["certain", None, "ask"]
        assert tx.rides.has_unjudged()


def test_decisions_on_many_rides_are_kept_as_one_by_one(store: Store) -> None:
    household = settle(store)
    rides = [ride_of(store, household.ines.id, MORNING + number * DAY) for number in range(3)]
    plover = household.plover.id
    with store.writing() as tx:
        tx.rides.record_judged(
            [
                MachineDecision(rides[0], plover, DecidedBy.SENSOR, 0.99, "certain", "{}"),
                MachineDecision(rides[1], None, None, 0.4, "ask", ""),
            ],
            at=MORNING,
            by="the round",
        )
        tx.rides.record(
            rides[2],
            plover,
            decided_by=DecidedBy.SENSOR,
            probability=0.99,
            evidence="{}",
            at=MORNING,
            by="the round",
        )
    with store.reading() as tx:
        assert [tx.rides.ride(one).bike for one in rides] == [plover, None, plover]
        assert [one.id for one in tx.rides.confirm_list()] == [rides[1]]
        at_once, alone = tx.rides.assignment_in_force(rides[0]), tx.rides.assignment_in_force(rides[2])
        assert at_once is not None
        assert alone is not None
        assert replace(at_once, id=0, ride=rides[2]) == replace(alone, id=0)
        spans = tx.rides.spans(MORNING - DAY, MORNING + 9 * DAY)
        assert [(one.id, one.bike, one.decided_by) for one in spans] == [
            (rides[0], plover, DecidedBy.SENSOR),
            (rides[1], None, None),
            (rides[2], plover, DecidedBy.SENSOR),
        ]


def test_words_taken_back_one_after_the_other_return_to_what_stood_before_each(store: Store) -> None:
    household = settle(store)
    ride = ride_of(store, household.ines.id)
    with store.writing() as tx:
        tx.rides.record(ride, household.plover.id, decided_by=DecidedBy.SENSOR, at=MORNING, by="the round")
        first = tx.rides.record(ride, household.heron.id, decided_by=DecidedBy.RIDER, at=MORNING, by="Ines")
        second = tx.rides.record(ride, None, decided_by=DecidedBy.RIDER, at=MORNING, by="Ines")

        tx.rides.take_back_decision(second.id, at=MORNING + DAY, by="Ines")
        assert tx.rides.ride(ride).bike == household.heron.id
        tx.rides.take_back_decision(first.id, at=MORNING + DAY, by="Ines")
        kept = tx.rides.ride(ride)
        assert (kept.bike, kept.decided_by) == (household.plover.id, DecidedBy.SENSOR)
        assert [one.undoes for one in tx.rides.assignments_of(ride)] == [
            None,
            None,
            None,
            second.id,
            first.id,
        ]


def test_the_only_word_on_a_ride_taken_back_leaves_it_unjudged(store: Store) -> None:
    household = settle(store)
    ride = ride_of(store, household.ines.id)
    with store.writing() as tx:
        said = tx.rides.record(ride, household.heron.id, decided_by=DecidedBy.RIDER, at=MORNING, by="Ines")
        tx.rides.take_back_decision(said.id, at=MORNING, by="Ines")
        assert tx.rides.ride(ride).bike is None
        assert [one.id for one in tx.rides.confirm_list()] == [ride]
        with pytest.raises(NotFound):
            tx.rides.take_back_decision(99, at=MORNING, by="Ines")
