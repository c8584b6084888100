"""How fast are rides read, and how much faster than by the reference readers?

    python -m tests.benchmarks.reading [--with-fitfast PYTHON]

Every ratio is taken in one run on one file: both readers read the same bytes from memory, turn by turn, and
the median of each counts. Our side is the whole of `read`: checksums on, every message that the job needs,
checked values. The others extract the same columns. Real rides are used when GRITLEDGER_CORPUS names a folder
with some, and invented ones always.

--with-fitfast: the Python of an environment that has fitfast (a general-purpose decoder in Rust, no
dependency). Ends with 1 when a median ratio misses its target.
"""

from __future__ import annotations

import argparse
import gc
import os
import statistics
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import fitdecode
import gpxpy
import numpy as np

from fixtures.fit_writer import fit_bytes
from fixtures.gpx_writer import gpx_bytes
from ingest.errors import UnreadableFile
from tests.ingest.recordings import ride
from tests.read_one import read

ROUNDS = 9
FEWEST_RECORDS = 2_000
TARGETS = {"fitdecode": 100.0, "gpxpy, with extensions": 6.0, "gpxpy, without": 9.0, "fitfast": 1.0}
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
    samples: int
    ours_s: float
    other: str
    other_s: float | None  # None: it refuses the file

    @property
    def ratio(self) -> float | None:
        """How many times faster ours is."""
        return None if self.other_s is None else self.other_s / self.ours_s


def side_by_side(name: str, data: bytes, other: str, theirs: Callable[[bytes], object], rounds: int) -> Line:
    """Both readers on one file, turn by turn, so that a busy machine is busy for both."""
    ours_s: list[float] = []
    theirs_s: list[float] = []
    samples = len(read(data, name))
    gc.collect()
    for _ in range(rounds):
        ours_s += [seconds(read, data, name) for _ in range(3)]
        theirs_s.append(seconds(theirs, data))
    return Line(name, samples, statistics.median(ours_s), other, statistics.median(theirs_s))


def seconds(action: Callable[..., object], *arguments: object) -> float:
    """How long does this take, once?"""
    started = time.perf_counter()
    action(*arguments)
    return time.perf_counter() - started


def beside_fitfast(name: str, data: bytes, python: str) -> Line:
    """The same with fitfast, which times itself in a process of its own."""
    ours_s: list[float] = []
    theirs_s: list[str] = []
    with tempfile.NamedTemporaryFile() as file:
        file.write(data)
        file.flush()
        for _ in range(3):
            ours_s += [seconds(read, data, name) for _ in range(ROUNDS)]
            command = [python, "-c", FITFAST, str(ROUNDS), file.name]
            theirs_s.append(
                subprocess.run(command, capture_output=True, text=True, check=False).stdout.strip()
            )
    other_s = statistics.median(map(float, theirs_s)) if all(theirs_s) else None
    return Line(name, len(read(data, name)), statistics.median(ours_s), "fitfast", other_s)


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
    """Three hours at one sample a second, written in several ways."""
    long = ride(10_800)
    return {
        "invented, plain": fit_bytes(long),
        "invented, big-endian, compressed times": fit_bytes(long, big_endian=True, compressed=True),
        "invented, developer field": fit_bytes(long, developer={"grit": np.arange(10_800.0)}),
    }


def fit_lines(fitfast_python: str | None) -> list[Line]:
    """Every ride against fitdecode, and against fitfast when it is there."""
    rides = real_rides() | invented_rides()
    lines = [side_by_side(name, data, "fitdecode", with_fitdecode, 5) for name, data in rides.items()]
    if fitfast_python is not None:
        lines += [beside_fitfast(name, data, fitfast_python) for name, data in rides.items()]
    return lines


def gpx_lines() -> list[Line]:
    """Five hours at one sample a second against gpxpy, with and without extensions."""
    long = ride(18_000)
    files = (
        ("GPX 1.1", "gpxpy, with extensions", gpx_bytes(long)),
        ("GPX 1.1, no value missing", "gpxpy, with extensions", gpx_bytes(ride(18_000, gaps=False))),
        ("GPX 1.1, on one line", "gpxpy, with extensions", gpx_bytes(long, pretty=False)),
        ("GPX 1.1", "gpxpy, without", gpx_bytes(long, extensions=False)),
        ("GPX 1.0, with speed", "gpxpy, without", gpx_bytes(long, extensions=False, version="1.0")),
    )
    return [side_by_side(f"invented, {name}", data, other, with_gpxpy, 3) for name, other, data in files]


def verdict(other: str, target: float, lines: list[Line]) -> bool | None:
    """Prints the median ratio to one reader; whether it is the target or more, None when not measured."""
    ratios = [line.ratio for line in lines if line.other == other and line.ratio is not None]
    if not ratios:
        return None
    median = statistics.median(ratios)
    word = "reached" if median >= target else "MISSED"
    span = f"{min(ratios):.1f} to {max(ratios):.1f}"
    print(f"{other}: median ratio {median:.1f} ({span}), target {target:g}: {word}")
    return median >= target


def main() -> int:
    """Measures and prints the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--with-fitfast", metavar="PYTHON", help="measure fitfast as well, with this Python")
    arguments = parser.parse_args()
    lines = fit_lines(arguments.with_fitfast) + gpx_lines()

    columns = "{:46} {:>7} {:>8} {:>10}  {:23} {:>8} {:>6}"
    print(columns.format("file", "samples", "ours ms", "samples/s", "other reader", "ms", "ratio"))
    for line in lines:
        ours, speed = f"{line.ours_s * 1e3:.2f}", f"{line.samples / line.ours_s / 1e6:.2f} M"
        theirs = "refused" if line.other_s is None else f"{line.other_s * 1e3:.1f}"
        ratio = "" if line.ratio is None else f"{line.ratio:.1f}"
        print(columns.format(line.file[:46], line.samples, ours, speed, line.other, theirs, ratio))
    verdicts = [verdict(other, target, lines) for other, target in TARGETS.items()]
    return int(False in verdicts)


if __name__ == "__main__":
    sys.exit(main())
