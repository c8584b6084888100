"""Rides kept, found, taken back and linked."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.vocabulary import Condition, DecidedBy, DriveMethod, RideId
from services.store import FactRefused, NotFound, RideSums, Store
from tests.services.store.household import DAY, HOUR, MORNING, ride_of, ride_summary, settle, tag


def test_a_ride_comes_back_as_its_summary_said(store: Store) -> None:
    household = settle(store)
    summary = ride_summary(MORNING + 40 * HOUR / 60, unpaved_share=0.4)
    with store.writing() as tx:
        ride_id = tx.rides.add(summary, household.ines.id, file_name="card/one.fit", clues="{}")
    with store.reading() as tx:
        ride = tx.rides.ride(ride_id)
        details = tx.rides.details(ride_id)
        outing = tx.rides.outing(ride_id)
        assert tx.rides.clues(ride_id) == "{}"
    assert (ride.rider, ride.started_at, ride.ended_at) == (
        household.ines.id,
        summary.started_at,
        summary.ended_at,
    )
    assert (ride.bike, ride.decided_by, ride.word, ride.unpaved_share) == (None, None, None, 0.4)
    assert (ride.drive_method, ride.drive_low_s, ride.drive_high_s) == (DriveMethod.CADENCE, 8700.0, 9300.0)
    assert ride.file_name == "card/one.fit"
    assert [(h.hour_start, h.drive_s, h.mean_speed_mps, h.tag) for h in ride.hours] == [
        (h.hour_start, h.drive_s, h.mean_speed_mps, None) for h in summary.hours
    ]
    assert outing == replace(summary, file_name="card/one.fit") == details.summary
    assert (details.verdict, details.kept_ride, details.second_recordings) == (None, None, ())
    assert details.withdrawn_because is None


def test_many_rides_are_added_in_their_order(store: Store) -> None:
    household = settle(store)
    many = [
        (ride_summary(MORNING + n * DAY, hours=1 + n % 3), household.ines.id, f"clues {n}") for n in range(50)
    ]
    with store.writing() as tx:
        ids = tx.rides.add_many(many)
        assert tx.rides.add_many([]) == []
    with store.reading() as tx:
        rides = tx.rides.rides()
        assert [ride.id for ride in rides] == ids
        assert [len(ride.hours) for ride in rides] == [1 + n % 3 for n in range(50)]
        assert tx.rides.clues(ids[49]) == "clues 49"


def test_rides_are_found_by_time_rider_bike_and_text(store: Store) -> None:
    household = settle(store)
    first = ride_of(store, household.ines.id)
    second = ride_of(store, household.tomas.id, MORNING + DAY, title="100% rain_ over the pass")
    third = ride_of(store, household.ines.id, MORNING + 2 * DAY, file_name="salt.gpx", title="")
    with store.writing() as tx:
        tx.rides.record(first, household.plover.id, decided_by=DecidedBy.RIDER, at=MORNING, by="Ines")

    def ids(**which: object) -> list[RideId]:
        with store.reading() as tx:
            found = tx.rides.rides(**which)  # type: ignore[arg-type]
            paging = {"limit", "offset", "newest_first"}
            counted = tx.rides.count(**{k: v for k, v in which.items() if k not in paging})  # type: ignore[arg-type]
            assert counted == len(found) or paging & set(which)
            return [ride.id for ride in found]

    assert ids() == [first, second, third]
    assert ids(between=(MORNING + DAY, None)) == [second, third]
    assert ids(between=(None, MORNING + 2 * DAY)) == [first, second]
    assert ids(between=(MORNING, MORNING)) == []
    assert ids(rider=household.ines.id) == [first, third]
    assert ids(bike=household.plover.id) == [first]
    assert (ids(asking=True), ids(none_of_ours=True)) == ([second, third], [])
    with store.writing() as tx:
        tx.rides.record(third, None, decided_by=DecidedBy.RIDER, at=MORNING, by="Ines")
        sums = tx.rides.sums(rider=household.ines.id)
        mine = tx.rides.rides(rider=household.ines.id)
        assert sums == RideSums(2, sum(r.distance_m for r in mine), sum(r.drive_s for r in mine))
        assert tx.rides.numbers(rider=household.ines.id) == (first, third)
        spans = [(household.plover.id, MORNING, MORNING + HOUR), (household.heron.id, MORNING, MORNING + DAY)]
        assert tx.rides.started_in(spans) == {household.plover.id: 1}
        assert tx.rides.started_in([(household.plover.id, MORNING - DAY, MORNING)]) == {}
    assert (ids(asking=True), ids(none_of_ours=True)) == ([second], [third])
    umlaut = ride_of(store, household.ines.id, MORNING + 3 * DAY, title="Über den Pass")
    assert ids(text="üBER") == [umlaut]
    with store.writing() as tx:
        tx.rides.withdraw(umlaut, at=MORNING, by="Ines", why="a car")
    assert ids(text="RAIN_") == [second]
    assert ids(text="100%") == [second]
    assert ids(text="0_r") == []
    assert ids(text="Salt") == [first, third]
    assert ids(limit=2) == [first, second]
    assert ids(offset=1) == [second, third]
    assert ids(newest_first=True, limit=1, offset=1) == [second]
    assert ids(newest_first=True) == [third, second, first]


def test_rides_under_way_at_the_same_time_overlap(store: Store) -> None:
    household = settle(store)
    mine = ride_of(store, household.ines.id, MORNING, hours=2)
    theirs = ride_of(store, household.tomas.id, MORNING + HOUR, hours=2)
    with store.reading() as tx:

        def during(start: float, end: float, rider: object = household.ines.id) -> list[RideId]:
            found = tx.rides.spans(MORNING + start * HOUR, MORNING + end * HOUR)
            return [ride.id for ride in found if rider in (None, ride.rider)]

        assert during(1, 5) == [mine]
        assert during(-1, 0.1) == [mine]
        assert during(2, 3) == []
        assert during(-1, 0) == []
        assert during(1.5, 1.6, rider=None) == [mine, theirs]


def test_a_ride_withdrawn_is_kept_but_counts_no_more(store: Store) -> None:
    household = settle(store)
    ride_id = ride_of(store, household.ines.id)
    with store.writing() as tx:
        tx.rides.withdraw(ride_id, at=MORNING + DAY, by="Ines", why="I was in a car.")
        assert tx.rides.rides() == tx.rides.confirm_list() == tx.rides.untagged() == ()
        assert tx.ledger().rides == ()
        assert tx.rides.details(ride_id).withdrawn_because == "I was in a car."
        with pytest.raises(FactRefused, match="already"):
            tx.rides.withdraw(ride_id, at=MORNING + DAY, by="Ines", why="Twice.")
        tx.rides.restore(ride_id, at=MORNING + DAY, by="Ines")
        assert [ride.id for ride in tx.rides.rides()] == [ride_id]
        assert tx.rides.details(ride_id).withdrawn_because is None


def test_a_ride_nobody_added_is_not_found(store: Store) -> None:
    with store.writing() as tx:
        for look in (tx.rides.ride, tx.rides.outing, tx.rides.clues, tx.rides.details):
            with pytest.raises(NotFound, match="No ride “7”"):
                look(RideId(7))
        with pytest.raises(NotFound):
            tx.rides.set_clues(RideId(7), "")


def test_newer_clues_replace_older(store: Store) -> None:
    household = settle(store)
    ride_id = ride_of(store, household.ines.id)
    with store.writing() as tx:
        tx.rides.set_clues(ride_id, "newer")
        assert tx.rides.clues(ride_id) == "newer"


@pytest.mark.parametrize(
    "impossible", [{"drive_s": -1.0}, {"unpaved_share": 1.2}, {"ended_at": MORNING - HOUR}]
)
def test_a_ride_that_cannot_be_is_refused_whole(store: Store, impossible: dict[str, object]) -> None:
    household = settle(store)
    with pytest.raises(FactRefused), store.writing() as tx:
        tx.rides.add(ride_summary(**impossible), household.ines.id)  # type: ignore[arg-type]
    with store.reading() as tx:
        assert tx.rides.count() == 0


def test_a_poorer_second_recording_is_linked_and_counts_no_more(store: Store) -> None:
    household = settle(store)
    kept = ride_of(store, household.ines.id)
    with store.writing() as tx:
        other = tx.rides.add_second_recording(
            kept,
            ride_summary(reader="gpx stream", file_name="same.gpx"),
            keep_new=False,
            because=["the same places to 1 m"],
            at=MORNING + DAY,
        )
        assert [ride.id for ride in tx.rides.rides()] == [kept]
        assert tx.rides.details(kept).second_recordings == (other,)
        assert tx.rides.details(other).kept_ride == kept
        assert tx.rides.why_same_outing(other) == ("the same places to 1 m",)
        assert tx.rides.outing(other).reader == "gpx stream"
        assert tx.rides.spans(MORNING, MORNING + HOUR)[0].id == kept


def test_a_richer_second_recording_takes_the_rides_place(store: Store) -> None:
    household = settle(store)
    poor = ride_summary(reader="gpx stream", file_name="same.gpx", unpaved_share=0.1)
    rich = ride_summary(MORNING - HOUR, hours=4, unpaved_share=0.6, file_name="same.fit")
    with store.writing() as tx:
        kept = tx.rides.add(poor, household.ines.id, clues="poor clues")
        tx.rides.add_tags(kept, [(MORNING, tag())], MORNING + DAY)
        tx.rides.set_word(kept, Condition.WET, MORNING + DAY, "Ines")
        tx.rides.record(kept, household.plover.id, decided_by=DecidedBy.RIDER, at=MORNING, by="Ines")
        other = tx.rides.add_second_recording(
            kept,
            rich,
            keep_new=True,
            because=["same places", "more sensors"],
            at=MORNING + DAY,
            clues="rich",
        )
        ride, linked = tx.rides.ride(kept), tx.rides.ride(other)
        assert tx.rides.outing(kept) == rich
        assert tx.rides.outing(other) == poor
        assert (tx.rides.clues(kept), tx.rides.clues(other)) == ("rich", "poor clues")
        assert tx.rides.why_same_outing(other) == ("same places", "more sensors")
    assert (ride.bike, ride.decided_by, ride.word) == (household.plover.id, DecidedBy.RIDER, Condition.WET)
    assert (ride.unpaved_share, linked.unpaved_share) == (0.6, 0.1)
    assert [hour.tag for hour in ride.hours] == [None] * 4
    assert linked.hours[0].tag == tag()


def test_a_riders_word_on_the_share_outlives_a_richer_recording(store: Store) -> None:
    household = settle(store)
    kept = ride_of(store, household.ines.id, unpaved_share=0.1)
    with store.writing() as tx:
        tx.rides.set_unpaved_share(kept, 0.9, MORNING + DAY, "Ines")
        tx.rides.add_second_recording(
            kept, ride_summary(unpaved_share=0.6), keep_new=True, because="", at=MORNING + DAY
        )
        assert tx.rides.ride(kept).unpaved_share == 0.9


def test_two_rides_are_linked_and_split_again(store: Store) -> None:
    household = settle(store)
    one, two, three = (ride_of(store, household.ines.id, MORNING + n * HOUR) for n in range(3))
    with store.writing() as tx:
        tx.rides.link_same_outing(two, three, ["overlap"], at=MORNING + DAY, by="Ines")
        tx.rides.link_same_outing(one, two, ["split at lunch"], at=MORNING + DAY, by="Ines")
        assert [ride.id for ride in tx.rides.rides()] == [one]
        assert tx.rides.details(one).second_recordings == (two, three)
        for kept, other in ((one, one), (two, one), (one, three)):
            with pytest.raises(FactRefused):
                tx.rides.link_same_outing(kept, other, [], at=MORNING + DAY, by="Ines")
        tx.rides.split_again(two, at=MORNING + 2 * DAY, by="Ines")
        assert [ride.id for ride in tx.rides.rides()] == [one, two]
        assert tx.rides.why_same_outing(two) == ()
        with pytest.raises(NotFound):
            tx.rides.split_again(two, at=MORNING + 2 * DAY, by="Ines")
        tx.rides.link_same_outing(one, two, ["after all"], at=MORNING + 3 * DAY, by="Ines")
        assert tx.rides.why_same_outing(two) == ("after all",)
