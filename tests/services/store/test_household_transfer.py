"""A home ledger becomes a household of a club and comes home again: every row, number by number."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import Connection, select
from sqlmodel import SQLModel

from services.store import FactRefused, Store
from services.store.club import Club
from services.store.household_transfer import move_out
from services.store.row_security import SHARED
from tests.put_into import into
from tests.services.store.household import CELL, DAY, MORNING, weather
from tests.services.store.test_row_security import live


@pytest.fixture
def club(club_url: str) -> Iterator[Club]:
    with Club.open(club_url) as opened:
        yield opened


@pytest.fixture
def home(tmp_path: Path) -> Iterator[Store]:
    """A home ledger with something in every family of facts, one recording second to a later one."""
    with Store.open(tmp_path / "home.db") as store:
        live(store)
        with store.writing() as tx:
            first, second, *_ = (ride.id for ride in tx.rides.rides())
            tx.rides.link_same_outing(second, first, ["the same hours"], at=MORNING, by="a rider")
            tx.weather.put([weather(MORNING), weather(MORNING + DAY)])
        yield store


def rows(connection: Connection) -> dict[str, list[tuple[object, ...]]]:
    """All but the marks of what has to be derived anew: whatever is written makes some."""
    return {
        table.name: [tuple(row) for row in connection.execute(select(table).order_by(*table.primary_key))]
        for table in SQLModel.metadata.sorted_tables
        if table.name not in (*SHARED, "chain_dirty")
    }


def test_there_and_back_every_row_is_the_same(club: Club, home: Store, tmp_path: Path) -> None:
    made = club.take_in(home, str(tmp_path))
    here = club.store(made.number)
    with home.reading_rows() as at_home, here.reading_rows() as in_the_club:
        before = rows(at_home)
        assert rows(in_the_club) == before
    assert sum(bool(found) for found in before.values()) >= 18

    with Store.open(tmp_path / "back.db") as back:
        with here.reading_rows() as source:
            back.fill(lambda target: move_out(source, target))
        assert back.faults() == ()
        with back.reading_rows() as given:
            assert rows(given) == before
        with back.reading() as tx, home.reading() as mine:
            assert tx.ledger() == mine.ledger()
            assert len(tx.weather.of_every_archive(CELL, MORNING, MORNING + 2 * DAY)) == 2
        with back.writing() as tx:
            assert into(tx).add_rider("Somebody new").id not in {row[0] for row in before["rider"]}


def test_what_is_new_in_the_club_is_numbered_beyond_what_moved_in(
    club: Club, home: Store, tmp_path: Path
) -> None:
    """And two homes with the same numbers live side by side."""
    one, other = (club.store(club.take_in(home, f"{tmp_path} {n}").number) for n in range(2))
    for store in (one, other):
        with store.writing() as tx:
            known = {rider.id for rider in tx.equipment.riders()}
            new = into(tx).add_rider("Somebody new")
            assert new.id > max(known)
        with store.reading() as tx:
            assert len(tx.equipment.riders()) == len(known) + 1


def test_a_move_that_fails_leaves_no_household(
    club: Club, home: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def power_cut(*_: object) -> None:
        raise RuntimeError("power cut")

    monkeypatch.setattr("services.store.household_transfer.move_weather", power_cut)
    with pytest.raises(RuntimeError):
        club.take_in(home, str(tmp_path))
    assert str(tmp_path) not in {one.name for one in club.households()}
    monkeypatch.undo()
    club.take_in(home, str(tmp_path))
    with pytest.raises(FactRefused, match="There is a household"):
        club.take_in(home, str(tmp_path))
