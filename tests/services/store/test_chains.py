"""Chains and their fittings: one chain on a bike, one bike under a chain, at any moment."""

from __future__ import annotations

import pytest

from rules.vocabulary import ChainId, Regime
from services.store import FactRefused, NotFound, Store
from tests.services.store.household import DAY, HOUR, MORNING, settle


def test_chains_come_back_as_they_were_added(store: Store) -> None:
    household = settle(store)
    with store.reading() as tx:
        assert tx.equipment.chains() == (household.amber, household.basalt)
        assert tx.equipment.chain(household.amber.id) == household.amber
    assert (household.amber.regime, household.basalt.regime) == (Regime.WAXED, Regime.WET_LUBE)
    assert household.amber.acquired_at == MORNING - 100 * DAY


def test_a_second_chain_of_the_same_name_is_refused(store: Store) -> None:
    settle(store)
    with pytest.raises(FactRefused, match="a chain “Amber” already"), store.writing() as tx:
        tx.equipment.add_chain("amber")


@pytest.mark.parametrize("impossible", [{"speeds": 40}, {"links": 0}, {"price": -1.0}])
def test_a_chain_that_cannot_be_is_refused(store: Store, impossible: dict[str, float]) -> None:
    settle(store)
    with pytest.raises(FactRefused), store.writing() as tx:
        tx.equipment.add_chain("Cedar", **impossible)  # type: ignore[arg-type]


def test_fitting_a_chain_takes_off_what_was_on_the_bike(store: Store) -> None:
    household = settle(store)
    with store.writing() as tx:
        first = tx.equipment.fit_chain(household.amber.id, household.plover.id, MORNING)
        second = tx.equipment.fit_chain(household.basalt.id, household.plover.id, MORNING + DAY)
    with store.reading() as tx:
        fittings = tx.equipment.fittings()
    assert [(f.id, f.fitted_at, f.removed_at) for f in fittings] == [
        (first.id, MORNING, MORNING + DAY),
        (second.id, MORNING + DAY, None),
    ]


def test_fitting_a_chain_elsewhere_takes_it_off_where_it_was(store: Store) -> None:
    household = settle(store)
    with store.writing() as tx:
        tx.equipment.fit_chain(household.amber.id, household.plover.id, MORNING)
        tx.equipment.fit_chain(household.amber.id, household.heron.id, MORNING + DAY)
    with store.reading() as tx:
        assert [(f.bike, f.removed_at) for f in tx.equipment.fittings()] == [
            (household.plover.id, MORNING + DAY),
            (household.heron.id, None),
        ]


def test_fitting_a_chain_where_it_is_already_is_refused(store: Store) -> None:
    household = settle(store)
    with store.writing() as tx:
        tx.equipment.fit_chain(household.amber.id, household.plover.id, MORNING)
    with (
        pytest.raises(FactRefused, match="Amber is on Plover already, since 2026-06-01 06:00"),
        store.writing() as tx,
    ):
        tx.equipment.fit_chain(household.amber.id, household.plover.id, MORNING + DAY)


def test_a_fitting_of_the_past_may_not_overlap_a_later_one(store: Store) -> None:
    household = settle(store)
    with store.writing() as tx:
        tx.equipment.fit_chain(household.amber.id, household.plover.id, MORNING)
    with (
        pytest.raises(FactRefused, match="Amber was on Plover from 2026-06-01 06:00 until now"),
        store.writing() as tx,
    ):
        tx.equipment.fit_chain(household.basalt.id, household.plover.id, MORNING - DAY)
    with store.writing() as tx:
        before = tx.equipment.fit_chain(
            household.basalt.id, household.plover.id, MORNING - DAY, until_at=MORNING
        )
        assert tx.equipment.fittings()[0] == before
    with pytest.raises(FactRefused, match="after it goes on"), store.writing() as tx:
        tx.equipment.fit_chain(household.basalt.id, household.heron.id, MORNING, until_at=MORNING)


def test_a_refused_fitting_leaves_the_others_as_they_were(store: Store) -> None:
    household = settle(store)
    with store.writing() as tx:
        tx.equipment.fit_chain(household.amber.id, household.plover.id, MORNING)
        tx.equipment.fit_chain(household.basalt.id, household.heron.id, MORNING + 2 * DAY)
        before = tx.equipment.fittings()
    with pytest.raises(FactRefused), store.writing() as tx:
        tx.equipment.fit_chain(household.amber.id, household.heron.id, MORNING + DAY)
    with store.reading() as tx:
        assert tx.equipment.fittings() == before


def test_removing_a_chain_ends_its_fitting(store: Store) -> None:
    household = settle(store)
    with store.writing() as tx:
        tx.equipment.fit_chain(household.amber.id, household.plover.id, MORNING)
        ended = tx.equipment.remove_chain(household.amber.id, MORNING + HOUR)
        assert ended.removed_at == MORNING + HOUR
        assert tx.equipment.fittings() == (ended,)
        with pytest.raises(FactRefused, match="Amber is on no bike"):
            tx.equipment.remove_chain(household.amber.id, MORNING + HOUR)


def test_a_chain_does_not_come_off_before_it_went_on(store: Store) -> None:
    household = settle(store)
    with store.writing() as tx:
        tx.equipment.fit_chain(household.amber.id, household.plover.id, MORNING)
        with pytest.raises(FactRefused, match="was fitted only on"):
            tx.equipment.remove_chain(household.amber.id, MORNING - HOUR)


def test_a_retired_chain_comes_off_and_goes_on_no_more(store: Store) -> None:
    household = settle(store)
    with store.writing() as tx:
        tx.equipment.fit_chain(household.amber.id, household.plover.id, MORNING)
        with pytest.raises(FactRefused, match="was fitted to a bike after"):
            tx.equipment.retire_chain(household.amber.id, MORNING - DAY)
        retired = tx.equipment.retire_chain(household.amber.id, MORNING + DAY)
        assert retired.retired_at == MORNING + DAY
        assert tx.equipment.fittings()[0].removed_at == MORNING + DAY
        with pytest.raises(FactRefused, match="was retired on 2026-06-02; it cannot be fitted"):
            tx.equipment.fit_chain(household.amber.id, household.plover.id, MORNING + 2 * DAY)
        with pytest.raises(FactRefused, match="already"):
            tx.equipment.retire_chain(household.amber.id, MORNING + DAY)


def test_what_is_not_there_is_not_found(store: Store) -> None:
    household = settle(store)
    with store.writing() as tx, pytest.raises(NotFound, match="No chain “99”"):
        tx.equipment.fit_chain(ChainId(99), household.plover.id, MORNING)
