"""Notes by name."""

from __future__ import annotations

from services.store import Store
from tests.services.store.household import DAY, MORNING


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
        assert tx.notes.get("outlook") == "sent"
        tx.notes.forget("outlook")
        tx.notes.forget("never there")
        assert tx.notes.get("outlook") is None
        assert tx.notes.get("round") is not None


def test_a_note_of_nothing_is_not_a_missing_note(store: Store) -> None:
    with store.writing() as tx:
        tx.notes.put("nothing", None, at=MORNING)
        assert tx.notes.get("nothing", "missing") is None
