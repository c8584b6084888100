"""Draw the gear combs of real rides, and say whether the lines they show are cogs that exist.

    GRITLEDGER_CORPUS=FOLDER python -m tests.benchmarks.gear_combs OUTPUT_FOLDER

For every ride of the corpus with enough cadence: an SVG of seconds against development, the lines found, and
the nearest teeth; and a table of each line with the cog that comes closest, one chainring and wheel for all.
"""

from __future__ import annotations

import itertools
import math
import os
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ingest.bikes.pedalled_gears import (
    BIN_CENTRES,
    BIN_WIDTH,
    BINS,
    GearHistogram,
    gear_histogram,
    gears_seen,
    smoothed,
)
from ingest.errors import UnreadableFile
from tests.read_one import read

CHAINRINGS = (46, 48, 50, 52, 53)  # big rings in common use
COGS = tuple(range(10, 37))
WHEELS_M = tuple(np.arange(2.070, 2.1601, 0.001))  # 622 mm rims with tyres of 20 to 32 mm
WIDTH, HEIGHT, LEFT, BOTTOM = 1100, 420, 60, 90


@dataclass(frozen=True, slots=True)
class Teeth:
    """What fits the lines best: one chainring, one wheel, and a cog for every line."""

    chainring: int
    wheel_m: float
    cogs: tuple[int, ...]
    miss: float  # root mean square of ln(line / gear), each line by its time


def nearest_teeth(lines: np.ndarray, seconds: np.ndarray) -> Teeth:
    """The chainring in common use, and the road wheel, whose cogs come closest to these lines [ln m]."""
    found = []
    held = [seconds[np.abs(BIN_CENTRES - line) < 0.025].sum() for line in lines]
    for ring in CHAINRINGS:
        for wheel_m in WHEELS_M:
            gears = np.log([ring / cog * wheel_m for cog in COGS])
            apart = lines[:, None] - gears[None, :]
            nearest = np.abs(apart).argmin(axis=1)
            miss = math.sqrt(np.average(apart[np.arange(len(lines)), nearest] ** 2, weights=held))
            found.append(Teeth(ring, float(wheel_m), tuple(COGS[i] for i in nearest), miss))
    return min(found, key=lambda teeth: teeth.miss)


def svg(title: str, histogram: GearHistogram, lines: np.ndarray, teeth: Teeth) -> str:
    """The comb as a picture: bars of seconds, found lines solid, gears of the fitted teeth dashed."""
    seconds = np.bincount(histogram.bins, histogram.seconds, BINS)
    share = np.cumsum(seconds) / seconds.sum()
    low, high = int(np.searchsorted(share, 0.003)), int(np.searchsorted(share, 0.997))
    first, last = BIN_CENTRES[low] - 0.03, BIN_CENTRES[high] + 0.03
    top = float(seconds.max())

    def across(ln_m: float) -> float:
        return LEFT + (ln_m - first) / (last - first) * (WIDTH - LEFT - 20)

    def up(value: float) -> float:
        return HEIGHT - BOTTOM - value / top * (HEIGHT - BOTTOM - 70)

    bar = BIN_WIDTH / (last - first) * (WIDTH - LEFT - 20)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" font-family="sans-serif">',
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#fbfaf6"/>',
        f'<text x="{LEFT}" y="24" font-size="17" fill="#222">{title}</text>',
    ]
    for index in range(low, high + 1):
        x, y = across(BIN_CENTRES[index]) - bar / 2, up(seconds[index])
        size = f'width="{bar:.1f}" height="{HEIGHT - BOTTOM - y:.1f}"'
        parts.append(f'<rect x="{x:.1f}" y="{y:.1f}" {size} fill="#8a9a8c"/>')
    curve = smoothed(seconds)
    shown = range(low, high + 1)
    points = " ".join(f"{across(BIN_CENTRES[i]):.1f},{up(curve[i]):.1f}" for i in shown)
    parts.append(f'<polyline points="{points}" fill="none" stroke="#30493a" stroke-width="1.5"/>')
    for row, (line, cog) in enumerate(zip(lines, teeth.cogs, strict=True)):
        x, y = across(float(line)), 44 + 15 * (row % 2)
        parts.append(f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{y}" y2="{HEIGHT - BOTTOM}" stroke="#7a2e12"/>')
        label = f"{math.exp(line):.2f} m: {teeth.chainring}/{cog}"
        parts.append(f'<text x="{x + 3:.1f}" y="{y + 10}" font-size="12" fill="#7a2e12">{label}</text>')
    for cog in COGS:
        ln_m = math.log(teeth.chainring / cog * teeth.wheel_m)
        if first < ln_m < last:
            x, y = across(ln_m), HEIGHT - BOTTOM + 14
            parts.append(
                f'<line x1="{x:.1f}" x2="{x:.1f}" y1="76" y2="{y}" stroke="#555" stroke-dasharray="2 4"/>'
                f'<text x="{x:.1f}" y="{y + 14}" font-size="12" text-anchor="middle" fill="#333">{cog}</text>'
            )
    axis = f"cog, behind {teeth.chainring} teeth on a wheel of {teeth.wheel_m:.3f} m"
    parts.append(f'<text x="{LEFT}" y="{HEIGHT - 38}" font-size="13" fill="#333">{axis}</text>')
    for metres in range(1, 13):
        if first < math.log(metres) < last:
            x = across(math.log(metres))
            parts.append(f'<text x="{x:.1f}" y="{HEIGHT - 14}" font-size="12" fill="#333">{metres} m</text>')
    parts.append(f'<text x="4" y="{up(top) + 4:.1f}" font-size="12" fill="#333">{top:.0f} s</text></svg>')
    return "\n".join(parts)


def main() -> None:
    corpus, out = Path(os.environ["GRITLEDGER_CORPUS"]), Path(sys.argv[1])
    out.mkdir(parents=True, exist_ok=True)
    for file in sorted((corpus / "fit").glob("*.fit")):
        try:
            histogram = gear_histogram(read(file.read_bytes(), file.name))
        except UnreadableFile as trouble:
            print(trouble)
            continue
        if histogram is None or histogram.gears_held < 4:
            print(f"{file.name}: no comb")
            continue
        lines = gears_seen(np.bincount(histogram.bins, histogram.seconds, BINS))
        teeth = nearest_teeth(lines, np.bincount(histogram.bins, histogram.seconds, BINS))
        (out / f"{file.stem}.svg").write_text(svg(file.stem, histogram, lines, teeth))
        print(f"\n{file.name}: {sum(histogram.seconds)} s of steady pedalling, speed noise {histogram.noise}")
        wheel = f"{teeth.chainring} teeth, wheel {teeth.wheel_m:.3f} m"
        print(f"  {wheel}, lines off by {teeth.miss:.2%} (rms by time)")
        for line, cog in zip(lines, teeth.cogs, strict=True):
            gear_m = teeth.chainring / cog * teeth.wheel_m
            print(f"  {math.exp(line):6.3f} m   {teeth.chainring}/{cog} = {gear_m:6.3f} m"
                  f"   {math.exp(line) / gear_m - 1:+.2%}")  # fmt: skip
        steps = zip(itertools.pairwise(lines), itertools.pairwise(teeth.cogs), strict=True)
        for (shorter, longer), (larger, smaller) in steps:
            print(f"  step {math.exp(longer - shorter):.4f}   {larger}/{smaller} = {larger / smaller:.4f}")


if __name__ == "__main__":
    main()
