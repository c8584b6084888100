"""The tags of a salted street against its own road sensor: wet and dry hours found, and how sure was right.

    python -m tests.benchmarks.street [FOLDER]

FOLDER, else road-state in the folder that GRITLEDGER_CORPUS names: meteorology.txt of the example input of
the road-dust model NORTRIP (github.com/metno/NORTRIP_python, input_data/text, commit 3403334, LGPL-3):
Hornsgatan, Stockholm, hourly, local time (UTC+1), -99 is missing.
It is not part of this project. Sensor over 1.5 mV is wet, under 0.5 dry, between is left out.
"""

from __future__ import annotations

import csv
import os
import sys
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from math import isnan
from pathlib import Path

import numpy as np

from ingest.ground.conditions import grounds, tag_and_witness
from ingest.ground.confidence import ROAD_STATES, Witness, confidence, road_state
from ingest.ground.thresholds import FROZEN_FROM_MM
from ingest.weather.hourly import Cell, HourlyWeather
from rules.vocabulary import ConditionTag, RideHour, Tier

HOUR = timedelta(hours=1)
EDGES = (0, 0.05, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9, 0.95, 1.01)
STREET = Cell(59.25, 18.0)
RECORD = Path(os.environ.get("GRITLEDGER_CORPUS", "no corpus")) / "road-state"
SEASONS = (("whole", range(1, 13)), ("Jul-Sep", (7, 8, 9)), ("Oct-Nov", (10, 11)), ("Dec-Jan", (12, 1)))
WARM = range(5, 10)
DRIED_AFTER_H = 12  # no film of rain lasts longer in summer
SUNLESS_WM2 = 5.0
CANYON = 0.5  # the study's own: the wind of the mast halved between the houses


@dataclass(frozen=True, slots=True)
class Found:
    """One hour: what was said, what it was."""

    month: int
    said: ConditionTag
    witness: Witness
    wet: bool

    def chance_of_wet(self, states: dict[str, tuple[int, int]]) -> float:
        """P(not dry), by the confidence of the word."""
        sure = confidence(self.witness, states=states)
        return sure if not_dry(self.said) else 1 - sure


def not_dry(tag: ConditionTag) -> bool:
    """Whether the tag's word is any but dry or dusty on paved road."""
    return (tag.paved_water or 0.0) > 0


def record(folder: Path) -> tuple[dict[datetime, HourlyWeather], dict[datetime, bool]]:
    """The street's weather by UTC hour, and its hours that were clearly wet or clearly dry."""
    weather, wet = {}, {}
    lines = (folder / "meteorology.txt").read_text(encoding="latin-1").splitlines()
    for row in list(csv.reader(lines, delimiter="\t"))[1:]:
        year, month, day, hour = (int(cell) for cell in row[:4])
        at = datetime(year, month, day, hour, tzinfo=UTC) - HOUR
        air, wind, humidity, rain, snow, sun = (_number(row[n]) for n in (4, 5, 7, 8, 9, 10))
        weather[at] = HourlyWeather(
            STREET, at, "local file", "street", Tier.FINAL, at,
            None if rain is None else rain + (snow or 0.0), None if snow is None else 0.7 * snow, air,
            humidity, None if wind is None else wind * CANYON, sun, None, None,
        )  # fmt: skip
        sensor = _number(row[12])
        if sensor is not None and not 0.5 <= sensor <= 1.5:
            wet[at] = sensor > 1.5
    return weather, wet


def _number(cell: str) -> float | None:
    value = float(cell)
    return None if isnan(value) or value == -99 else value


def judged(folder: Path) -> list[Found]:
    """Every clear hour with its tag; the roads always salted."""
    weather, wet = record(folder)
    begin, end = min(weather), max(weather) + HOUR
    stands = grounds(weather.values(), begin, end)
    found = []
    for at, was_wet in wet.items():
        hour = RideHour(at, 3000, 20000, 3600, 5.6, STREET.latitude_deg, STREET.longitude_deg, 0)
        tag, witness = tag_and_witness(hour, stands, salted_share=1.0)
        if witness is not None:
            found.append(Found((at + HOUR).month, tag, witness, was_wet))
    return found


def _in_vain(one: Found) -> bool:
    return one.month in WARM and not one.wet and not_dry(one.said)


def _why(one: Found) -> str:
    """What makes the tag's word not dry."""
    if one.witness.lies.salt_holds_water:
        return "road salt"
    if one.witness.lies.frozen_mm > FROZEN_FROM_MM:
        return "snow or ice"
    if one.witness.rain_mm:
        return "rain in the hour"
    since = next((n for n, h in enumerate(reversed(one.witness.forced_before), 1) if h.rain_mm), None)
    return "dew or fog" if since is None or since > DRIED_AFTER_H else "rain in the twelve hours before"


def score(found: Iterable[Found]) -> tuple[float, int, float, int]:
    """Share of wet hours found and their count; share of dry hours found and theirs."""
    counted = Counter((one.wet, not_dry(one.said)) for one in found)
    wet, dry = counted[True, True] + counted[True, False], counted[False, True] + counted[False, False]
    return counted[True, True] / max(1, wet), wet, counted[False, False] / max(1, dry), dry


def states_without(found: Iterable[Found], month: int | None) -> dict[str, tuple[int, int]]:
    """The table of ground.confidence counted again, one month left out."""
    hours, wet = Counter[str](), Counter[str]()
    for one in found:
        if one.month != month:
            state = road_state(one.witness)
            hours[state] += 1
            wet[state] += one.wet
    return {state: (wet[state], hours[state]) for state in ROAD_STATES}


def reliability(found: list[Found]) -> list[tuple[float, float, float, float, int]]:
    """By bins of P(wet), its month left out of the count: from, to, mean said, share found, hours."""
    left_out = {month: states_without(found, month) for month in {one.month for one in found}}
    chances = [(one.chance_of_wet(left_out[one.month]), one.wet) for one in found]
    rows = []
    for low, high in pairwise(EDGES):
        inside = [(p, wet) for p, wet in chances if low <= p < high]
        if inside:
            mean, share = (sum(column) / len(inside) for column in zip(*inside, strict=True))
            rows.append((low, high, mean, share, len(inside)))
    return rows


def road_warmth(folder: Path, month: int | None) -> tuple[int, float, float]:
    """Sunless hours, and what a road keeps and loses by a straight line through them (ground.forcing)."""
    lines = (folder / "meteorology.txt").read_text(encoding="latin-1").splitlines()
    rows = list(csv.reader(lines, delimiter="\t"))[1:]
    air, sun, road = (np.array([_number(row[n]) for row in rows], float) for n in (4, 10, 13))
    told = [air[max(0, n - 23) : n + 1] for n in range(len(air))]
    mean = np.array([np.nanmean(day) if np.isfinite(day).any() else np.nan for day in told])
    fits = np.array([int(row[1]) != month for row in rows]) & (sun < SUNLESS_WM2) & (air > 0)
    fits &= np.isfinite(mean + road)
    lasting = np.column_stack([mean - air, np.ones(len(air))])[fits]
    (keeps, offset), *_ = np.linalg.lstsq(lasting, (road - air)[fits], rcond=None)
    return int(fits.sum()), float(keeps), -float(offset)


def say(line: str = "") -> None:
    print(line, flush=True)


def main() -> None:
    """Print the tables."""
    folder = Path(sys.argv[1]) if sys.argv[1:] else RECORD
    found = judged(folder)
    say("| hours | wet found | of | dry found | of |\n|---|---|---|---|---|")
    for name, months in SEASONS:
        wet_found, wet, dry_found, dry = score(one for one in found if one.month in months)
        say(f"| {name} | {wet_found:.3f} | {wet} | {f'{dry_found:.3f}' if dry else '-'} | {dry} |")
    say("\nMay to September, dry hours that were called wet or damp, by what they were said to be")
    for why, hours in Counter(_why(one) for one in found if _in_vain(one)).most_common():
        say(f"{why}: {hours}")
    say("\n| road state | wet | hours | share |\n|---|---|---|---|")
    for state, (wet, hours) in states_without(found, None).items():
        say(f"| {state} | {wet} | {hours} | {wet / max(1, hours):.3f} |")
    left_out = {month: states_without(found, month) for month in {one.month for one in found}}
    chances = [(one.chance_of_wet(left_out[one.month]), one) for one in found]
    shares = {m: score(o for o in found if o.month == m) for m in left_out}
    base = {m: s[1] / (s[1] + s[3]) for m, s in shares.items()}
    every = sum(one.wet for one in found) / len(found)
    say("\nBrier score of P(wet), the month left out of the fit")
    say(f"this {_brier((p, o.wet) for p, o in chances):.3f}")
    say(f"the month's own share of wet hours {_brier((base[o.month], o.wet) for o in found):.3f}")
    say(f"the whole record's share {_brier((every, o.wet) for o in found):.3f}")
    say(f"always wet {_brier((1.0, o.wet) for o in found):.3f}")
    say("\n| P(wet) said | mean | found | hours |\n|---|---|---|---|")
    for low, high, mean, share, hours in reliability(found):
        say(f"| {low:.2f}-{min(high, 1):.2f} | {mean:.3f} | {share:.3f} | {hours} |")
    say("\nHow warm the road is without sun, over 0 °C, against the mean air of its last day")
    say("| month left out | hours | keeps | loses, °C |\n|---|---|---|---|")
    for month in (None, *left_out):
        hours, keeps, loses = road_warmth(folder, month)
        say(f"| {month or 'none'} | {hours} | {keeps:.2f} | {loses:.2f} |")


def _brier(pairs: Iterable[tuple[float, bool]]) -> float:
    scored = [(p - wet) ** 2 for p, wet in pairs]
    return sum(scored) / len(scored)


if __name__ == "__main__":
    main()
