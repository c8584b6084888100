"""Drawings: facts in, markup out. Pure: no clock, disk or network; everything they are given is escaped.

Put `textures()` once into a page's body before any drawing, and link static/drawings.css. A drawing returns a
`str` that is safe to embed as it is; it holds no style attribute and no script. `uid` names it: unique on its
page, letters, digits, '-' and '_', a letter first. `zone` is the reader's time zone. Colours follow the
system's light or dark wish. A drawing fits its box from 328 px up; most come in a wide and a narrow cut, of
which the style sheet shows one.

    textures() -> str
    legend() -> str                                                      the textures with their words
    chain_strip(history, limit, *, uid, name="the chain", zone=UTC) -> str
    chain_life(history, *, uid, bikes, now, limit_pct, forecast=None, name="the chain", zone=UTC) -> str
        bikes: names by id; forecast: rules.wear Forecast or Refusal
    chain_life_table(history, *, bikes, zone) -> tuple[LifeRow, ...]     rows: at, day, what, words, grit_h
    drawn_hours(ride, exposures) -> tuple[DrawnHour, ...]                exposures: views.stories.exposures
    ride_track(points, hours, *, uid, started_at, name="the ride", zone=UTC) -> str
    ride_speed(points, hours, *, uid, started_at, name="the ride", zone=UTC) -> str
    hours_bars(hours, *, uid, name="the ride", zone=UTC) -> str
        points: ingest.ride.track.track_points; hours: drawn_hours; started_at: of the ride
    clue_waterfall(evidence, bikes, *, uid) -> str                       evidence: a Decision's JSON
    bike_sign(bike, *, uid) -> str                                       a bike by its comb of gears
    gear_comb(histogram, bikes, *, uid, name="the ride", grains=False) -> str    RideClues.gears or None
    ride_days(days, *, uid, zone, name) -> str                           a grain a ride
    wear_plot(points, answer, *, uid, limit_pct, measure=…, name="the chain", zone=UTC) -> str
        points: rules.wear.forecast.wear_points; answer: Forecast or Refusal by the same measure
    regime_comparison(comparison, *, uid) -> str                         rules.wear.comparison.compare
    ways_of_a_year(ways, *, uid, name) -> str                            rules.year Lived, own first

For a script that reads values out: `[data-value]` marks a thing to point at; value, unit and date stand in
data-value, data-unit (its own, or of the nearest element around it) and data-date where it has one; its
<title> is the whole sentence. Images are role=img, so give focus to the box around an image, never to a mark.
"""

from services.web.drawings.chain_timeline import chain_life
from services.web.drawings.clues import clue_waterfall
from services.web.drawings.gears import bike_sign, gear_comb, ride_days
from services.web.drawings.ride_map import DrawnHour, drawn_hours, ride_track
from services.web.drawings.ride_time import hours_bars, ride_speed
from services.web.drawings.strip import chain_strip
from services.web.drawings.textures import CONDITIONS, legend, textures
from services.web.drawings.timeline_events import LifeRow, chain_life_table
from services.web.drawings.wear import regime_comparison, wear_plot
from services.web.drawings.year import ways_of_a_year

__all__ = [
    "CONDITIONS",
    "DrawnHour",
    "LifeRow",
    "bike_sign",
    "chain_life",
    "chain_life_table",
    "chain_strip",
    "clue_waterfall",
    "drawn_hours",
    "gear_comb",
    "hours_bars",
    "legend",
    "regime_comparison",
    "ride_days",
    "ride_speed",
    "ride_track",
    "textures",
    "ways_of_a_year",
    "wear_plot",
]
