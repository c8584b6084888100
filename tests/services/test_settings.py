"""The settings file: every key has a default, and a mistake is named with its file, line and key."""

from __future__ import annotations

from pathlib import Path

import pytest

from services.settings import SETTINGS_FILE, SettingsError, default_home, load_settings


def written(home: Path, text: str) -> Path:
    (home / SETTINGS_FILE).write_text(text, encoding="utf-8")
    return home


def refusal(home: Path, text: str) -> str:
    with pytest.raises(SettingsError) as refused:
        load_settings(written(home, text))
    return str(refused.value)


def test_no_file_means_defaults(tmp_path: Path) -> None:
    settings = load_settings(tmp_path)

    assert settings.database_url == f"sqlite:///{tmp_path / 'gritledger.db'}"
    assert settings.watch == []
    assert settings.channels.mail is None
    assert settings.page.host == "127.0.0.1"


def test_paths_are_relative_to_the_home_folder_or_to_the_riders_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HOME", "/home/somebody")
    settings = load_settings(
        written(
            tmp_path,
            'rulebook = "own.toml"\n[[watch]]\nfolder = "rides"\n[[watch]]\nfolder = "~/more"\n'
            '[weather]\narchive = "local"\nlocal_file = "w.csv"\n[channels]\nmail_folder = "/var/mail/x"\n',
        )
    )

    assert settings.rulebook == tmp_path / "own.toml"
    assert [one.folder for one in settings.watch] == [tmp_path / "rides", Path("/home/somebody/more")]
    assert settings.weather.local_file == tmp_path / "w.csv"
    assert settings.channels.mail_folder == Path("/var/mail/x")


def test_the_files_of_a_mail_section_are_relative_to_the_home_folder_too(tmp_path: Path) -> None:
    settings = load_settings(
        written(
            tmp_path,
            '[channels.mail]\nhost = "m.example"\nsender = "x@m.example"\npassword_file = "secret"\n'
            'authority_file = "own.pem"\n',
        )
    )

    assert settings.channels.mail is not None
    assert settings.channels.mail.password_file == tmp_path / "secret"
    assert settings.channels.mail.authority_file == tmp_path / "own.pem"


def test_the_environment_wins_so_that_a_password_need_not_be_written_down(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("GRITLEDGER_CHANNELS__MAIL__PASSWORD", "sesame")
    settings = load_settings(
        written(tmp_path, '[channels.mail]\nhost = "m.example"\nsender = "x@m.example"\npassword = "old"\n')
    )

    assert settings.channels.mail is not None
    assert settings.channels.mail.password is not None
    assert settings.channels.mail.password.get_secret_value() == "sesame"
    assert settings.channels.mail.host == "m.example"
    assert "sesame" not in str(settings.model_dump(mode="json"))


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        (
            "[quiet_hours]\nquiet_form = '22:00'\n",
            ("line 2", "quiet_hours.quiet_form", "did you mean 'quiet_from'?"),
        ),
        ("\n[weathr]\narchive = 'none'\n", ("line 2", "'weathr'", "did you mean 'weather'?")),
        ("[[watch]]\nfolder = 'a'\nquit_s = 3\n", ("line 3", "watch.quit_s", "did you mean 'quiet_s'?")),
        ("[page]\nxyzzy = 1\n", ("line 2", "page.xyzzy", "known here: host, port")),
        ("[page]\nport = 99999\n", ("line 2", "page.port", "99999")),
        ("[page]\nport = 'eight'\n", ("line 2", "page.port", "'eight'")),
        ("[quiet_hours]\nquiet_from = '9 pm'\n", ("line 2", "quiet_hours.quiet_from", "'9 pm'")),
        ("[weather]\narchive = 'guess'\n", ("line 2", "weather.archive", "'guess'", "open-meteo")),
        ("[channels.mail]\nsender = 'x@m.example'\n", ("channels.mail.host",)),
        ("home = '/elsewhere'\n", ("'home'", "--home", "delete that line")),
        ("watch = [\n", ("not valid TOML", "line")),
        ("use_variables = 'no'\n", ("line 1", "use_variables", "true or false is wanted")),
        ("[manners]\n[quiet_hours]\n", ("line 1", "[quiet_hours]", "in line 2", "delete [manners]")),
    ],
)
def test_a_mistake_is_named_with_file_line_and_key(tmp_path: Path, text: str, parts: tuple[str, ...]) -> None:
    said = refusal(tmp_path, text)

    assert said.startswith(str(tmp_path / SETTINGS_FILE))
    for part in parts:
        assert part in said
    assert "pydantic" not in said.lower()
    assert "input should" not in said.lower()


@pytest.mark.parametrize("hour", ["24:00", "12:60", "99:99"])
def test_an_hour_that_no_clock_shows_is_refused_when_the_file_is_read(tmp_path: Path, hour: str) -> None:
    assert "quiet_hours.bedtime" in refusal(tmp_path, f"[quiet_hours]\nbedtime = '{hour}'\n")


def test_two_mistakes_are_both_named(tmp_path: Path) -> None:
    said = refusal(tmp_path, "[page]\nprt = 1\n[weather]\narchiv = 'none'\n")

    assert "page.prt" in said
    assert "weather.archiv" in said


def test_a_file_that_is_no_text_is_refused(tmp_path: Path) -> None:
    (tmp_path / SETTINGS_FILE).write_bytes(b"\xff\xfe\x00")

    with pytest.raises(SettingsError, match="cannot be read"):
        load_settings(tmp_path)


def test_the_home_is_where_the_variable_says(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("GRITLEDGER_HOME", str(tmp_path / "here"))
    assert default_home() == tmp_path / "here"
    monkeypatch.delenv("GRITLEDGER_HOME")
    assert default_home().name == "gritledger"


def test_a_file_of_weather_alone_means_that_file(tmp_path: Path) -> None:
    (tmp_path / "settings.toml").write_text('[weather]\nlocal_file = "hours.csv"\n')
    assert load_settings(tmp_path).weather.archive == "local"
    (tmp_path / "settings.toml").write_text('[weather]\nlocal_file = "hours.csv"\narchive = "none"\n')
    assert load_settings(tmp_path).weather.archive == "none"
