"""Files seen, and what became of each: none is read twice, none vanishes silently."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse

from services.use_cases.import_rides import Outcome
from services.web.context import AContext

router = APIRouter()
PAGE = 100
FINE = frozenset({Outcome.NEW.value, Outcome.SAME_OUTING.value})


@router.get("/files")
def files(
    context: AContext,
    only: Annotated[str, Query(max_length=20)] = "",
    page: Annotated[int, Query(ge=1, le=100_000)] = 1,
) -> HTMLResponse:
    """The list, newest first; only=trouble leaves out what became a whole ride."""
    every = context.snapshot.files
    shown = [one for one in every if one.outcome not in FINE] if only == "trouble" else every
    return context.show(
        "files.html",
        here="files",
        files=shown[(page - 1) * PAGE : page * PAGE],
        count=len(shown),
        every=len(every),
        waiting=context.snapshot.files_waiting,
        troubled=sum(one.outcome not in FINE for one in every),
        only=only,
        page=page,
        pages=max(1, -(-len(shown) // PAGE)),
        folders=[str(one.folder) for one in context.app.settings.watch],
        home=str(context.app.settings.home),
    )
