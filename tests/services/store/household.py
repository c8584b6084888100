"""Facts that the store's tests start from: two riders, their bikes and chains, and rides of any length."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from ingest.ride.recording import SensorSeen
from ingest.ride.summary import HourSummary, RideSummary
from ingest.weather.hourly import Cell, HourlyWeather
from rules.reminder import Reason, Reminder, ReminderKind
from rules.vocabulary import (
    Bike,
    BikeId,
    Chain,
    ChainId,
    Condition,
    ConditionTag,
    DriveMethod,
    Regime,
    RideId,
    Rider,
    RiderId,
    Tier,
)
from services.queued_letter import Letter
from services.store import Store
from tests.put_into import into

MORNING = datetime(2026, 6, 1, 6, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)
DAY = timedelta(days=1)
CELL = Cell(-16.5, -68.25)


@dataclass(frozen=True)
class Household:
    """Who and what `settle` made."""

    ines: Rider
    tomas: Rider
    plover: Bike
    heron: Bike
    amber: Chain
    basalt: Chain


def settle(store: Store) -> Household:
    """Two riders with a bike and a chain each; nothing is fitted yet."""
    with store.writing() as tx:
        ines = into(tx).add_rider("Ines", "ines@household.invalid", "America/La_Paz")
        tomas = into(tx).add_rider("Tomás")
        return Household(
            ines,
            tomas,
            plover=into(tx).add_bike(
                "Plover", ines.id, unpaved_share=0.5, cogs=(11, 13, 15), chainrings=(40,)
            ),
            heron=into(tx).add_bike("Heron", tomas.id),
            amber=into(tx).add_chain(
                "Amber", speeds=11, links=114, price=32.5, acquired_at=MORNING - 100 * DAY
            ),
            basalt=into(tx).add_chain("Basalt", regime=Regime.WET_LUBE),
        )


def ride_summary(start: datetime = MORNING, hours: int = 3, **fields: Any) -> RideSummary:
    """A ride with a full drive hour in each of its clock hours, from 06:00 UTC unless told otherwise."""
    first = start.replace(minute=0, second=0, microsecond=0)
    said: dict[str, Any] = {
        "title": "To the salt flat",
        "started_at": start,
        "ended_at": start + hours * HOUR,
        "drive_s": 3000.0 * hours,
        "drive_low_s": 2900.0 * hours,
        "drive_high_s": 3100.0 * hours,
        "drive_method": DriveMethod.CADENCE,
        "moving_s": 3300.0 * hours,
        "distance_m": 20_000.0 * hours,
        "climb_m": 150.0 * hours,
        "indoor": False,
        "virtual": False,
        "unpaved_share": None,
        "sport": "cycling",
        "sub_sport": "gravel_cycling",
        "reader": "fit columns",
        "damage": ("ends after 1 204 of 88 310 bytes",),
        "dropped": {"impossible jumps": 2},
        "device": SensorSeen("head unit", serial=3_900_000_001, manufacturer="made up", product="one"),
        "sensors": (
            SensorSeen("power meter", serial=77, battery="low"),
            SensorSeen("heart rate", ant_number=4242),
            SensorSeen("speed"),
        ),
        "hours": tuple(
            HourSummary(first + n * HOUR, 3000.0, 20_000.0, 3300.0, 6.1, -16.5, -68.2, 150.0)
            for n in range(hours)
        ),
        "track": b"\x01track",
        "sketch": b"\x02sketch",
        "drive_parts": ((DriveMethod.CADENCE, 2800.0 * hours), (DriveMethod.REQUIRED_POWER, 200.0 * hours)),
        "file_name": "morning.fit",
        "profile_name": "Gravel",
    }
    return RideSummary(**{**said, **fields})


def ride_of(store: Store, rider: RiderId, start: datetime = MORNING, hours: int = 3, **fields: Any) -> RideId:
    """Add a ride in a transaction of its own."""
    with store.writing() as tx:
        return tx.rides.add(ride_summary(start, hours, **fields), rider)


def tag(paved_water: float | None = 0.0, **fields: Any) -> ConditionTag:
    """A settled tag of the archive's: dry unless told otherwise."""
    said: dict[str, Any] = {
        "paved_water": paved_water,
        "unpaved_water": None if paved_water is None else min(1.0, 1.5 * paved_water),
        "mud": None if paved_water is None else 0.0,
        "dust": None if paved_water is None else 0.25,
        "confidence": 0.9,
        "tier": Tier.FINAL,
        "rain_mm": 0.0,
        "rain_before_mm": 0.0,
        "source": "open archive (era5)",
        "fetched_at": MORNING + 5 * DAY,
        "because": "No rain for two days.",
    }
    return ConditionTag(**{**said, **fields})


def weather(hour_start: datetime, rain_mm: float | None = 0.0, **fields: Any) -> HourlyWeather:
    """An hour of final weather, fetched five days later."""
    said: dict[str, Any] = {
        "cell": CELL,
        "hour_start": hour_start,
        "source": "open-meteo archive",
        "model": "era5",
        "tier": Tier.FINAL,
        "fetched_at": MORNING + 5 * DAY,
        "rain_mm": rain_mm,
        "snowfall_cm": 0.0,
        "temperature_c": 11.5,
        "humidity_pct": 40.0,
        "wind_10m_mps": 3.2,
        "shortwave_wm2": 510.0,
        "soil_moisture_m3m3": 0.14,
        "et0_mm": 0.31,
        "pressure_kpa": 63.5,
    }
    return HourlyWeather(**{**said, **fields})


def reminder(chain: ChainId, rider: RiderId, bike: BikeId | None = None, **fields: Any) -> Reminder:
    """A wet ride's reminder with two lines of reasons."""
    said: dict[str, Any] = {
        "key": f"wipe and drip {chain} ride 1",
        "kind": ReminderKind.WIPE_AND_DRIP,
        "chain": chain,
        "rider": rider,
        "bike": bike,
        "cause_at": MORNING + 3 * HOUR,
        "headline": "Wipe and drip the chain on Plover tonight",
        "sentence": "It rained 4.2 mm on the way home.",
        "total": 0.8,
        "limit": 0.3,
        "unit": "weight",
        "unknown_h": 0.0,
        "reasons": (
            Reason(MORNING, "Fitted after an immersion."),
            Reason(
                MORNING + HOUR,
                "An hour in the rain.",
                condition=Condition.WET,
                drive_h=0.83,
                weight=4.0,
                grit_h=3.32,
                total=3.32,
                weather="4.2 mm, open archive (era5), final, fetched on 6 June",
            ),
        ),
        "rulebook_version": "2026-06",
        "urgency": 1,
    }
    return Reminder(**{**said, **fields})


def letter(rider: RiderId, message_id: str = "<one@gritledger.invalid>", **fields: Any) -> Letter:
    """A mail that was never queued."""
    said: dict[str, Any] = {
        "id": 0,
        "rider": rider,
        "channel": "email",
        "to": "ines@household.invalid",
        "subject": "Wipe and drip the chain on Plover tonight",
        "text": "It rained 4.2 mm on the way home.",
        "html": "<p>It rained 4.2 mm on the way home.</p>",
        "message_id": message_id,
        "facts": '{"chain": "Amber"}',
        "due_at": MORNING + DAY,
    }
    return Letter(**{**said, **fields})
