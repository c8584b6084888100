"""Files seen, and what became of each: none is read twice, none vanishes silently."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse

from services.store import SoughtFiles
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
    sought = SoughtFiles(text=text)
    if only == TROUBLE:
        sought["but"] = FINE
    elif only:
        sought["outcomes"] = [only]
    every = context.snapshot.files_counted
    with context.app.store.reading() as tx:
        shown = tx.files.outcomes(limit=PAGE, offset=(page - 1) * PAGE, **sought)
        count = sum((tx.files.counted(**sought) if only or text else every).values())
    return context.show(
        "files.html",
        here="rides",
        part="files",
        parts=PARTS,
        files=shown,
        count=count,
        every=sum(every.values()),
        outcomes=list(every.items()),
        waiting=context.snapshot.files_waiting,
        troubled=sum(times for outcome, times in every.items() if outcome not in FINE),
        only=only,
        text=text,
        page=page,
        pages=max(1, -(-count // PAGE)),
        folders=[str(one.folder) for one in context.app.settings.watch],
        home=str(context.app.settings.home),
    )
