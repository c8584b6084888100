"""Files seen, and what became of each: none is read twice, none vanishes silently."""

from __future__ import annotations

from collections import Counter
from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse

from services.use_cases.import_rides import Outcome
from services.web.context import AContext
from services.web.pages.rides import PARTS

router = APIRouter()
PAGE = 20
FINE = frozenset({Outcome.NEW.value, Outcome.SAME_OUTING.value})
TROUBLE = "trouble"  # whatever did not become a whole ride


@router.get("/files")
def files(
    context: AContext,
    only: Annotated[str, Query(max_length=60)] = "",
    text: Annotated[str, Query(max_length=200)] = "",
    page: Annotated[int, Query(ge=1, le=100_000)] = 1,
) -> HTMLResponse:
    """The list, newest first. only: an outcome, or 'trouble'.  text: of its name, or of what was wrong."""
    every = context.snapshot.files
    needle = text.casefold()
    shown = [
        one
        for one in every
        if (not only or one.outcome == only or (only == TROUBLE and one.outcome not in FINE))
        and (not needle or needle in one.name.casefold() or needle in one.why.casefold())
    ]
    return context.show(
        "files.html",
        here="rides",
        part="files",
        parts=PARTS,
        files=shown[(page - 1) * PAGE : page * PAGE],
        count=len(shown),
        every=len(every),
        outcomes=sorted(Counter(one.outcome for one in every).items()),
        waiting=context.snapshot.files_waiting,
        troubled=sum(one.outcome not in FINE for one in every),
        only=only,
        text=text,
        page=page,
        pages=max(1, -(-len(shown) // PAGE)),
        folders=[str(one.folder) for one in context.app.settings.watch],
        home=str(context.app.settings.home),
    )
