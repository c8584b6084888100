"""Throws damaged tables and answers of weather archives at their readers: only their own errors may come.

    python -m tests.ingest.fuzz.fuzz_tables --inputs 200000 --seed 1

A rider's table of bikes, a weather file, and what three archives answer over HTTP. Prints what came out;
ends with 1 when anything but a clear refusal did, or when an input took over a second of processor time.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import httpx

from ingest.errors import UnreadableFile
from ingest.weather.hourly import ArchiveUnavailable, WeatherProvider
from ingest.weather.local_file import LocalFile
from ingest.weather.nasa_power import NasaPower
from ingest.weather.open_meteo import OpenMeteoAhead, OpenMeteoArchive
from rules.ledger import Ledger
from services.use_cases.which_bike_from_table import matched, read_table
from tests.archive_stand_in import ArchiveStandIn, StoppedClock
from tests.benchmarks.year_of_care import HABITS, household
from tests.ingest.fuzz.gpx_inputs import mutated

MOST_CPU_S = 1.0
NOW = datetime(2025, 6, 30, 12, 20, tzinfo=UTC)
FIRST, LAST = date(2025, 6, 28), date(2025, 6, 29)
ODD: tuple[Any, ...] = (
    None, True, -1, 0, 1e308, 10**400, "", "nan", "undefined", [], {}, [[]], {"a": []}, float("nan"),
    "\ud800",
)  # fmt: skip
ROWS = (
    "2026-05-01 18:00", "01.05.2026", "1/5/2026 7:05", "0001-01-01T00:00+14:00", "9999-12-31 23:59-12:00",
    "0000-00-00", "2026-02-30", "١٢.٠٥.٢٠٢٦", "", "none", "Plover", '"', '""', "a;b", "\t|", "\0",
    "😀" * 50, "9" * 5000,
)  # fmt: skip
HOURS = (
    "2025-06-28T14:00:00Z", "0001-01-01T00:00+14:00", "9999-12-31T23:00-10:00", "-31.0", "1e999", "nan",
    "9" * 400, "", "2025-W26-6T14+00:00", "rain_mm", "hour_start_utc", "_", "1_0",
)  # fmt: skip


class Answers:
    """What the archives answer, by way of a client whose network is in the hand of this script."""

    def __init__(self) -> None:
        clock = StoppedClock(NOW)
        with ArchiveStandIn({NOW.replace(minute=0, hour=9): {"rain_mm": 2.0}}, clock=clock) as server:
            self._archives: list[WeatherProvider] = [
                OpenMeteoArchive(server.archive_url),
                OpenMeteoAhead(server.forecast_url),
                NasaPower(server.power_url),
            ]
            self._sound = [self._asked(one) for one in self._archives]

    @staticmethod
    def _asked(archive: Any) -> bytes:
        """What the archive says to a question that is in order."""
        heard: list[bytes] = []
        archive._asker._client = httpx.Client(event_hooks={"response": [lambda a: heard.append(a.read())]})
        archive.fetch(archive.cell_of(-23.4, 16.6), FIRST, LAST, now=NOW)
        archive.close()
        return heard[0]

    def damaged(self, chance: random.Random) -> Callable[[], object]:
        """Asking one of them, whose answer is not what it was."""
        which = chance.randrange(len(self._archives))
        archive: Any = self._archives[which]
        content = self._sound[which]
        if chance.random() < 0.6:
            document = json.loads(content)
            for _ in range(chance.choice((1, 1, 2, 5))):
                document = _changed(document, chance)
            content = json.dumps(document).encode()
        elif chance.random() < 0.1:
            content = b'{"hourly":' + b"[" * chance.choice((10, 3_000, 200_000))
        else:
            content = mutated(chance, content)
        status = chance.choice((200,) * 12 + (400, 404, 429, 500, 302))
        headers = {"Retry-After": chance.choice(("5", "9" * 30, "soon", "-1", "٣"))}
        if chance.random() < 0.05:
            headers["Content-Encoding"] = "gzip"
        answer = httpx.Response(status, headers=_as_bytes(headers), stream=httpx.ByteStream(content))
        client = httpx.Client(transport=httpx.MockTransport(lambda _: answer))

        def ask() -> object:
            archive._asker._client = client
            return archive.fetch(archive.cell_of(-23.4, 16.6), FIRST, LAST, now=NOW)

        return ask


def _as_bytes(headers: dict[str, str]) -> list[tuple[bytes, bytes]]:
    return [(name.encode(), value.encode()) for name, value in headers.items()]


def _changed(document: Any, chance: random.Random) -> Any:
    """The document with one of its parts replaced, left out, doubled or renamed."""
    if isinstance(document, dict) and document and chance.random() < 0.9:
        key = chance.choice(list(document))
        kind = chance.randrange(12)
        if kind == 0:
            return {name: part for name, part in document.items() if name != key}
        if kind == 1:
            return {(f"{name}x" if name == key else name): part for name, part in document.items()}
        return {**document, key: _changed(document[key], chance)}
    if isinstance(document, list) and document and chance.random() < 0.8:
        at = chance.randrange(len(document))
        kind = chance.randrange(4)
        if kind == 0:
            return document[:at]
        if kind == 1:
            return [*document, document[at]]
        return [*document[:at], _changed(document[at], chance), *document[at + 1 :]]
    return chance.choice(ODD)


def table(chance: random.Random, file: Path, ledger: Ledger) -> Callable[[], object]:
    """Reading a rider's table, and holding it against the rides that are here."""
    separator = chance.choice(",;\t|")
    starts = [f"{ride.started_at:%Y-%m-%d %H:%M}" for ride in chance.sample(ledger.rides, 3)]
    rows = [["when", "bike", *(["note"] * chance.randrange(2))]]
    rows += [[chance.choice((*ROWS, *starts)) for _ in rows[0]] for _ in range(chance.randrange(12))]
    text = chance.choice(("\n", "\r\n", "\r")).join(separator.join(row) for row in rows)
    if chance.random() < 0.02:
        text = (
            chance.choice(('"' * 19_000, "'\n,'" * 5_000, ",".join("'a' " * 4_000), '"a", ' * 4_000)) + text
        )
    content = text.encode(chance.choice(("utf-8", "utf-8-sig", "utf-16")), "surrogatepass")
    file.write_bytes(mutated(chance, content) if chance.random() < 0.5 else content)
    columns = chance.choice((("when", "bike"), ("1", "2"), ("²", "bike"), ("9", "when")))

    def read() -> object:
        read = read_table(file, time_column=columns[0], bike_column=columns[1], zone=UTC)
        return matched(ledger, read, UTC)

    return read


def weather_file(chance: random.Random, file: Path) -> Callable[[], object]:
    """Asking a rider's own weather file."""
    lines = ["latitude_deg,longitude_deg,hour_start_utc,rain_mm,temperature_c"]
    for hour in range(chance.randrange(6)):
        cells = ["-23.5", "16.5", f"2025-06-28T{hour:02d}:00:00Z", "0.2", "14"]
        if chance.random() < 0.5:
            cells[chance.randrange(5)] = chance.choice(HOURS)
        lines.append(",".join(cells))
    content = "\n".join(lines).encode()
    file.write_bytes(mutated(chance, content) if chance.random() < 0.5 else content)

    def ask() -> object:
        local = LocalFile(file)
        return local.fetch(local.cell_of(-23.5, 16.5), FIRST, LAST, now=NOW)

    return ask


def fuzz(inputs: int, seed: int) -> tuple[Counter[str], list[str], float]:
    """What came out, what should not have, and the dearest input [s of processor time]."""
    came: Counter[str] = Counter()
    faults: list[str] = []
    dearest_s = 0.0
    answers, ledger = Answers(), household(HABITS[0], seed)
    with tempfile.TemporaryDirectory() as scratch:
        file = Path(scratch) / "table.csv"
        for number in range(inputs):
            chance = random.Random(f"{seed} {number}")
            kind = chance.choice(("answer", "table", "weather file"))
            if kind == "answer":
                attempt = answers.damaged(chance)
            else:
                attempt = table(chance, file, ledger) if kind == "table" else weather_file(chance, file)
            begun = time.process_time()
            try:
                attempt()
                came[f"{kind}: read"] += 1
            except (UnreadableFile, ArchiveUnavailable) as refused:
                came[f"{kind}: refused"] += 1
                if len(str(refused)) < 10:
                    faults.append(f"'{seed} {number}' {kind}: an error that says nothing")
            except Exception as error:
                faults.append(f"'{seed} {number}' {kind}: {type(error).__name__}: {str(error)[:100]}")
            dearest_s = max(dearest_s, time.process_time() - begun)
    return came, faults, dearest_s


def main() -> int:
    """Runs as many inputs as the arguments ask for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--inputs", type=int, default=200_000)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    came, faults, dearest_s = fuzz(arguments.inputs, arguments.seed)
    for what, count in sorted(came.items()):
        print(f"{what:<30}{count:>9}")
    print(f"dearest {dearest_s:.3f} s of processor time")
    for line in faults[:40]:
        print("  FAULT", line)
    print(f"{len(faults)} faults")
    return 1 if faults or dearest_s > MOST_CPU_S else 0


if __name__ == "__main__":
    sys.exit(main())
