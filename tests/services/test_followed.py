"""Tools that follow their settings while they run."""

from __future__ import annotations

from pathlib import Path

from services.app import Followed
from services.settings import SETTINGS_FILE
from services.wiring import open_app


def test_a_written_file_counts_at_once_with_the_same_open_ledger(tmp_path: Path) -> None:
    followed = Followed(open_app(tmp_path))
    before = followed.now()
    store = before.store

    assert followed.now() is before
    (tmp_path / SETTINGS_FILE).write_text('[channels]\nmail_folder = "mail"\n')
    after = followed.now()

    assert list(after.channels) == ["mail folder"]
    assert after.store is store
    assert followed.now() is after
    store.close()


def test_where_the_page_listens_stays_until_the_next_start(tmp_path: Path) -> None:
    followed = Followed(open_app(tmp_path))
    (tmp_path / SETTINGS_FILE).write_text("[page]\nport = 9000\n")

    assert followed.now().settings.page.port == 8765


def test_a_file_that_cannot_be_used_changes_nothing_and_says_why_until_it_is_mended(tmp_path: Path) -> None:
    followed = Followed(open_app(tmp_path))
    before = followed.now()
    (tmp_path / SETTINGS_FILE).write_text("[quiet_hours]\nbedtme = 1\n")

    assert followed.now() is before
    assert "did you mean 'bedtime'" in followed.trouble

    (tmp_path / SETTINGS_FILE).write_text('[quiet_hours]\nbedtime = "22:00"\n')
    assert followed.now().settings.quiet_hours.bedtime == "22:00"
    assert followed.trouble == ""


def test_limits_of_ones_own_are_read_again_when_they_are_written(tmp_path: Path) -> None:
    limits = tmp_path / "limits.toml"
    limits.write_text("[limit]\nimmersion = 30\n")
    (tmp_path / SETTINGS_FILE).write_text('rulebook = "limits.toml"\n')
    followed = Followed(open_app(tmp_path))
    assert followed.now().rulebook.judgement("limit.immersion").value == 30

    limits.write_text("[limit]\nimmersion = 25.5\n")

    assert followed.now().rulebook.judgement("limit.immersion").value == 25.5
