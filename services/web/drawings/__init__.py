"""Drawings: facts in, markup out. Pure: no clock, disk or network; everything they are given is escaped.

Put `textures()` once into a page's body before any drawing, and link static/drawings.css. A drawing returns a
`str` that is safe to embed as it is; it holds no style attribute and no script. `uid` names it: unique on its
page, letters, digits, '-' and '_', a letter first. `zone` is the reader's time zone. Colours follow the
system's light or dark wish. A drawing fits its box from 328 px up; most come in a wide and a narrow cut, of
which the style sheet shows one.

For a script that reads values out: `[data-value]` marks a thing to point at; value, unit and date stand in
data-value, data-unit (its own, or of the nearest element around it) and data-date where it has one; its
<title> is the whole sentence. Images are role=img, so give focus to the box around an image, never to a mark.
"""
