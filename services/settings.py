"""Where things live, whom to tell and how: one TOML file, checked key by key, each with a default."""

from __future__ import annotations

import difflib
import os
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

import platformdirs
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, SecretStr, ValidationError, model_validator
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict
from pydantic_settings import SettingsError as UnreadableVariable

from rules.quiet_hours import QuietHours as UsualQuietHours
from services.web_address import web_address

SETTINGS_FILE = "settings.toml"
LEDGER_FILE = "gritledger.db"
PREFIX = "GRITLEDGER_"  # of every variable that stands for a setting
HOME_VARIABLE = "GRITLEDGER_HOME"
NO_SETTINGS = (HOME_VARIABLE, "GRITLEDGER_CORPUS", "GRITLEDGER_TESTS_")  # the same prefix, other meanings
OLD_QUIET_HOURS = "manners"  # what the section [quiet_hours] was called before
USUAL = UsualQuietHours()
CLOCK = r"^([01]\d|2[0-3]):[0-5]\d$"


class SettingsError(Exception):
    """The settings file cannot be used; the message names the file, the line, the key and what to do."""


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Watched(_Section):
    """A folder whose new files are read at every round."""

    folder: Path
    rider: str | None = None  # whose rides; None = the subfolder's name, or the only rider
    quiet_s: float = Field(default=5.0, ge=0)  # a file is left alone until it has been still this long
    polling: bool = False  # for network folders, where change events do not arrive


class Weather(_Section):
    """Where hourly weather comes from."""

    archive: Literal["open-meteo", "nasa-power", "local", "none"] = "open-meteo"
    local_file: Path | None = None  # for archive = "local": a CSV of hourly values
    archive_url: str = "https://archive-api.open-meteo.com/v1/archive"
    forecast_url: str = "https://api.open-meteo.com/v1/forecast"
    stand_by: bool = True  # while the open archive is down, NASA POWER answers for the days it has
    power_url: str = "https://power.larc.nasa.gov/api/temporal/hourly/point"

    @model_validator(mode="before")
    @classmethod
    def _a_file_alone_means_that_file(cls, said: Any) -> Any:
        """Who names a file of weather and no archive wants that file read."""
        if isinstance(said, dict) and said.get("local_file") and "archive" not in said:
            return {**said, "archive": "local"}
        return said


class Surface(_Section):
    """What the ground was under a ride whose rider said nothing of it."""

    street_extract: Path | None = None  # an .osm.pbf or .osm extract of the open street map on this machine
    salted_roads: Literal["always", "usually", "never"] = "usually"  # usually = half of the paved way


class Mail(_Section):
    """The mail server that takes reminders, and how to speak to it safely."""

    host: str
    port: int = Field(default=587, ge=1, le=65535)
    security: Literal["starttls", "tls", "loopback only"] = "starttls"
    user: str | None = None
    password: SecretStr | None = None
    password_file: Path | None = None
    sender: str
    authority_file: Path | None = None  # certificate authority of a mail server of your own
    timeout_s: float = Field(default=20.0, gt=0, le=60)  # well within the time a letter is leased for


class Command(_Section):
    """A program of your own that is handed each reminder as JSON on its standard input."""

    argv: list[str] = Field(min_length=1)
    timeout_s: float = Field(default=20.0, gt=0, le=60)  # well within the time a letter is leased for


class Channels(_Section):
    """Ways to reach a rider. A channel that is absent is not used."""

    mail: Mail | None = None
    desktop: bool = False
    calendar_file: Path | None = None
    command: Command | None = None
    mail_folder: Path | None = None  # writes .eml files instead of sending them


class Page(_Section):
    """The page this program serves to your own browser."""

    host: str = "127.0.0.1"
    port: int = Field(default=8765, ge=1, le=65535)
    passphrase_file: Path | None = None  # needed before it will listen beyond this machine
    # Where a phone in the home network finds the page, for links in mails and codes on paper.
    public_url: Annotated[str, AfterValidator(web_address)] | None = None


class Backup(_Section):
    """Copies of the ledger, made by the watching once a day and looked through before they count."""

    daily: bool = True
    folder: Path | None = None  # None = "backups" in the home folder; another disk outlives this one


class Money(_Section):
    """What things cost, for waxing beside wet lube. Chains and treatments carry their own prices."""

    currency: str = Field(default="", max_length=8)  # as you write it after an amount
    cassette: float | None = Field(default=None, ge=0)  # shared by the chains that it outlives
    setup: float | None = Field(default=None, ge=0)  # pot, hooks and the first strip: once


class Reading(_Section):
    """The units in which riders read and type; what programs read stays in SI."""

    distance: Literal["km", "miles"] = "km"  # with it speed, and height in metres or feet
    temperature: Literal["°C", "°F"] = "°C"
    rain: Literal["mm", "inches"] = "mm"


class Tomorrow(_Section):
    """Which bike to take tomorrow, by the forecast."""

    forecast: bool = False  # one request an evening to weather.forecast_url, for the cell you ride in most
    tell: Literal["evening", "morning", "page only"] = "morning"  # if another bike is worth a word


class QuietHours(_Section):
    """When a reminder may speak, in each rider's own local time."""

    quiet_from: str = Field(default=f"{USUAL.quiet_from:%H:%M}", pattern=CLOCK)
    quiet_until: str = Field(default=f"{USUAL.quiet_until:%H:%M}", pattern=CLOCK)
    bedtime: str = Field(default=f"{USUAL.bedtime:%H:%M}", pattern=CLOCK)  # a wet chain may speak until then
    outlook_weekday: int | None = Field(default=USUAL.outlook_weekday, ge=0, le=6)  # 0 = Monday; None = none
    messages_a_month: int | None = Field(default=USUAL.messages_a_month, ge=0)  # see rules.quiet_hours
    every_s: float = Field(default=300.0, ge=1)  # how often a round is made without any new file


class Settings(BaseSettings):
    """Everything a rider can set. GRITLEDGER_CHANNELS__MAIL__PASSWORD and its like override the file."""

    model_config = SettingsConfigDict(
        env_prefix=PREFIX, env_nested_delimiter="__", extra="forbid", frozen=True
    )

    home: Path
    use_variables: bool = Field(default=True, strict=True)  # False = variables are for another home
    database: str | None = None  # an SQLAlchemy URL; None = gritledger.db in the home folder
    rulebook: Path | None = None  # limits of your own; None = the default rulebook
    watch: list[Watched] = []
    weather: Weather = Weather()
    surface: Surface = Surface()
    channels: Channels = Channels()
    page: Page = Page()
    quiet_hours: QuietHours = QuietHours()
    backup: Backup = Backup()
    money: Money = Money()
    tomorrow: Tomorrow = Tomorrow()
    units: Reading = Reading()

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """The environment wins over the file, so that a password need not be written down.

        A file that says `use_variables = false` stands alone.
        The home folder is no setting and was chosen before; a password alone sets up no mail.
        """
        del settings_cls, dotenv_settings, file_secret_settings
        written = init_settings()
        if written.get("use_variables") is False:
            return (init_settings,)

        def surroundings() -> dict[str, Any]:
            found = env_settings()
            for chosen_before in ("home", "use_variables"):
                found.pop(chosen_before, None)
            channels = found.get("channels", {})
            has_server = "host" in channels.get("mail", {})
            if "mail" in channels and not has_server and "mail" not in written.get("channels", {}):
                del channels["mail"]
            return found

        return surroundings, init_settings  # type: ignore[return-value]

    @property
    def backup_folder(self) -> Path:
        """Where copies of the ledger are kept."""
        return self.backup.folder or self.home / "backups"

    @property
    def database_url(self) -> str:
        """Where the ledger is kept."""
        return self.database or f"sqlite:///{self.home / LEDGER_FILE}"


def default_home() -> Path:
    """Where the ledger lives unless told otherwise: $GRITLEDGER_HOME, else the platform's data folder."""
    named = os.environ.get(HOME_VARIABLE)
    usual = platformdirs.user_data_dir("gritledger", appauthor=False)
    return Path(named).expanduser() if named else Path(usual)


def variables_in_force() -> tuple[str, ...]:
    """The variables of this process that stand for settings, by name, sorted."""
    ours = (name for name in map(str.upper, os.environ) if name.startswith(PREFIX))
    return tuple(sorted(name for name in ours if not name.startswith(NO_SETTINGS)))


def load_settings(home: Path) -> Settings:
    """The settings of a home folder, from its file and from variables; defaults where there is neither.

    Raises SettingsError naming file, line, key and the nearest known key; or the variable.
    """
    return settings_of(settings_text(home), home)


def settings_text(home: Path) -> str:
    """What the settings file says; "" where there is none. Raises SettingsError."""
    path = home / SETTINGS_FILE
    try:
        return path.read_text(encoding="utf-8") if path.exists() else ""
    except (OSError, UnicodeDecodeError) as error:
        why = getattr(error, "strerror", None) or "it is no UTF-8 text"
        raise SettingsError(
            f"{path}: the settings cannot be read ({why}); mend the file, or delete it for defaults"
        ) from error


def settings_of(text: str, home: Path) -> Settings:
    """What this text would set, were it that home folder's file. Raises SettingsError as loading does."""
    path = home / SETTINGS_FILE
    try:
        written = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(
            f"{path}: not valid TOML ({error}); mend that line, or delete the file for defaults"
        ) from error
    if "home" in written:
        raise SettingsError(
            f"{path}: 'home' is chosen by {HOME_VARIABLE} or --home, not in the file; delete that line"
        )
    if OLD_QUIET_HOURS in written:
        if "quiet_hours" in written:
            raise SettingsError(
                f"{path}, line {_line(text, OLD_QUIET_HOURS)}: [{OLD_QUIET_HOURS}] is called [quiet_hours] "
                f"now, and that is there too, in line {_line(text, 'quiet_hours')}; move what you want to "
                f"keep into [quiet_hours] and delete [{OLD_QUIET_HOURS}]"
            )
        written["quiet_hours"] = written.pop(OLD_QUIET_HOURS)
    variables = variables_in_force() if written.get("use_variables") is not False else ()
    unknown = [sentence for name in variables if (sentence := _unknown_variable(name))]
    if unknown:
        raise SettingsError("\n".join(unknown))
    try:
        settings = Settings(home=home, **written)
    except UnreadableVariable as error:
        raise SettingsError(
            f"a variable cannot be read: {error}; write it as JSON, or take it away ({', '.join(variables)})"
        ) from error
    except ValidationError as error:
        raise SettingsError(
            "\n".join(_sentence(path, text, problem, variables) for problem in error.errors())
        ) from error
    return _with_absolute_paths(settings)


def _with_absolute_paths(settings: Settings) -> Settings:
    """Relative paths in the file are relative to the home folder; `~` is the rider's own folder."""

    def whole(path: Path | None) -> Path | None:
        return None if path is None else settings.home / path.expanduser()

    mail, extract = settings.channels.mail, settings.surface.street_extract
    passphrase = settings.page.passphrase_file
    if mail is not None:
        files = {"password_file": whole(mail.password_file), "authority_file": whole(mail.authority_file)}
        mail = mail.model_copy(update=files)
    return settings.model_copy(
        update={
            "rulebook": whole(settings.rulebook),
            "watch": [w.model_copy(update={"folder": whole(w.folder)}) for w in settings.watch],
            "weather": settings.weather.model_copy(update={"local_file": whole(settings.weather.local_file)}),
            "surface": settings.surface.model_copy(update={"street_extract": whole(extract)}),
            "channels": settings.channels.model_copy(
                update={
                    "mail": mail,
                    "calendar_file": whole(settings.channels.calendar_file),
                    "mail_folder": whole(settings.channels.mail_folder),
                }
            ),
            "backup": settings.backup.model_copy(update={"folder": whole(settings.backup.folder)}),
            "page": settings.page.model_copy(update={"passphrase_file": whole(passphrase)}),
        }
    )


def _unknown_variable(name: str) -> str | None:
    """What to say of a variable whose first part names no setting; None where it names one."""
    section, *inner = name.removeprefix(PREFIX).lower().split("__")
    known = _known_keys([])
    if section in known:
        return None
    near = (
        ["quiet_hours"]
        if section == OLD_QUIET_HOURS
        else difflib.get_close_matches(section, known, n=1, cutoff=0.5)
    )
    meant = [PREFIX + "__".join([key, *inner]).upper() for key in near] or [f"one of {', '.join(known)}"]
    return f"the variable {name} names no setting; did you mean {meant[0]}? Rename it, or take it away"


def _line(text: str, key: str) -> int | None:
    """The line of the file that a key or a section stands in, from 1."""
    return next((n for n, row in enumerate(text.splitlines(), 1) if _names(row, key)), None)


def _sentence(path: Path, text: str, problem: Any, variables: tuple[str, ...]) -> str:
    keys = [str(part) for part in problem["loc"]]
    named = [key for key in keys if not key.isdigit()]
    key = named[-1] if named else "?"
    line = _line(text, key)
    where = f"{path}, line {line}" if line else str(path)
    by_variable = _variable_of(named, variables)
    if by_variable and (line is None or by_variable == _variable(named)):
        where = f"the variable {by_variable}"
    if problem["type"] == "extra_forbidden":
        near = difflib.get_close_matches(key, _known_keys(named[:-1]), n=1, cutoff=0.5)
        hint = f"did you mean '{near[0]}'?" if near else f"known here: {', '.join(_known_keys(named[:-1]))}"
        return f"{where}: there is no setting '{'.'.join(named)}'; {hint}"
    if problem["type"] == "missing":
        return f"{where}: '{'.'.join(named)}' is wanted there; add it, or take its section away"
    return f"{where}: '{'.'.join(named)}' cannot be {problem.get('input')!r}: {_wanted(problem)}"


def variable_over(key: str, settings: Settings) -> str | None:
    """The variable that says this dotted key, so that the file's word does not count; None = none does."""
    return _variable_of(key.split("."), variables_in_force()) if settings.use_variables else None


def _variable(keys: list[str]) -> str:
    return PREFIX + "__".join(keys).upper()


def _variable_of(keys: list[str], variables: tuple[str, ...]) -> str | None:
    """The variable that says this key, or that holds it in a section written as JSON."""
    longest_first = (_variable(keys[:depth]) for depth in range(len(keys), 0, -1))
    return next((name for name in longest_first if name in variables), None)


def _wanted(problem: Any) -> str:
    """What a value should have been."""
    limits = problem.get("ctx") or {}
    match problem["type"]:
        case "string_pattern_mismatch":
            return "a time of day is wanted, such as '21:30'"
        case "greater_than_equal":
            return f"at least {limits['ge']} is wanted"
        case "less_than_equal":
            return f"at most {limits['le']} is wanted"
        case "greater_than":
            return f"more than {limits['gt']} is wanted"
        case "value_error":
            return str(limits["error"])
        case "literal_error":
            return f"one of {limits['expected']} is wanted"
    kinds = {
        "int": "a whole number",
        "float": "a number",
        "bool": "true or false",
        "string": "text in quotes",
    }
    kind = next((said for name, said in kinds.items() if problem["type"].startswith(name)), None)
    return f"{kind} is wanted" if kind else str(problem["msg"]).lower().replace("input should be", "wanted:")


def _names(row: str, key: str) -> bool:
    bare = row.split("#")[0].strip()
    return bare.split("=")[0].strip() == key or (
        bare.startswith("[") and bare.strip("[]").split(".")[-1] == key
    )


def _known_keys(section: list[str]) -> list[str]:
    model: type[BaseModel] = Settings
    for name in section:
        field = model.model_fields.get(name)
        inner = _models_in(field.annotation) if field else []
        if not inner:
            return []
        model = inner[0]
    return [name for name in model.model_fields if name != "home"]


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for part in getattr(annotation, "__args__", ()) for model in _models_in(part)]
