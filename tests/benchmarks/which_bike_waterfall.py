"""Why was a ride put on the wrong bike? Its clues in log-odds, one step each, as a picture.

    python -m tests.benchmarks.which_bike_waterfall FOLDER --kind solo7 --seed 570056 [--rides 140]
        [--answers 20] [--in-groups] [--of 17 23]

Answers a household made without reading the judge, as `.which_bike_elsewhere` makes them, then draws each
ride that was decided wrong (or those of `--of`, by their place in time): what each clue said for the bike
that was named against the bike that it was. The steps end where the stated odds stand, and that is checked.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from xml.sax.saxutils import escape

from ingest.bikes.judge import Judgement, Verdict, judge
from rules.units import SI, said
from rules.vocabulary import BikeId
from tests.benchmarks.which_bike import SLIPS, Answering, Told
from tests.benchmarks.which_bike_compared import told
from tests.bike_households import KINDS

ROW, LEFT, WIDE, SENTENCE_FROM = 24, 170, 360, 560  # [px]
WORTH_A_ROW = 0.05  # log-odds; smaller clues share one row


@dataclass(frozen=True, slots=True)
class Step:
    """One clue. weight: log-odds for the bike that was named over the other."""

    clue: str
    weight: float
    sentence: str


def steps(judgement: Judgement, ride: int, named: BikeId | None, other: BikeId | None) -> list[Step]:
    """What each clue says for one bike against another, the loudest first, small ones together.

    They add up to ln of how the two probabilities compare.
    Raises AssertionError where they do not, or where one of the two cannot have been on that ride.
    """
    found = judgement.assignment(ride)
    every = []
    for clue in dict.fromkeys(one.clue for one in found.evidence):
        weight = found.weight(clue, named) - found.weight(clue, other)
        about = [e for e in found.evidence if e.clue is clue and e.bike in (named, other) and e.weight]
        about.sort(key=lambda e: abs(e.weight))
        loudest = {e.bike: e.sentence for e in about}
        every.append(Step(clue.value, weight, said(" / ".join(loudest.values()), SI)))
    assert all(math.isfinite(one.weight) for one in every), "one of the two cannot have been on that ride"
    odds = found.probabilities[named] / max(found.probabilities[other], 1e-300)
    assert abs(sum(one.weight for one in every) - math.log(odds)) < 1e-6, "the clues do not add up"
    loud = sorted((s for s in every if abs(s.weight) >= WORTH_A_ROW), key=lambda s: -abs(s.weight))
    small = sum(one.weight for one in every) - sum(one.weight for one in loud)
    return [*loud, Step("all others", small, "")] if abs(small) >= WORTH_A_ROW / 10 else loud


def picture(title: Sequence[str], shown: Sequence[Step]) -> str:
    """The steps as SVG: each begins where the one above it ended; a line at even odds."""
    ends = [0.0]
    for one in shown:
        ends.append(ends[-1] + one.weight)
    low, high = min(ends), max(ends)
    scale = WIDE / max(high - low, 1.0)
    top = 22 * len(title) + 14
    height = top + ROW * (len(shown) + 1) + 24
    even = LEFT + (0.0 - low) * scale
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="1800" height="{height}" '
        'font-family="sans-serif" font-size="13"><rect width="100%" height="100%" fill="white"/>'
    ]
    parts += [f'<text x="10" y="{22 * n + 22}">{escape(line)}</text>' for n, line in enumerate(title)]
    parts.append(
        f'<line x1="{even:.1f}" x2="{even:.1f}" y1="{top}" y2="{height - 24}" stroke="black" '
        'stroke-dasharray="2 3"/>'
    )
    total = Step("together", ends[-1], "")
    for row, (one, begin) in enumerate([*zip(shown, ends[:-1], strict=True), (total, 0.0)]):
        y, end = top + ROW * row, begin + one.weight
        x = LEFT + (min(begin, end) - low) * scale
        fill = "#333" if one is total else "#b0603a" if one.weight > 0 else "#3a78b0"
        width = max(abs(one.weight) * scale, 1.0)
        parts.append(f'<text x="{LEFT - 8}" y="{y + 16}" text-anchor="end">{escape(one.clue)}</text>')
        parts.append(f'<rect x="{x:.1f}" y="{y + 4}" width="{width:.1f}" height="{ROW - 8}" fill="{fill}"/>')
        words = escape(f"{one.weight:+.2f}  {one.sentence}")
        parts.append(f'<text x="{SENTENCE_FROM}" y="{y + 16}" font-size="11">{words}</text>')
    return "\n".join([*parts, "</svg>"])


def _draw(house: Told, rider: Answering, judgement: Judgement, ride: int, to: Path) -> str:
    """Writes one picture; its first line."""
    names: dict[BikeId | None, str] = {bike.id: bike.name for bike in house.household.bikes}
    names[None] = "none of ours"
    verdict, truth = judgement.assignment(ride), house.truth[ride]
    named = verdict.leader if verdict.leader != truth else verdict.runner_up
    sensors = {one.identity for one in house.rides[ride].sensors}
    heard = [
        f"{names[bike]}{'' if bike == house.truth[i] else ' (a slip)'}"
        for i, bike in sorted(rider.answers.items())
        if sensors & {one.identity for one in house.rides[i].sensors}
    ]
    first = (
        f"ride {ride}, {house.rides[ride].started_at:%-d %b %Y}: it was {names[truth]}; "
        f"{verdict.verdict.value}, {names[verdict.leader]} {verdict.probability:.3f}"
    )
    title = (
        first,
        f"its sensors: {', '.join(sorted(sensors)) or 'none'}; answers on them: {', '.join(heard) or 'none'}",
        f"orange: for {names[named]}; blue: for {names[truth]}",
    )
    to.write_text(picture(title, steps(judgement, ride, named, truth)), encoding="utf-8")
    return first


def main() -> None:
    """Answers a household and draws what was decided wrong."""
    plain = argparse.RawTextHelpFormatter
    options = argparse.ArgumentParser(description=__doc__, formatter_class=plain)
    options.add_argument("folder", type=Path)
    options.add_argument("--kind", choices=KINDS, required=True)
    options.add_argument("--seed", type=int, required=True)
    options.add_argument("--rides", type=int, default=140)
    options.add_argument("--answers", type=int, default=20)
    options.add_argument("--in-groups", action="store_true")
    options.add_argument("--slips", type=float, default=SLIPS)
    options.add_argument("--of", type=int, nargs="+", help="these rides, by their place in time")
    asked = options.parse_args()
    house = told(asked.kind, asked.seed, asked.rides)
    rider = Answering(house, asked.seed, in_groups=asked.in_groups, slips=asked.slips)
    rider.until(asked.answers)
    judgement = judge(house.rides, house.household, rider.answers, said_at=rider.said_at)
    wrong = [
        i
        for i, truth in enumerate(house.truth)
        if i not in rider.answers
        and judgement.said(i).verdict is not Verdict.ASK
        and judgement.said(i).bike != truth
    ]
    asked.folder.mkdir(parents=True, exist_ok=True)
    for ride in asked.of or wrong:
        to = asked.folder / f"{asked.kind} {asked.seed} ride {ride}.svg"
        print(_draw(house, rider, judgement, ride, to), f"-> {to}", sep="\n  ")
    print(f"{len(wrong)} decided wrong after {rider.acts} answers")


if __name__ == "__main__":
    main()
