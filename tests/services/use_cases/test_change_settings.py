"""Settings said on a screen: in the file that people edit by hand, whose comments stay, or not at all."""

from __future__ import annotations

import stat
from pathlib import Path

import pytest

from services.settings import SETTINGS_FILE, SettingsError, load_settings
from services.use_cases.change_settings import change_settings

BY_HAND = """\
# Ours, by hand.
use_variables = true  # they win

[[watch]]
folder = "rides"      # the old disk
quiet_s = 2.0

[quiet_hours]
# The neighbours sleep.
quiet_from = "20:00"  # early

[channels]
desktop = false
"""


@pytest.fixture
def home(tmp_path: Path) -> Path:
    (tmp_path / SETTINGS_FILE).write_text(BY_HAND)
    return tmp_path


def text(home: Path) -> str:
    return (home / SETTINGS_FILE).read_text()


def test_a_changed_key_leaves_every_other_line_and_comment_as_it_was(home: Path) -> None:
    change_settings(home, {"quiet_hours.quiet_from": "22:15"})

    assert text(home) == BY_HAND.replace('"20:00"  # early', '"22:15"  # early')
    assert load_settings(home).quiet_hours.quiet_from == "22:15"


def test_saying_what_is_so_already_writes_nothing(home: Path) -> None:
    before = (home / SETTINGS_FILE).stat().st_mtime_ns

    change_settings(home, {"quiet_hours.quiet_from": "20:00", "channels.desktop": False})

    assert (home / SETTINGS_FILE).stat().st_mtime_ns == before


def test_new_sections_are_made_and_the_file_is_its_owners_alone(tmp_path: Path) -> None:
    change_settings(
        tmp_path,
        {"channels.mail.host": "mail.example", "channels.mail.sender": "a@b.example", "money.currency": "€"},
    )

    settings = load_settings(tmp_path)
    assert settings.channels.mail is not None
    assert (settings.channels.mail.host, settings.money.currency) == ("mail.example", "€")
    assert stat.S_IMODE((tmp_path / SETTINGS_FILE).stat().st_mode) == 0o600


def test_a_key_taken_away_has_its_default_again(home: Path) -> None:
    change_settings(home, {"quiet_hours.quiet_from": None, "money.currency": None})

    assert load_settings(home).quiet_hours.quiet_from == "21:30"
    assert "money" not in text(home)


@pytest.mark.parametrize(
    ("key", "value", "says"),
    [
        ("quiet_hours.quiet_from", "25:00", "a time of day is wanted, such as '21:30'"),
        ("quiet_hours.bedtme", "22:00", "did you mean 'bedtime'"),
        ("page.port", 0, "at least 1 is wanted"),
        ("channels.mail.host", "mail.example", "'channels.mail.sender' is wanted there"),
    ],
)
def test_what_no_start_would_take_is_not_written(home: Path, key: str, value: object, says: str) -> None:
    with pytest.raises(SettingsError, match=says) as refused:
        change_settings(home, {"money.currency": "EUR", key: value})

    assert str(home) not in str(refused.value)
    assert text(home) == BY_HAND


def test_a_file_that_is_broken_already_is_left_to_its_hand(home: Path) -> None:
    (home / SETTINGS_FILE).write_text(BY_HAND + "\nbroken =")

    with pytest.raises(SettingsError, match="not valid TOML"):
        change_settings(home, {"money.currency": "EUR"})

    assert text(home).endswith("broken =")


def test_a_variable_that_wins_over_the_file_is_named(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GRITLEDGER_MONEY__CURRENCY", "CHF")

    with pytest.raises(SettingsError, match="said by the variable GRITLEDGER_MONEY__CURRENCY"):
        change_settings(home, {"money.currency": "EUR"})


def test_folders_are_added_and_taken_away_and_those_that_stay_keep_their_comments(home: Path) -> None:
    old = {"folder": "rides", "quiet_s": 2.0}
    change_settings(home, {"watch": [old, {"folder": "/mnt/unit", "polling": True}]})

    assert 'folder = "rides"      # the old disk' in text(home)
    assert [str(one.folder) for one in load_settings(home).watch] == [str(home / "rides"), "/mnt/unit"]

    change_settings(home, {"watch": []})
    assert load_settings(home).watch == []
    assert "# The neighbours sleep." in text(home)


def test_quiet_hours_under_their_old_name_are_moved_to_the_new_one(tmp_path: Path) -> None:
    (tmp_path / SETTINGS_FILE).write_text('[manners]\nbedtime = "22:00"  # tired\n')

    change_settings(tmp_path, {"quiet_hours.quiet_from": "20:00"})

    assert load_settings(tmp_path).quiet_hours.bedtime == "22:00"
    assert "# tired" in text(tmp_path)


def test_a_link_to_a_file_kept_elsewhere_stays_a_link(home: Path, tmp_path: Path) -> None:
    kept = tmp_path / "dotfiles.toml"
    (home / SETTINGS_FILE).rename(kept)
    (home / SETTINGS_FILE).symlink_to(kept)

    change_settings(home, {"quiet_hours.quiet_from": "22:15"})

    assert (home / SETTINGS_FILE).is_symlink()
    assert "22:15" in kept.read_text()
