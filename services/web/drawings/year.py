"""A bike's year cared for in several ways: hands on one lane, wear on the other."""

from __future__ import annotations

from collections.abc import Sequence

from rules.year.another_way import Lived
from services.web.drawings.scales import ticks
from services.web.drawings.svg import at_both_widths, dot, drawn, label, line, safe, text_width

NAMES_WIDE, GAP, RIGHT = 190.0, 34.0, 14.0
TOP, ROW = 40.0, 24.0
WEAR_SHOWN = 3.0  # times the wear by the limits; an interval that goes on says so by its words
FEWEST_WEAR_TICKS = 1.5


def ways_of_a_year(ways: Sequence[Lived], *, uid: str, name: str) -> str:
    """What would each way of caring have taken of hands, and of the chain? Markup; the limits' own way first.

    A point with a line through it: the middle, and four chances out of five. Dashed: the first way.
    """
    own = ways[0]
    most_h = max(one.minutes[2] for one in ways) / 60.0
    most_wear = min(WEAR_SHOWN, max(FEWEST_WEAR_TICKS, *(one.wear[2] for one in ways)))
    hands = [[minutes / 60.0 for minutes in one.minutes] for one in ways]
    worn = [[100.0 * wear for wear in one.wear] for one in ways]
    told = "; ".join(_words(one, first=one is own) for one in ways) + "."

    def draw(uid_drawn: str, css: str, width: int) -> str:
        wide = css == "wide"
        left, row = (NAMES_WIDE, ROW) if wide else (8.0, ROW + 6.0)
        lane = (width - left - GAP - RIGHT) / 2.0
        base = TOP + row * len(ways)
        body: list[str] = []
        for start, axis, spans, unit in (
            (left, ticks(most_h, 4), hands, "h of hands in the year"),
            (left + lane + GAP, ticks(100.0 * most_wear, 3), worn, "% of the wear"),
        ):
            step = lane / axis[-1]
            body.append(label(start, 12, unit))
            body += [
                line(start + at * step, TOP - 10, start + at * step, base, "grid" if at else "axis")
                for at in axis
            ]
            body += [
                label(start + at * step, TOP - 14, f"{at:g}", anchor="middle" if at else "start")
                for at in axis
            ]
            before = start + spans[0][1] * step
            body.append(line(before, TOP - 10, before, base, "wear-limit"))
            for place, (one, span) in enumerate(zip(ways, spans, strict=True)):
                at = TOP + row * place + (8.0 if wide else 18.0)
                shown = [start + min(value, axis[-1]) * step for value in span]
                body.append(
                    f'<g class="reading" data-value="{span[1]:.3g}" data-unit="{unit}">'
                    f"<title>{safe(_words(one, first=one is own))}</title>"
                    f"{line(shown[0], at, shown[2], at, 'interval')}{dot(shown[1], at)}</g>"
                )
        for place, one in enumerate(ways):
            words = one.way.name
            while text_width(words) > (left if wide else width) - 8:
                words = words[:-2].rstrip() + "…"
            body.append(
                label(
                    0 if wide else left,
                    TOP + row * place + (12.0 if wide else 10.0),
                    words,
                    css="figure over",
                )
            )
        return drawn(uid_drawn, css, width, base + 6, f"Ways of caring for {name}", told, "".join(body))

    return at_both_widths(uid, draw, css="ways")


def _words(one: Lived, *, first: bool) -> str:
    low, middle, high = (f"{minutes / 60.0:.1f}" for minutes in one.minutes)
    wear = "" if first else f", {100 * one.wear[0]:.0f} to {100 * one.wear[2]:.0f} % of the wear"
    return f"{one.way.name}: {middle} h of hands ({low} to {high}){wear}"
