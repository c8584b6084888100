"""What cannot be is answered alike wherever it is said: the same sentence from the command and the form."""

from __future__ import annotations

import html as htmllib
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from starlette.testclient import TestClient

from services.app import App
from services.cli.program import run
from services.web.app import create_app
from services.wiring import open_app
from tests.services.web.conftest import HERE, token_in
from tests.services.web.small_household import NOW


class Bad(NamedTuple):
    """Something said twice: as typed words, and as a form; and what both are answered.

    status: the command's; 2 = it did not even read so, and says where its help is.
    """

    words: tuple[str, ...]
    path: str
    form: dict[str, Any]
    sentence: str
    status: int = 1


PLOVER, OILED, LONG = "Plover's chain", "Shelf & Son", "x" * 500
RIDER, BIKE, CHAIN = "/settings/riders", "/settings/bikes", "/settings/chains"
TREAT, READ, WIPE = "/care/treatment", "/care/reading", "/care/wipe-test"
SHELF, OWN, TRIAL = "/wax-night/supplies", "/settings/limits/own", "/wear/trial"
DRIP = {"chain": "1", "kind": "drip"}
TELL, TOLD = "/rides/tell", {"rider": "1", "bike": "1", "minutes": "40", "at": "2025-01-01T10:00"}
BAD = [
    Bad(
        ("log", "drip", PLOVER, "--minutes", "1e309"),
        TREAT,
        {**DRIP, "minutes": "1e309"},
        "Minutes must be from 0 to",
    ),
    Bad(
        ("add", "ride", "0", "--on", "Plover"),
        TELL,
        {**TOLD, "minutes": "0"},
        "How long it took, in minutes, must be from 1 to 1440",
    ),
    Bad(
        ("add", "ride", "40", "--on", "Plover", "--at", "2099-01-01 10:00"),
        TELL,
        {**TOLD, "at": "2099-01-01T10:00"},
        "1 January 2099, 10:00 has not come yet",
    ),
    Bad(
        ("add", "ride", "40", "--on", "Plover", "--km", "-3"),
        TELL,
        {**TOLD, "distance": "-3"},
        "The distance must be from 0 km to 1000 km; write for instance 12 km",
    ),
    Bad(
        ("log", "drip", PLOVER, "--minutes", "nan"),
        TREAT,
        {**DRIP, "minutes": "nan"},
        "Minutes must be from 0 to",
    ),
    Bad(
        ("log", "drip", PLOVER, "--minutes", "-6"),
        TREAT,
        {**DRIP, "minutes": "-6"},
        "Minutes must be from 0 to",
    ),
    Bad(("log", "drip", PLOVER, "--cost", "-1"), TREAT, {**DRIP, "cost": "-1"}, "The cost must be from 0 to"),
    Bad(
        ("log", "drip", PLOVER, "--at", "1850-01-01 10:00"),
        TREAT,
        {**DRIP, "at": "1850-01-01T10:00"},
        "1 January 1850, 10:00 is too long ago for a ride file",
    ),
    Bad(
        ("log", "drip", PLOVER, "--at", "2099-01-01 10:00"),
        TREAT,
        {**DRIP, "at": "2099-01-01T10:00"},
        "1 January 2099, 10:00 has not come yet",
    ),
    Bad(("log", "oil", PLOVER), TREAT, {"chain": "1", "kind": "oil"}, "is waxed: oil it all the same?"),
    Bad(
        ("log", "clean", PLOVER),
        TREAT,
        {"chain": "1", "kind": "clean"},
        "is waxed: degrease it all the same?",
    ),
    Bad(
        ("log", "immersion", OILED),
        TREAT,
        {"chain": "3", "kind": "immersion"},
        "is oiled: immerse it all the same?",
    ),
    Bad(("log", "strip", OILED), TREAT, {"chain": "3", "kind": "strip"}, "is oiled: strip it all the same?"),
    Bad(
        ("measure", PLOVER, "--exact", "-3"),
        READ,
        {"chain": "1", "tool": "ruler", "exact": "-3"},
        "The elongation in % must be from -0.99 to 4.99",
    ),
    Bad(
        ("measure", PLOVER, "--exact", "99"),
        READ,
        {"chain": "1", "tool": "ruler", "exact": "99"},
        "The elongation in % must be from -0.99 to 4.99",
    ),
    Bad(
        ("measure", PLOVER, "--over", "0.5", "--under", "0.25"),
        READ,
        {"chain": "1", "tool": "gauge", "over": "0.5", "under": "0.25"},
        "leave nothing between them",
    ),
    Bad(("measure", PLOVER), READ, {"chain": "1", "tool": "gauge"}, "Say what was read"),
    Bad(
        ("measure", PLOVER, "--over", "7"),
        READ,
        {"chain": "1", "tool": "gauge", "over": "7"},
        "The step that dropped in, in % must be from 0 to 4.99",
    ),
    Bad(
        ("measure", PLOVER, "--exact", "0.01"),
        READ,
        {"chain": "1", "tool": "ruler", "exact": "0.01"},
        "and a chain grows no shorter. Is it this chain?",
    ),
    Bad(("measure", PLOVER, "--wipe-test", "9"), WIPE, {"chain": "1", "grade": "9"}, "9 is no grade"),
    Bad(
        ("undo", "99", "--fact", "treatment"),
        "/care/take-back",
        {"fact": "treatment", "number": "99"},
        "No treatment 99",
    ),
    Bad(("add", "rider", LONG), RIDER, {"name": LONG}, "That name has 500 characters; 80 are the most"),
    Bad(("add", "rider", "INES"), RIDER, {"name": "INES"}, "There is a rider “Ines” already"),
    Bad(
        ("add", "rider", "Bo", "--email", "nobody"),
        RIDER,
        {"name": "Bo", "email": "nobody"},
        "is no mail address",
    ),
    Bad(
        ("add", "rider", "Bo", "--zone", "Mars/One"),
        RIDER,
        {"name": "Bo", "time_zone": "Mars/One"},
        "There is no time zone “Mars/One”",
    ),
    Bad(("add", "bike", LONG), BIKE, {"name": LONG, "owner": "1"}, "That name has 500 characters"),
    Bad(
        ("add", "bike", "plover"), BIKE, {"name": "plover", "owner": "1"}, "There is a bike “Plover” already"
    ),
    Bad(
        ("add", "bike", "Rook", "--unpaved", "160"),
        BIKE,
        {"name": "Rook", "owner": "1", "unpaved": "160"},
        "The unpaved share must be from 0 % to 100 %",
    ),
    Bad(
        ("add", "bike", "Rook", "--cogs", "11-99"),
        BIKE,
        {"name": "Rook", "owner": "1", "cogs": "11-99"},
        "99 teeth are none that cogs have",
    ),
    Bad(
        ("add", "bike", "Rook", "--chainrings", "30-40-50-60"),
        BIKE,
        {"name": "Rook", "owner": "1", "chainrings": "30-40-50-60"},
        "4 chainrings are too many",
    ),
    Bad(
        ("add", "bike", "Rook", "--wheel-mm", "21"),
        BIKE,
        {"name": "Rook", "owner": "1", "wheel_mm": "21"},
        "The wheel's circumference in m must be from 0.5 to 3",
    ),
    Bad(("add", "chain", LONG), CHAIN, {"name": LONG, "regime": "waxed"}, "That name has 500 characters"),
    Bad(
        ("add", "chain", "Tin", "--speeds", "40"),
        CHAIN,
        {"name": "Tin", "regime": "waxed", "speeds": "40"},
        "The speeds a chain is made for must be from 1 to 14",
    ),
    Bad(
        ("add", "chain", "Tin", "--links", "3"),
        CHAIN,
        {"name": "Tin", "regime": "waxed", "links": "3"},
        "The number of links must be from 40 to 200",
    ),
    Bad(
        ("add", "chain", "Tin", "--price", "inf"),
        CHAIN,
        {"name": "Tin", "regime": "waxed", "price": "inf"},
        "The price must be from 0 to",
    ),
    Bad(
        ("fit", OILED, "Plover", "--at", "2099-01-01 10:00"),
        "/settings/fit",
        {"chain": "3", "bike": "1", "at": "2099-01-01T10:00"},
        "1 January 2099, 10:00 has not come yet",
    ),
    Bad(
        ("fit", OILED, "Plover", "--at", "2024-12-20 10:00"),
        "/settings/fit",
        {"chain": "3", "bike": "1", "at": "2024-12-20T10:00"},
        "Plover's chain was on Plover from 31 December 2024, 00:00 until now; the times overlap",
    ),
    Bad(
        ("fit", PLOVER, "Plover", "--at", "2025-01-10 10:00"),
        "/settings/fit",
        {"chain": "1", "bike": "1", "at": "2025-01-10T10:00"},
        "Plover's chain is on Plover already",
    ),
    Bad(("take-off", OILED), "/settings/take-off", {"chain": "3"}, "Shelf & Son is on no bike"),
    Bad(
        ("take-off", PLOVER, "--at", "2024-12-20 10:00"),
        "/settings/take-off",
        {"chain": "1", "at": "2024-12-20T10:00"},
        "Plover's chain was fitted only on 31 December 2024, 00:00",
    ),
    Bad(
        ("take-off", PLOVER, "--retire", "--at", "2025-01-02 10:00"),
        "/settings/take-off",
        {"chain": "1", "retire": "yes", "at": "2025-01-02T10:00"},
        "Something was done with Plover's chain on",
    ),
    Bad(
        ("add", "sensor", "serial 4711", "Harrier"),
        "/settings/sensors",
        {"identity": "serial 4711", "kind": "power meter", "bike": "2"},
        "The sensor serial 4711 is already on Plover in that time",
    ),
    Bad(("assign", "9999", "Plover"), "/rides/9999/bike", {"bike": "1"}, "Ride 9999 does not count"),
    Bad(
        ("correct", "9999", "--like", "wet"),
        "/rides/9999/conditions",
        {"word": "wet"},
        "Ride 9999 does not count",
    ),
    Bad(("correct", "9999", "--not-a-ride"), "/rides/9999/no-ride", {}, "Ride 9999 does not count"),
    Bad(("correct", "9999", "--two-rides"), "/rides/9999/own-outing", {}, "No ride “9999”"),
    Bad(("correct", "1", "--two-rides"), "/rides/1/own-outing", {}, "Ride 1 has no second recording"),
    Bad(
        ("correct", "1", "--unpaved", "160"),
        "/rides/1/ground",
        {"unpaved": "160"},
        "must be from 0 % to 100 %",
    ),
    Bad(
        ("correct", "1", "--unpaved", "nan"),
        "/rides/1/ground",
        {"unpaved": "nan"},
        "must be from 0 % to 100 %",
    ),
    Bad(("put-off", "9999"), "/why/9999/put-off", {}, "No reminder “9999”"),
    Bad(
        ("put-off", "9999", "--for-good", "--because", "sold"),
        "/why/9999/dismiss",
        {"because": "sold"},
        "No reminder “9999”",
    ),
    Bad(
        ("supplies", "bath", "0"),
        SHELF,
        {"kind": "bath", "amount": "0"},
        "The amount, in g must be from 50 to 20000",
    ),
    Bad(
        ("supplies", "bath", "1e309"),
        SHELF,
        {"kind": "bath", "amount": "1e309"},
        "The amount, in g must be from 50 to 20000",
    ),
    Bad(
        ("supplies", "bath", "nan"),
        SHELF,
        {"kind": "bath", "amount": "nan"},
        "The amount, in g must be from 50 to 20000",
    ),
    Bad(
        ("supplies", "solvent", "500", "--a-use", "-1"),
        SHELF,
        {"kind": "solvent", "amount": "500", "a_use": "-1"},
        "must be from",
    ),
    Bad(
        ("supplies", "bath", "500", "--at", "2099-01-01 10:00"),
        SHELF,
        {"kind": "bath", "amount": "500", "at": "2099-01-01T10:00"},
        "1 January 2099, 10:00 has not come yet",
    ),
    Bad(
        ("supplies", "bath", "500", "--name", LONG),
        SHELF,
        {"kind": "bath", "amount": "500", "name": LONG},
        "The name of a supply is one short line",
    ),
    Bad(("limits", "Plover", "rust=3"), OWN, {"limit": "bike:1:rust=3"}, "is no limit or weight"),
    Bad(("limits", "Plover", "drip=-3"), OWN, {"limit": "bike:1:drip=-3"}, "must be from"),
    Bad(("limits", "Plover", "drip=1e309"), OWN, {"limit": "bike:1:drip=1e309"}, "must be from"),
    Bad(("limits", "Plover", "drip=nan"), OWN, {"limit": "bike:1:drip=nan"}, "must be from"),
    Bad(("limits", "Plover", "immersion=1e9"), OWN, {"limit": "bike:1:immersion=1e9"}, "must be from"),
    Bad(("limits", "Ines", "water=99"), OWN, {"limit": "rider:1:water=99"}, "must be from"),
    Bad(
        ("trial", "Plover", "--waxed", PLOVER, "--lubed", PLOVER),
        TRIAL,
        {"bike": "1", "waxed": "1", "lubed": "1"},
        "A trial needs two chains",
    ),
    Bad(
        ("trial", "Plover", "--waxed", PLOVER, "--lubed", OILED, "--every-km", "0"),
        TRIAL,
        {"bike": "1", "waxed": "1", "lubed": "3", "every": "0"},
        "must be from",
    ),
    Bad(
        ("trial", "Plover", "--waxed", PLOVER, "--lubed", OILED, "--every-km", "1e309"),
        TRIAL,
        {"bike": "1", "waxed": "1", "lubed": "3", "every": "1e309"},
        "must be from",
    ),
    Bad(
        ("add", "sensor", LONG, "Plover"),
        "/settings/sensors",
        {"identity": LONG, "kind": "speed", "bike": "1"},
        "A sensor's identity is one short line",
    ),
    Bad(
        ("add", "ride", "40", "--on", "Plover", "--at", "1850-01-01 10:00"),
        TELL,
        {**TOLD, "at": "1850-01-01T10:00"},
        "1 January 1850, 10:00 is too long ago for a ride file",
    ),
    Bad(
        ("measure", PLOVER, "--over", "nan"),
        READ,
        {"chain": "1", "tool": "gauge", "over": "nan"},
        "The step that dropped in, in % must be from 0 to 4.99",
    ),
    Bad(
        ("log", "drip", PLOVER, "--note", "x" * 1500),
        TREAT,
        {**DRIP, "note": "x" * 1500},
        "1500 characters; 1000 are the most that are kept",
    ),
    Bad(
        ("correct", "1", "--not-a-ride", "--because", "x" * 1500),
        "/rides/1/no-ride",
        {"because": "x" * 1500},
        "A reason has 1500 characters; 1000 are the most",
    ),
    Bad(
        ("put-off", "3", "--for-good", "--because", "x" * 1500),
        "/why/3/dismiss",
        {"because": "x" * 1500},
        "A reason has 1500 characters; 1000 are the most",
    ),
    Bad(
        ("measure", PLOVER, "--exact", "0.1", "--with", LONG),
        READ,
        {"chain": "1", "tool": "ruler", "exact": "0.1", "with": LONG},
        "one short line",
    ),
    Bad(
        ("log", "drip", PLOVER, "--minutes", "six"),
        TREAT,
        {**DRIP, "minutes": "six"},
        "“six”",
        status=2,
    ),
    Bad(("log", "drip", PLOVER, "--cost", "1,5x"), TREAT, {**DRIP, "cost": "1,5x"}, "“1,5x”", status=2),
    Bad(
        ("add", "chain", "Tin", "--speeds", "11.5"),
        CHAIN,
        {"name": "Tin", "regime": "waxed", "speeds": "11.5"},
        "11.5",
        status=2,
    ),
    Bad(("put-off", "3", "--days", "9999"), "/why/3/put-off", {"days": "9999"}, "365", status=2),
    Bad(("put-off", "3", "--days", "0"), "/why/3/put-off", {"days": "0"}, "0.01", status=2),
    Bad(
        ("add", "bike", "Rook", "--cogs", "-"),
        BIKE,
        {"name": "Rook", "owner": "1", "cogs": "-"},
        "is no list of teeth; write every",
        status=2,
    ),
    Bad(
        ("add", "bike", "Rook", "--cogs", "11-a"),
        BIKE,
        {"name": "Rook", "owner": "1", "cogs": "11-a"},
        "is no list of teeth; write every",
        status=2,
    ),
    Bad(
        ("log", "drip", PLOVER, "--at", "yesterdayish"),
        TREAT,
        {**DRIP, "at": "yesterdayish"},
        "yesterdayish",
        status=2,
    ),
    Bad(
        ("log", "drip", PLOVER, "--at", "2025-02-30 10:00"),
        TREAT,
        {**DRIP, "at": "2025-02-30T10:00"},
        "2025-02-30",
        status=2,
    ),
    Bad(("log", "polish", PLOVER), TREAT, {"chain": "1", "kind": "polish"}, "oil", status=2),
    Bad(("supplies", "glue", "100"), SHELF, {"kind": "glue", "amount": "100"}, "solvent", status=2),
    Bad(("supplies", "bath", "abc"), SHELF, {"kind": "bath", "amount": "abc"}, "“abc”", status=2),
    Bad(("limits", "Plover", "drip=abc"), OWN, {"limit": "bike:1:drip=abc"}, "abc", status=2),
    Bad(
        ("measure", PLOVER, "--exact", "abc"),
        READ,
        {"chain": "1", "tool": "ruler", "exact": "abc"},
        "“abc”",
        status=2,
    ),
    Bad(("correct", "1", "--unpaved", "abc"), "/rides/1/ground", {"unpaved": "abc"}, "“abc”", status=2),
    Bad(("add", "ride", "abc", "--on", "Plover"), TELL, {**TOLD, "minutes": "abc"}, "“abc”", status=2),
    Bad(
        ("add", "ride", "40", "--on", "Plover", "--km", "5000"),
        TELL,
        {**TOLD, "distance": "5000"},
        "The distance must be from 0 km to 1000 km",
    ),
    Bad(
        ("add", "ride", "1441", "--on", "Plover"),
        TELL,
        {**TOLD, "minutes": "1441"},
        "must be from 1 to 1440; write for instance 40",
    ),
    Bad(
        ("add", "chain", "Tin", "--price", "-5"),
        CHAIN,
        {"name": "Tin", "regime": "waxed", "price": "-5"},
        "The price must be from 0 to 1000000; write a plain number",
    ),
    Bad(
        ("add", "rider", "A\x07B"),
        RIDER,
        {"name": "A\x07B"},
        "The rider's name holds characters that cannot be shown; type it anew",
    ),
    Bad(
        ("log", "drip", PLOVER, "--minutes", "1,000"),
        TREAT,
        {**DRIP, "minutes": "1,000"},
        "“1,000” can be read in two ways; write 1000 or 1.000",
        status=2,
    ),
    Bad(
        ("log", "drip", PLOVER, "--cost", "1\u2009000"),
        TREAT,
        {**DRIP, "cost": "1\u2009000"},
        "is no number; write it as 6 or 6.5",
        status=2,
    ),
    Bad(
        ("log", "drip", PLOVER, "--minutes", "1_0"),
        TREAT,
        {**DRIP, "minutes": "1_0"},
        "is no number",
        status=2,
    ),
    Bad(
        ("add", "chain", "Tin", "--speeds", "1e1"),
        CHAIN,
        {"name": "Tin", "regime": "waxed", "speeds": "1e1"},
        "1e1",
        status=2,
    ),
    Bad(
        ("log", "drip", PLOVER, "--at", "2025-02-29 10:00"),
        TREAT,
        {**DRIP, "at": "2025-02-29T10:00"},
        "is not in the calendar or on the clock; write it like",
        status=2,
    ),
    Bad(
        ("log", "drip", PLOVER, "--at", "2025-W02-1"),
        TREAT,
        {**DRIP, "at": "2025-W02-1"},
        "“2025-W02-1” is no time I understand; write",
        status=2,
    ),
    Bad(
        ("log", "drip", PLOVER, "--at", "2025-01-05 10:00+25:00"),
        TREAT,
        {**DRIP, "at": "2025-01-05T10:00+25:00"},
        "is not in the calendar or on the clock; write it like",
        status=2,
    ),
    Bad(
        ("add", "ride", "40", "--on", "Plover", "--at", "2025-01-05"),
        TELL,
        {**TOLD, "at": "2025-01-05"},
        "2025-01-05 18:00",
        status=2,
    ),
    Bad(
        ("add", "ride", "nan", "--on", "Plover"),
        TELL,
        {**TOLD, "minutes": "nan"},
        "How long it took, in minutes, must be from 1 to 1440",
    ),
    Bad(
        ("add", "bike", "Ｐlover"),
        BIKE,
        {"name": "Ｐlover", "owner": "1"},
        "There is a bike “Plover” already",
    ),
    Bad(
        ("add", "bike", " Plover\ufe0f "),
        BIKE,
        {"name": " Plover\ufe0f ", "owner": "1"},
        "There is a bike “Plover” already",
    ),
    Bad(
        ("add", "bike", "\u202erevolP"),
        BIKE,
        {"name": "\u202erevolP", "owner": "1"},
        "The bike's name holds characters that cannot be shown; type it anew",
    ),
    Bad(
        ("add", "rider", "Bo", "--email", "bo,eve@example.org"),
        RIDER,
        {"name": "Bo", "email": "bo,eve@example.org"},
        "“bo,eve@example.org” is no mail address",
    ),
    Bad(
        ("add", "rider", "Bo", "--email", "bo@example.org\nBcc: eve@example.org"),
        RIDER,
        {"name": "Bo", "email": "bo@example.org\nBcc: eve@example.org"},
        "“bo@example.org Bcc: eve@example.org” is no mail address",
    ),
    Bad(
        ("add", "rider", "Bo", "--zone", "localtime"),
        RIDER,
        {"name": "Bo", "time_zone": "localtime"},
        "There is no time zone “localtime”",
    ),
    Bad(
        ("log", "drip", PLOVER, "--note", "\x1b[31mred"),
        TREAT,
        {**DRIP, "note": "\x1b[31mred"},
        "A note holds characters that cannot be shown; type it anew",
    ),
    Bad(
        ("measure", PLOVER, "--exact", "0.4", "--at", "2025-01-05 10:00"),
        READ,
        {"chain": "1", "tool": "ruler", "exact": "0.4", "at": "2025-01-05T10:00"},
        "read 0.12 % on 9 January 2025, 21:00, and a chain grows no shorter. Is it this chain?",
    ),
    Bad(
        ("change", "Plover", "--gone", "2099-01-01"),
        BIKE,
        {"bike": "1", "name": "Plover", "owner": "1", "until_at": "2099-01-01"},
        "1 January 2099, 23:59 has not come yet",
    ),
    Bad(
        ("add", "sensor", "Serial 4711", "Harrier"),
        "/settings/sensors",
        {"identity": "Serial 4711", "kind": "power meter", "bike": "2"},
        "There is a sensor “serial 4711” already; write it so.",
    ),
    Bad(
        ("limits", "Plover", "drip=9", "drip=14"),
        OWN,
        {"limit": ["bike:1:drip=9", "bike:1:drip=14"]},
        "Drip is set twice for the same; say which holds.",
    ),
    Bad(
        ("log", "drip", PLOVER, "--at", "2025-01-06 20:00:40"),
        TREAT,
        {**DRIP, "at": "2025-01-06T20:00:40"},
        "The drip of Plover's chain on 6 January 2025, 20:00 is logged already. Once more?",
    ),
    Bad(
        ("measure", PLOVER, "--exact", "0.12", "--tool", "caliper", "--at", "2025-01-09 21:00"),
        READ,
        {"chain": "1", "tool": "caliper", "exact": "0.12", "at": "2025-01-09T21:00"},
        "That reading of Plover's chain on 9 January 2025, 21:00 is logged already. Once more?",
    ),
    Bad(
        ("add", "ride", "40", "--on", "Plover", "--at", "9999-12-31 23:59"),
        TELL,
        {**TOLD, "at": "9999-12-31T23:59"},
        "is not in the calendar or on the clock",
        status=2,
    ),
    Bad(("undo", "9999"), "/corrections/9999/undo", {}, "No change “9999”"),
    Bad(("done", "9999"), "/why/9999/done", {}, "No reminder “9999”"),
]


def facts(shop: App) -> Any:
    """Everything that is kept, and how often it was written."""
    with shop.store.reading() as tx:
        return tx.ledger(), tx.changes.all_(), tx.writes()


class Asked(NamedTuple):
    """One household that is asked for all of it, since nothing of it may change."""

    shop: App
    page: TestClient
    token: str
    before: Any


@pytest.fixture(scope="module")
def asked(settled_home: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Asked]:
    home = tmp_path_factory.mktemp("asked") / "home"
    shutil.copytree(settled_home, home)
    shop = open_app(home)
    page = TestClient(create_app(shop, clock=lambda: NOW), base_url=HERE, follow_redirects=True)
    yield Asked(shop, page, token_in(page.get("/care").text), facts(shop))
    shop.store.close()


@pytest.mark.parametrize("bad", BAD, ids=lambda one: " ".join(one.words)[:60])
def test_the_same_answer_from_command_and_form_and_nothing_is_changed(
    asked: Asked, bad: Bad, capsys: pytest.CaptureFixture[str]
) -> None:
    status = run([*bad.words, "--home", str(asked.shop.settings.home)])
    typed = capsys.readouterr().err
    answer = asked.page.post(bad.path, data={"the_page": asked.token, **bad.form})

    assert status == bad.status, typed
    assert (" --help" in typed) is (bad.status == 2)
    assert bad.sentence in typed
    assert bad.sentence in htmllib.unescape(answer.text)
    assert facts(asked.shop) == asked.before


@pytest.mark.parametrize(
    ("path", "form"),
    [
        (f"/corrections/{'9' * 25}/undo", {}),
        ("/rides/put", {"bike": "1", "rider": "9" * 10, "now": "1"}),
        (f"/rides/put?bike={'9' * 12}", {"bike": "9" * 12, "rider": "9" * 25}),
        (TREAT, {**DRIP, "chain": "9" * 25}),
        (TREAT, {**DRIP, "chain": "0"}),
        ("/settings/fit", {"chain": "²", "bike": "1"}),
    ],
)
def test_a_number_that_no_database_holds_names_nothing(asked: Asked, path: str, form: dict[str, str]) -> None:
    assert asked.page.post(path, data={"the_page": asked.token, **form}).status_code in (404, 409, 422)
    assert facts(asked.shop) == asked.before


def test_after_a_yes_what_is_odd_stands(
    shop: App, page: TestClient, capsys: pytest.CaptureFixture[str]
) -> None:
    """Typed with --yes; on the page by the button behind the question."""
    assert run(["log", "oil", PLOVER, "--yes", "--home", str(shop.settings.home)]) == 0
    assert "Oil logged on Plover's chain" in capsys.readouterr().out
    form = {"the_page": token_in(page.get("/care").text), "chain": "1", "kind": "clean", "yes": "yes"}
    assert "Clean logged on Plover’s chain" in page.post(TREAT, data=form).text.replace("&#39;", "’")
    with shop.store.reading() as tx:
        assert [one.kind.value for one in tx.ledger().treatments][-2:] == ["clean", "oil"]


def test_care_on_a_retired_chain_is_refused_everywhere(
    shop: App, page: TestClient, capsys: pytest.CaptureFixture[str]
) -> None:
    home = str(shop.settings.home)
    assert run(["take-off", OILED, "--retire", "--at", "2025-01-13 09:00", "--home", home]) == 0
    capsys.readouterr()
    why = "Shelf & Son was retired on 13 January 2025, 09:00; nothing is done to it after that"

    assert run(["log", "oil", OILED, "--at", "2025-01-13 10:00", "--home", home]) == 1
    assert why in capsys.readouterr().err
    form = {
        "the_page": token_in(page.get("/care").text),
        "chain": "3",
        "kind": "oil",
        "at": "2025-01-13T10:00",
    }
    assert why in htmllib.unescape(page.post(TREAT, data=form).text)


class Good(NamedTuple):
    """Something said twice, and the family of facts in which both must have left the same."""

    words: tuple[str, ...]
    path: str
    form: dict[str, str]
    family: str


GOOD = [
    Good(
        ("log", "wipe", PLOVER, "--minutes", "1,5"),
        TREAT,
        {**DRIP, "kind": "wipe", "minutes": "1,5"},
        "treatments",
    ),
    Good(
        ("measure", PLOVER, "--exact", "0,2 %", "--at", "2025-01-13 22:00"),
        READ,
        {"chain": "1", "tool": "ruler", "exact": "0,2 %", "at": "2025-01-13T22:00"},
        "readings",
    ),
    Good(
        ("add", "sensor", "serial 1", "Plover", "--kind", "head unit", "--at", "2025-01-13"),
        "/settings/sensors",
        {"identity": "serial 1", "kind": "head unit", "bike": "1", "since": "2025-01-13"},
        "sensors",
    ),
    Good(
        ("change", "Plover", "--gone", "2025-01-10", "--unpaved", "60%", "--wheel-mm", "2105.25"),
        BIKE,
        {
            "bike": "1",
            "name": "Plover",
            "owner": "1",
            "unpaved": "60%",
            "wheel_mm": "2105.25",
            "until_at": "2025-01-10",
        },
        "bikes",
    ),
]


@pytest.mark.parametrize("good", GOOD, ids=lambda one: " ".join(one.words)[:60])
def test_the_same_is_kept_by_command_and_form(
    shop: App, page: TestClient, good: Good, capsys: pytest.CaptureFixture[str]
) -> None:
    """Less the moment at which it was said, and the numbers."""

    def kept() -> Any:
        with shop.store.reading() as tx:
            return {one.id: one for one in getattr(tx.ledger(), good.family)}

    before = kept()
    assert run([*good.words, "--home", str(shop.settings.home)]) == 0
    by_command = [one for number, one in kept().items() if before.get(number) != one]
    assert run(["undo", "--yes", "--home", str(shop.settings.home)]) == 0
    assert kept() == before
    answer = page.post(good.path, data={"the_page": token_in(page.get("/care").text), **good.form})
    assert answer.status_code == 200
    by_form = [one for number, one in kept().items() if before.get(number) != one]

    def told(facts_there: list[Any]) -> list[Any]:
        return [
            replace(one, id=0, **({"done_at": NOW} if hasattr(one, "done_at") else {})) for one in facts_there
        ]

    assert by_command
    assert told(by_form) == told(by_command)


def test_what_a_form_shows_rounded_is_kept_whole(shop: App, page: TestClient) -> None:
    """A bike that went at 18:00 on some day went then, also after its name was changed on the page."""
    went = ["--gone", "2025-01-10 18:00", "--unpaved", "33.33", "--wheel-mm", "2105.27"]
    assert run(["change", "Plover", *went, "--home", str(shop.settings.home)]) == 0
    fields = {"bike": "1", "name": "Plover II", "owner": "1", "unpaved": "33.3", "wheel_mm": "2105.3"}
    form = {"the_page": token_in(page.get("/care").text), **fields, "until_at": "2025-01-10"}

    assert "Plover II" in page.post(BIKE, data=form).text

    with shop.store.reading() as tx:
        bike = tx.ledger().bikes[0]
    assert (bike.name, bike.unpaved_share, bike.wheel_circumference_m) == ("Plover II", 0.3333, 2.10527)
    assert f"{bike.until_at:%Y-%m-%d %H:%M}" == "2025-01-10 18:00"
