"""The textures that mean the same everywhere, each with its word, and the links of a chain."""

from __future__ import annotations

from rules.vocabulary import Condition
from services.web.drawings.care_marks import definitions
from services.web.drawings.svg import safe, short

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
_QUESTION = "M2.4 3.9a2.6 2.6 0 1 1 3.6 2.4q-1 .5-1 1.9"

PITCH, OUTER, INNER = 26, 10.0, 8.0  # pin to pin; half heights of the plates
WAIST = 0.4  # pull of the waist: 1 = none
HIDDEN = 0.335  # share of an inner plate, from each pin, that lies behind an outer plate
LINKS_WIDE, LINKS_NARROW = 23, 9  # pitches up to the limit: odd, so that both ends are outer plates
OVER_WIDE, OVER_NARROW = 4, 2  # pitches there is room for past it: even, for the same reason


def paint(condition: Condition) -> str:
    """The paint of a condition's texture, for a fill or a stroke."""
    return f"url(#on-{condition.value})"


def textures() -> str:
    """What must stand once on every page with drawings: textures and links, as definitions."""
    return (
        '<svg class="drawing-defs" width="0" height="0" aria-hidden="true" focusable="false"><defs>'
        + "".join(_pattern(condition) for condition in CONDITIONS)
        + definitions()
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
        size = 11
        marks = f'<path d="{_QUESTION}" class="question"/><path d="M5 9.9h.01" class="question"/>'
    turned = f' patternTransform="{turn}"' if turn else ""
    ground = f'<path d="M0 0h{size}v{size}h-{size}z" class="ground"/>'
    name = f"on-{condition.value}"
    return (
        f'<pattern id="{name}" class="{name}" width="{size}" height="{size}" '
        f'patternUnits="userSpaceOnUse"{turned}>{ground}{marks}</pattern>'
    )


def plate(index: int) -> str:
    """The outline of one plate, waisted, from pin `index` to the next; even ones are outer plates."""
    half = INNER if index % 2 else OUTER
    left, middle, right = index * PITCH, (index + 0.5) * PITCH, (index + 1) * PITCH
    waist = short(half * WAIST)
    return (
        f"M{left} {-half:g}A{half:g} {half:g} 0 0 0 {left} {half:g}Q{middle:g} {waist} {right} {half:g}"
        f"A{half:g} {half:g} 0 0 0 {right} {-half:g}Q{middle:g} -{waist} {left} {-half:g}z"
    )


def _seen_of_inner(index: int) -> str:
    """The two edges of an inner plate, as far as no outer plate lies over them."""
    edges = []
    for side in (-INNER, INNER):
        points = []
        for one, other in ((HIDDEN, HIDDEN), (HIDDEN, 1 - HIDDEN), (1 - HIDDEN, 1 - HIDDEN)):
            # the blossom of a quadratic curve: the control points of a part of it
            x = (index + (one + other) / 2) * PITCH
            y = side * ((1 - one) * (1 - other) + WAIST * (one + other - 2 * one * other) + one * other)
            points.append(f"{short(x)} {short(y)}")
        edges.append(f"M{points[0]}Q{points[1]} {points[2]}")
    return "".join(edges)


def plates(first: int, last: int) -> str:
    """The plates from one pin to another, inner ones behind the outer, as one outline."""
    shapes = [_seen_of_inner(i) if i % 2 else plate(i) for i in range(first, last)]
    return f'<path d="{"".join(shapes)}"/>'


def pins(first: int, last: int) -> str:
    """Pins from one to another, both included."""
    dots = "".join(f"M{pin * PITCH} 0h.01" for pin in range(first, last + 1))
    return f'<path class="pins" d="{dots}"/>'


def _links(name: str, links: int, over: int) -> str:
    """The chain up to the limit: its ground, outline and pins; and a clip of it with what runs past."""
    every = "".join(plate(i) for i in range(links + over))
    return (
        f'<path id="ground-{name}" d="{"".join(plate(i) for i in range(links))}"/>'
        f'<g id="links-{name}">{plates(0, links)}{pins(0, links)}</g>'
        f'<clipPath id="in-links-{name}"><path d="{every}"/></clipPath>'
    )


def legend() -> str:
    """The textures with their words, as a line that wraps."""
    return f'<ul class="drawing-legend">{"".join(map(_key, CONDITIONS))}</ul>'


def _key(condition: Condition) -> str:
    return (
        '<li><svg class="key" width="34" height="20" viewBox="-1 -1 34 20" aria-hidden="true">'
        f'<path class="swatch" d="M9 0h14a9 9 0 0 1 0 18h-14a9 9 0 0 1 0-18z" fill="{paint(condition)}"/>'
        f"</svg>{safe(condition.value)}</li>"
    )
