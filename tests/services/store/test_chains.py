"""Chains and their fittings: one chain on a bike, one bike under a chain, at any moment."""

from __future__ import annotations

import pytest

from rules.vocabulary import ChainId, Regime
from services.store import FactRefused, NotFound, Store
from tests.put_into import into
from tests.services.store.household import DAY, MORNING, settle


def test_chains_come_back_as_they_were_added(store: Store) -> None:
    household = settle(store)
    with store.reading() as tx:
        assert tx.equipment.chains() == (household.amber, household.basalt)
        assert tx.equipment.chain(household.amber.id) == household.amber
    assert (household.amber.regime, household.basalt.regime) == (Regime.WAXED, Regime.WET_LUBE)
    assert household.amber.acquired_at == MORNING - 100 * DAY


@pytest.mark.parametrize("impossible", [{"speeds": 40}, {"links": 0}, {"price": -1.0}])
def test_a_chain_that_cannot_be_is_refused(store: Store, impossible: dict[str, float]) -> None:
    settle(store)
    with pytest.raises(FactRefused), store.writing() as tx:
        into(tx).add_chain("Cedar", **impossible)  # type: ignore[arg-type]


def test_a_second_chain_of_the_same_name_is_refused(store: Store) -> None:
    settle(store)
    with pytest.raises(FactRefused), store.writing() as tx:
        into(tx).add_chain("amber")


def test_fittings_come_back_oldest_first_all_or_of_some_chains_or_bikes(store: Store) -> None:
    household = settle(store)
    with store.writing() as tx:
        second = into(tx).fit_chain(household.amber.id, household.plover.id, MORNING)
        first = into(tx).fit_chain(household.basalt.id, household.plover.id, MORNING - DAY, until_at=MORNING)
    with store.reading() as tx:
        assert tx.equipment.fittings() == (first, second)
        assert tx.equipment.fittings(chains=[household.amber.id]) == (second,)
        assert tx.equipment.fittings(bikes=[household.heron.id]) == ()


def test_a_chain_that_came_off_and_was_retired_comes_back_so(store: Store) -> None:
    household = settle(store)
    with store.writing() as tx:
        into(tx).fit_chain(household.amber.id, household.plover.id, MORNING)
        into(tx).retire_chain(household.amber.id, MORNING + DAY)
    with store.reading() as tx:
        assert tx.equipment.chain(household.amber.id).retired_at == MORNING + DAY
        assert [one.removed_at for one in tx.equipment.fittings()] == [MORNING + DAY]


def test_what_is_not_there_is_not_found(store: Store) -> None:
    settle(store)
    with store.reading() as tx, pytest.raises(NotFound, match="No chain “999999”"):
        tx.equipment.chain(ChainId(999_999))  # a club counts on through all its households
