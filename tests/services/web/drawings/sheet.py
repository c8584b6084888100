"""One HTML sheet of every drawing on the demo household: python -m tests.services.web.drawings.sheet HOME OUT.html"""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path

from rules.contamination import history
from services.web import drawings
from services.wiring import open_workshop

STYLE = """<style>
body { margin: 0 auto; max-width: 47.5rem; padding: 1rem; background: var(--d-paper); color: var(--d-ink);
  font: 16px/1.5 system-ui, sans-serif; font-variant-numeric: tabular-nums }
h1, h2 { font-family: ui-serif, Georgia, serif } h3 { margin: 1.2rem 0 .2rem; font-size: 1.05rem } p { margin: .1rem 0 .4rem }
</style>"""


def main(home: Path, out: Path) -> None:
    workshop = open_workshop(home)
    with workshop.store.reading() as tx:
        ledger = tx.ledger()
    now = max(ride.ended_at for ride in ledger.rides) if ledger.rides else datetime.now(UTC)
    body = [drawings.textures(), "<h1>Every drawing</h1>", drawings.legend(marks=("drip", "immersion"))]
    for chain in ledger.chains:
        past = history(ledger, chain.id, workshop.rulebook).until(now)
        limit = workshop.rulebook.limit("immersion", chain=chain).value
        film = workshop.rulebook.limit("drip", chain=chain).value
        body += [
            f"<h3>{chain.name}</h3>",
            drawings.chain_strip(past, limit, uid=f"strip{chain.id}", name=chain.name),
            f"<p>{past.since_immersion.grit_h:.1f} of {limit:g} grit-hours ({drawings.strip_words(past)})</p>",
            drawings.film_line(past.since_drip.grit_h, film, uid=f"film{chain.id}"),
        ]
    sheet = Path(__file__).parents[4] / "services/web/static/drawings.css"
    out.write_text(
        '<!doctype html><html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width">'
        f"<title>Every drawing</title><style>{sheet.read_text()}</style>{STYLE}{''.join(body)}",
        encoding="utf-8",
    )


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
