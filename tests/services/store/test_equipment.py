"""Riders, bikes and sensors."""

from __future__ import annotations

from datetime import datetime

import pytest

from rules.vocabulary import DecidedBy, RiderId
from services.store import FactRefused, NotFound, Store
from tests.put_into import into
from tests.services.store.household import DAY, MORNING, ride_of, ride_summary, settle


def test_riders_come_back_as_they_were_added(store: Store) -> None:
    household = settle(store)
    with store.reading() as tx:
        assert tx.equipment.riders() == (household.ines, household.tomas)
        assert tx.equipment.find_rider("  iNeS ") == household.ines
        assert tx.equipment.find_rider("TOMÁS") == household.tomas


def test_an_unknown_name_says_which_names_look_like_it(store: Store) -> None:
    settle(store)
    with store.reading() as tx, pytest.raises(NotFound) as missing:
        tx.equipment.find_bike("plovr")
    assert missing.value.near == ("Plover",)
    assert str(missing.value) == "No bike “plovr”. Did you mean “Plover”?"
    with store.reading() as tx, pytest.raises(NotFound, match="Known: Heron, Plover"):
        tx.equipment.find_bike("quite another")


def test_an_unknown_name_where_there_is_none_says_so(store: Store) -> None:
    with store.reading() as tx, pytest.raises(NotFound, match="There is no rider yet"):
        tx.equipment.find_rider("Ines")


def test_a_bike_keeps_its_gears_and_dates(store: Store) -> None:
    household = settle(store)
    with store.writing() as tx:
        added = into(tx).add_bike(
            "Curlew",
            household.ines.id,
            unpaved_share=0.25,
            chainrings=(30, 46),
            cogs=(11, 13, 15, 34),
            wheel_circumference_m=2.2,
            indoor=True,
            from_at=MORNING,
            until_at=MORNING + DAY,
        )
    with store.reading() as tx:
        assert tx.equipment.bikes()[-1] == added
    assert (added.chainrings, added.cogs, added.from_at) == ((30, 46), (11, 13, 15, 34), MORNING)


@pytest.mark.parametrize(
    "impossible",
    [
        {"unpaved_share": 1.5},
        {"unpaved_share": -0.1},
        {"wheel_circumference_m": 22.0},
        {"from_at": MORNING, "until_at": MORNING - DAY},
    ],
)
def test_a_bike_that_cannot_be_is_refused(store: Store, impossible: dict[str, object]) -> None:
    household = settle(store)
    with pytest.raises(FactRefused), store.writing() as tx:
        into(tx).add_bike("Curlew", household.ines.id, **impossible)  # type: ignore[arg-type]


def test_sensors_seen_counts_rides_and_their_bikes(store: Store) -> None:
    household = settle(store)
    first = ride_of(store, household.ines.id)
    ride_of(store, household.ines.id, MORNING + DAY)
    with store.writing() as tx:
        tx.rides.add(ride_summary(MORNING + 2 * DAY, sensors=(), device=None), household.ines.id)
        tx.rides.record(first, household.plover.id, decided_by=DecidedBy.RIDER, at=MORNING + DAY, by="Ines")
    with store.reading() as tx:
        seen = {sighting.identity: sighting for sighting in tx.equipment.sensors_seen()}
    assert set(seen) == {"serial 77", "ant heart rate 4242", "serial 3900000001"}
    meter = seen["serial 77"]
    assert (meter.kind, meter.rides, meter.recorder) == ("power meter", 2, False)
    assert meter.bikes == ((household.plover.id, 1),)
    assert (meter.first_at, meter.last_at) == (MORNING, MORNING + DAY)
    assert seen["serial 3900000001"].recorder


def test_a_naive_time_is_refused(store: Store) -> None:
    household = settle(store)
    with pytest.raises(FactRefused, match="time zone"), store.writing() as tx:
        into(tx).add_sensor("speed", "serial 5", household.plover.id, datetime(2026, 6, 1))  # noqa: DTZ001


@pytest.mark.parametrize("name", ["Ines", "INES"])
def test_a_second_rider_of_the_same_name_is_refused(store: Store, name: str) -> None:
    settle(store)
    with pytest.raises(FactRefused), store.writing() as tx:
        into(tx).add_rider(name)
    with store.reading() as tx:
        assert len(tx.equipment.riders()) == 2


def test_a_bike_of_nobody_is_refused(store: Store) -> None:
    with pytest.raises(FactRefused), store.writing() as tx:
        into(tx).add_bike("Curlew", RiderId(999_999))


def test_spans_of_a_sensor_come_back_in_the_order_they_were_learned(store: Store) -> None:
    household = settle(store)
    with store.writing() as tx:
        into(tx).add_sensor("power meter", "serial 77", household.plover.id)
        into(tx).add_sensor("power meter", "serial 77", household.heron.id, from_at=MORNING)
    with store.reading() as tx:
        assert [(s.bike, s.from_at, s.until_at) for s in tx.equipment.sensors()] == [
            (household.plover.id, None, MORNING),
            (household.heron.id, MORNING, None),
        ]
