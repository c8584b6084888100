"""How fast are rides read, and how much faster than by the reference readers?

    python -m tests.benchmarks.reading [--with-fitfast PYTHON]

Every ratio is taken in one run on one file: both readers read the same bytes from memory, turn by turn, and
the median of each counts, in processor time, so that a busy machine is busy for both. Our side is the whole
of `read`: checksums on, every message that the job needs, checked values. The others extract the same
columns. Memory is kept between files, as in the processes that read for the ledger, for both sides. Real
rides are used when GRITLEDGER_CORPUS names a folder with some, and invented ones always; the real ones are
written out as GPX as well.

--with-fitfast: the Python of an environment that has fitfast (a general-purpose decoder in Rust, no
dependency). Ends with 1 when a ratio misses its target.
"""

from __future__ import annotations

import argparse
import gc
import math
import os
import statistics
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

import fitdecode
import gpxpy
import numpy as np

from fixtures.fit_writer import fit_bytes
from fixtures.gpx_writer import gpx_bytes
from ingest.errors import UnreadableFile
from ingest.files.process_memory import keep_memory
from ingest.fit.walk import walk_messages
from ingest.ride.summary import summarise
from tests.ingest.recordings import ride
from tests.read_one import read

ROUNDS = 9
FEWEST_RECORDS = 500
FITDECODE, GPXPY = "fitdecode", "gpxpy"


@dataclass(frozen=True)
class Target:
    """What the lines of some kinds should reach."""

    other: str
    kinds: tuple[str, ...]
    samples: tuple[float, float]  # from, to
    of: Callable[[list[float]], float]  # of their ratios
    ratio: float


RUNS, ALTERNATING, EXTENDED, PLAIN = "runs", "alternating", "extensions", "plain"
TARGETS = (
    Target(FITDECODE, (RUNS, ALTERNATING), (1_000, math.inf), statistics.median, 250.0),
    Target(FITDECODE, (RUNS,), (1_500, math.inf), statistics.median, 250.0),
    Target(FITDECODE, (ALTERNATING,), (1_500, math.inf), statistics.median, 150.0),
    Target(FITDECODE, (RUNS, ALTERNATING), (2_000, math.inf), min, 150.0),
    Target(FITDECODE, (RUNS, ALTERNATING), (1_000, 2_000), min, 85.0),
    Target(GPXPY, (EXTENDED,), (3_000, math.inf), min, 35.0),
    Target(GPXPY, (PLAIN,), (3_000, math.inf), min, 45.0),
    Target(GPXPY, (EXTENDED, PLAIN), (500, 2_000), min, 20.0),
    Target("fitfast", (RUNS, ALTERNATING), (0, math.inf), min, 1.0),
)
FIELDS = (
    "timestamp",
    "position_lat",
    "position_long",
    "distance",
    "speed",
    "cadence",
    "power",
    "temperature",
)
FITFAST = """
import statistics, sys, time
import fitfast
data = open(sys.argv[2], "rb").read()
seconds = []
for _ in range(int(sys.argv[1])):
    started = time.perf_counter()
    try:
        fitfast.records(data)
    except BaseException:
        sys.exit("refused")
    seconds.append(time.perf_counter() - started)
print(statistics.median(seconds))
"""


@dataclass(frozen=True)
class Line:
    """One file read by two readers."""

    file: str
    kind: str
    samples: int
    ours_s: float
    other: str
    other_s: float | None  # None: it refuses the file
    by_the_clock: float | None = None  # the ratio in time that passed

    @property
    def ratio(self) -> float | None:
        """How many times faster ours is."""
        return None if self.other_s is None else self.other_s / self.ours_s


def side_by_side(name: str, kind: str, data: bytes, other: str, theirs: Callable[[bytes], object]) -> Line:
    """Both readers on one file, turn by turn."""
    ours: list[Spent] = []
    others: list[Spent] = []
    samples = len(read(data, name))
    gc.collect()
    for _ in range(3):
        ours += [spent(read, data, name) for _ in range(4)]
        others.append(spent(theirs, data))
        ours += [spent(read, data, name) for _ in range(4)]
    ours_s, others_s = (statistics.median(one.cpu_s for one in side) for side in (ours, others))
    clock = statistics.median(one.clock_s for one in others) / statistics.median(one.clock_s for one in ours)
    return Line(name, kind, samples, ours_s, other, others_s, clock)


class Spent(NamedTuple):
    """What something took, once."""

    cpu_s: float
    clock_s: float


def spent(action: Callable[..., object], *arguments: object) -> Spent:
    """How long does this take?"""
    cpu, clock = time.process_time(), time.perf_counter()
    action(*arguments)
    return Spent(time.process_time() - cpu, time.perf_counter() - clock)


def beside_fitfast(name: str, kind: str, data: bytes, python: str) -> Line:
    """The same with fitfast, which times itself in a process of its own."""
    ours_s: list[float] = []
    theirs_s: list[str] = []
    with tempfile.NamedTemporaryFile() as file:
        file.write(data)
        file.flush()
        for _ in range(3):
            ours_s += [spent(read, data, name).clock_s for _ in range(ROUNDS)]
            command = [python, "-c", FITFAST, str(ROUNDS), file.name]
            theirs_s.append(
                subprocess.run(command, capture_output=True, text=True, check=False).stdout.strip()
            )
    other_s = statistics.median(map(float, theirs_s)) if all(theirs_s) else None
    return Line(name, kind, len(read(data, name)), statistics.median(ours_s), "fitfast", other_s)


def with_fitdecode(data: bytes) -> list[list[object]]:
    """The usual loop over a file: checksums on, eight fields of every record, all other messages decoded."""
    rows = []
    with warnings.catch_warnings(), fitdecode.FitReader(data) as reader:
        warnings.simplefilter("ignore")
        try:
            for frame in reader:
                if frame.frame_type == fitdecode.FIT_FRAME_DATA and frame.name == "record":
                    rows.append([frame.get_value(name, fallback=None) for name in FIELDS])  # noqa: PERF401
        except fitdecode.FitEOFError:
            pass
    return rows


def with_gpxpy(data: bytes) -> list[tuple[object, ...]]:
    """The usual loop over a file's points; its extensions are already parsed then."""
    tracks = gpxpy.parse(data).tracks
    return [
        (p.time, p.latitude, p.longitude, p.elevation) for t in tracks for s in t.segments for p in s.points
    ]


def real_rides() -> dict[str, bytes]:
    """The real rides of some length, by name."""
    folder = os.environ.get("GRITLEDGER_CORPUS")
    found = {}
    for path in sorted(Path(folder, "fit").glob("*.fit")) if folder else []:
        data = path.read_bytes()
        try:
            recording = read(data, path.name)
        except UnreadableFile:
            continue
        if len(recording) >= FEWEST_RECORDS:
            found[path.stem] = data
    return found


def invented_rides() -> dict[str, bytes]:
    """Three hours and less at one sample a second, written in several ways."""
    long = ride(10_800)
    return {
        "invented, plain": fit_bytes(long),
        "invented, plain, 1 200 samples": fit_bytes(ride(1_200)),
        "invented, big-endian, compressed times": fit_bytes(long, big_endian=True, compressed=True),
        "invented, developer field": fit_bytes(long, developer={"grit": np.arange(10_800.0)}),
    }


def kind_of(data: bytes) -> str:
    """Whether most messages of a FIT file follow others of their kind."""
    walk = walk_messages(data, data[0], len(data) - 2, "ride.fit")
    in_runs = sum(len(run) for messages in walk.messages for run in messages.runs)
    return RUNS if 2 * in_runs > walk.count else ALTERNATING


def fit_lines(fitfast_python: str | None) -> list[Line]:
    """Every ride against fitdecode, and against fitfast when it is there."""
    rides = {name: (kind_of(data), data) for name, data in (real_rides() | invented_rides()).items()}
    lines = [
        side_by_side(name, kind, data, FITDECODE, with_fitdecode) for name, (kind, data) in rides.items()
    ]
    if fitfast_python is not None:
        lines += [beside_fitfast(name, kind, data, fitfast_python) for name, (kind, data) in rides.items()]
    return lines


def gpx_lines() -> list[Line]:
    """Real and invented rides written as GPX against gpxpy, with and without extensions."""
    rides = {name: read(data, name) for name, data in real_rides().items()}
    rides = {name: ride for name, ride in rides.items() if ride.has_place}
    rides |= {f"invented, {rows} points": ride(rows, gaps=False) for rows in (6_000, 1_500, 600)}
    rides["invented, values missing here and there"] = ride(6_000)
    lines = []
    for name, recording in rides.items():
        for kind, bytes_of in (
            (EXTENDED, gpx_bytes(recording)),
            (PLAIN, gpx_bytes(recording, extensions=False, pretty=False)),
        ):
            lines.append(side_by_side(name, kind, bytes_of, GPXPY, with_gpxpy))
    return lines


def summary_lines() -> list[tuple[str, int, float, float]]:
    """From bytes to a summed-up ride: name, samples, and milliseconds of reading and of summing up."""
    now = datetime.now(UTC)
    lines = []
    for name, data in (real_rides() | invented_rides()).items():
        recording = read(data, name)
        both = [
            (spent(read, data, name), spent(lambda r: summarise(r, now=now), recording)) for _ in range(15)
        ]
        reading, summing = (statistics.median(one[side].cpu_s for one in both) for side in (0, 1))
        lines.append((name, len(recording), reading * 1e3, summing * 1e3))
    return lines


def verdict(target: Target, lines: list[Line]) -> bool | None:
    """Prints what these lines reach; whether it is the target or more, None when not measured."""
    least, most = target.samples
    ratios = [
        line.ratio
        for line in lines
        if line.other == target.other
        and line.kind in target.kinds
        and least <= line.samples < most
        and line.ratio is not None
    ]
    if not ratios:
        return None
    reached = target.of(ratios)
    word = "reached" if reached >= target.ratio else "MISSED"
    of = f"{target.other}, {' and '.join(target.kinds)}, {least:g} to {most:g} samples ({len(ratios)} files)"
    print(f"{of}: {target.of.__name__} {reached:.1f} ({min(ratios):.1f} to {max(ratios):.1f}), "
          f"target {target.ratio:g}: {word}")  # fmt: skip
    return reached >= target.ratio


def main() -> int:
    """Measures and prints the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--with-fitfast", metavar="PYTHON", help="measure fitfast as well, with this Python")
    arguments = parser.parse_args()
    keep_memory()
    print(f"load before: {os.getloadavg()}")
    lines = fit_lines(arguments.with_fitfast) + gpx_lines()

    columns = "{:46} {:12} {:>7} {:>8}  {:10} {:>8} {:>6} {:>9}"
    print(columns.format("file", "kind", "samples", "ours ms", "other", "ms", "ratio", "by clock"))
    for line in lines:
        theirs = "refused" if line.other_s is None else f"{line.other_s * 1e3:.1f}"
        ratio = "" if line.ratio is None else f"{line.ratio:.1f}"
        clock = "" if line.by_the_clock is None else f"{line.by_the_clock:.1f}"
        ours = f"{line.ours_s * 1e3:.2f}"
        print(columns.format(line.file[:46], line.kind, line.samples, ours, line.other, theirs, ratio, clock))
    print(f"\n{'from bytes to a summed-up ride':46} {'samples':>7} {'read ms':>8} {'sum ms':>8}")
    for name, samples, reading_ms, summing_ms in summary_lines():
        print(f"{name[:46]:46} {samples:7} {reading_ms:8.2f} {summing_ms:8.2f}")
    print(f"load after: {os.getloadavg()}")
    verdicts = [verdict(target, lines) for target in TARGETS]
    return int(False in verdicts)


if __name__ == "__main__":
    sys.exit(main())
