"""Small invented street maps as .osm text, for tests."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from xml.sax.saxutils import quoteattr

Places = Sequence[tuple[float, float]]


def osm(streets: Sequence[tuple[Mapping[str, str], Places]], *, forgotten: int = 0) -> str:
    """An extract with these streets, each with its tags and its places in order.

    forgotten: so many of the first nodes are named by their street but are not in the file, as at an
    extract's edge.
    """
    nodes, ways, number = [], [], 0
    for index, (tags, places) in enumerate(streets, 1):
        references = []
        for latitude, longitude in places:
            number += 1
            references.append(f'<nd ref="{number}"/>')
            if number > forgotten:
                nodes.append(f'<node id="{number}" version="1" lat="{latitude:.7f}" lon="{longitude:.7f}"/>')
        named = "".join(f"<tag k={quoteattr(key)} v={quoteattr(value)}/>" for key, value in tags.items())
        ways.append(f'<way id="{index}" version="1">{"".join(references)}{named}</way>')
    body = "\n".join([*nodes, *ways])
    return f'<?xml version="1.0"?>\n<osm version="0.6" generator="invented">\n{body}\n</osm>\n'


def northwards(start: tuple[float, float], metres: float, *, east_m: float = 0.0, pieces: int = 4) -> Places:
    """A straight street of that length to the north, so far east of the start."""
    from math import cos, radians

    latitude, longitude = start
    east = longitude + east_m / 111_195 / cos(radians(latitude))
    return [(latitude + metres * n / pieces / 111_195, east) for n in range(pieces + 1)]
