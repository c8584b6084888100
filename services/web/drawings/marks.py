"""The small marks of care: each stands at the origin, about 12 units high, and has a word in the legend."""

from __future__ import annotations

from collections.abc import Mapping

from rules.vocabulary import TreatmentKind
from services.web.drawings.svg import safe, short

_DROP = '<path class="mark-drop" d="M0-6.5C2.2-3 4-1 4 1.8a4 4 0 0 1-8 0C-4-1-2.2-3 0-6.5z"/>'
_OIL = '<path class="mark-oil" d="M0-6.5C2.2-3 4-1 4 1.8a4 4 0 0 1-8 0C-4-1-2.2-3 0-6.5z"/>'
_BATH = '<path class="mark-bath" d="M-6.5-3.5v5.5q0 3.5 3.5 3.5h6q3.5 0 3.5-3.5v-5.5"/><path class="mark-wave" d="M-6.5-.6q1.6-2 3.2 0t3.3 0 3.3 0 3.2 0"/>'
_CLEAN = '<path class="mark-bath" d="M-6.5-3.5v5.5q0 3.5 3.5 3.5h6q3.5 0 3.5-3.5v-5.5"/><path class="mark-wave" d="M-2.5-6v7M2.5-6v7"/>'
_STRIP = '<path class="mark-bath" d="M-4.5-6h9M0-6v4.5M-5.5 5.5q0-6 5.5-7q5.5 1 5.5 7z"/>'
_RAG = '<path class="mark-rag" d="M-6-4.5q3-1.6 6 0t6 0v8.6q-3 1.6-6 0t-6 0z"/>'

BY_KIND: Mapping[TreatmentKind, str] = {
    TreatmentKind.DRIP: _DROP,
    TreatmentKind.OIL: _OIL,
    TreatmentKind.IMMERSION: _BATH,
    TreatmentKind.CLEAN: _CLEAN,
    TreatmentKind.STRIP: _STRIP,
    TreatmentKind.WIPE: _RAG,
}

MARKS: Mapping[str, str] = {**{kind.value: mark for kind, mark in BY_KIND.items()}, "wipe test": _RAG}


def mark(kind: TreatmentKind, x: float, y: float, title: str, readout: str = "") -> str:
    """The mark of a treatment at a place, with its title. readout: further attributes, escaped already."""
    return (
        f'<g class="mark" transform="translate({short(x)} {short(y)})"{readout}>'
        f"<title>{safe(title)}</title>{BY_KIND[kind]}</g>"
    )
