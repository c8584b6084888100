"""How fast is the page for a big household? `python -m tests.benchmarks.page [rides]`

Ten thousand rides, forty chains, served over loopback as in use. Server time: from the first byte of a
request sent to the last of its answer received. Weight: the page with its style sheets and script.
Once what is worked out ahead of all pages is done; then, for some, right after a write.
"""

from __future__ import annotations

import json
import math
import random
import re
import statistics
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import numpy as np

from ingest.ride.recording import Recording
from ingest.ride.track import packed_track
from rules.commands import LogTreatment
from rules.vocabulary import ChainId, DecidedBy, ReadingTool, Regime, RideId, TreatmentKind
from services.app import App
from services.store import FileRecord
from services.use_cases.record_change import record
from services.use_cases.update_reminders import reckon
from services.wiring import open_app
from tests.put_into import into
from tests.services.store.household import ride_summary, tag
from tests.services.web.conftest import NOW as _CLOCK
from tests.services.web.conftest import serving

RIDES, BIKES, CHAINS, DAYS = 10_000, 20, 40, 1_800
TIMES = 40
PAGES = (
    "/",
    "/rides",
    "/rides?text=ride+77",
    "/rides?like=wet&page=3",
    "/rides/answer",
    "/rides/{ride}",
    "/chains",
    "/chains/{chain}",
    "/why",
    "/why/{reminder}",
    "/care",
    "/wear",
    "/wax-night",
    "/files",
    "/files?only=trouble",
    "/corrections",
    "/settings",
    "/settings/bikes",
    "/settings/chains",
    "/settings/sensors",
    "/settings/limits",
    "/settings/channels",
)
WRITE = "after a drip on one chain:"
AFTER_A_WRITE = ("/", "/chains", "/chains/{chain}", "/wear")
CONDITIONS = ((0.0, 0.0, 0.1), (0.0, 0.0, 1.2), (0.9, 0.2, 0.0), (0.2, 0.0, 0.0), (1.0, 0.8, 0.0), None)


def seeded(home: Path, rides: int = RIDES) -> App:
    """The household in a store, put there as the importer and the rounds put it."""
    dice, first = random.Random(1), _CLOCK - timedelta(days=DAYS)
    (home / "settings.toml").write_text('[weather]\narchive = "none"\n')
    shop = open_app(home)
    track = _track(first)
    starts = sorted(first + timedelta(minutes=dice.randrange(DAYS * 24 * 60 - 400)) for _ in range(rides))
    with shop.store.writing() as tx:
        riders = [into(tx).add_rider(name, f"{name}@plateau.example") for name in ("Ines", "Tomas")]
        bikes = [
            into(tx).add_bike(f"Bike {n}", riders[n % 2].id, unpaved_share=0.3, cogs=(11, 13, 15))
            for n in range(BIKES)
        ]
        chains = [
            into(tx).add_chain(
                f"Chain {n}",
                regime=Regime.WET_LUBE if n % 8 == 0 else Regime.WAXED,
                speeds=12,
                links=116,
                price=40,
            )
            for n in range(CHAINS)
        ]
        for turn in range(DAYS // 90 + 1):
            for at, bike in enumerate(bikes):
                begun = first + timedelta(days=90 * turn)
                into(tx).fit_chain(chains[2 * at + turn % 2].id, bike.id, begun)
        ids = tx.rides.add_many(
            [
                (
                    ride_summary(start, 2, title=f"Ride {number}", track=track, file_name=f"{number}.fit"),
                    riders[number % 2].id,
                    "",
                )
                for number, start in enumerate(starts)
            ]
        )
        for number, (ride, start) in enumerate(zip(ids, starts, strict=True)):
            _tag_and_judge(tx, dice, ride, start, bikes[dice.randrange(BIKES)].id, number > rides - 12)
            tx.files.record(
                FileRecord(
                    sha256=f"{number:064x}",
                    name=f"/rides/{number}.fit",
                    size=50_000,
                    seen_at=start,
                    outcome="new ride",
                    ride=ride,
                )
            )
        for chain in chains:
            for week in range(0, DAYS // 7, 2):
                kind = TreatmentKind.DRIP if week % 6 else TreatmentKind.IMMERSION
                if chain.regime is Regime.WET_LUBE:
                    kind = TreatmentKind.OIL if week % 6 else TreatmentKind.CLEAN
                into(tx).log_treatment(chain.id, kind, first + timedelta(weeks=week), minutes=8, cost=0.5)
            for at in range(1, 9):
                into(tx).log_reading(
                    chain.id,
                    ReadingTool.CALIPER,
                    first + timedelta(days=DAYS * at / 9),
                    exact_pct=round(0.05 * at + dice.gauss(0, 0.02), 3),
                )
        while tx.rides.unnamed():  # as many rounds as it takes until all rides are named
            reckon(tx, shop, now=_CLOCK)
    return shop


def _tag_and_judge(tx, dice, ride, start, bike, asks) -> None:  # type: ignore[no-untyped-def]
    hour = start.replace(minute=0, second=0, microsecond=0)
    tags = []
    for n in range(2):
        weights = dice.choice(CONDITIONS)
        water, mud, dust = weights or (None, None, None)
        tags.append((hour + timedelta(hours=n), tag(water, mud=mud, dust=dust)))
    tx.rides.add_tags(ride, tags, start)
    clues = [
        {"clue": "gearing", "bike": bike, "weight": 2.3, "sentence": "Speed over cadence fits its gears."},
        {"clue": "habit", "bike": bike, "weight": 0.7, "sentence": "It is the usual bike of this rider."},
    ]
    tx.rides.record(
        ride,
        None if asks else bike,
        decided_by=None if asks else DecidedBy.EVIDENCE,
        verdict="ask" if asks else "certain",
        probability=0.99,
        evidence=json.dumps({"because": "Invented.", "probabilities": [[bike, 0.99]], "clues": clues}),
        at=start,
        by="the round",
    )


def _track(start: datetime) -> bytes:
    """A loop of two hours, as the importer packs it: 400 points."""
    at = np.arange(0.0, 7200.0, 5.0)
    nothing = np.full(len(at), np.nan)
    return packed_track(
        Recording(
            file_name="ride.fit",
            reader="invented",
            time_s=start.timestamp() + at,
            latitude_deg=-16.5 + 0.1 * np.sin(at / 1100) + 0.01 * np.sin(at / 90),
            longitude_deg=-68.2 + 0.1 * np.cos(at / 1100) + 0.01 * np.cos(at / 70),
            altitude_m=nothing,
            distance_m=at * 6.0,
            speed_mps=6.0 + 3 * np.sin(at / 200),
            cadence_rpm=80.0 + 20 * np.sin(at / 150),
            power_w=nothing,
            temperature_c=nothing,
            heart_rate_bpm=nothing,
        )
    )


def main() -> None:
    """Seed, serve, measure, print."""
    rides = int(sys.argv[1]) if len(sys.argv) > 1 else RIDES
    with tempfile.TemporaryDirectory() as folder:
        begun = time.perf_counter()
        shop = seeded(Path(folder), rides)
        print(f"{rides} rides, {CHAINS} chains, seeded in {time.perf_counter() - begun:.0f} s")
        with shop.store.reading() as tx:
            newest = max(ride.id for ride in tx.rides.rides(newest_first=True, limit=50))
            reminders = [one.id for one in tx.reminders.standing()]
        dice = random.Random(2)
        with serving(shop) as served, httpx.Client(base_url=served.url, timeout=60) as client:
            begun = time.perf_counter()
            client.get("/").raise_for_status()
            print(f"first page of all: {(time.perf_counter() - begun) * 1000:.0f} ms")
            print(f"worked out ahead after it: {_worked_ahead_ms():.0f} ms of processor time")
            print(f"{'page':30} {'first':>7} {'median':>7} {'p95':>7} {'most':>7}   weight")
            worst = heaviest = 0.0
            for path in (*PAGES, WRITE, *AFTER_A_WRITE):
                if path == WRITE:
                    record(shop, LogTreatment(ChainId(2), TreatmentKind.DRIP, _CLOCK), now=_CLOCK)
                    print(WRITE)
                    continue
                times, weight = [], 0.0
                for _ in range(TIMES):
                    address = path.format(
                        ride=RideId(dice.randint(1, newest)),
                        chain=dice.randint(1, CHAINS),
                        reminder=dice.choice(reminders),
                    )
                    begun = time.perf_counter()
                    answer = client.get(address)
                    times.append((time.perf_counter() - begun) * 1000)
                    answer.raise_for_status()
                    weight = max(weight, _weight(client, answer) / 1000)
                p95 = sorted(times)[math.ceil(0.95 * len(times)) - 1]
                worst, heaviest = max(worst, p95), max(heaviest, weight)
                print(
                    f"{path:30} {times[0]:7.1f} {statistics.median(times):7.1f} {p95:7.1f} {max(times):7.1f}"
                    f" ms {weight:6.1f} kB"
                )
            print(f"worst p95 {worst:.1f} ms, heaviest {heaviest:.1f} kB")


def _worked_ahead_ms() -> float:
    """Wait until no thread of this process works any more."""
    begun = before = time.process_time()
    while True:
        time.sleep(1.5)
        if time.process_time() - before < 0.05:
            return 1000 * (before - begun)
        before = time.process_time()


_SEEN: dict[str, int] = {}


def _weight(client: httpx.Client, answer: httpx.Response) -> int:
    """Bytes of a page with everything it loads."""
    whole = len(answer.content)
    for address in re.findall(r'"(/static/[^"]+)"', answer.text):
        if address not in _SEEN:
            _SEEN[address] = len(client.get(address).content)
        whole += _SEEN[address]
    return whole


assert _CLOCK.tzinfo is UTC

if __name__ == "__main__":
    main()
