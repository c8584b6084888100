"""Tags with their revisions, and the rider's word."""

from __future__ import annotations

from dataclasses import replace

import pytest
from sqlalchemy import select

from rules.vocabulary import Condition, RideId, Tier
from services.store import FactRefused, NotFound, Store, Transaction
from services.store.tables_rides import Tagged, condition_tag, ride_hour
from tests.services.store.household import DAY, HOUR, MORNING, ride_of, ride_summary, settle, tag


def made(tx: Transaction, ride: RideId) -> list[tuple[object, ...]]:
    """Every tag that was ever made of its hours: what it says, when made and last checked, if it stands."""
    tag = condition_tag.c
    query = (
        select(ride_hour.c.hour_start, tag.because, tag.made_at, tag.checked_at, tag.is_current)
        .join_from(ride_hour, condition_tag, tag.ride_hour == ride_hour.c.id)
        .where(ride_hour.c.ride == ride)
        .order_by(ride_hour.c.hour_start, tag.id)
    )
    return [tuple(row) for row in tx._connection.execute(query)]


def test_the_newest_tag_of_an_hour_is_the_rides(store: Store) -> None:
    ride = ride_of(store, settle(store).ines.id)
    first, newer = tag(tier=Tier.PRELIMINARY), tag(1.0, rain_mm=4.2, because="It poured.")
    with store.writing() as tx:
        assert tx.rides.add_tags(ride, [(MORNING, first), (MORNING + HOUR, first)], MORNING + DAY) == ()
        (flip,) = tx.rides.add_tags(ride, [(MORNING, newer)], MORNING + 6 * DAY)
        assert (flip.ride, flip.hour_start, flip.before, flip.after) == (ride, MORNING, first, newer)
    with store.reading() as tx:
        assert [hour.tag for hour in tx.rides.ride(ride).hours] == [newer, first, None]
        assert made(tx, ride) == [
            (MORNING, first.because, MORNING + DAY, MORNING + DAY, False),
            (MORNING, newer.because, MORNING + 6 * DAY, MORNING + 6 * DAY, True),
            (MORNING + HOUR, first.because, MORNING + DAY, MORNING + DAY, True),
        ]


def test_another_reading_of_its_file_takes_a_rides_place_hour_by_hour(store: Store) -> None:
    """From seven on and longer: six is no more, seven was ridden otherwise, eight as before, nine is new."""
    house = settle(store)
    ride, other = ride_of(store, house.ines.id), ride_of(store, house.ines.id, MORNING + 3 * DAY)
    known = tag()
    with store.writing() as tx:
        tx.rides.add_tags(ride, [(MORNING + n * HOUR, known) for n in range(3)], MORNING + DAY)
        tx.rides.set_word(ride, Condition.WET, MORNING + DAY, "Ines")
        before = tx.rides.ride(ride), tx.rides.ride(other)
        anew = ride_summary(MORNING + HOUR, title="Sight\0seeing", sub_sport=None, damage=())
        seven, *later = anew.hours
        tx.rides.renew(ride, replace(anew, hours=(replace(seven, drive_s=900.0), *later)), "clues")
    with store.writing() as tx:
        now = tx.rides.ride(ride)
        assert [hour.hour_start - MORNING for hour in now.hours] == [HOUR, 2 * HOUR, 3 * HOUR]
        assert [hour.tag for hour in now.hours] == [known, known, None]
        assert (now.word, now.started_at, now.hours[0].drive_s) == (Condition.WET, MORNING + HOUR, 900.0)
        assert tx.rides.clues(ride) == "clues"
        assert tx.rides.outing(ride).sensors == anew.sensors
        assert len(made(tx, ride)) == 2
        abroad = replace(seven, latitude_deg=-17.5)
        tx.rides.renew(ride, replace(anew, hours=(abroad, *later)), "clues")
        assert [hour.tag for hour in tx.rides.ride(ride).hours] == [None, known, None]
        tx.rides.add_tags(ride, [(MORNING + n * HOUR, known) for n in range(1, 4)], MORNING + 2 * DAY)
        rows = tx._connection.execute(select(ride_hour.c.tagged).where(ride_hour.c.ride == ride))
        assert {row.tagged for row in rows} == {Tagged.FINAL}
        assert tx.rides.ride(other) == before[1]
        assert tx.rides.read_from("morning.fit", ride, MORNING) == ride
        assert tx.rides.read_from("another.fit", ride, MORNING) is None
    assert store.faults() == ()


def test_a_tag_that_only_explains_itself_anew_is_no_flip(store: Store) -> None:
    ride = ride_of(store, settle(store).ines.id)
    with store.writing() as tx:
        tx.rides.add_tags(ride, [(MORNING, tag(tier=Tier.PRELIMINARY))], MORNING + DAY)
        assert tx.rides.add_tags(ride, [(MORNING, tag(source="another"))], MORNING + 6 * DAY) == ()
        assert len(made(tx, ride)) == 2


def test_an_unknown_hour_that_becomes_known_is_a_flip(store: Store) -> None:
    ride = ride_of(store, settle(store).ines.id)
    with store.writing() as tx:
        tx.rides.add_tags(ride, [(MORNING, tag(None))], MORNING + DAY)
        assert len(tx.rides.add_tags(ride, [(MORNING, tag())], MORNING + 6 * DAY)) == 1


def test_the_same_tag_again_only_renews_when_it_was_checked(store: Store) -> None:
    ride = ride_of(store, settle(store).ines.id)
    with store.writing() as tx:
        for days in (1, 2):
            assert tx.rides.add_tags(ride, [(MORNING, tag())], MORNING + days * DAY) == ()
        assert [times for _, _, *times, _ in made(tx, ride)] == [[MORNING + DAY, MORNING + 2 * DAY]]


def test_a_tag_for_an_hour_the_ride_does_not_have_is_refused(store: Store) -> None:
    ride = ride_of(store, settle(store).ines.id)
    with pytest.raises(NotFound, match="hour of ride"), store.writing() as tx:
        tx.rides.add_tags(ride, [(MORNING, tag()), (MORNING + 9 * HOUR, tag())], MORNING + DAY)
    with store.reading() as tx:
        assert made(tx, ride) == []


def test_a_tag_that_cannot_be_is_refused(store: Store) -> None:
    ride = ride_of(store, settle(store).ines.id)
    with pytest.raises(FactRefused), store.writing() as tx:
        tx.rides.add_tags(ride, [(MORNING, tag(dust=9.0))], MORNING + DAY)


def test_untagged_rides_wait_newest_first_come_first_served(store: Store) -> None:
    rider = settle(store).ines.id
    missing, unknown, preliminary, settled = (
        ride_of(store, rider, MORNING + n * DAY, hours=1) for n in range(4)
    )
    ride_of(store, rider, MORNING + 5 * DAY, hours=1, indoor=True)
    ride_of(store, rider, MORNING + 6 * DAY, hours=1, virtual=True)
    with store.writing() as tx:
        tx.rides.add_tags(unknown, [(MORNING + DAY, tag(None))], MORNING + 7 * DAY)
        tx.rides.add_tags(preliminary, [(MORNING + 2 * DAY, tag(tier=Tier.PRELIMINARY))], MORNING + 8 * DAY)
        tx.rides.add_tags(settled, [(MORNING + 3 * DAY, tag())], MORNING + 8 * DAY)

        def waiting(**which: object) -> list[RideId]:
            return [ride.id for ride in tx.rides.untagged(**which)]  # type: ignore[arg-type]

        assert waiting() == [missing, unknown, preliminary]
        assert waiting(preliminary=False) == [missing, unknown]
        assert waiting(limit=1) == [preliminary]
        assert waiting(checked_before=MORNING + 8 * DAY) == [missing, unknown]
        assert waiting(checked_before=MORNING + 7 * DAY) == [missing]


def test_hours_without_a_place_are_not_waited_for(store: Store) -> None:
    rider = settle(store).ines.id
    summary = ride_summary(hours=1)
    nowhere = replace(summary, hours=(replace(summary.hours[0], latitude_deg=None, longitude_deg=None),))
    with store.writing() as tx:
        tx.rides.add(nowhere, rider)
        assert tx.rides.untagged() == ()


def test_a_riders_word_is_kept_with_its_history(store: Store) -> None:
    ride = ride_of(store, settle(store).ines.id, unpaved_share=0.2)
    with store.writing() as tx:
        assert tx.rides.set_word(ride, Condition.DUSTY, MORNING + DAY, "Ines").word is Condition.DUSTY
        assert tx.rides.set_word(ride, None, MORNING + 2 * DAY, "Ines").word is None
        assert tx.rides.set_unpaved_share(ride, 0.75, MORNING + DAY, "Tomás").unpaved_share == 0.75
        assert tx.rides.set_unpaved_share(ride, None, MORNING + 2 * DAY, "Tomás").unpaved_share == 0.2
        assert [(word.about, word.said, word.at, word.by) for word in tx.rides.words_of(ride)] == [
            ("conditions", "dusty", MORNING + DAY, "Ines"),
            ("conditions", None, MORNING + 2 * DAY, "Ines"),
            ("unpaved share", "0.75", MORNING + DAY, "Tomás"),
            ("unpaved share", None, MORNING + 2 * DAY, "Tomás"),
        ]


@pytest.mark.parametrize("share", [-0.01, 1.01])
def test_a_share_lies_between_none_and_all(store: Store, share: float) -> None:
    ride = ride_of(store, settle(store).ines.id)
    with store.writing() as tx, pytest.raises(FactRefused, match="between 0 and 1"):
        tx.rides.set_unpaved_share(ride, share, MORNING, "Ines")


def test_a_word_on_a_ride_nobody_added_is_not_found(store: Store) -> None:
    with store.writing() as tx:
        with pytest.raises(NotFound):
            tx.rides.set_word(RideId(9), Condition.WET, MORNING, "Ines")
        with pytest.raises(NotFound):
            tx.rides.set_unpaved_share(RideId(9), 0.5, MORNING, "Ines")


def test_rides_without_a_word_on_their_ground_are_found_with_their_tracks_newest_first(store: Store) -> None:
    ines = settle(store).ines.id
    older = ride_of(store, ines, MORNING - DAY, track=b"older")
    newer = ride_of(store, ines, MORNING, track=b"newer")
    ride_of(store, ines, MORNING + DAY, track=b"")  # nothing to lay on a map
    ride_of(store, ines, MORNING + 2 * DAY, track=b"roof", indoor=True)
    with store.writing() as tx:
        assert tx.rides.without_unpaved_word() == (newer, older)
        assert tx.rides.tracks((older, newer, RideId(999_999))) == {older: b"older", newer: b"newer"}
        assert tx.rides.tracks(()) == {}
        tx.rides.set_word(newer, Condition.WET, MORNING + DAY, "Ines")  # of another matter
        tx.rides.set_unpaved_share(older, 0.4, MORNING + DAY, "Ines")
        assert tx.rides.without_unpaved_word() == (newer,)
        tx.rides.set_unpaved_share(older, None, MORNING + 2 * DAY, "Ines")
        assert tx.rides.without_unpaved_word() == (newer, older)


def test_what_is_not_settled_is_counted_and_looked_up_without_a_ride_being_read(store: Store) -> None:
    house = settle(store)
    ride = ride_of(store, house.ines.id, hours=2)
    ride_of(store, house.ines.id, MORNING + DAY, indoor=True)
    with store.writing() as tx:
        assert tx.rides.any_unsettled(never_tagged=True)
        assert tx.rides.conditions_unknown() == 1
        tx.rides.add_tags(ride, [(MORNING, tag(None)), (MORNING + HOUR, tag())], MORNING)
        assert not tx.rides.any_unsettled(never_tagged=True)
        assert tx.rides.any_unsettled(began=(MORNING - HOUR, MORNING))
        assert not tx.rides.any_unsettled(began=(MORNING, MORNING + 9 * HOUR))
        assert tx.rides.conditions_unknown() == 1
        tx.rides.add_tags(ride, [(MORNING, tag(tier=Tier.PRELIMINARY))], MORNING)
        assert tx.rides.conditions_unknown() == 0
        assert tx.rides.any_unsettled()
        tx.rides.withdraw(ride, at=MORNING, by="Ines", why="a car")
        assert not tx.rides.any_unsettled()
        tx.rides.restore(ride, at=MORNING, by="Ines")
        tx.rides.add_tags(ride, [(MORNING, tag(1.0))], MORNING)
        assert not tx.rides.any_unsettled()
