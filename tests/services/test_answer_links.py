"""A link answers one thing, for a week, once; whatever was done to it says so in plain words."""

from __future__ import annotations

import stat
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from services.answer_links import Act, AnswerLink, LinkRefused, mark_of, read_link
from services.app import ANSWER_KEY_FILE, App
from services.settings import SettingsError, load_settings

NOW = datetime(2026, 11, 28, 18, 0, tzinfo=UTC)
UNTIL = NOW + timedelta(days=7)
KEY, OTHER_KEY = b"k" * 32, b"o" * 32


@given(st.sampled_from(Act), st.integers(1, 2**31), st.one_of(st.none(), st.integers(0, 2**31)))
def test_what_goes_in_comes_out(act: Act, number: int, bike: int | None) -> None:
    link = AnswerLink(act, number, UNTIL, bike)

    assert read_link(link.token(KEY), KEY, NOW) == link


@given(st.integers(0, 38), st.sampled_from("Aa9_-z"))
def test_no_character_of_a_link_can_be_another(place: int, other: str) -> None:
    token = AnswerLink(Act.DONE, 12, UNTIL).token(KEY)
    forged = token[:place] + other + token[place + 1 :]
    if forged == token:
        return
    with pytest.raises(LinkRefused, match="not one of ours"):
        read_link(forged, KEY, NOW)


def test_one_link_has_one_spelling_or_it_would_answer_twice() -> None:
    token = AnswerLink(Act.DONE, 12, UNTIL).token(KEY)
    alphabet = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
    for spelt in (*(token[:-1] + last for last in alphabet if last != token[-1]), token + "=", f" {token}"):
        with pytest.raises(LinkRefused):
            read_link(spelt, KEY, NOW)


@pytest.mark.parametrize("token", ["", "x", "é", "A" * 39, "A" * 4000, "..", "%00", "AAAA AAAA"])
def test_what_is_no_link_is_refused(token: str) -> None:
    with pytest.raises(LinkRefused, match="not one of ours"):
        read_link(token, KEY, NOW)


def test_another_households_link_and_an_old_one_are_refused() -> None:
    token = AnswerLink(Act.DONE, 12, UNTIL).token(OTHER_KEY)
    with pytest.raises(LinkRefused, match="not one of ours"):
        read_link(token, KEY, NOW)
    with pytest.raises(LinkRefused, match="good for a week"):
        read_link(token, OTHER_KEY, UNTIL)


def test_the_mark_of_a_link_does_not_give_the_link_away() -> None:
    token = AnswerLink(Act.DONE, 12, UNTIL).token(KEY)

    assert token not in mark_of(token)
    assert mark_of(token) != mark_of(AnswerLink(Act.PUT_OFF, 12, UNTIL).token(KEY))


def test_the_secret_is_the_owners_alone_and_lasts(tmp_path: Path) -> None:
    key = App(load_settings(tmp_path)).answer_key
    path = tmp_path / ANSWER_KEY_FILE

    assert len(key) == 32
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert App(load_settings(tmp_path)).answer_key == key
    path.chmod(0o644)
    assert App(load_settings(tmp_path)).answer_key == key
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    path.write_bytes(b"short")
    with pytest.raises(SettingsError, match="delete the file"):
        _ = App(load_settings(tmp_path)).answer_key


@pytest.mark.parametrize(
    ("said", "kept"),
    [
        ("http://192.168.1.20:8765", "http://192.168.1.20:8765"),
        ("https://Bench.Example/", "https://bench.example"),
        ("http://[fd00::1]:8765", "http://[fd00::1]:8765"),
    ],
)
def test_a_public_address_is_taken(tmp_path: Path, said: str, kept: str) -> None:
    (tmp_path / "settings.toml").write_text(f'[page]\npublic_url = "{said}"\n')

    app = App(load_settings(tmp_path))
    assert app.page_address == kept
    address = app.address(NOW)
    assert address is not None
    assert address.everywhere


@pytest.mark.parametrize(
    "said",
    ["bench.example", "ftp://bench.example", "http://bench.example/page", "http://me:pw@bench.example",
     "http://", "http://bench.example:99999", "javascript:alert(1)", "http://bench.example?x=1"],
)  # fmt: skip
def test_what_is_no_public_address_is_refused_with_an_example(tmp_path: Path, said: str) -> None:
    (tmp_path / "settings.toml").write_text(f'[page]\npublic_url = "{said}"\n')

    with pytest.raises(
        SettingsError, match=r"line 2.*page\.public_url.*such as 'http://192\.168\.1\.20:8765'"
    ):
        load_settings(tmp_path)
