"""The small marks of care: each stands at the origin, about 12 units high, and has a word in the legend."""

from __future__ import annotations

from collections.abc import Mapping

from rules.vocabulary import TreatmentKind
from services.web.drawings.svg import safe, short

_DROP_SHAPE = "M0-6.5C2.2-3 4-1 4 1.8a4 4 0 0 1-8 0C-4-1-2.2-3 0-6.5z"
_TUB = '<path class="mark-line" d="M-7.5-4.5v6q0 4 4 4h7q4 0 4-4v-6"/>'
_DROP = f'<path class="mark-drop" d="{_DROP_SHAPE}"/>'
_OIL = f'<path class="mark-open" d="{_DROP_SHAPE}"/>'
_BATH = f'{_TUB}<path class="mark-fine" d="M-5.4-.6q1.35-2.2 2.7 0t2.7 0 2.7 0 2.7 0"/>'
_CLEAN = f'{_TUB}<path class="mark-bubble" d="M-3-5h.01M2.2-3h.01M-1.6.6h.01"/>'
_STRIP = '<path class="mark-line" d="M-2.2-6.5h4.4M-1.2-6.5v4.5l-4.3 7.5h11l-4.3-7.5v-4.5M-3.6 2h7.2"/>'
_RAG = '<path class="mark-open" d="M-6.5-6h13v9l-3.5 3.5h-9.5zM6.5 3h-3.5v3.5"/>'

BY_KIND: Mapping[TreatmentKind, str] = {
    TreatmentKind.DRIP: _DROP,
    TreatmentKind.OIL: _OIL,
    TreatmentKind.IMMERSION: _BATH,
    TreatmentKind.CLEAN: _CLEAN,
    TreatmentKind.STRIP: _STRIP,
    TreatmentKind.WIPE: _RAG,
}

_RAG_NAME = "wipe test"


def grade_text(grade: int) -> str:
    """The grade of a wipe test, to stand on its rag."""
    return f'<text class="on-rag" x="-.6" y="3.6" text-anchor="middle">{grade:d}</text>'


def definitions() -> str:
    """Every mark once, for others to use."""
    shapes = {**{kind.value: shape for kind, shape in BY_KIND.items()}, _RAG_NAME: _RAG}
    return "".join(f'<g id="mark-{_id(name)}">{shape}</g>' for name, shape in shapes.items())


def use_of(name: str) -> str:
    """A mark by its word, at the origin."""
    return f'<use href="#mark-{_id(name)}"/>'


def _id(name: str) -> str:
    return name.replace(" ", "-")


def mark(kind: TreatmentKind, x: float, y: float, title: str) -> str:
    """The mark of a treatment at a place, with its title."""
    return (
        f'<g class="mark" transform="translate({short(x)} {short(y)})">'
        f"<title>{safe(title)}</title>{use_of(kind.value)}</g>"
    )
