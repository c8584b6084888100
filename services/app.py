"""One household's settings and tools: store, rulebook, archives, channels; each set up when first used."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime, time, tzinfo
from functools import cached_property
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from ingest.weather.hourly import WeatherProvider
from rules.ledger import Ledger
from rules.own_limits import in_force
from rules.roles import Member
from rules.rulebook import Rulebook, RulebookError, default_rulebook, parse_rulebook
from rules.units import Units
from rules.vocabulary import Rider, Tier
from services.answer_links import GOOD_FOR, Address
from services.channels import Channel
from services.settings import SETTINGS_FILE, Settings, SettingsError, load_settings
from services.store import Store, Transaction
from services.store.private_files import FOLDER, own_secret

if TYPE_CHECKING:
    from rules.quiet_hours import QuietHours
    from rules.wear.cost import Prices

AT = "/at/"  # before a household's number in an address of a club's page
ANSWER_KEY_FILE, ANSWER_KEY_BYTES = "answer-links.key", 32


@dataclass(frozen=True)
class App:
    """One household's settings and tools. What is slow to set up is set up when first used."""

    settings: Settings
    equip: Callable[[App], Mapping[str, Channel]] = lambda _: {}  # makes the channels: see services.wiring
    page_url: str | None = None  # where riders reach the page, while it is served
    wake: Callable[[], None] = lambda: None  # has a round made at once, where rounds are made
    member: Member | None = None  # who of a club's household is asking; None = at home, where all may do all

    def asked_by(self, member: Member) -> App:
        """The same tools in the hands of somebody of a club's household."""
        made = replace(self, member=member)
        own = {one.name for one in fields(self)}
        made.__dict__.update({name: tool for name, tool in self.__dict__.items() if name not in own})
        return made

    def speaker(self, by: str) -> str:
        """By whose name something is kept: of the member of a club's household who asks; at home `by`."""
        return by if self.member is None else self.member.name

    @cached_property
    def store(self) -> Store:
        """The ledger's database, brought up to date. Raises StoreError."""
        return Store.open(self.settings.database_url)

    @cached_property
    def rulebook(self) -> Rulebook:
        """The default rulebook, with the household's own on top. Raises RulebookError, SettingsError."""
        own = self.settings.rulebook
        if own is None:
            return default_rulebook()
        try:
            text = own.read_text(encoding="utf-8")
        except OSError as error:
            raise SettingsError(
                f"{own}: the rulebook cannot be read ({error.strerror}); check 'rulebook' in the settings"
            ) from error
        return parse_rulebook(text, name=str(own), base=default_rulebook())

    def rulebook_for(self, ledger: Ledger) -> Rulebook:
        """The rulebook with what riders set for themselves on top. Raises RulebookError, SettingsError."""
        return in_force(self.rulebook, ledger)

    def rulebook_in(self, tx: Transaction) -> Rulebook:
        """The same, as the facts stand in a transaction. Raises RulebookError, SettingsError."""
        return in_force(self.rulebook, tx.garage()) if tx.care.own_limits() else self.rulebook

    @property
    def prices(self) -> Prices:
        """What the household pays apart from chains and treatments."""
        from rules.wear.cost import Prices

        money = self.settings.money
        return Prices(money.currency, money.cassette, money.setup)

    @property
    def units(self) -> Units:
        """In which units the household reads and types."""
        chosen = self.settings.units
        return Units(chosen.distance == "miles", chosen.temperature == "°F", chosen.rain == "inches")

    def forget_rulebook(self) -> None:
        """The rulebook's file was written: it is read again when next asked for."""
        self.__dict__.pop("rulebook", None)

    @cached_property
    def providers(self) -> tuple[WeatherProvider, ...]:
        """Where weather comes from, the settled archive first. Raises SettingsError."""
        from ingest.weather.local_file import LocalFile
        from ingest.weather.nasa_power import NasaPower
        from ingest.weather.open_meteo import OpenMeteoArchive, OpenMeteoForecast

        weather = self.settings.weather
        if weather.archive == "none":
            return ()
        if weather.archive == "local":
            if weather.local_file is None:
                raise SettingsError(
                    "weather.archive is 'local', but weather.local_file names no file; give its path"
                )
            return (LocalFile(weather.local_file),)
        if weather.archive == "nasa-power":
            return (NasaPower(weather.power_url),)
        return (OpenMeteoArchive(weather.archive_url), OpenMeteoForecast(weather.forecast_url))

    @property
    def salted_share(self) -> float:
        """How much of the household's paved way is ploughed and salted in winter, 0 to 1."""
        from ingest.ground.conditions import USUALLY_SALTED

        return {"always": 1.0, "usually": USUALLY_SALTED, "never": 0.0}[self.settings.surface.salted_roads]

    @cached_property
    def stand_by(self) -> WeatherProvider | None:
        """Who answers while the open archive is down. None: nobody, or another archive was chosen."""
        from ingest.weather.nasa_power import NasaPower

        weather = self.settings.weather
        if weather.archive != "open-meteo" or not weather.stand_by:
            return None
        # Preliminary, so that the archive is asked again and its own value comes to stand.
        return NasaPower(weather.power_url, tier=Tier.PRELIMINARY)

    @cached_property
    def ahead(self) -> WeatherProvider:
        """Where tomorrow's weather comes from, if it is asked for."""
        from ingest.weather.open_meteo import OpenMeteoAhead

        return OpenMeteoAhead(self.settings.weather.forecast_url)

    @cached_property
    def channels(self) -> Mapping[str, Channel]:
        """Ways to reach riders that are set up, by name."""
        return self.equip(self)

    @property
    def page_address(self) -> str | None:
        """Where riders reach the page: from their phones if that is set, else while it is served here."""
        return self.settings.page.public_url or self.page_url

    def address(self, now: datetime) -> Address | None:
        """What a message of now may link to. None: nothing, for no page is served. Raises SettingsError."""
        if self.page_address is None:
            return None
        everywhere = self.settings.page.public_url is not None
        return Address(self.page_address, everywhere, self.answer_key, now + GOOD_FOR)

    @cached_property
    def answer_key(self) -> bytes:
        """This household's own secret behind the links in its mails. Raises SettingsError."""
        path = self.settings.home / ANSWER_KEY_FILE
        try:
            return own_secret(path, ANSWER_KEY_BYTES)
        except (OSError, ValueError) as error:
            raise SettingsError(
                f"{path}: the secret behind links in mails cannot be used ({error}); delete the file, and "
                "a new one is drawn. Links in mails sent before then answer nothing"
            ) from error

    @property
    def attribution(self) -> tuple[str, ...]:
        """What the archives in use ask to be said beside their data."""
        in_use = (*self.providers, *([self.stand_by] if self.stand_by else ()))
        if self.settings.tomorrow.forecast:
            in_use = (*in_use, self.ahead)
        said = tuple(dict.fromkeys(provider.attribution for provider in in_use))
        # What one of them says within its own words need not be said twice.
        return tuple(one for one in said if not any(one in more for more in said if more != one))


class Followed:
    """One household's tools while they run: settings and rulebook that are written anew are read anew.

    Where the ledger is and where the page listens stay as they were at the start. A file that cannot be used
    changes nothing: `trouble` says why, until it is mended.
    """

    def __init__(self, app: App) -> None:
        self._app, self._mark = app, _mark(app.settings)
        self.trouble = ""
        self._one_at_a_time = threading.Lock()

    def now(self) -> App:
        """The tools as they are set now; the very same as long as nothing was written."""
        with self._one_at_a_time:
            mark = _mark(self._app.settings)
            if mark != self._mark:
                self._mark = mark
                self._read_anew()
            return self._app

    def _read_anew(self) -> None:
        before = self._app
        try:
            settings = load_settings(before.settings.home)
            kept = {"page": before.settings.page, "database": before.settings.database}
            after = replace(before, settings=settings.model_copy(update=kept))
            _ = after.rulebook
        except (SettingsError, RulebookError) as error:
            self.trouble = f"The settings were changed, but cannot be used, so the old ones hold: {error}"
            return
        after.__dict__["store"] = before.store
        self._app, self.trouble = after, ""
        self._mark = _mark(after.settings)  # another rulebook may be named


def household_app(club: App, store: Store, *, wake: Callable[[], None] = lambda: None, **lent: object) -> App:
    """A club's tools for one household: its store, a folder of its own, its own address for links.

    lent: what is set up once for all of them.
    """
    number = store.household
    home = club.settings.home / "households" / str(number)
    home.mkdir(mode=FOLDER, parents=True, exist_ok=True)
    page = club.settings.page
    if page.public_url is not None:
        page = page.model_copy(update={"public_url": f"{page.public_url.rstrip('/')}{AT}{number}"})
    backup = club.settings.backup.model_copy(update={"folder": None})
    settings = club.settings.model_copy(update={"home": home, "backup": backup, "page": page})
    url = None if club.page_url is None else f"{club.page_url.rstrip('/')}{AT}{number}"
    made = App(settings, equip=club.equip, page_url=url, wake=wake)
    made.__dict__.update(store=store, rulebook=club.rulebook, **lent)
    return made


def _mark(settings: Settings) -> tuple[tuple[int, int] | None, ...]:
    """Size and time of the files that say how a household is set up; None where one is not there."""
    marks: list[tuple[int, int] | None] = []
    for path in (settings.home / SETTINGS_FILE, settings.rulebook):
        try:
            found = path.stat() if path is not None else None
        except OSError:
            found = None
        marks.append((found.st_size, found.st_mtime_ns) if found is not None else None)
    return tuple(marks)


def quiet_hours_of(app: App) -> QuietHours:
    """The quiet hours from the settings."""
    from rules.quiet_hours import QuietHours

    said = app.settings.quiet_hours
    return QuietHours(
        time.fromisoformat(said.quiet_from),
        time.fromisoformat(said.quiet_until),
        time.fromisoformat(said.bedtime),
        said.outlook_weekday,
        said.messages_a_month,
    )


def household_zone(riders: Sequence[Rider]) -> tzinfo:
    """A household's wall clock: the first rider's."""
    return zone_of(riders[0].time_zone if riders else "UTC")


def zone_of(name: str) -> tzinfo:
    """The rules of a time zone. A zone this machine does not know is told as UTC rather than not at all."""
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        return ZoneInfo("UTC")
