"""SVG as text: escaping, short numbers, names for screen readers, and two widths of one drawing."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from html import escape

WIDE, NARROW = 744, 344  # user units; each is shown at about one CSS pixel per unit
LETTER = 0.56  # mean advance of a letter as a share of the font size, of the widest usual sans serif
TEXT = 12.0  # font size of labels

_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_-]*")
# What XML cannot hold even when escaped: control characters, halves of characters, two noncharacters.
_UNHOLDABLE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")


def safe(text: str) -> str:
    """The text as content or attribute of an element, whatever it holds."""
    return escape(_UNHOLDABLE.sub("�", text))


def short(value: float) -> str:
    """A coordinate to a tenth of a unit, without a tail of zeros."""
    return f"{value:.1f}".removesuffix(".0")


def known_name(uid: str) -> str:
    """The name that a drawing's ids start with. Raises ValueError if it would not do as one."""
    if not _NAME.fullmatch(uid):
        raise ValueError(f"{uid!r} cannot start an id: give letters, digits, '-' and '_', a letter first.")
    return uid


def drawn(uid: str, css: str, width: float, height: float, title: str, description: str, body: str) -> str:
    """One SVG image with its name and its description, scaling with its box."""
    return (
        f'<svg class="{css}" viewBox="0 0 {short(width)} {short(height)}" role="img" '
        f'aria-labelledby="{uid}-t" aria-describedby="{uid}-d">'
        f'<title id="{uid}-t">{safe(title)}</title><desc id="{uid}-d">{safe(description)}</desc>{body}</svg>'
    )


def at_both_widths(uid: str, draw: Callable[[str, str, int], str], css: str = "") -> str:
    """A figure that holds the drawing twice, for a wide and for a narrow box; the style sheet shows one.

    draw: given the uid, the class and the width, gives the SVG. Text keeps its size at both.
    """
    known_name(uid)
    return (
        f'<div class="drawing{css and " "}{css}">{draw(uid + "-w", "wide", WIDE)}'
        f"{draw(uid + '-n', 'narrow', NARROW)}</div>"
    )


def text_width(text: str) -> float:
    """About how wide a label is, on the generous side."""
    return len(text) * TEXT * LETTER


def label(x: float, y: float, text: str, *, anchor: str = "start", css: str = "") -> str:
    """A line of text; anchor: start, middle or end."""
    anchored = "" if anchor == "start" else f' text-anchor="{anchor}"'
    named = f' class="{css}"' if css else ""
    return f'<text x="{short(x)}" y="{short(y)}"{anchored}{named}>{safe(text)}</text>'


def line(x1: float, y1: float, x2: float, y2: float, css: str) -> str:
    """A straight line."""
    return f'<path class="{css}" d="M{short(x1)} {short(y1)}L{short(x2)} {short(y2)}"/>'


def rows(places: Iterable[tuple[float, float, str]], left: float, right: float) -> list[str]:
    """Lines across, each with its words to the left; the one at 0 is the axis. places: value, y and words."""
    shapes = []
    for value, y, words in places:
        shapes.append(line(left, y, right, y, "axis" if value == 0.0 else "grid"))
        shapes.append(label(left - 5, y + 4, words, anchor="end"))
    return shapes


def boxed(x: float, y: float, width: float, height: float) -> str:
    """The piece of a path that goes round a rectangle."""
    return f"M{short(x)} {short(y)}h{short(width)}v{short(height)}h{short(-width)}z"


def dot(x: float, y: float, css: str = "point") -> str:
    """A round point; its class gives the size, as the width of a round-capped stroke."""
    return f'<path class="{css}" d="M{short(x)} {short(y)}h.01"/>'


def joined(places: Iterable[tuple[float, float] | None]) -> str:
    """The path data of straight lines from place to place, each told from the one before; None = a gap."""
    steps, at = [], None
    for place in places:
        here = None if place is None else (round(10 * place[0]), round(10 * place[1]))
        if here is not None:
            across, down = (
                short((there - then) / 10) for there, then in zip(here, at or (0, 0), strict=True)
            )
            steps.append(f"{'M' if at is None else 'l'}{across}{'' if down[0] == '-' else ' '}{down}")
        at = here
    return "".join(steps)
