"""How a page is dressed: templates that escape everything, and how times and figures are written on them."""

from __future__ import annotations

import hashlib
from datetime import datetime, timedelta, tzinfo
from functools import cache
from pathlib import Path
from re import compile as pattern
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape

from rules.dates_and_numbers import clock, day, hours, listed, number
from rules.reasons import reading_words
from rules.ride_name import own_title
from rules.units import SI, Units, distance, height, kilometres, marked, said
from services.web.drawings.textures import legend, textures

HERE = Path(__file__).parent
NARROW = timedelta(days=60)
_ADDRESS = pattern(r"https://[A-Za-z0-9./_-]*[A-Za-z0-9/]")


class Rendering:
    """Templates, and the style sheets and script they use, named by their content."""

    def __init__(self) -> None:
        self.files = {path.name: path.read_bytes() for path in sorted((HERE / "static").iterdir())}
        marks = {name: hashlib.sha256(content).hexdigest()[:12] for name, content in self.files.items()}
        self._templates = Environment(
            loader=FileSystemLoader(HERE / "templates"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        times = (day, day_or_month, clock, stamp, field_time, hours)
        amounts = (number, distance, height, kilometres, marked)
        words = (listed, linked, own_title, reading_words)
        self._templates.filters.update({one.__name__: one for one in (*times, *amounts, *words)})
        self._templates.globals.update(
            styles=[f"/static/{marks[name]}/{name}" for name in ("drawings.css", "page.css")],
            script=f"/static/{marks['page.js']}/page.js",
            drop_script=f"/static/{marks['drop.js']}/drop.js",
            icon=f"/static/{marks['icon.svg']}/icon.svg",
            # Both are made of constants alone.
            textures=Markup(textures()),  # noqa: S704
            legend=Markup(legend()),  # noqa: S704
        )

    def render(self, template: str, *, units: Units = SI, **figures: Any) -> str:
        """The page as HTML, with every amount in these units."""
        return said(self._templates.get_template(template).render(units=units, **figures), units)


@cache
def rendering() -> Rendering:
    """The one of this process: it knows of no household, and templates are made once."""
    return Rendering()


def stamp(at: datetime, zone: tzinfo) -> str:
    """'4 June 2025, 18:52'."""
    return f"{day(at, zone)}, {clock(at, zone)}"


def day_or_month(at: datetime, zone: tzinfo, other: datetime) -> str:
    """'4 June 2025'; 'June 2025' of an end of a range so wide that days would sound surer than it is."""
    return day(at, zone) if abs(other - at) < NARROW else f"{at.astimezone(zone):%B %Y}"


def field_time(at: datetime, zone: tzinfo) -> str:
    """An instant as a form's time field wants it."""
    return f"{at.astimezone(zone):%Y-%m-%dT%H:%M}"


def linked(text: str) -> Markup:
    """A credit with its addresses as links, as its licence asks."""
    parts, at = [], 0
    for found in _ADDRESS.finditer(text):
        address = escape(found.group())
        parts.append(escape(text[at : found.start()]))
        parts.append(Markup('<a href="{0}" rel="noreferrer">{0}</a>').format(address))
        at = found.end()
    parts.append(escape(text[at:]))
    return Markup("").join(parts)
