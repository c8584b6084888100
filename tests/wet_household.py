"""A household that rides every day, mostly in the wet: files, weather, care and settings for whole rounds."""

from __future__ import annotations

import random
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

from fixtures.fit_writer import fit_bytes
from rules.vocabulary import TreatmentKind
from services.app import App
from services.settings import SETTINGS_FILE
from services.wiring import open_app
from tests.mail_server import MailServer
from tests.put_into import into
from tests.saying import log_treatment
from tests.straight_ride import straight_ride

FIRST_DAY = datetime(2025, 1, 1, tzinfo=UTC)
BIKES = (("Plover", 4711), ("Harrier", 4712))
RIDE_AT, ROUND_AT = timedelta(hours=16, minutes=10), timedelta(hours=18)
RIDE_S = 2400


def a_ride(start: datetime, sensor: int, eastward: float) -> bytes:
    """A ride on a bike with a known power meter, as its FIT file."""
    return fit_bytes(straight_ride(start, RIDE_S, sensor=sensor, eastward_deg=eastward))


def weather_csv(days: int) -> str:
    """Every hour of the place: 4.1 mm while they ride on two days of three."""
    lines = [
        "latitude_deg,longitude_deg,hour_start_utc,rain_mm,temperature_c,humidity_pct,wind_10m_mps,shortwave_wm2"
    ]
    for hour in range(-24 * 5, 24 * (days + 3)):
        at = FIRST_DAY + timedelta(hours=hour)
        rain_mm = 4.1 if at.hour == 16 and (at - FIRST_DAY).days % 3 else 0.0
        lines.append(f"-31.0,21.0,{at:%Y-%m-%dT%H:%M:%SZ},{rain_mm},16,55,2,300")
    return "\n".join(lines) + "\n"


def household(home: Path, days: int, mail: MailServer | None, *, with_desktop: bool = False) -> App:
    """A rider with two bikes, each with a chain and a power meter; with a mail server, mail too."""
    (home / "rides").mkdir(parents=True)
    (home / "weather.csv").write_text(weather_csv(days))
    channels = (
        f"[channels]\ndesktop = {str(with_desktop).lower()}\n"
        f'[channels.mail]\nhost = "localhost"\nport = {mail.port}\n'
        f'sender = "chains@plateau.example"\nauthority_file = "{mail.authority_file}"\n'
        if mail
        else ""
    )
    (home / SETTINGS_FILE).write_text(
        f'[[watch]]\nfolder = "rides"\n[weather]\narchive = "local"\nlocal_file = "weather.csv"\n{channels}'
    )
    shop = open_app(home)
    with shop.store.writing() as tx:
        rider = into(tx).add_rider("Ines", "ines@plateau.example", "UTC")
        for name, sensor in BIKES:
            bike = into(tx).add_bike(name, rider.id)
            chain = into(tx).add_chain(f"{name}'s chain", speeds=11)
            into(tx).fit_chain(chain.id, bike.id, FIRST_DAY - timedelta(days=1))
            into(tx).add_sensor("power meter", f"serial {sensor}", bike.id)
    return shop


def drop(folder: Path, day: int, corpus: list[Path], chance: random.Random) -> int:
    """The day's files; returns how many of them are rides not seen before."""
    new = 0
    for number, (name, sensor) in enumerate(BIKES):
        start = FIRST_DAY + timedelta(days=day) + RIDE_AT + timedelta(minutes=2 * number)
        content = a_ride(start, sensor, number * 0.01)
        (folder / f"{start:%Y%m%d}-{name}.fit").write_bytes(content)
        new += 1
        if chance.random() < 0.1:
            (folder / f"{start:%Y%m%d}-{name}-again.fit").write_bytes(content)
    if chance.random() < 0.1:
        (folder / f"{day}-cut-short.fit").write_bytes(content[: len(content) // 3])
    if corpus and day % 10 == 0:
        real = corpus.pop()
        shutil.copyfile(real, folder / real.name)
    return new


def care(shop: App, day: int) -> None:
    """Hands on the chains in the morning: a drip every third day, an immersion every twentieth."""
    at = FIRST_DAY + timedelta(days=day, hours=8)
    for name, _ in BIKES:
        if day % 20 == 19:
            log_treatment(shop, name, TreatmentKind.IMMERSION, at, now=at)
        elif day % 3 == 2:
            log_treatment(shop, name, TreatmentKind.DRIP, at, now=at)
