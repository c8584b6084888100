"""Every drawing of a household on one context: python -m tests.services.web.drawings.sheet HOME OUT.html"""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path

from ingest.bikes.judge import RideClues
from ingest.ride.track import track_points
from rules.contamination import Exposure, exposures, history
from rules.vocabulary import Ride
from rules.wear.comparison import compare
from rules.wear.forecast import Measure, forecast, wear_points
from services.app import zone_of
from services.web.drawings.chain_timeline import chain_life
from services.web.drawings.clues import clue_waterfall
from services.web.drawings.gears import gear_comb
from services.web.drawings.ride_map import drawn_hours, ride_track
from services.web.drawings.ride_time import hours_bars, ride_speed
from services.web.drawings.strip import chain_strip
from services.web.drawings.textures import legend, textures
from services.web.drawings.wear import regime_comparison, wear_plot
from services.wiring import open_app

STYLE = """<style>
body { margin: 0 auto; max-width: 47.5rem; padding: 1rem; background: var(--d-paper); color: var(--d-ink);
  font: 16px/1.5 system-ui, sans-serif; font-variant-numeric: tabular-nums }
h1, h2 { font-family: ui-serif, Georgia, serif } p { margin: .1rem 0 .4rem }
h3 { margin: 1.2rem 0 .2rem; font-size: 1.05rem }
</style>"""


def main(home: Path, out: Path) -> None:
    app = open_app(home)
    with app.store.reading() as tx:
        ledger = tx.ledger()
    now = max(ride.ended_at for ride in ledger.rides) if ledger.rides else datetime.now(UTC)
    zone = zone_of(ledger.riders[0].time_zone)

    def put(ride: Ride) -> list[Exposure]:
        return exposures(ledger, ride, app.rulebook)

    body = [textures(), "<h1>Every drawing</h1>", legend()]
    for chain in ledger.chains:
        past = history(ledger, chain.id, app.rulebook).until(now)
        limit = app.rulebook.limit("immersion", chain=chain).value
        body += [
            f"<h3>{chain.name}</h3>",
            chain_strip(past, limit, uid=f"strip{chain.id}", name=chain.name),
            f"<p>{past.since_immersion.grit_h:.1f} of {limit:g} grit-hours</p>",
        ]
    for chain in ledger.chains:
        answer = forecast(ledger, app.rulebook, chain.id, now=now)
        body += [
            f'<section id="life-{chain.name}"><h2>{chain.name}, its life</h2>',
            chain_life(
                history(ledger, chain.id, app.rulebook).until(now),
                uid=f"life{chain.id}",
                bikes={bike.id: bike.name for bike in ledger.bikes},
                now=now,
                limit_pct=app.rulebook.wear_limit(chain).value,
                forecast=answer,
                name=chain.name,
                zone=zone,
            ),
            "</section>",
        ]
    storm = max(ledger.rides, key=lambda r: (len({e.condition for e in put(r)}), len(r.hours), r.started_at))
    mud = max(ledger.rides, key=lambda r: sum(e.grit_h for e in put(r)))
    for ride in (storm, mud, min(ledger.rides, key=lambda r: r.drive_s)):
        with app.store.reading() as tx:
            details = tx.rides.details(ride.id)
        points = track_points(details.summary.track)
        hours = drawn_hours(ride, put(ride))
        body += [
            f'<section id="ride-{ride.id}" class="ride"><h2>Ride {ride.title}</h2>',
            ride_track(points, hours, uid=f"t{ride.id}", started_at=ride.started_at, zone=zone),
            ride_speed(points, hours, uid=f"s{ride.id}", started_at=ride.started_at, zone=zone),
            hours_bars(hours, uid=f"h{ride.id}", zone=zone),
            "</section>",
        ]
    names = {bike.id: bike.name for bike in ledger.bikes}
    with app.store.reading() as tx:
        held = {ride.id: tx.rides.assignment_in_force(ride.id) for ride in ledger.rides}
        decisions = {number: one for number, one in held.items() if one is not None}
        asked = [ride.id for ride in tx.rides.confirm_list()]
    longest = sorted(decisions, key=lambda ride: -len(decisions[ride].evidence))[:1]
    for ride_id in (*asked[:1], *longest):
        with app.store.reading() as tx:
            kept = tx.rides.details(ride_id).clues
        clues = RideClues.from_json(kept)
        body += [
            f'<section class="clues"><h2>Which bike? {ride_id}</h2>',
            clue_waterfall(decisions[ride_id].evidence, names, uid=f"c{ride_id}"),
            gear_comb(clues.gears, ledger.bikes, uid=f"g{ride_id}"),
            "</section>",
        ]
    for chain in ledger.chains[:4]:
        past = history(ledger, chain.id, app.rulebook).until(now)
        body += [
            f'<section class="wear"><h2>{chain.name}, its wear</h2>',
            wear_plot(
                wear_points(past, Measure.DRIVE_HOURS),
                forecast(ledger, app.rulebook, chain.id, now=now),
                uid=f"w{chain.id}",
                limit_pct=app.rulebook.wear_limit(chain).value,
                name=chain.name,
                zone=zone,
            ),
            "</section>",
        ]
    body += [
        '<section class="regimes"><h2>Waxed and wet lube</h2>',
        regime_comparison(compare(ledger, app.rulebook, now=now), uid="regimes"),
        "</section>",
    ]
    context = Path(__file__).parents[4] / "services/web/static/drawings.css"
    out.write_text(
        '<!doctype html><html lang="en"><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width">'
        f"<title>Every drawing</title><style>{context.read_text()}</style>{STYLE}{''.join(body)}",
        encoding="utf-8",
    )


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
