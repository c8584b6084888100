"""The picture language: what each condition looks like. Dry plain, dust stippled, water hatched, mud crossed.

The page carries the patterns once (`definitions`); every drawing refers to them and says the word beside them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from markupsafe import Markup, escape

from rules.vocabulary import Condition

# In the order in which they are stacked and listed: from the cleanest to the dirtiest, what is not known last.
ORDER = (
    Condition.DRY,
    Condition.DAMP,
    Condition.DUSTY,
    Condition.WET,
    Condition.MUDDY,
    Condition.UNKNOWN,
)
FILL: Mapping[Condition, str] = {condition: f"url(#t-{condition.value})" for condition in Condition}

_DEFINITIONS = """\
<svg class="patterns" width="0" height="0" aria-hidden="true" focusable="false"><defs>
<pattern id="t-dry" width="6" height="6" patternUnits="userSpaceOnUse"><rect width="6" height="6" class="t-dry"/></pattern>
<pattern id="t-damp" width="9" height="9" patternUnits="userSpaceOnUse" patternTransform="rotate(58)">\
<rect width="9" height="9" class="t-damp"/><rect width="1" height="9" class="t-water-line"/></pattern>
<pattern id="t-dusty" width="7" height="7" patternUnits="userSpaceOnUse"><rect width="7" height="7" class="t-dusty"/>\
<circle cx="1.6" cy="1.7" r="1" class="t-dusty-dot"/><circle cx="5.1" cy="5" r=".8" class="t-dusty-dot"/></pattern>
<pattern id="t-wet" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(58)">\
<rect width="6" height="6" class="t-wet"/><rect width="2.1" height="6" class="t-water-line"/></pattern>
<pattern id="t-muddy" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">\
<rect width="7" height="7" class="t-muddy"/><rect width="1.9" height="7" class="t-mud-line"/>\
<rect width="7" height="1.9" class="t-mud-line"/></pattern>
<pattern id="t-unknown" width="10" height="12" patternUnits="userSpaceOnUse"><rect width="10" height="12" class="t-unknown"/>\
<text x="2.4" y="9.4" class="t-unknown-mark">?</text></pattern>
</defs></svg>"""


def definitions() -> Markup:
    """The patterns, to stand once in every page that draws."""
    return Markup(_DEFINITIONS)  # noqa: S704 - our own constant


def legend(conditions: Iterable[Condition]) -> Markup:
    """The words for the textures in use, cleanest first, as a list of swatches."""
    used = set(conditions)
    items = Markup("").join(
        Markup(
            '<li><svg class="swatch" viewBox="0 0 28 16" aria-hidden="true" focusable="false">'
            '<rect x="1" y="1" width="26" height="14" rx="7" class="swatch-edge" fill="{}"/></svg>{}</li>'
        ).format(FILL[one], word(one))
        for one in ORDER
        if one in used
    )
    return Markup('<ul class="legend">{}</ul>').format(items)


def word(condition: Condition) -> str:
    """The word beside the texture."""
    return "not known" if condition is Condition.UNKNOWN else condition.value


def figure(shapes: str, *, width: float, height: float, title: str, description: str, kind: str) -> Markup:
    """A whole drawing: its shapes, named for those who do not see them.

    kind: its class. shapes: SVG made of numbers and escaped words only.
    """
    return Markup(
        '<svg class="drawing {}" viewBox="0 0 {} {}" role="img" aria-label="{}">'
        "<title>{}</title><desc>{}</desc>{}</svg>"
    ).format(
        kind,
        trimmed(width),
        trimmed(height),
        f"{title}. {description}",
        title,
        description,
        Markup(shapes),  # noqa: S704 - composed here, words escaped
    )


def mark(shape: str, says: str) -> str:
    """A shape that can be pointed at: the words a reader gets for it."""
    words = escape(says)
    return f'<g class="mark" data-says="{words}"><title>{words}</title>{shape}</g>'


def trimmed(value: float) -> str:
    """A coordinate with no more digits than a pixel needs."""
    return f"{value:.1f}".rstrip("0").rstrip(".")
