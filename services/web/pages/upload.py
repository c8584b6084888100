"""Dropping ride files: in pieces that go on where they were cut off, or by a plain form."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Request
from fastapi.responses import HTMLResponse, JSONResponse, Response
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect

from rules.vocabulary import Rider
from services.store import FactRefused
from services.use_cases.upload_files import LARGEST_FILE, Arriving, OutOfStep, Tray
from services.web.context import AContext, APost, RequestContext
from services.web.forms import FormRefused
from services.web.guard import TOKEN_FIELD, session_of
from services.web.pages.begin import show
from services.web.upload_form import StreamedForm

router = APIRouter()
TOKEN_HEADER = "X-The-Page"  # noqa: S105 - the name of a header
NOT_OURS = "This was not sent from this page, or the program was started anew: load the page again."


@router.get("/begin/files")
def files(context: AContext) -> HTMLResponse:
    """Where files are dropped, how far they are, and what became of them."""
    with context.app.store.reading() as tx:
        newest = tx.rides.rides(newest_first=True, limit=1)
    return show(
        context,
        "files",
        newest=newest,
        state=context.shared.reading.state(),
        in_part=Tray(context.app.settings.home).in_part(),
        tray_folder=str(Tray(context.app.settings.home).folder),
        largest_gb=LARGEST_FILE >> 30,
    )


def _riders_choice(context: RequestContext, said: str) -> Rider:
    riders = context.snapshot.ledger.riders
    if not riders:
        raise FormRefused("Nobody rides yet: first say who does.")
    if len(riders) == 1 and not said:
        return riders[0]
    found = next((one for one in riders if str(one.id) == said), None)
    if found is None:
        raise FormRefused("Say whose rides these are.")
    return found


@router.post("/drop/files")
async def take_form(request: Request, context: AContext) -> Response:
    """A plain form with files: kept as they come, then read."""
    shared, chosen = context.shared, []

    def admit(fields: dict[str, str]) -> str:
        if not shared.tokens.good(session_of(request), fields.get(TOKEN_FIELD, "")):
            raise FormRefused(NOT_OURS, status=403)
        chosen.append(_riders_choice(context, fields.get("rider", "")))
        return chosen[0].name

    form = StreamedForm(Tray(context.app.settings.home), admit)
    try:
        await form.take(request)
    except ClientDisconnect:
        return Response(status_code=400)
    if not chosen:
        admit(form.fields)
        raise FormRefused("Choose at least one file.")
    return await run_in_threadpool(_begin_reading, context, form, chosen[0])


def _begin_reading(context: RequestContext, form: StreamedForm, rider: Rider) -> Response:
    for path in form.kept:
        context.shared.reading.add(path, rider.id)
    context.shared.reading.begin(context.app, context.now)
    came = "1 file came" if len(form.kept) == 1 else f"{len(form.kept)} files came"
    left = f"; {form.left_alone} hidden or half-loaded left alone" if form.left_alone else ""
    return context.redirect("/begin/files", f"{came}{left}.")


def by_script(request: Request, context: AContext) -> RequestContext:
    """The context of a request of our own script, which proves itself by a header."""
    if not context.shared.tokens.good(session_of(request), request.headers.get(TOKEN_HEADER, "")):
        raise FormRefused(NOT_OURS, status=403)
    return context


ByScript = Annotated[RequestContext, Depends(by_script)]


def arriving(
    name: Annotated[str, Query(min_length=1, max_length=1000)],
    size: Annotated[int, Query(ge=0, le=1 << 50)],
    modified: Annotated[str, Query(max_length=40)] = "",
) -> Arriving:
    """The file that a piece is of."""
    return Arriving(name, size, modified)


@router.post("/drop/piece")
async def take_piece(
    request: Request,
    context: ByScript,
    file: Annotated[Arriving, Depends(arriving)],
    at: Annotated[int, Query(ge=0)] = 0,
    rider: Annotated[str, Query(max_length=12)] = "",
) -> JSONResponse:
    """One piece of a file, as bytes; where it does not begin where the part here ends, how much is here."""
    try:
        piece = await request.body()
    except ClientDisconnect:
        return JSONResponse({}, 400)
    return JSONResponse(*await run_in_threadpool(_kept, context, file, at, rider, piece))


def _kept(
    context: RequestContext, file: Arriving, at: int, rider: str, piece: bytes
) -> tuple[dict[str, Any], int]:
    if not file.is_ours:
        return {"left_alone": True}, 200
    try:
        chosen = _riders_choice(context, rider)
        place = Tray(context.app.settings.home).take(file, at, piece, whose=chosen.name)
    except OutOfStep as out:
        return {"have": out.have}, 409
    except (FactRefused, FormRefused) as no:
        return {"refused": no.sentence if isinstance(no, FormRefused) else str(no)}, 422
    if place is None:
        return {"have": at + len(piece)}, 200
    context.shared.reading.add(place, chosen.id)
    return {"whole": True}, 200


@router.post("/drop/read")
def read(context: ByScript) -> JSONResponse:
    """Read what came whole."""
    context.shared.reading.begin(context.app, context.now)
    return reading(context)


@router.get("/drop/reading")
def reading(context: AContext) -> JSONResponse:
    """How far the reading is."""
    state = context.shared.reading.state()
    return JSONResponse({key: state[key] for key in ("busy", "read", "total", "rides")})


@router.post("/drop/throw-away")
def throw_away(context: AContext, posted: APost) -> Response:
    """What came only in part goes."""
    del posted
    gone = Tray(context.app.settings.home).throw_away_parts()
    said = "1 half file is" if gone == 1 else f"{gone} half files are"
    return context.redirect("/begin/files", f"{said} thrown away; what came whole stays.")
