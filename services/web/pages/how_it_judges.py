"""How it judges: what each judgement does, how often it was found right, and what it cannot know."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import HTMLResponse

from ingest.ground.confidence import ANOTHER_STREET, NOT_MEASURED, RAIN_AND_NEIGHBOURS, ROAD_STATES
from rules.rulebook import KEYS
from services.views import accuracy
from services.web.context import AContext

router = APIRouter()


@router.get("/how-it-judges")
def how_it_judges(context: AContext) -> HTMLResponse:
    """One page for every probability that any other page states."""
    judgement = context.snapshot.rulebook.judgement
    return context.show(
        "how_it_judges.html",
        measured=accuracy,
        states=[(name, wet, hours, 100 * wet / hours) for name, (wet, hours) in ROAD_STATES.items()],
        surest=100 * ANOTHER_STREET,
        winter=100 * NOT_MEASURED,
        lone_hour=100 * RAIN_AND_NEIGHBOURS[0],
        weights=[judgement(key) for key in KEYS if key.startswith("weight.")],
        limits=[judgement(key) for key in KEYS if key.startswith("limit.")],
    )
