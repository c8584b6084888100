"""What was corrected, newest first, each with its undo; and the one safe way back after a form."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, Response

from services.correct import undo
from services.web.desk import APost, ASheet
from services.web.forms import Posted

router = APIRouter()
MOST_SHOWN = 100


@router.get("/mending")
def mending(sheet: ASheet) -> HTMLResponse:
    """The log of corrections and logged care."""
    with sheet.workshop.store.reading() as tx:
        corrections = tx.corrections.all_(limit=MOST_SHOWN)
    return sheet.show("mending.html", corrections=corrections)


@router.post("/mending/{number}/undo")
def take_back(number: int, sheet: ASheet, posted: APost) -> Response:
    """Take one back."""
    done = undo(sheet.workshop, number, now=sheet.now)
    return sheet.went(back_of(posted, "/mending"), *done.sentences)


def back_of(posted: Posted, otherwise: str) -> str:
    """The page a form came from, if it is one of ours."""
    path = posted.text("back", most=300)
    ours = path.startswith("/") and not path.startswith(("//", "/\\")) and path.isprintable()
    return path if ours else otherwise
