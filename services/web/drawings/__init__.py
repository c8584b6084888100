"""Drawings: facts in, markup out. Pure: no clock, disk or network; everything they are given is escaped.

Put `textures()` once into a page's body before any drawing, and link static/drawings.css. A drawing returns a
`str` that is safe to embed as it is; it carries no style attribute and no script. `uid` names it: unique on its
page, letters, digits, '-' and '_'. `zone` is the reader's time zone. Colours follow the system's light or dark
wish. Drawings fit their box from 328 px up; most come in a wide and a narrow cut, of which the sheet shows one.

    textures() -> str            once per page
    legend(words=CONDITIONS, *, marks=()) -> str      the words beside the textures; marks: of marks.MARKS
    chain_strip(history, limit, *, uid, name="the chain", zone=UTC) -> str
    film_line(used, limit, *, uid, unit="grit-hours", what="drip") -> str
    strip_words(history) -> str  plain text, '9.5 dry, 4.2 dusty': escape it yourself
"""

from services.web.drawings.strip import chain_strip, film_line, strip_words
from services.web.drawings.textures import CONDITIONS, legend, textures

__all__ = ["CONDITIONS", "chain_strip", "film_line", "legend", "strip_words", "textures"]
