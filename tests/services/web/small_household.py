"""Two weeks of a small household, read from real files by real rounds: rain, care, a week of questions."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from fixtures.fit_writer import fit_bytes
from ingest.ride.recording import Recording, SensorSeen
from rules.vocabulary import ReadingTool, Regime, TreatmentKind
from services.app import App
from services.running.round import one_round
from services.settings import SETTINGS_FILE
from services.wiring import open_app
from tests.put_into import into
from tests.saying import log_reading, log_treatment, log_wipe_test
from tests.wet_household import BIKES, FIRST_DAY, RIDE_AT, household

DAYS = 14
NOW = FIRST_DAY + timedelta(days=DAYS - 1, hours=18)
SCRIPT = "<script>alert('ride')</script>"
FORMULA = '=HYPERLINK("http://attacker.invalid")'
# Small limits, so that two weeks of short rides bring every kind of reminder.
LIMITS = """
[weight]
starved = 1
[limit]
drip = 9
immersion = 16
wet_ride = 0.1
wet_ride_expires = 1
"""
QUESTIONS = 7  # rides without a sensor, one a day in the second week: a week's confirmations


def fit_ride(
    start: datetime, *, sensor: int | None, eastward: float = 0.0, seconds: int = 2400, sport: str = "cycling"
) -> bytes:
    """Pedalling at 90 rpm and 7 m/s; with a known power meter, or with nothing that names the bike."""
    at = np.arange(0, seconds + 1, 2)
    nothing = np.full(len(at), np.nan)
    return fit_bytes(
        Recording(
            file_name="ride.fit",
            reader="invented",
            time_s=start.timestamp() + at,
            latitude_deg=-31.0 + 0.03 * np.sin(at / 400.0),
            longitude_deg=21.0 + eastward + 0.03 * np.cos(at / 400.0),
            altitude_m=1400.0 + 20.0 * np.sin(at / 300.0),
            distance_m=at * 7.0,
            speed_mps=7.0 + np.sin(at / 60.0),
            cadence_rpm=np.full(len(at), 90.0),
            power_w=nothing,
            temperature_c=nothing,
            heart_rate_bpm=nothing,
            sport=sport,
            sub_sport="road" if sport == "cycling" else None,
            device=SensorSeen("head unit", serial=1),
            sensors=() if sensor is None else (SensorSeen("power meter", serial=sensor),),
        )
    )


def gpx_ride(start: datetime, title: str) -> str:
    """A short ride by another way in, whose title is whatever its writer pleased."""
    escaped = title.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    points = "".join(
        f'<trkpt lat="{-31.0 + second * 6e-5:.6f}" lon="21.05"><ele>1400</ele>'
        f"<time>{start + timedelta(seconds=second):%Y-%m-%dT%H:%M:%SZ}</time></trkpt>"
        for second in range(0, 900, 5)
    )
    return (
        '<?xml version="1.0"?><gpx version="1.1" creator="a test" xmlns="http://www.topografix.com/GPX/1/1">'
        f"<trk><name>{escaped}</name><type>cycling</type><trkseg>{points}</trkseg></trk></gpx>"
    )


def settle(home: Path) -> App:
    """Build the household in an empty folder."""
    household(home, DAYS, None).store.close()
    (home / "limits.toml").write_text(LIMITS)
    settings = home / SETTINGS_FILE
    settings.write_text('rulebook = "limits.toml"\n' + settings.read_text())
    shop = open_app(home)
    rides = home / "rides"
    for day in range(DAYS):
        start = FIRST_DAY + timedelta(days=day) + RIDE_AT
        name, sensor = BIKES[day % 2]
        (rides / f"{start:%Y%m%d}-{name}.fit").write_bytes(fit_ride(start, sensor=sensor))
        if day >= DAYS - QUESTIONS:
            morning = start - timedelta(hours=9)
            (rides / f"{morning:%Y%m%d}-whose.fit").write_bytes(
                fit_ride(morning, sensor=None, eastward=0.1, seconds=1800)
            )
    evil = FIRST_DAY + timedelta(days=2, hours=10)
    (rides / "evil.gpx").write_text(gpx_ride(evil, SCRIPT))
    (rides / "formula.gpx").write_text(gpx_ride(evil + timedelta(days=1), FORMULA))
    twice = FIRST_DAY + timedelta(days=1) + RIDE_AT
    (rides / "phone.fit").write_bytes(fit_ride(twice, sensor=None, seconds=2300))
    (rides / "torn <b>.fit").write_bytes(fit_ride(FIRST_DAY, sensor=1)[:40])
    with shop.store.writing() as tx:
        spare = into(tx).add_chain("Shelf & Son", regime=Regime.WET_LUBE, speeds=11)
        assert spare.name == "Shelf & Son"
    one_round(shop, now=NOW - timedelta(days=1))
    for days, kind in ((3, TreatmentKind.IMMERSION), (5, TreatmentKind.DRIP), (6, TreatmentKind.WIPE)):
        at = FIRST_DAY + timedelta(days=days, hours=20)
        log_treatment(shop, "Plover", kind, at, minutes=8, cost=0.4, note="overview", now=NOW)
    for days, exact in ((1, 0.05), (8, 0.12), (12, 0.19)):
        at = FIRST_DAY + timedelta(days=days, hours=21)
        log_reading(shop, "Plover", ReadingTool.CALIPER, at, exact_pct=exact, now=NOW)
    at = FIRST_DAY + timedelta(days=9, hours=21)
    log_reading(shop, "Harrier", ReadingTool.GAUGE, at, under_pct=0.25, now=NOW)
    log_wipe_test(shop, "Harrier", 3, at, now=NOW)
    one_round(shop, now=NOW)
    return shop


def with_page(shop: App, **changes: object) -> App:
    """The same app with other settings of its page."""
    page = shop.settings.page.model_copy(update=changes)
    return replace(shop, settings=shop.settings.model_copy(update={"page": page}))
