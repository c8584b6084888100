"""Everything that was said, newest first, each with its undo; and the one safe way back after a form."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path
from fastapi.responses import HTMLResponse, Response

from services.store import NeedsConfirmation
from services.use_cases.undo import undo
from services.web.context import AContext, APage, APost, AText, paged
from services.web.forms import LARGEST_ID, Posted, own_path

router = APIRouter()
PAGE = 15


@router.get("/corrections")
def corrections(context: AContext, text: AText = "", page: APage = 1) -> HTMLResponse:
    """The log of changes."""
    with context.app.store.reading() as tx:
        count = tx.changes.count(text=text)
        found = tx.changes.all_(PAGE, offset=(page - 1) * PAGE, text=text)
    return context.show("corrections.html", corrections=found, text=text, **paged(count, page, PAGE))


@router.post("/corrections/{number}/undo")
def take_back(number: Annotated[int, Path(le=LARGEST_ID)], context: AContext, posted: APost) -> Response:
    """Take one back."""
    back = back_of(posted, "/corrections")
    try:
        done = undo(context.app, number, now=context.now, confirmed=posted.ticked("yes"))
    except NeedsConfirmation as asked:
        return context.ask(str(asked), posted, back=back)
    return context.redirect(back, *done.sentences)


def back_of(posted: Posted, otherwise: str) -> str:
    """The page a form came from, if it is one of ours."""
    return own_path(posted.text("back", most=300), otherwise)
