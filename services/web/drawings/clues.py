"""Which bike, and why: the clues of a verdict added up, from even odds to the answer."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from rules.units import SI, Units, said
from rules.vocabulary import BikeId
from services.web.drawings.svg import LETTER, at_both_widths, drawn, label, line, safe, short

NONE_OF_OURS = "none of ours"
MOST_BIKES = 3
LEAST_WEIGHT = 0.05  # log-odds; less moves nothing that can be seen
TOP, ROW, HEAD = 30.0, 22.0, 26.0
SENTENCE_ROW = 15.0
AXIS_WIDE = 300.0  # of a wide drawing, to the left of the sentences


@dataclass(frozen=True, slots=True)
class Step:
    """One clue's say on one bike. weight: log-odds; None = it cannot have been this bike."""

    clue: str
    weight: float | None
    sentence: str


@dataclass(frozen=True, slots=True)
class Tally:
    """What the clues add up to for one bike, in log-odds against a bike of which nothing is known."""

    bike: str
    steps: tuple[Step, ...]
    total: float
    probability: float | None


def tallies(evidence: str, bikes: Mapping[BikeId, str], units: Units = SI) -> tuple[Tally, ...]:
    """The likeliest bikes of a kept verdict, best first, each with the clues that moved it, strongest first.

    evidence: a verdict's reasons as JSON, as kept with it; "" = none were noted.
    Raises ValueError for text that is no such JSON.
    """
    kept: dict[str, Any] = json.loads(evidence) if evidence else {}
    probabilities = dict(kept.get("probabilities", []))
    steps: defaultdict[int | None, list[Step]] = defaultdict(list)
    for clue in kept.get("clues", []):
        weight = clue["weight"]
        if weight is None or abs(weight) >= LEAST_WEIGHT:
            steps[clue["bike"]].append(Step(clue["clue"], weight, said(clue["sentence"], units)))
    candidates = probabilities or dict.fromkeys(steps, 0.0)
    possible = [bike for bike in candidates if all(step.weight is not None for step in steps[bike])]
    ranked = sorted(possible, key=lambda bike: -candidates[bike])
    shown = [bike for bike in ranked if bike is not None][:MOST_BIKES]
    if None in ranked[:2]:  # 'none of ours' matters only where it leads or comes next
        shown = [bike for bike in ranked if bike is None or bike in shown[: MOST_BIKES - 1]]
    return tuple(
        Tally(
            NONE_OF_OURS if bike is None else bikes.get(BikeId(bike), "another bike"),
            tuple(sorted(steps[bike], key=lambda step: -abs(step.weight or 0.0))),
            sum(step.weight or 0.0 for step in steps[bike]),
            probabilities.get(bike),
        )
        for bike in shown
    )


def clue_waterfall(evidence: str, bikes: Mapping[BikeId, str], *, uid: str, units: Units = SI) -> str:
    """Why was it this bike? Markup: from even odds, a step to the right or left per clue, to the sum.

    evidence: a verdict's reasons as JSON, as kept with it. One axis of log-odds for all bikes shown; the
    chance of each stands beside its name. Raises ValueError for text that is no such JSON.
    """
    found = tallies(evidence, bikes, units)
    if not found or not any(tally.steps for tally in found):
        return '<p class="drawing-note">No clues were noted for this ride.</p>'
    sums = [0.0]
    for tally in found:
        at = 0.0
        for step in tally.steps:
            at += step.weight or 0.0
            sums.append(at)
    low, high = min(sums), max(sums)
    room = max(high - low, 2.0) * 0.04
    told = " ".join(
        f"{tally.bike}{_chance(tally)}: "
        + "; ".join(f"{_signed(step)} {step.sentence}" for step in tally.steps)
        for tally in found
    )

    def draw(own: str, css: str, width: int) -> str:
        beside = css == "wide"
        right = AXIS_WIDE if beside else float(width) - 4
        scale = (right - (60.0 if beside else 86.0)) / (high - low + 2 * room)

        def x_of(value: float) -> float:
            return 8.0 + (value - low + room) * scale

        body: list[str] = []
        y = TOP
        for tally in found:
            body.append(label(0, y + 2, f"{tally.bike}{_chance(tally)}", css="heading"))
            y += 14.0
            at, first_y = 0.0, y
            for step in tally.steps:
                weight = step.weight or 0.0
                lines = _wrapped(
                    f"{step.clue}: {step.sentence}", width - AXIS_WIDE - 64 if beside else width - 4
                )
                body.append(_step(x_of(at), x_of(at + weight), y, step))
                at += weight
                if beside:
                    for position, text in enumerate(lines):
                        body.append(
                            label(AXIS_WIDE + 60, y + 11 + position * SENTENCE_ROW, text, css="figure")
                        )
                    following = y + max(ROW, 7 + SENTENCE_ROW * len(lines))
                else:
                    for position, text in enumerate(lines):
                        body.append(label(8, y + 29 + position * SENTENCE_ROW, text, css="figure over"))
                    following = y + 24 + SENTENCE_ROW * len(lines) + 4
                body.append(line(x_of(at), y + 14, x_of(at), following, "carried"))
                y = following
            body.append(_sum(x_of(0.0), x_of(at), y, at))
            y += HEAD
            body.insert(0, line(x_of(0.0), first_y - 4, x_of(0.0), y - 10, "even"))
            y += 10.0
        body.append(label(x_of(0.0), 11, "even odds", anchor="middle" if x_of(0.0) > 32 else "start"))
        toward = "likelier →"
        if x_of(0.0) + 34 + len(toward) * 12 * LETTER < right:
            body.append(label(right, 11, toward, anchor="end"))
        return drawn(own, css, width, y, "Which bike, clue by clue", told, "".join(body))

    return at_both_widths(uid, draw, css="clues")


def _chance(tally: Tally) -> str:
    if tally.probability is None:
        return ""
    share = tally.probability
    said = "under 1 %" if share < 0.01 else "over 99 %" if share > 0.99 else f"{share:.0%}".replace("%", " %")
    return f", {said}"


def _signed(step: Step) -> str:
    return "cannot be:" if step.weight is None else f"{step.weight:+.1f}".replace("-", "−")


def _step(start: float, end: float, y: float, step: Step) -> str:
    """A clue as a block: filled where it speaks for the bike, hollow where it speaks against it."""
    kind = "speaks-for" if end >= start else "speaks-against"
    left, width = min(start, end), max(abs(end - start), 1.0)
    return (
        f'<g class="clue" data-value="{_signed(step)}" data-unit="log-odds"><title>'
        f"{safe(f'{step.clue}: {_signed(step)} {step.sentence}')}</title>"
        f'<path class="{kind}" d="M{short(left)} {short(y)}h{short(width)}v14h{short(-width)}z"/></g>'
        + label(max(start, end) + 5, y + 11, _signed(step))
    )


def _sum(zero: float, end: float, y: float, total: float) -> str:
    return (
        f'<path class="sum" d="M{short(zero)} {short(y + 6)}H{short(end)}M{short(end)} {short(y + 1)}v10"/>'
        + label(max(zero, end) + 6, y + 10, f"{total:+.1f} in all".replace("-", "−"), css="figure")
    )


def _wrapped(text: str, width: float) -> list[str]:
    """Lines that fit, broken between words; a word that fits no line is cut."""
    most = max(8, int(width / (12.0 * LETTER)))
    lines: list[str] = []
    for word in text.split():
        cut = word if len(word) <= most else word[: most - 1] + "…"
        if lines and len(lines[-1]) + 1 + len(cut) <= most:
            lines[-1] += " " + cut
        else:
            lines.append(cut)
    return lines
