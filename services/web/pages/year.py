"""The last year another way: what other ways of caring would have taken of hands and of chains."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import HTMLResponse

from rules.year.another_way import can_be_taken_over, taken_over
from services.web.context import AContext
from services.web.drawing_inputs import year_picture
from services.web.pages.wear import PARTS

router = APIRouter(prefix="/year")


@router.get("")
def year(context: AContext) -> HTMLResponse:
    """Each bike's year as it was, by its limits, and otherwise; and what the rag says of limits."""
    snapshot, now = context.snapshot.whole, context.now
    years = snapshot.another_way(now)
    ways = {
        one.bike: [
            (lived, taken_over(one, lived.way.name, snapshot.ledger, snapshot.rulebook, now=now)[0])
            for lived in one.others
            if can_be_taken_over(one, lived) and lived.minutes[1] < one.own.minutes[1]
        ]
        for one in years
    }
    return context.show(
        "year.html",
        here="wear",
        part="year",
        parts=PARTS,
        years=years,
        ways=ways,
        pictures={one.bike: year_picture(one) for one in years},
        offers=snapshot.rag_offers(now),
    )
