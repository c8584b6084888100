"""Do the recordings of one outing end in the same ledger whatever their order, and is it the right one?

    python -m tests.benchmarks.outings --outings 30 [--seed 5]

Started so, each reader loads this file again, a second each; python -c "from tests.benchmarks.outings import
main; main()" is ten times as quick.

Outings are drawn anew each time (the seed is printed), some from real files where GRITLEDGER_CORPUS names
them. Of each, two to four recordings: the whole, halves and thirds, other receivers some metres off, without
cadence, cut short, with a clock whole hours off. Beside them stand another outing of the same day and, at the
same time, another rider's. Every order of arrival is read into a ledger of its own, one file at a time.
"""

from __future__ import annotations

import argparse
import os
import random
import secrets
import tempfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import permutations
from pathlib import Path

import numpy as np

from fixtures.fit_writer import fit_bytes
from fixtures.gpx_writer import gpx_bytes
from ingest.errors import UnreadableFile
from ingest.files.read_pool import ToRead
from ingest.files.reader import recordings_in
from ingest.ride.recording import Recording, SensorSeen
from ingest.ride.smoothing import one_sample_per_instant, only
from ingest.ride.summary import summarise
from rules.vocabulary import RiderId
from services.use_cases.import_rides import import_files
from services.wiring import open_app
from tests.ingest.rides import ridden
from tests.put_into import into

NOW = datetime(2030, 1, 1, tzinfo=UTC)
DAY = datetime(2025, 6, 4, 8, tzinfo=UTC)


def real_rides() -> list[Recording]:
    """Rides of the corpus with places, an hour or longer."""
    folder = os.environ.get("GRITLEDGER_CORPUS")
    found = []
    for path in sorted(Path(folder).glob("*/*")) if folder else []:
        if path.suffix not in (".fit", ".gpx"):
            continue
        try:
            one = one_sample_per_instant(recordings_in(path.read_bytes(), path.name)[0])
            summed = summarise(one, now=NOW)
        except UnreadableFile:
            continue
        if one.has_place and not summed.indoor and summed.moving_s > 2400:
            found.append(one)
    return found


def elsewhere(ride: Recording, device: int, dice: np.random.Generator) -> Recording:
    """The same outing by another receiver: wandering some metres."""
    wander = [np.convolve(dice.normal(0, 1, len(ride) + 60), np.ones(61) / 61, "valid") for _ in range(2)]
    heart = ride.heart_rate_bpm + dice.normal(0, 1.5, len(ride))
    return replace(
        ride,
        latitude_deg=ride.latitude_deg + wander[0] * 4e-5,
        longitude_deg=ride.longitude_deg + wander[1] * 5e-5,
        heart_rate_bpm=np.where(np.isfinite(ride.heart_rate_bpm), heart, np.nan),
        device=SensorSeen("head unit", serial=device),
    )


def share(ride: Recording, begin: float, end: float) -> Recording:
    passed = (ride.time_s - ride.time_s[0]) / (ride.time_s[-1] - ride.time_s[0])
    return only(ride, (passed >= begin) & (passed <= end))


def recordings(ride: Recording, dice: np.random.Generator) -> list[tuple[str, bytes, str]]:
    """Two to four recordings of an outing: name, bytes, what it is."""
    count = int(dice.integers(2, 5))
    kinds = ["whole"]
    if count == 4 and dice.random() < 0.5:
        kinds += ["third 1", "third 2", "third 3"]
    elif count >= 3 and dice.random() < 0.6:
        kinds += ["half 1", "half 2"]
    while len(kinds) < count:
        kinds.append(str(dice.choice(["other", "poor", "cut", "clock", "part"])))
    parts = {"half 1": (0, 0.5), "half 2": (0.505, 1), "third 1": (0, 0.33), "third 2": (0.335, 0.66)}
    parts |= {"third 3": (0.665, 1), "part": (0.1, 0.8)}
    made = []
    for number, kind in enumerate(kinds):
        one = ride if kind == "whole" else elsewhere(ride, 1 if kind in parts else 10 + number, dice)
        if kind in parts:
            one = share(one, *parts[kind])
        if kind == "clock":
            one = replace(one, time_s=one.time_s + 3600 * float(dice.choice([-2, -1, 1, 2, 6])))
        if kind == "poor":
            nothing = np.full(len(one), np.nan)
            made.append(
                (f"{number}.gpx", gpx_bytes(replace(one, cadence_rpm=nothing, power_w=nothing)), kind)
            )
            continue
        data = fit_bytes(one)
        made.append((f"{number}.fit", data[: int(len(data) * 0.7)] if kind == "cut" else data, kind))
    return made


def outings(count: int, seed: int) -> Iterator[tuple[Recording, list[tuple[str, bytes, str]], int]]:
    real = real_rides()
    for number in range(count):
        dice = np.random.default_rng([seed, number])
        if real and number % 3 == 0:
            ride = real[int(dice.integers(len(real)))]
            ride = replace(ride, sport="cycling", device=SensorSeen("head unit", serial=1), pauses=())
        else:
            minutes = int(dice.integers(50, 200))
            ride = ridden(minutes, seed=int(dice.integers(2**31)), start=DAY)
            ride = replace(ride, device=SensorSeen("head unit", serial=1))
        yield ride, recordings(ride, dice), int(dice.integers(2**31))


def ledger_of(files: list[tuple[str, bytes, int]], folder: Path) -> list[tuple[int, str, int]]:
    """What counts once these files (name, bytes, rider) came one by one: rider, start, drive seconds."""
    app = open_app(folder / "home")
    with app.store.writing() as tx:
        for name in ("Iva", "Bo"):
            into(tx).add_rider(name)
    for name, data, rider in files:
        path = folder / name
        path.write_bytes(data)
        import_files(app.store, [ToRead(path, RiderId(rider))], now=NOW)
    with app.store.reading() as tx:
        found = [
            (int(one.rider), f"{one.started_at:%H:%M:%S}", round(one.drive_s)) for one in tx.rides.rides()
        ]
    app.store.close()
    return sorted(found)


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--outings", type=int, default=20)
    arguments.add_argument("--seed", type=int, default=secrets.randbelow(10**6))
    asked = arguments.parse_args()
    print(f"seed {asked.seed}, {len(real_rides())} real rides, load {os.getloadavg()[0]:.1f}")
    orders = unequal = 0
    outcome: Counter[str] = Counter()
    wrong: list[str] = []
    for number, (ride, made, seed) in enumerate(outings(asked.outings, asked.seed)):
        truth = summarise(one_sample_per_instant(ride), now=NOW).drive_s
        other = ridden(60, seed=seed, start=datetime.fromtimestamp(ride.time_s[-1], UTC) + timedelta(hours=3))
        companion = elsewhere(
            ridden(60, seed=seed + 1, start=datetime.fromtimestamp(ride.time_s[0], UTC)),
            77,
            np.random.default_rng(seed),
        )
        beside = [("other.fit", fit_bytes(other), 1), ("companion.fit", fit_bytes(companion), 2)]
        every = [*((name, data, 1) for name, data, _ in made), *beside]
        ends = Counter[tuple[tuple[int, str, int], ...]]()
        chosen = list(permutations(made))
        random.Random(seed).shuffle(chosen)
        for order in chosen:
            files = [(name, data, 1) for name, data, _ in order]
            for extra in beside:
                files.insert(random.Random(len(files) + seed).randrange(len(files) + 1), extra)
            assert len(files) == len(every)
            with tempfile.TemporaryDirectory() as folder:
                ends[tuple(ledger_of(files, Path(folder)))] += 1
        orders += len(chosen)
        unequal += len(chosen) - max(ends.values())
        best = max(ends, key=lambda one: ends[one])
        mine = [one for one in best if one[0] == 1]
        kinds = ", ".join(kind for *_, kind in made)
        drive = sum(one[2] for one in mine) - summarise(other, now=NOW).drive_s
        kept_apart = any(one[0] == 2 for one in best)
        word = (
            "right"
            if abs(drive - truth) <= 0.06 * truth and kept_apart
            else "counted twice"
            if drive > truth
            else "some of it lost"
        )
        outcome[word] += 1
        if word != "right" or len(ends) > 1:
            wrong.append(
                f"outing {number} ({kinds}): {len(ends)} ends, drive {drive / truth:.2f} of the truth, {word}"
            )
    print(f"{asked.outings} outings, {orders} orders of arrival, {unequal} end otherwise than most of theirs")
    for word, count in outcome.most_common():
        print(f"  {word:16} {count}")
    print("\n".join(wrong))


if __name__ == "__main__":
    main()
