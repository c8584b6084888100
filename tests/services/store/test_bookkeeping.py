"""The log of corrections, and notes by name."""

from __future__ import annotations

import pytest

from services.store import FactRefused, NotFound, Store
from tests.services.store.household import DAY, MORNING


def test_a_correction_keeps_what_undoes_it(store: Store) -> None:
    with store.writing() as tx:
        assert tx.corrections.last() is None
        first = tx.corrections.add(
            "moved ride 1 to Heron", {"decision": 3, "rides": [1]}, at=MORNING, by="Ines"
        )
        second = tx.corrections.add("logged a drip", {}, at=MORNING + DAY, by="Tomás")
    with store.reading() as tx:
        assert tx.corrections.get(first.id) == first
        assert tx.corrections.all_() == (second, first)
        assert tx.corrections.all_(limit=1) == (second,)
        assert tx.corrections.last() == second
    assert first.restore == {"decision": 3, "rides": [1]}


def test_an_undone_correction_stays_in_the_log(store: Store) -> None:
    with store.writing() as tx:
        first, second = (tx.corrections.add(what, {}, at=MORNING, by="Ines") for what in ("one", "two"))
        tx.corrections.mark_undone(second.id, at=MORNING + DAY, by="Tomás")
        assert tx.corrections.last() == first
        assert tx.corrections.get(second.id).undone_at == MORNING + DAY
        assert tx.corrections.get(second.id).undone_by == "Tomás"
        with pytest.raises(FactRefused, match="undone already"):
            tx.corrections.mark_undone(second.id, at=MORNING + DAY, by="Tomás")
        with pytest.raises(NotFound):
            tx.corrections.mark_undone(99, at=MORNING, by="Ines")


def test_what_is_not_json_cannot_be_restored_from(store: Store) -> None:
    with store.writing() as tx, pytest.raises(TypeError):
        tx.corrections.add("moved a ride", {"at": MORNING}, at=MORNING, by="Ines")


def test_a_note_is_kept_under_its_name(store: Store) -> None:
    with store.writing() as tx:
        assert tx.notes.get("round") is None
        assert tx.notes.get("round", {}) == {}
        assert tx.notes.written_at("round") is None
        tx.notes.put("round", {"rides": 3}, at=MORNING)
        tx.notes.put("round", {"rides": 4, "trouble": None}, at=MORNING + DAY)
        tx.notes.put("outlook", "sent", at=MORNING)
    with store.writing() as tx:
        assert tx.notes.get("round") == {"rides": 4, "trouble": None}
        assert tx.notes.written_at("round") == MORNING + DAY
        assert tx.notes.all_() == {"outlook": "sent", "round": {"rides": 4, "trouble": None}}
        assert tx.notes.all_("out") == {"outlook": "sent"}
        tx.notes.forget("outlook")
        tx.notes.forget("never there")
        assert list(tx.notes.all_()) == ["round"]


def test_a_note_of_nothing_is_not_a_missing_note(store: Store) -> None:
    with store.writing() as tx:
        tx.notes.put("nothing", None, at=MORNING)
        assert tx.notes.get("nothing", "missing") is None
