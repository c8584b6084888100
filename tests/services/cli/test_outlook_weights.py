"""`gritledger outlook --weights`, typed: the table and the sentence of each chain."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from rules.vocabulary import Condition
from services.cli.program import run
from services.running.round import one_round
from services.settings import SETTINGS_FILE
from services.use_cases.find_by_name import the_chain_named
from services.wiring import open_app
from tests.put_into import into
from tests.wet_household import a_ride

NOW = datetime.now(UTC).replace(minute=0, second=0, microsecond=0)


@pytest.fixture
def home(tmp_path: Path) -> Path:
    (tmp_path / "rides").mkdir()
    (tmp_path / "rides" / "wet.fit").write_bytes(a_ride(NOW - timedelta(days=2), 4711, 0.0))
    (tmp_path / SETTINGS_FILE).write_text('[[watch]]\nfolder = "rides"\n[weather]\narchive = "none"\n')
    shop = open_app(tmp_path)
    with shop.store.writing() as tx:
        rider = into(tx).add_rider("Ines", "ines@plateau.example", "UTC")
        bike = into(tx).add_bike("Plover", rider.id)
        into(tx).add_sensor("power meter", "serial 4711", bike.id)
        for name in ("Flint", "Chert"):
            into(tx).add_chain(name, speeds=11)
        flint = the_chain_named(tx.garage(), "Flint")
        into(tx).fit_chain(flint.id, bike.id, NOW - timedelta(days=30))
    one_round(shop, now=NOW)
    with shop.store.writing() as tx:
        (ride,) = tx.rides.rides()
        tx.rides.set_word(ride.id, Condition.WET, NOW, "Ines")
    return tmp_path


def typed(home: Path, capsys: pytest.CaptureFixture[str], *words: str) -> list[str]:
    assert run(["outlook", "--weights", *words, "--home", str(home)]) == 0
    return capsys.readouterr().out.splitlines()


def test_a_wet_chain_shows_what_rests_on_the_weight_of_water(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = typed(home, capsys)
    rows = {line.split("  ")[0].strip(): line for line in lines}
    # 40 minutes wet: 0.67 h × (1 + 2) = 2 grit-hours; by a water weight of 0.5 to 5, 1 to 4
    assert "2.0" in rows["as assumed"]
    assert "0.5 to 5" in rows["water"]
    assert "1.0 to 4.0" in rows["water"]
    assert "2.0 to 2.0" in rows["mud"]
    assert "1.0 to 4.0" in rows["all together"]
    assert any(line.startswith("Flint carries 2 grit-hours since it was new, or 1 to 4 by") for line in lines)
    assert not any("Chert" in line for line in lines)


def test_a_chain_or_its_bike_can_be_named_and_a_spare_has_no_dates(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert typed(home, capsys, "Plover") == typed(home, capsys, "Flint")
    assert "–" in "".join(typed(home, capsys, "Chert"))


def test_without_a_chain_it_says_how_to_get_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (line,) = typed(tmp_path, capsys)
    assert line == "No chain is on a bike: gritledger fit CHAIN BIKE"
