"""The ledger's facts handed to the drawings, each drawing named so that a page may hold several."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, tzinfo

from markupsafe import Markup

from ingest.bikes.judge import RideClues
from ingest.bikes.pedalled_gears import GearHistogram, summed
from ingest.ride.track import TrackPoint
from rules.contamination import Exposure
from rules.units import Units
from rules.vocabulary import Bike, Chain, Condition, Ride, TreatmentKind
from rules.wear.comparison import Comparison
from rules.wear.forecast import wear_points
from rules.year.another_way import AnotherWay
from services.views.chain_state import ChainState
from services.views.snapshot import Snapshot
from services.web.drawings.care_marks import use_of
from services.web.drawings.chain_timeline import chain_life
from services.web.drawings.clues import clue_waterfall
from services.web.drawings.gears import bike_sign, gear_comb, ride_days
from services.web.drawings.ride_map import drawn_hours, ride_track
from services.web.drawings.ride_time import hours_bars, ride_speed
from services.web.drawings.strip import chain_strip
from services.web.drawings.svg import short
from services.web.drawings.textures import paint
from services.web.drawings.timeline_events import LifeRow, chain_life_table
from services.web.drawings.wear import PLOTTED, regime_comparison, wear_plot
from services.web.drawings.year import ways_of_a_year


def _ours(drawn: str) -> Markup:
    """Drawings escape every word they are given."""
    return Markup(drawn)  # noqa: S704


def strip(state: ChainState, of: str = "") -> Markup:
    """The links of a chain, filled with what it went through since its last immersion or cleaning.

    of: tells chains of several households apart.
    """
    return _ours(
        chain_strip(
            state.past,
            state.immersion_limit,
            uid=f"strip-{of}{state.chain.id}",
            name=state.chain.name,
            zone=state.zone,
        )
    )


def treatment_mark(kind: TreatmentKind) -> Markup:
    """The mark of a treatment, to stand before its word."""
    return _ours(
        '<svg class="icon" width="20" height="20" viewBox="-9 -9 18 18" aria-hidden="true">'
        f"{use_of(kind.value)}</svg>"
    )


def sign(bike: Bike) -> Markup:
    """A bike's comb of gears, small."""
    return _ours(bike_sign(bike, uid=f"sign-{bike.id}"))


def life_picture(snapshot: Snapshot, chain: Chain, now: datetime, half_years: int) -> Markup:
    """The last so many half-years of a chain's life, each on one line."""
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
            most=half_years,
        )
    )


def life_rows(snapshot: Snapshot, chain: Chain, now: datetime) -> tuple[LifeRow, ...]:
    """The table behind that line, oldest first."""
    bikes = {one.id: one.name for one in snapshot.ledger.bikes}
    return chain_life_table(snapshot.past(chain.id, now), bikes=bikes, zone=snapshot.zone)


def wear_picture(snapshot: Snapshot, chain: Chain, now: datetime) -> Markup:
    """A chain's readings and where they lead."""
    past, measure = snapshot.past(chain.id, now), PLOTTED
    return _ours(
        wear_plot(
            wear_points(past, measure),
            snapshot.wear(chain.id, now),
            uid=f"wear-{chain.id}",
            limit_pct=snapshot.wear_limit(chain, now),
            measure=measure,
            name=chain.name,
            zone=snapshot.zone,
            retired=snapshot.where(chain, now) == "retired",
        )
    )


def comparison_picture(comparison: Comparison) -> Markup:
    """Every chain's wear rate on one scale, waxed and wet lube."""
    return _ours(regime_comparison(comparison, uid="rates"))


def year_picture(year: AnotherWay) -> Markup:
    """A bike's year by its limits and in every other way: hands, and wear."""
    return _ours(ways_of_a_year((year.own, *year.others), uid=f"year-{year.bike}", name=year.name))


def ride_pictures(
    ride: Ride, name: str, points: Sequence[TrackPoint], puts: Sequence[Exposure], zone: tzinfo, units: Units
) -> dict[str, Markup]:
    """Where it went, how fast, and what each hour put in: 'track', 'speed' and 'hours'."""
    hours, at = drawn_hours(ride, puts), ride.started_at
    return {
        "track": _ours(
            ride_track(points, hours, uid="way", started_at=at, name=name, zone=zone, units=units)
        ),
        "speed": _ours(
            ride_speed(points, hours, uid="speed", started_at=at, name=name, zone=zone, units=units)
        ),
        "hours": _ours(hours_bars(hours, uid="hours-drawn", name=name, zone=zone, units=units)),
    }


def clues_picture(evidence: str, snapshot: Snapshot, units: Units) -> Markup:
    """Why it was this bike: each clue a step. Nothing for a ride nobody judged."""
    if not evidence:
        return Markup("")
    names = {one.id: one.name for one in snapshot.ledger.bikes}
    return _ours(clue_waterfall(evidence, names, uid="clues", units=units))


def gears_of(clues: str) -> GearHistogram | None:
    """What gears a ride tells; None = none, or its clues were kept by an earlier version in another form."""
    try:
        return RideClues.from_json(clues).gears if clues else None
    except ValueError:
        return None


def gears_picture(clues: str, ride: Ride, name: str, snapshot: Snapshot) -> Markup:
    """The gears ridden against the gears of each bike. Nothing for a ride whose gears are not known."""
    gears = gears_of(clues)
    if gears is None:
        return Markup("")
    return _ours(gear_comb(gears, snapshot.ledger.bikes_here(ride.started_at), uid="gears", name=name))


def heaps_picture(gears: Sequence[GearHistogram], bikes: Sequence[Bike], name: str) -> Markup:
    """The time that many rides were pedalled at each gear, grain by grain, over the combs of bikes."""
    return _ours(gear_comb(summed(gears), bikes, uid="heaps", name=name, grains=True))


def days_picture(rides: Sequence[Ride], zone: tzinfo, name: str) -> Markup:
    """The days on which they were ridden, a grain a ride."""
    return _ours(ride_days([one.started_at for one in rides], uid="days", zone=zone, name=name))


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
