"""Files seen, and what became of each: none is read twice, none vanishes silently."""

from __future__ import annotations

from pathlib import Path

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, Response

from ingest.files.read_pool import ToRead
from services.store import SoughtFiles
from services.use_cases.import_rides import Outcome, import_files, whose
from services.web.context import AChoice, AContext, APage, APost, AText, paged
from services.web.forms import FormRefused
from services.web.pages.rides import PARTS

router = APIRouter()
PAGE = 20
FINE = frozenset({Outcome.NEW.value, Outcome.SAME_OUTING.value})
TROUBLE = "trouble"  # whatever did not become a whole ride


@router.get("/files")
def files(context: AContext, only: AChoice = "", text: AText = "", page: APage = 1) -> HTMLResponse:
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
        **paged(count, page, PAGE),
        every=sum(every.values()),
        outcomes=list(every.items()),
        waiting=context.snapshot.files_waiting,
        troubled=sum(times for outcome, times in every.items() if outcome not in FINE),
        only=only,
        text=text,
        folders=[str(one.folder) for one in context.app.settings.watch],
        home=str(context.app.settings.home),
        not_a_ride=Outcome.NOT_A_RIDE.value,
    )


@router.post("/files/a-ride")
def a_ride(context: AContext, posted: APost) -> Response:
    """The rider's word that a refused file is a ride: of those listed as such, no other file is opened."""
    name = posted.need("file", "which file")
    with context.app.store.reading() as tx:
        refused = tx.files.outcomes(limit=None, offset=0, text=name, outcomes=[Outcome.NOT_A_RIDE.value])
        riders = tx.equipment.riders()
    if all(one.name != name for one in refused):
        raise FormRefused("No file of that name is listed as not a ride; look at the list again.")
    path = Path(name)
    rider = whose(path, riders)
    if rider is None:
        raise FormRefused(
            "Nobody can tell whose ride it was: put the file into a folder named like the rider, and it is "
            "read again by itself."
        )
    (outcome, *_) = import_files(context.app.store, [ToRead(path, rider, said_ride=True)], now=context.now)
    why = f": {outcome.why}; {outcome.try_this}" if outcome.why and outcome.ride is None else ""
    return context.redirect("/files", f"{path.name}: {outcome.outcome.value}{why}.")
