"""GPX texts for the tests, point by point."""

from __future__ import annotations


def track(points: str, *, before: str = "", names: str = "") -> bytes:
    head = f'<?xml version="1.0"?>\n<gpx version="1.1" creator="made" xmlns="http://www.topografix.com/GPX/1/1"{names}>'
    return f"{head}{before}<trk><trkseg>{points}</trkseg></trk></gpx>".encode()


def point(second: int, inner: str = "", place: str = 'lat="35.1" lon="-118.2"') -> str:
    return (
        f"<trkpt {place}><time>2025-06-14T06:{30 + second // 60:02d}:{second % 60:02d}Z</time>{inner}</trkpt>"
    )
