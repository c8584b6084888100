"""The household as one ledger: only what is in force, and quickly."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from rules.vocabulary import Condition, DecidedBy, TreatmentKind
from services.store import Store
from services.store.retractions import Retractions
from services.store.tables import treatment
from tests.put_into import into
from tests.services.store.household import DAY, HOUR, MORNING, ride_of, ride_summary, settle, tag


def test_the_ledger_holds_every_fact_in_force_and_no_other(store: Store) -> None:
    household = settle(store)
    kept, withdrawn = ride_of(store, household.ines.id), ride_of(store, household.ines.id, MORNING + DAY)
    with store.writing() as tx:
        fitting = into(tx).fit_chain(household.amber.id, household.plover.id, MORNING - DAY)
        sensor = into(tx).add_sensor("power meter", "serial 77", household.plover.id)
        drip = into(tx).log_treatment(household.amber.id, TreatmentKind.DRIP, MORNING)
        slip = into(tx).log_treatment(household.amber.id, TreatmentKind.WIPE, MORNING)
        test = into(tx).log_wipe_test(household.amber.id, MORNING, 2)
        retractions = Retractions(tx._connection)
        retractions.take_back(treatment, "treatment", slip.id, at=MORNING, by="Ines", why="a slip")
        tx.rides.record(kept, household.plover.id, decided_by=DecidedBy.RIDER, at=MORNING, by="Ines")
        tx.rides.set_word(kept, Condition.WET, MORNING + DAY, "Ines")
        tx.rides.add_tags(kept, [(MORNING + HOUR, tag(0.5))], MORNING + DAY)
        tx.rides.withdraw(withdrawn, at=MORNING + 2 * DAY, by="Ines", why="a car")
        tx.rides.add_second_recording(
            kept, ride_summary(), keep_new=False, because="the same", at=MORNING + DAY
        )
    with store.reading() as tx:
        ledger = tx.ledger()
        ride = tx.rides.ride(kept)
    assert ledger.riders == (household.ines, household.tomas)
    assert ledger.bikes == (household.plover, household.heron)
    assert ledger.chains == (household.amber, household.basalt)
    assert (ledger.fittings, ledger.sensors) == ((fitting,), (sensor,))
    assert (ledger.treatments, ledger.readings, ledger.wipe_tests) == ((drip,), (), (test,))
    assert ledger.rides == (ride,)
    assert (ride.bike, ride.word) == (household.plover.id, Condition.WET)
    assert [hour.tag for hour in ride.hours] == [None, tag(0.5), None]


def test_many_rides_are_read_with_their_hours_and_tags(tmp_path: Path) -> None:
    rides, hours = 1_000, 3
    summary = ride_summary(hours=hours)
    with Store.open(tmp_path / "ledger.db") as store:
        household = settle(store)
        starts = [MORNING + n * DAY / 2 for n in range(rides)]
        with store.writing() as tx:
            ids = tx.rides.add_many(
                [
                    (replace(summary, started_at=start, ended_at=start + 3 * HOUR), household.ines.id, "")
                    for start in starts
                ]
            )
            tx._connection.exec_driver_sql(
                "INSERT INTO condition_tag (ride_hour, is_current, made_at, checked_at, paved_water,"
                " unpaved_water, mud, dust, confidence, tier, rain_mm, rain_before_mm, source, fetched_at,"
                " because, frost, salt, snow_mm) SELECT id, 1, hour_start, hour_start, 0.1, 0.2, 0.0, 0.5,"
                " 0.9, 'final', 0.0, 1.0, 'archive', hour_start, 'No rain.', 0, 0.0, 0.0 FROM ride_hour"
            )
        with store.reading() as tx:
            ledger = tx.ledger()
    assert [ride.id for ride in ledger.rides] == ids
    assert all(len(ride.hours) == hours and ride.hours[0].tag is not None for ride in ledger.rides)


def test_of_chains_that_are_retired_only_names_and_fittings_are_read(store: Store) -> None:
    house = settle(store)
    with store.writing() as tx:
        into(tx).fit_chain(house.amber.id, house.plover.id, MORNING)
        ride = tx.rides.add(ride_summary(MORNING + HOUR, 1), house.ines.id)
        tx.rides.record(ride, house.plover.id, decided_by=DecidedBy.RIDER, at=MORNING, by="Ines")
        into(tx).log_treatment(house.amber.id, TreatmentKind.DRIP, MORNING)
        used, whole = tx.in_use(MORNING + DAY), tx.ledger()
        assert (used.rides, used.treatments) == (whole.rides, whole.treatments)
        into(tx).retire_chain(house.amber.id, MORNING + DAY)
        later, whole = tx.in_use(MORNING + 2 * DAY), tx.ledger()
        assert (later.rides, later.treatments) == ((), ())
        assert (later.chains, later.fittings) == (whole.chains, whole.fittings)
        assert later.joined(tx.ledger_of({house.amber.id})) == whole
