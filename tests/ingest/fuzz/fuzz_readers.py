"""Throws damaged, random and odd bytes at the unpacker and the readers: only UnreadableFile may come out.

    python -m tests.ingest.fuzz.fuzz_readers --inputs 200000 --seed 1

Prints what came out; ends with 1 when anything else did, when an input took over two seconds, or when the
process grew by more than 300 MB.
"""

from __future__ import annotations

import argparse
import gzip
import io
import resource
import sys
import time
import zipfile
from dataclasses import dataclass, field
from random import Random

import numpy as np

from fixtures.fit_writer import fit_bytes
from ingest.errors import UnreadableFile
from ingest.files.reader import recordings_in
from ingest.files.unpack import members
from ingest.ride.recording import Recording
from tests.ingest.fuzz import fit_inputs, gpx_inputs
from tests.ingest.recordings import NAMES, ride

_MOST_SECONDS, _MOST_GROWTH_MB = 2.0, 300.0


@dataclass
class Tally:
    """What came out of the readers."""

    read: int = 0
    damaged: int = 0
    refused: int = 0
    slow_reader: int = 0
    slowest_s: float = 0.0
    faults: list[str] = field(default_factory=list)


def fuzz(inputs: int, seed: int) -> Tally:
    """What comes out for that many seeded inputs?"""
    tally = Tally()
    sound = [*fit_inputs.sound_files(), *gpx_inputs.sound_files(), fit_bytes(ride(2_000))]
    for number in range(inputs):
        random = Random(f"{seed} {number}")
        data = _input(random, sound)
        started = time.process_time()
        try:
            for name, inner in members(data, "input"):
                for found in recordings_in(inner, name):
                    _take(found, f"'{seed} {number}'", tally)
        except UnreadableFile as refused:
            tally.refused += 1
            if not (refused.path.startswith("input") and refused.why and refused.try_this):
                tally.faults.append(f"'{seed} {number}': an error that says nothing")
        except BaseException as error:
            tally.faults.append(f"'{seed} {number}': {type(error).__name__}: {error}")
        tally.slowest_s = max(tally.slowest_s, time.process_time() - started)
    return tally


def _take(found: Recording, where: str, tally: Tally) -> None:
    tally.read += 1
    tally.damaged += bool(found.damage or found.dropped)
    tally.slow_reader += found.reader in ("fitdecode", "gpxpy")
    tally.faults.extend(f"{where}: {line}" for line in _impossible(found))


def _input(random: Random, sound: list[bytes]) -> bytes:
    kind = random.randrange(11)
    if kind <= 3:
        return fit_inputs.mutated(random, random.choice(sound))
    if kind <= 6:
        return gpx_inputs.mutated(random, random.choice(sound))
    if kind == 7:
        return fit_inputs.mutated(random, fit_inputs.structure(random))
    if kind == 8:
        return gpx_inputs.mutated(random, gpx_inputs.structure(random))
    if kind == 9:
        packed = _packed(random, [random.choice(sound) for _ in range(random.randrange(1, 4))])
        return fit_inputs.mutated(random, packed) if random.random() < 0.8 else packed
    start = random.choice((b"", b"<gpx>", b"<?xml", b"\x0e\x20\x00\x08\xff\x00\x00\x00.FIT\x00\x00"))
    return start + random.randbytes(random.randrange(400))


def _packed(random: Random, files: list[bytes]) -> bytes:
    """The files in a .zip, or the first of them in a .gz, sometimes twice over."""
    if random.random() < 0.4:
        packed = gzip.compress(files[0], 1, mtime=0)
    else:
        out = io.BytesIO()
        method = random.choice((zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED))
        with zipfile.ZipFile(out, "w", method) as archive:
            for number, data in enumerate(files):
                archive.writestr(random.choice((f"{number}.fit", f"../{number}", f"a/b/{number}.gpx")), data)
        packed = out.getvalue()
    return _packed(random, [packed]) if random.random() < 0.2 else packed


def _impossible(found: Recording) -> list[str]:
    """What a recording may never hold."""
    columns = {name: getattr(found, name) for name in NAMES}
    wrong = [name for name, column in columns.items() if len(column) != len(found) or np.isinf(column).any()]
    if not len(found) or np.isnan(found.time_s).any() or (np.diff(found.time_s) < 0).any():
        wrong.append("time_s")
    with np.errstate(invalid="ignore"):
        if (np.abs(found.latitude_deg) > 90).any() or (np.abs(found.longitude_deg) > 180).any():
            wrong.append("place")
    return [f"impossible {name}" for name in wrong]


def main() -> int:
    """Runs as many inputs as the arguments ask for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--inputs", type=int, default=200_000)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    fuzz(20, arguments.seed)  # what the process needs once anyway
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    started = time.perf_counter()
    tally = fuzz(arguments.inputs, arguments.seed)
    growth_mb = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    print(f"{arguments.inputs} inputs in {time.perf_counter() - started:.0f} s")
    print(f"  {tally.read} read, {tally.damaged} of them with damage or dropped samples")
    print(f"  {tally.slow_reader} of them by the reference readers")
    print(f"  {tally.refused} refused")
    print(f"  slowest {tally.slowest_s:.3f} s, memory grew by {growth_mb:.0f} MB")
    for line in tally.faults[:40]:
        print("  FAULT", line)
    print(f"  {len(tally.faults)} faults")
    return 1 if tally.faults or tally.slowest_s > _MOST_SECONDS or growth_mb > _MOST_GROWTH_MB else 0


if __name__ == "__main__":
    sys.exit(main())
