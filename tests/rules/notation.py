"""A ledger written as text, one dated fact per line, for tests that read as a story.

    rider Ada  zone America/Denver
    bike Plover  of Ada  unpaved 0.4
    chain Copper  12-speed
    2025-03-01        fitted    Copper  on Plover
    2025-03-04 10:30  rode      2.5 h   on Plover  wet
    2025-03-04 20:00  dripped   Copper
    2025-03-09        measured  Copper  over 0.25 under 0.5

Names are made up on first use; a day without a time means noon UTC; ids count from 1 in each kind of fact.
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any

from rules.ledger import Ledger
from rules.rulebook import Rulebook, default_rulebook, parse_rulebook
from rules.vocabulary import (
    Bike,
    BikeId,
    Chain,
    ChainId,
    Condition,
    ConditionTag,
    DecidedBy,
    DriveMethod,
    Fitting,
    FittingId,
    Reading,
    ReadingId,
    ReadingTool,
    Regime,
    Ride,
    RideHour,
    RideId,
    Rider,
    RiderId,
    Tier,
    Treatment,
    TreatmentId,
    TreatmentKind,
    WipeTest,
    WipeTestId,
)

TREATMENTS = {
    "dripped": TreatmentKind.DRIP,
    "immersed": TreatmentKind.IMMERSION,
    "stripped": TreatmentKind.STRIP,
    "wiped": TreatmentKind.WIPE,
    "oiled": TreatmentKind.OIL,
    "cleaned": TreatmentKind.CLEAN,
}
# paved water, unpaved water, mud, dust of a tag with this word
TAGS = {
    "wet": (0.8, 0.8, 0.0, 0.0),
    "damp": (0.2, 0.2, 0.0, 0.0),
    "dry": (0.0, 0.0, 0.0, 0.0),
    "dusty": (0.0, 0.0, 0.0, 1.0),
    "muddy": (0.5, 1.0, 0.6, 0.0),
    "salty": (0.8, 0.8, 0.0, 0.0, 0.9),
    "salt-damp": (0.1, 0.0, 0.0, 0.0, 0.9),
}


def at(text: str) -> datetime:
    """'2025-03-04' (noon) or '2025-03-04 10:30', UTC."""
    form = "%Y-%m-%d %H:%M" if " " in text else "%Y-%m-%d"
    moment = datetime.strptime(text, form).replace(tzinfo=UTC)
    return moment if " " in text else moment + timedelta(hours=12)


def tag(
    paved: float | None,
    unpaved: float | None = None,
    mud: float = 0.0,
    dust: float = 0.0,
    salt: float = 0.0,
) -> ConditionTag:
    """A tag with these weights; paved None = no weather known."""
    return ConditionTag(
        paved_water=paved,
        unpaved_water=paved if unpaved is None else unpaved,
        mud=mud,
        dust=dust,
        confidence=0.85,
        tier=Tier.FINAL,
        rain_mm=None if paved is None else round(paved * 3.0, 1),
        rain_before_mm=0.0,
        source="local file (invented)",
        fetched_at=at("2025-01-01"),
        because="invented",
        salt=salt,
    )


def ledger_of(text: str) -> Ledger:
    """The ledger that this text describes. ValueError for a line that is no fact."""
    return _Book().read(text)


class _Book:
    def __init__(self) -> None:
        self.riders: dict[str, Rider] = {}
        self.bikes: dict[str, Bike] = {}
        self.chains: dict[str, Chain] = {}
        self.fittings: list[Fitting] = []
        self.rides: list[Ride] = []
        self.treatments: list[Treatment] = []
        self.readings: list[Reading] = []
        self.wipe_tests: list[WipeTest] = []

    def read(self, text: str) -> Ledger:
        for line in filter(None, (raw.split("#")[0].strip() for raw in text.splitlines())):
            dated = re.match(r"(\d{4}-\d\d-\d\d(?: \d\d:\d\d)?)\s+(\w+)\s*(.*)", line)
            if dated:
                self.fact(at(dated[1]), dated[2], dated[3].split())
            else:
                kind, name, *rest = line.split()
                getattr(self, f"describe_{kind}")(name, _pairs(rest), rest)
        return Ledger(
            riders=tuple(self.riders.values()),
            bikes=tuple(self.bikes.values()),
            chains=tuple(self.chains.values()),
            fittings=tuple(self.fittings),
            rides=tuple(self.rides),
            treatments=tuple(self.treatments),
            readings=tuple(self.readings),
            wipe_tests=tuple(self.wipe_tests),
        )

    def rider(self, name: str) -> Rider:
        return self.riders.setdefault(name, Rider(RiderId(len(self.riders) + 1), name))

    def bike(self, name: str) -> Bike:
        if name not in self.bikes:
            owner = next(iter(self.riders.values()), None) or self.rider("Ada")
            self.bikes[name] = Bike(BikeId(len(self.bikes) + 1), name, owner.id)
        return self.bikes[name]

    def chain(self, name: str) -> Chain:
        if name not in self.chains:
            self.chains[name] = Chain(ChainId(len(self.chains) + 1), name, speeds=12)
        return self.chains[name]

    def describe_rider(self, name: str, pairs: dict[str, str], _words: list[str]) -> None:
        self.riders[name] = replace(self.rider(name), time_zone=pairs.get("zone", "UTC"))

    def describe_bike(self, name: str, pairs: dict[str, str], words: list[str]) -> None:
        bike = self.bike(name)
        owner = self.rider(pairs["of"]).id if "of" in pairs else bike.owner
        share = float(pairs.get("unpaved", "0"))
        self.bikes[name] = replace(bike, owner=owner, unpaved_share=share, indoor="indoors" in words)

    def describe_chain(self, name: str, pairs: dict[str, str], words: list[str]) -> None:
        speeds = next((int(word.split("-")[0]) for word in words if word.endswith("-speed")), None)
        regime = Regime.WET_LUBE if "lube" in words else Regime.WAXED
        price = float(pairs["price"]) if "price" in pairs else None
        self.chains[name] = replace(self.chain(name), speeds=speeds, regime=regime, price=price)

    def fact(self, when: datetime, verb: str, words: list[str]) -> None:
        pairs = _pairs(words)
        if verb == "rode":
            self.rode(when, words, pairs)
        elif verb == "fitted":
            chain, bike = self.chain(words[0]).id, self.bike(pairs["on"]).id
            self.fittings.append(Fitting(FittingId(len(self.fittings) + 1), chain, bike, when))
        elif verb == "removed":
            chain = self.chain(words[0]).id
            position = max(i for i, fitting in enumerate(self.fittings) if fitting.chain == chain)
            self.fittings[position] = replace(self.fittings[position], removed_at=when)
        elif verb == "retired":
            self.chains[words[0]] = replace(self.chain(words[0]), retired_at=when)
        elif verb in TREATMENTS:
            self.treatments.append(
                Treatment(
                    TreatmentId(len(self.treatments) + 1),
                    self.chain(words[0]).id,
                    TREATMENTS[verb],
                    when,
                    minutes=float(pairs["minutes"]) if "minutes" in pairs else None,
                    cost=float(pairs["cost"]) if "cost" in pairs else None,
                )
            )
        elif verb == "measured":
            self.measured(when, words, pairs)
        elif verb == "rubbed":
            test = WipeTest(
                WipeTestId(len(self.wipe_tests) + 1), self.chain(words[0]).id, when, int(words[1])
            )
            self.wipe_tests.append(test)
        else:
            raise ValueError(f"no such fact: {verb}")

    def measured(self, when: datetime, words: list[str], pairs: dict[str, str]) -> None:
        identity, chain = ReadingId(len(self.readings) + 1), self.chain(words[0]).id
        if "over" in pairs or "under" in pairs:
            over = float(pairs["over"]) if "over" in pairs else None
            under = float(pairs["under"]) if "under" in pairs else None
            self.readings.append(Reading(identity, chain, ReadingTool.GAUGE, when, over, under))
        else:
            tool = ReadingTool.RULER if "ruler" in words else ReadingTool.CALIPER
            self.readings.append(Reading(identity, chain, tool, when, exact_pct=float(words[1])))

    def rode(self, when: datetime, words: list[str], pairs: dict[str, str]) -> None:
        ride_h = float(words[0])
        bike = None if pairs["on"] == "nothing" else self.bike(pairs["on"])
        rider = self.rider(pairs["by"]).id if "by" in pairs else (bike.owner if bike else RiderId(1))
        hour_tag = next((tag(*TAGS[word]) for word in words[2:] if word in TAGS), None)
        if "water" in pairs:
            hour_tag = tag(
                float(pairs["water"]), None, float(pairs.get("mud", 0)), float(pairs.get("dust", 0))
            )
        word = Condition(pairs["said"]) if "said" in pairs else None
        hours = tuple(
            RideHour(
                start,
                drive_s,
                drive_s / 3600.0 * 25_000.0,
                drive_s,
                None,
                None,
                None,
                0.0,
                None if word else hour_tag,
            )
            for start, drive_s in clock_hours(when, ride_h)
        )
        drive_s = ride_h * 3600.0
        number = len(self.rides) + 1
        self.rides.append(
            Ride(
                id=RideId(number),
                rider=rider,
                started_at=when,
                ended_at=when + timedelta(hours=ride_h),
                title=f"Ride {number}",
                bike=None if bike is None else bike.id,
                decided_by=DecidedBy.RIDER,
                drive_s=drive_s,
                drive_low_s=drive_s,
                drive_high_s=drive_s,
                drive_method=DriveMethod.CADENCE,
                moving_s=drive_s,
                distance_m=ride_h * 25_000.0,
                climb_m=0.0,
                indoor="indoors" in words,
                hours=hours,
                unpaved_share=float(pairs["unpaved"]) if "unpaved" in pairs else None,
                word=word,
            )
        )


def clock_hours(start: datetime, length_h: float) -> list[tuple[datetime, float]]:
    """The clock hours a span touches, with the seconds in each."""
    found = []
    end, at_ = start + timedelta(hours=length_h), start
    while at_ < end:
        hour_start = at_.replace(minute=0)
        until = min(end, hour_start + timedelta(hours=1))
        found.append((hour_start, (until - at_).total_seconds()))
        at_ = until
    return found


def _pairs(words: list[str]) -> dict[str, Any]:
    return dict(pairwise(words))


def plain_limits() -> Rulebook:
    """A rulebook whose numbers are easily reckoned by hand: 9 and 16 grit-hours, every hour counts once."""
    text = """
        [weight]
        starved = 1
        [limit]
        drip = 9
        immersion = 16
        wet_ride = 0.1
        wet_ride_expires = 7
    """
    return parse_rulebook(text, name="plain.toml", base=default_rulebook())
