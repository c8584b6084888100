"""A chain as a strip of links that fills, in order, with what it went through since it was last cleaned."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, tzinfo
from typing import NamedTuple

from rules import reasons
from rules.contamination import CLEARS_SINCE_IMMERSION, ChainHistory
from rules.dates_and_numbers import day, number
from rules.vocabulary import Condition, Treatment, TreatmentKind
from services.web.drawings.care_marks import mark
from services.web.drawings.svg import at_both_widths, boxed, drawn, label, line, short
from services.web.drawings.textures import (
    LINKS_NARROW,
    LINKS_WIDE,
    OUTER,
    OVER_NARROW,
    OVER_WIDE,
    PITCH,
    paint,
    pins,
    plates,
)

LEFT = 26.0  # room for the bath before the first link
MIDDLE, HEIGHT = 30.0, 47.0
DROP_APART = 10.0
RENEWS = (TreatmentKind.DRIP, TreatmentKind.OIL)


class Stretch(NamedTuple):
    """Riding under one condition, without a break by another."""

    condition: Condition
    grit_h: float


class Dripped(NamedTuple):
    """Film renewed after so many grit-hours since the last immersion."""

    grit_h: float
    treatment: Treatment


class Since(NamedTuple):
    """What a chain went through since it was last cleaned."""

    cleaned: Treatment | None  # None = never noted
    stretches: tuple[Stretch, ...]
    drips: tuple[Dripped, ...]

    @property
    def grit_h(self) -> float:
        """All of it."""
        return sum(stretch.grit_h for stretch in self.stretches)


def since_cleaned(history: ChainHistory) -> Since:
    """What has this chain been through since its last immersion (a wet-lube chain: clean), in order?"""
    cleaned, entries = reasons.since(history.entries, CLEARS_SINCE_IMMERSION)
    stretches: list[Stretch] = []
    drips: list[Dripped] = []
    for entry in entries:
        if entry.exposure is not None:
            condition, grit_h = entry.exposure.condition, entry.exposure.dirt_h
            if grit_h <= 0.0:
                continue
            if stretches and stretches[-1].condition is condition:
                stretches[-1] = Stretch(condition, stretches[-1].grit_h + grit_h)
            else:
                stretches.append(Stretch(condition, grit_h))
        elif isinstance(entry.fact, Treatment) and entry.fact.kind in RENEWS:
            drips.append(Dripped(entry.since_immersion.grit_h, entry.fact))
    return Since(cleaned, tuple(stretches), tuple(drips))


def chain_strip(
    history: ChainHistory, limit: float, *, uid: str, name: str = "the chain", zone: tzinfo = UTC
) -> str:
    """How full of grit is this chain, and of which, in order? Markup.

    limit: grit-hours at which it is to be immersed again; the strip's end, where a tick stands, which a
    fuller chain runs past.  uid: unique on the page.  zone: of the dates in titles.
    Raises ValueError unless limit > 0, and for a uid that is no name.
    """
    if not limit > 0.0:
        raise ValueError(f"a strip needs a limit above 0 grit-hours, not {limit}")
    since = since_cleaned(history)
    title = f"{name}: {number(since.grit_h)} of {number(limit)} grit-hours since {_start(since, zone)}"
    told = _told(since, zone)
    return at_both_widths(
        uid, lambda own, css, _: _strip(since, limit, own, css, title, told, zone), css="strip"
    )


def _start(since: Since, zone: tzinfo) -> str:
    if since.cleaned is None:
        return "its first ride; no immersion is noted"
    return f"the {since.cleaned.kind.value} of {day(since.cleaned.done_at, zone)}"


def _told(since: Since, zone: tzinfo) -> str:
    """The strip in words, in order."""
    events: list[tuple[float, str]] = []
    at = 0.0
    for stretch in since.stretches:
        events.append((at, f"{number(stretch.grit_h)} {stretch.condition.value}"))
        at += stretch.grit_h
    events += [
        (drip.grit_h - 1e-9, f"{drip.treatment.kind.value} on {day(drip.treatment.done_at, zone)}")
        for drip in since.drips
    ]
    told = ", then ".join(text for _, text in sorted(events, key=lambda event: event[0]))
    return f"In order: {told}." if told else "Not ridden since."


def _reach(css: str) -> tuple[int, int, float, float]:
    """Links to the limit, links past it, the strip's length to the limit, and with those past it."""
    links, over = (LINKS_WIDE, OVER_WIDE) if css == "wide" else (LINKS_NARROW, OVER_NARROW)
    full = links * PITCH + 2 * OUTER
    return links, over, full, full + over * PITCH


def _strip(since: Since, limit: float, uid: str, css: str, title: str, told: str, zone: tzinfo) -> str:
    links, over, full, most = _reach(css)
    fills, cuts, at = [], [], 0.0
    for stretch in since.stretches:
        left = at / limit * full
        if left >= most:
            break
        at += stretch.grit_h
        right = min(at / limit * full, most)
        box = boxed(left - OUTER, -OUTER - 0.5, right - left, 2 * OUTER + 1)
        fills.append(f'<path d="{box}" fill="{paint(stretch.condition)}"/>')
        cuts.append(f"M{short(right - OUTER)} {-OUTER}v{2 * OUTER:g}")
    cut = f'<path class="cut" d="{"".join(cuts[:-1])}"/>'
    past = ""
    shown = min(over, max(0, -int((full - since.grit_h / limit * full) // PITCH)))
    shown += shown % 2  # a chain ends in an outer plate
    if shown:
        past = f'<g class="link-outline">{plates(links, links + shown)}{pins(links + 1, links + shown)}</g>'
    end = links * PITCH + OUTER + 1
    runs_out = label(most - OUTER + 2, 4, "→", css="figure") if since.grit_h / limit * full > most else ""
    return drawn(
        uid,
        css,
        LEFT + most + 14,
        HEIGHT,
        title,
        told,
        _bath(since, zone) + f'<g transform="translate({LEFT + OUTER:g} {MIDDLE:g})">'
        f'<use class="link-ground" href="#ground-{css}"/>'
        f'<g clip-path="url(#in-links-{css})">{"".join(fills)}{cut}</g>'
        f'<use class="link-outline" href="#links-{css}"/>{past}'
        f"{line(end, -16, end, 16, 'limit')}"
        f"{runs_out}{_drops(since.drips, limit, full, most, zone)}</g>",
    )


def _bath(since: Since, zone: tzinfo) -> str:
    if since.cleaned is None:
        return ""
    kind, when = since.cleaned.kind, day(since.cleaned.done_at, zone)
    return mark(kind, 11, MIDDLE, f"{kind.value}, {when}")


def _drops(drips: Sequence[Dripped], limit: float, full: float, most: float, zone: tzinfo) -> str:
    """A drop over the place of each drip; drips at one place share a drop and are counted."""
    placed: list[tuple[float, list[Dripped]]] = []
    for drip in drips:
        x = drip.grit_h / limit * full - OUTER
        if x > most - OUTER:
            break  # it fell where the drawing ends; the description tells of it
        if placed and x - placed[-1][0] < DROP_APART:
            placed[-1][1].append(drip)
        else:
            placed.append((x, [drip]))
    shapes = []
    for x, here in placed:
        days = ", ".join(
            f"{one.treatment.kind.value}, {day(one.treatment.done_at, zone)}, "
            f"after {number(one.grit_h)} grit-hours"
            for one in here
        )
        shapes.append(mark(here[0].treatment.kind, max(x, 4 - OUTER), -18, days))
        if len(here) > 1:
            shapes.append(label(max(x, 4 - OUTER) + 6, -14, f"×{len(here)}", css="figure"))
    return "".join(shapes)
