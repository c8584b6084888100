"""Seeded GPX bytes for comparison and fuzzing: odd but sound files, and damaged copies of them."""

from __future__ import annotations

from random import Random

from fixtures.gpx_writer import gpx_bytes
from tests.ingest.recordings import ride

_NAMES = {
    "tpx": "http://www.garmin.com/xmlschemas/TrackPointExtension/v1",
    "px": "http://example.org/power/1",
}
_TIMES = (
    "2025-06-14T06:{m:02d}:{s:02d}Z",
    "2025-06-14T06:{m:02d}:{s:02d}.{f:03d}Z",
    "2025-06-14T08:{m:02d}:{s:02d}+02:00",
    "2025-06-14T06:{m:02d}:{s:02d}",
    " 2025-06-14T06:{m:02d}:{s:02d}Z\n",
)
_NUMBERS = ("{:.6f}", "{:.0f}", "{:e}", " {:.2f} ", "{:+.3f}", "{:.15f}")
_TRACKS = ("<trk>", "<trk><name>Sand &amp; dust</name><type>cycling</type>", "<!-- x --><trk>")
_ODD_PARTS = ("<sat>7</sat>", "<!-- <ele>9</ele> -->", "<cmt><![CDATA[<ele>]]></cmt>", "<ele/>")
_WORDS = (b"<!--", b"-->", b"<![CDATA[", b"]]>", b"&amp;", b"&x;", b"<trkpt>", b"</trkseg>", b"NaN", b"1e400")
_OLD = (b"trkpt", b"lat=", b"<ele>", b"</time>", b"Z", b"xmlns", b".", b"UTF-8", b"utf-8")
_NEW = (b"", b"x", b"91", b"utf-16", b"<a/>", b"lat=", b"lon=", b"</ele>", b"4_7")


def sound_files() -> list[bytes]:
    """Small sound files of every kind that the encoder writes."""
    small = ride(140, seed=5)
    return [
        gpx_bytes(small),
        gpx_bytes(small, version="1.0", pretty=False),
        gpx_bytes(small, point_extension=2, zone="+00:00"),
        gpx_bytes(small, extensions=False),
    ]


def structure(random: Random) -> bytes:
    """A sound GPX 1.1 file of random points: parts missing, in any order, odd spellings, comments, CDATA."""
    style = random.choice(_TIMES), random.choice(_NUMBERS), random.random() < 0.5
    odd = random.choice((0.0, 0.0, 0.1, 0.5))
    space = random.choice(("", "\n", "\r\n  ", "\t"))
    names = "".join(f' xmlns:{prefix}="{name}"' for prefix, name in _NAMES.items())
    out = ['<?xml version="1.0" encoding="UTF-8"?>\n<gpx version="1.1" creator="made" ']
    out.append(f'xmlns="http://www.topografix.com/GPX/1/1"{names}>')
    if random.random() < 0.3:
        out.append('<wpt lat="1" lon="2"><ele>3</ele><time>2025-06-14T06:00:00Z</time></wpt>')
    for _ in range(random.choice((1, 1, 2))):
        out.append(random.choice(_TRACKS))
        for _ in range(random.choice((1, 2, 3))):
            out.append("<trkseg>")
            points = random.choice((0, 1, 5, 30, 120))
            out.extend(space + _point(random, style, odd, space) for _ in range(points))
            out.append("</trkseg>")
        out.append("</trk>")
    out.append("</gpx>")
    return "".join(out).encode()


def _point(random: Random, style: tuple[str, str, bool], odd: float, space: str) -> str:
    time_style, number_style, extended = style
    if random.random() < odd:
        time_style, number_style = random.choice(_TIMES), random.choice(_NUMBERS)
    moment = {"m": random.randrange(60), "s": random.randrange(60), "f": random.randrange(1000)}
    places = [f'lat="{random.uniform(-90, 90):.7f}"', f'lon="{random.uniform(-180, 180):.7f}"']
    if random.random() < odd:
        places.reverse()
    children = []
    if random.random() > odd / 2:
        children.append(f"<ele>{number_style.format(random.uniform(-100, 4000))}</ele>")
    if random.random() > odd / 2:
        children.append(f"<time>{time_style.format(**moment)}</time>")
    if random.random() < odd:
        children.append(random.choice(_ODD_PARTS))
    if extended and random.random() > odd / 2:
        inner = [
            f"<tpx:{name}>{random.randrange(200)}</tpx:{name}>"
            for name in ("atemp", "hr", "cad")
            if random.random() > odd / 2
        ]
        watts = f"<px:PowerInWatts>{random.randrange(900)}</px:PowerInWatts>"
        parts = f"{space}<tpx:TrackPointExtension>{space.join(inner)}</tpx:TrackPointExtension>{space}"
        children.append(f"<extensions>{parts}{watts if random.random() > odd else ''}</extensions>")
    return f"<trkpt {' '.join(places)}>{space}{space.join(children)}{space}</trkpt>"


def mutated(random: Random, data: bytes) -> bytes:
    """A damaged copy: bytes and words changed, stretches cut, doubled or moved, the end missing."""
    out = bytearray(data)
    for _ in range(random.choice((1, 1, 2, 4))):
        if not out:
            break
        at, kind = random.randrange(len(out)), random.randrange(14)
        if kind == 0:
            out[at] ^= 1 << random.randrange(8)
        elif kind == 1:
            out[at] = random.choice(b"<>&\"'/ 0.-_\xff\0]")
        elif kind == 2:
            del out[at:]
        elif kind == 3:
            del out[at : at + random.randrange(1, 60)]
        elif kind == 4:
            out[at:at] = out[at : at + random.randrange(1, 300)]
        elif kind == 5:
            out[at:at] = random.choice(_WORDS)
        elif kind <= 7:
            old, new = random.choice(_OLD), random.choice(_NEW)
            place = out.find(old, at)
            if place >= 0:
                out[place : place + len(old)] = new
        else:  # within a value, so that the XML survives
            digits = [place for place in range(at, min(at + 200, len(out))) if 48 <= out[place] <= 57]
            for place in digits[:1]:
                out[place] = random.choice(b"0123456789999..-+eE _x")
    return bytes(out)
