"""Treatments, readings, wipe tests, and taking them back."""

from __future__ import annotations

import pytest
from sqlalchemy import Table

from rules.vocabulary import ReadingTool, TreatmentKind
from services.store import FactRefused, NotFound, Store
from services.store.retractions import Retractions
from services.store.tables import reading, treatment, wipe_test
from tests.put_into import into, retractions
from tests.services.store.household import DAY, HOUR, MORNING, settle


def test_what_is_logged_comes_back_oldest_first(store: Store) -> None:
    chain = settle(store).amber.id
    with store.writing() as tx:
        drip = into(tx).log_treatment(
            chain, TreatmentKind.DRIP, MORNING + DAY, minutes=8.0, cost=0.4, note="Outdoors."
        )
        strip = into(tx).log_treatment(chain, TreatmentKind.STRIP, MORNING)
        gauge = into(tx).log_reading(chain, ReadingTool.GAUGE, MORNING + DAY, over_pct=0.25, under_pct=0.5)
        ruler = into(tx).log_reading(chain, ReadingTool.RULER, MORNING, exact_pct=0.1, note="Cold.")
        rag = into(tx).log_wipe_test(chain, MORNING + HOUR, 3)
    with store.reading() as tx:
        assert tx.care.treatments() == (strip, drip)
        assert tx.care.readings() == (ruler, gauge)
        assert tx.care.wipe_tests() == (rag,)
    assert (drip.kind, drip.minutes, drip.cost, drip.note) == (
        TreatmentKind.DRIP,
        8.0,
        0.4,
        "Outdoors.",
    )
    assert (strip.minutes, strip.cost) == (None, None)
    assert (gauge.over_pct, gauge.under_pct, gauge.exact_pct) == (0.25, 0.5, None)


@pytest.mark.parametrize(
    ("tool", "values"),
    [
        (ReadingTool.GAUGE, {"exact_pct": 0.3}),
        (ReadingTool.GAUGE, {}),
        (ReadingTool.GAUGE, {"over_pct": 0.75, "under_pct": 0.5}),
        (ReadingTool.RULER, {"over_pct": 0.25}),
        (ReadingTool.RULER, {}),
        (ReadingTool.CALIPER, {"exact_pct": 50.0}),
        (ReadingTool.CALIPER, {"exact_pct": 0.3, "under_pct": 0.5}),
    ],
)
def test_a_reading_that_does_not_fit_its_tool_is_refused(
    store: Store, tool: ReadingTool, values: dict[str, float]
) -> None:
    chain = settle(store).amber.id
    with pytest.raises(FactRefused), store.writing() as tx:
        into(tx).log_reading(chain, tool, MORNING, **values)  # type: ignore[arg-type]


@pytest.mark.parametrize("grade", [-1, 5])
def test_a_wipe_test_has_a_grade_from_0_to_4(store: Store, grade: int) -> None:
    chain = settle(store).amber.id
    with pytest.raises(FactRefused), store.writing() as tx:
        into(tx).log_wipe_test(chain, MORNING, grade)


def test_care_costs_no_less_than_nothing(store: Store) -> None:
    chain = settle(store).amber.id
    with pytest.raises(FactRefused), store.writing() as tx:
        into(tx).log_treatment(chain, TreatmentKind.DRIP, MORNING, minutes=-1.0)


@pytest.mark.parametrize("table", [treatment, reading, wipe_test], ids=str)
def test_a_fact_taken_back_counts_no_more_and_can_be_counted_again(store: Store, table: Table) -> None:
    kind = table.name.replace("_", " ")
    chain = settle(store).amber.id
    with store.writing() as tx:
        facts = {
            "treatment": into(tx).log_treatment(chain, TreatmentKind.DRIP, MORNING),
            "reading": into(tx).log_reading(chain, ReadingTool.RULER, MORNING, exact_pct=0.1),
            "wipe test": into(tx).log_wipe_test(chain, MORNING, 1),
        }
        why = {"at": MORNING + DAY, "by": "Ines", "why": "The other chain."}
        facts_taken = Retractions(tx._connection)
        facts_taken.take_back(table, kind, facts[kind].id, **why)
        in_force = (*tx.care.treatments(), *tx.care.readings(), *tx.care.wipe_tests())
        assert set(in_force) == set(facts.values()) - {facts[kind]}
        assert [(r.kind, r.fact_id, r.made_by, r.why) for r in retractions(tx)] == [
            (kind, facts[kind].id, "Ines", "The other chain.")
        ]
        with pytest.raises(FactRefused, match="taken back already"):
            facts_taken.take_back(table, kind, facts[kind].id, **why)
    with store.writing() as tx:
        facts_taken = Retractions(tx._connection)
        facts_taken.put_back(kind, facts[kind].id, at=MORNING + 2 * DAY, by="Tomás")
        in_force = (*tx.care.treatments(), *tx.care.readings(), *tx.care.wipe_tests())
        assert set(in_force) == set(facts.values())
        assert [(r.undone_at, r.undone_by) for r in retractions(tx)] == [(MORNING + 2 * DAY, "Tomás")]
        with pytest.raises(NotFound):
            facts_taken.put_back(kind, facts[kind].id, at=MORNING + 2 * DAY, by="Tomás")


def test_the_log_is_read_by_the_page_newest_first(store: Store) -> None:
    house = settle(store)
    with store.writing() as tx:
        drip = into(tx).log_treatment(house.amber.id, TreatmentKind.DRIP, MORNING)
        wipe = into(tx).log_treatment(house.basalt.id, TreatmentKind.WIPE, MORNING + DAY)
        read = into(tx).log_reading(house.amber.id, ReadingTool.RULER, MORNING + DAY, exact_pct=0.1)
        rag = into(tx).log_wipe_test(house.amber.id, MORNING + HOUR, 3)
        slip = into(tx).log_treatment(house.amber.id, TreatmentKind.DRIP, MORNING + 2 * DAY)
        Retractions(tx._connection).take_back(
            treatment, "treatment", slip.id, at=MORNING + 2 * DAY, by="Ines", why="a slip"
        )
    with store.reading() as tx:
        assert tx.care.logged(limit=9) == (wipe, read, rag, drip)
        assert tx.care.logged(limit=2, offset=1) == (read, rag)
        assert tx.care.logged(chain=house.amber.id, what="drip", limit=9) == (drip,)
        assert tx.care.logged(what="reading", limit=9) == (read,)
        assert tx.care.logged(what="wipe test", limit=9) == (rag,)
        assert tx.care.count_logged() == 4
        assert tx.care.count_logged(chain=house.basalt.id) == 1
        assert tx.care.measured() == {house.amber.id}
        assert tx.care.treated_since(MORNING + HOUR) == {house.basalt.id}
