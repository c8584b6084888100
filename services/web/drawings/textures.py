"""The textures that mean the same everywhere: what a chain was ridden through, each with its word beside it."""

from __future__ import annotations

from collections.abc import Sequence

from rules.vocabulary import Condition
from services.web.drawings.svg import TEXT, safe, short, text_width

# In the order in which conditions are stacked and listed.
CONDITIONS = (
    Condition.DRY,
    Condition.DUSTY,
    Condition.DAMP,
    Condition.WET,
    Condition.MUDDY,
    Condition.UNKNOWN,
)

# Even stipple reads as a grid, so the dots of a tile are set by hand, none near another.
_DOTS = (
    (1.6, 2.1, 1.0),
    (6.3, 1.0, 0.8),
    (10.4, 3.9, 1.0),
    (4.1, 6.0, 0.9),
    (8.3, 8.2, 0.8),
    (1.3, 9.6, 0.8),
    (5.2, 10.6, 1.0),
)
_TILE = 12
_QUESTION = "M2.6 3.6a2 2 0 1 1 2.7 1.9q-.8.4-.8 1.5"

PITCH, OUTER, INNER = 20, 9.5, 7.5  # pin to pin; half heights of the plates
LINKS_WIDE, LINKS_NARROW = 31, 13  # pitches up to the limit: odd, so that both ends are outer plates
OVER_WIDE, OVER_NARROW = 4, 2  # pitches there is room for past it


def paint(condition: Condition) -> str:
    """The paint of a condition's texture, for a fill or a stroke."""
    return f"url(#on-{condition.value})"


def textures() -> str:
    """What must stand once on every page with drawings: the textures and the links of a chain, as definitions."""
    return (
        '<svg class="drawing-defs" width="0" height="0" aria-hidden="true" focusable="false"><defs>'
        + "".join(_pattern(condition) for condition in CONDITIONS)
        + _links("wide", LINKS_WIDE, OVER_WIDE)
        + _links("narrow", LINKS_NARROW, OVER_NARROW)
        + "</defs></svg>"
    )


def _pattern(condition: Condition) -> str:
    size, turn, marks = _TILE, "", ""
    if condition is Condition.DUSTY:
        marks = "".join(f'<circle cx="{x}" cy="{y}" r="{r}" class="dot"/>' for x, y, r in _DOTS)
    elif condition is Condition.WET:
        size, turn, marks = 5, "rotate(32)", '<path d="M0 0h2.1v5h-2.1z" class="hatch"/>'
    elif condition is Condition.DAMP:
        size, turn, marks = 10, "rotate(32)", '<path d="M0 0h1.3v10h-1.3z" class="hatch"/>'
    elif condition is Condition.MUDDY:
        size, turn, marks = 6, "rotate(45)", '<path d="M0 0h1.9v6h-1.9zM0 0h6v1.9h-6z" class="hatch"/>'
    elif condition is Condition.UNKNOWN:
        size = 8
        marks = (
            f'<path d="{_QUESTION}" class="question"/><circle cx="4.5" cy="8" r=".7" class="question-dot"/>'
        )
    turned = f' patternTransform="{turn}"' if turn else ""
    height = 10 if condition is Condition.UNKNOWN else size
    return (
        f'<pattern id="on-{condition.value}" class="on-{condition.value}" width="{size}" height="{height}" '
        f'patternUnits="userSpaceOnUse"{turned}><path d="M0 0h{size}v{height}h-{size}z" class="ground"/>{marks}</pattern>'
    )


def plate(index: int) -> str:
    """The outline of one plate, waisted, from pin `index` to the next; even ones are outer plates."""
    half = INNER if index % 2 else OUTER
    left, right = index * PITCH, (index + 1) * PITCH
    waist = short(half * 0.3)
    return (
        f"M{left} {-half}A{half} {half} 0 0 0 {left} {half}Q{left + PITCH / 2:g} {waist} {right} {half}"
        f"A{half} {half} 0 0 0 {right} {-half}Q{left + PITCH / 2:g} -{waist} {left} {-half}z"
    )


def plates(first: int, last: int) -> str:
    """Plates from one pin to another, the inner ones behind the outer, as two paths."""
    inner = "".join(plate(i) for i in range(first, last) if i % 2)
    outer = "".join(plate(i) for i in range(first, last) if not i % 2)
    return f'<path d="{inner}"/><path d="{outer}"/>'


def pins(first: int, last: int) -> str:
    """Pins from one to another, both included."""
    return f'<path class="pins" d="M{first * PITCH} 0{f"m0 0h.01m{PITCH} 0" * (last - first)}h.01"/>'


def _links(name: str, links: int, over: int) -> str:
    """Two shapes of a chain: the links up to the limit, and a clip of these and of what runs past them."""
    every = "".join(plate(i) for i in range(links + over))
    return (
        f'<g id="links-{name}">{plates(0, links)}</g><g id="pins-{name}">{pins(0, links)}</g>'
        f'<clipPath id="in-links-{name}"><path d="{every}"/></clipPath>'
    )


def legend(words: Sequence[Condition | str] = CONDITIONS, *, marks: Sequence[str] = ()) -> str:
    """The textures with their words, and the marks (drip, immersion, …) with theirs, as a line that wraps.

    words: conditions, or their words.  marks: of `drawings.marks.MARKS`.
    """
    from services.web.drawings.marks import MARKS

    keys = [_key(Condition(word)) for word in words]
    for name in marks:
        keys.append(
            f'<li><svg class="key" width="16" height="16" viewBox="-8 -8 16 16" aria-hidden="true">'
            f"{MARKS[name]}</svg>{safe(name)}</li>"
        )
    return f'<ul class="drawing-legend">{"".join(keys)}</ul>'


def _key(condition: Condition) -> str:
    return (
        '<li><svg class="key" width="34" height="20" viewBox="-1 -1 34 20" aria-hidden="true">'
        f'<path class="swatch" d="M9 0h14a9 9 0 0 1 0 18h-14a9 9 0 0 1 0-18z" fill="{paint(condition)}"/>'
        f"</svg>{safe(condition.value)}</li>"
    )
