"""What is kept at home is for its owner alone, what older versions left open too."""

from __future__ import annotations

import os
import stat
import sys
from pathlib import Path

import pytest

from services.wiring import open_app
from tests.put_into import into

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="rights of this kind are a POSIX notion")


def rights(folder: Path) -> dict[str, str]:
    return {one.name: f"{stat.S_IMODE(one.stat().st_mode):o}" for one in (folder, *folder.iterdir())}


def test_a_new_home_is_for_its_owner_alone(tmp_path: Path) -> None:
    umask = os.umask(0o022)
    try:
        app = open_app(tmp_path / "home")
        with app.store.writing() as tx:
            into(tx).add_rider("Ines")
        found = rights(tmp_path / "home")
    finally:
        os.umask(umask)

    assert found.pop("home") == "700"
    assert set(found) == {"gritledger.db", "gritledger.db-wal", "gritledger.db-shm"}
    assert set(found.values()) == {"600"}


def test_what_an_older_version_left_open_is_closed(tmp_path: Path) -> None:
    app = open_app(tmp_path / "home")
    with app.store.writing() as tx:
        into(tx).add_rider("Ines")
    app.store.close()
    (tmp_path / "home" / "settings.toml").write_text("")
    (tmp_path / "home" / "gritledger.before-0002.db").write_text("")
    for path in (tmp_path / "home", *(tmp_path / "home").iterdir()):
        path.chmod(0o755 if path.is_dir() else 0o644)

    open_app(tmp_path / "home")

    found = rights(tmp_path / "home")
    assert found.pop("home") == "700"
    assert set(found.values()) == {"600"}


def test_a_folder_that_holds_no_ledger_is_left_as_it_is(tmp_path: Path) -> None:
    (tmp_path / "shared").mkdir(mode=0o755)
    (tmp_path / "shared" / "settings.toml").write_text('database = "sqlite:////elsewhere/gritledger.db"')

    open_app(tmp_path / "shared")

    assert rights(tmp_path / "shared")["shared"] == "755"
