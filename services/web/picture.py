"""The ledger's facts handed to the drawings, each drawing named so that a page may hold several."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo

from markupsafe import Markup

from ingest.track import TrackPoint
from rules.contamination import Exposure
from rules.vocabulary import Chain, Condition, Ride
from rules.wear import Measure, wear_points
from services.web.chain_state import ChainState
from services.web.drawings import chain_strip, film_line
from services.web.drawings.clues import clue_waterfall
from services.web.drawings.life import chain_life
from services.web.drawings.ride import drawn_hours, ride_track
from services.web.drawings.ride_time import hours_bars, ride_speed
from services.web.drawings.svg import short
from services.web.drawings.textures import paint
from services.web.snapshot import Snapshot
from services.web.wear_plot import rate_mark, wear_plot


def _ours(drawn: str) -> Markup:
    """Drawings escape every word they are given."""
    return Markup(drawn)  # noqa: S704


def strip(state: ChainState) -> Markup:
    """The links of a chain, filled with what it went through since its last bath."""
    return _ours(
        chain_strip(
            state.past,
            state.bath_limit,
            uid=f"strip-{state.chain.id}",
            name=state.chain.name,
            zone=state.zone,
        )
    )


def film(state: ChainState) -> Markup:
    """How much of its film is used."""
    return _ours(
        film_line(state.film_used, state.film_limit, uid=f"film-{state.chain.id}", what=state.film_word)
    )


def life_picture(snapshot: Snapshot, chain: Chain, now: datetime) -> Markup:
    """A chain's whole life on one line."""
    return _ours(
        chain_life(
            snapshot.past(chain.id, now),
            uid="life",
            bikes={one.id: one.name for one in snapshot.ledger.bikes},
            now=now,
            limit_pct=snapshot.wear_limit(chain, now),
            forecast=snapshot.wear(chain.id, now),
            name=chain.name,
            zone=snapshot.zone,
        )
    )


def wear_picture(snapshot: Snapshot, chain: Chain, now: datetime) -> Markup:
    """A chain's readings and where they lead."""
    past, measure = snapshot.past(chain.id, now), Measure.DRIVE_HOURS
    return _ours(
        wear_plot(
            wear_points(past, measure),
            snapshot.wear(chain.id, now),
            uid=f"wear-{chain.id}",
            limit_pct=snapshot.wear_limit(chain, now),
            x_now=measure.over_life(past),
            measure=measure,
            name=chain.name,
            zone=snapshot.zone,
        )
    )


def rate_picture(slope: tuple[float, float, float], most: float, name: str, uid: str) -> Markup:
    """A wear rate on a scale shared by a column of them."""
    return _ours(rate_mark(*slope, most=most, uid=uid, name=name))


@dataclass(frozen=True, slots=True)
class RidePictures:
    """Everything drawn of one ride."""

    track: Markup
    speed: Markup
    hours: Markup


def ride_pictures(
    ride: Ride, points: Sequence[TrackPoint], puts: Sequence[Exposure], zone: tzinfo
) -> RidePictures:
    """Where it went, how fast, and what each hour put in."""
    hours = drawn_hours(ride, puts)
    return RidePictures(
        _ours(ride_track(points, hours, uid="way", started_at=ride.started_at, name=ride.title, zone=zone)),
        _ours(ride_speed(points, hours, uid="speed", started_at=ride.started_at, name=ride.title, zone=zone)),
        _ours(hours_bars(hours, uid="hours-drawn", name=ride.title, zone=zone)),
    )


def clues_picture(evidence: str, snapshot: Snapshot) -> Markup:
    """Why it was this bike: each clue a step. Nothing for a ride nobody judged."""
    if not evidence:
        return Markup("")
    return _ours(clue_waterfall(evidence, {one.id: one.name for one in snapshot.ledger.bikes}, uid="clues"))


def ride_mini(conditions: Sequence[tuple[Condition, float, float]]) -> Markup:
    """A ride's drive time by condition, small enough for a line of a list; the words stand beside it."""
    whole_h = sum(drive_h for _, drive_h, _ in conditions)
    if whole_h <= 0.0:
        return Markup("")
    shapes, at = [], 0.5
    for condition, drive_h, _ in conditions:
        width = drive_h / whole_h * 57.0
        shapes.append(
            f'<rect x="{short(at)}" y=".5" width="{short(width)}" height="12" fill="{paint(condition)}"/>'
        )
        at += width
    return _ours(f'<svg class="mini" viewBox="0 0 58 13" aria-hidden="true">{"".join(shapes)}</svg>')
