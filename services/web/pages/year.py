"""The last year another way: what other ways of caring would have taken of hands and of chains."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import HTMLResponse

from services.web.context import AContext
from services.web.pages.wear import PARTS

router = APIRouter(prefix="/year")


@router.get("")
def year(context: AContext) -> HTMLResponse:
    """Each bike's year as it was, by its limits, and otherwise; and what the rag says of limits."""
    snapshot, now = context.snapshot, context.now
    return context.show(
        "year.html",
        here="wear",
        part="year",
        parts=PARTS,
        years=snapshot.another_way(now),
        offers=snapshot.rag_offers(now),
    )
