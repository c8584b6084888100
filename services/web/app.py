"""The page as a FastAPI application: who is let in, which pages there are, how trouble is told."""

from __future__ import annotations

import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import RedirectResponse, Response
from starlette.exceptions import HTTPException

from rules.rulebook import RulebookError
from services.app import App, Followed
from services.settings import SettingsError
from services.store import FactRefused, NotAllowed, NotFound, StoreBusy, StoreError
from services.store.club import Club
from services.views.snapshot_refresh import utc_now
from services.web import api, exports, passphrase_routes
from services.web.club_access import Door, MembersOnly
from services.web.context import API, AppContext, Clock, form_again, say_no, shared_of
from services.web.forms import FormRefused
from services.web.guard import SECURITY_HEADERS, Guard, TooMuch, own_names
from services.web.pages import (
    begin,
    care,
    chains,
    channels,
    club_sign_in,
    corrections,
    equipment,
    files,
    how_it_judges,
    limits,
    mail_answer,
    overview,
    people,
    pot,
    reminder,
    ride,
    rides,
    settings_forms,
    settings_overview,
    supplies,
    upload,
    wax_night,
    wear,
    year,
)
from services.web.passphrase import SessionStore, passphrase_hash

__all__ = ["create_app"]

ANY_ADDRESS = frozenset({"0.0.0.0", "::"})  # noqa: S104 - compared with, never bound to here
ABOUT = (
    "What the page itself reads. It only reads: changes are made by the page's forms or by the command line. "
    "Times are UTC unless they say otherwise."
)


def create_app(app: App, *, clock: Clock = utc_now) -> FastAPI:
    """The page of one household. Raises SettingsError when it would be open to others unprotected."""
    hashed = passphrase_hash(app.settings.page)
    shared = AppContext(Followed(app), clock, None if hashed is None else SessionStore(hashed))
    pages = _pages(shared)
    pages.include_router(passphrase_routes.router, include_in_schema=False)
    # The last added is the first to see a request.
    pages.add_middleware(passphrase_routes.SignedIn)
    return _guarded(pages, app)


def create_club_app(app: App, club: Club, *, clock: Clock = utc_now) -> FastAPI:
    """The page of a club: the same pages, of the household that whoever signs in belongs to."""
    door = Door(app, club, clock)
    pages = _pages(door.shared)
    pages.state.door = door
    for part in (club_sign_in, people, pot):
        pages.include_router(part.router, include_in_schema=False)
    pages.add_middleware(MembersOnly, door=door)
    return _guarded(pages, app)


def _guarded(pages: FastAPI, app: App) -> FastAPI:
    page = app.settings.page
    names, anywhere = own_names(page.host), page.host in ANY_ADDRESS
    pages.add_middleware(Guard, names=names, any_address=anywhere, public_url=page.public_url)
    _tell_trouble(pages)
    return pages


def _pages(shared: AppContext) -> FastAPI:
    pages = FastAPI(
        lifespan=_warm,
        title="gritledger",
        version="1",
        description=ABOUT,
        docs_url=None,
        redoc_url=None,
        openapi_url=f"{API}/openapi.json",
    )
    pages.state.shared = shared
    for part in (
        overview,
        begin,
        upload,
        rides,
        ride,
        chains,
        reminder,
        care,
        wear,
        wax_night,
        supplies,
        year,
        settings_overview,
        equipment,
        channels,
        settings_forms,
        limits,
        files,
        corrections,
        how_it_judges,
        mail_answer,
        exports,
    ):
        pages.include_router(part.router, include_in_schema=False)
    pages.include_router(api.router, prefix=API)
    pages.add_api_route("/static/{mark}/{name}", _file, include_in_schema=False)
    return pages


MEDIA_TYPES = {
    "css": "text/css; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
    "svg": "image/svg+xml",
}


def _file(mark: str, name: str, request: Request) -> Response:
    """A file whose address names its content: it never changes, and is asked for once."""
    del mark
    shared = shared_of(request)
    if name not in shared.rendering.files:
        raise HTTPException(404)
    return Response(
        shared.rendering.files[name],
        media_type=MEDIA_TYPES[name.rpartition(".")[2]],
        headers={"Cache-Control": "public, max-age=31536000, immutable"},
    )


@asynccontextmanager
async def _warm(pages: FastAPI) -> AsyncIterator[None]:
    """While the page is served, its snapshot follows the ledger by itself."""
    shared: AppContext = pages.state.shared
    shared.snapshots.aside = True
    stop = threading.Event()
    warmer = threading.Thread(
        target=shared.snapshots.keep_warm, args=(stop,), name="page warmer", daemon=True
    )
    warmer.start()
    try:
        yield
    finally:
        stop.set()
        warmer.join(5)


def _tell_trouble(pages: FastAPI) -> None:
    """Expected trouble becomes a sentence: a page for people, JSON for programs."""

    @pages.exception_handler(StoreError)
    def store_says_no(request: Request, error: StoreError) -> Response:
        kinds = ((NotFound, 404), (NotAllowed, 403), (FactRefused, 409), (StoreBusy, 503), (StoreError, 500))
        status = next(code for kind, code in kinds if isinstance(error, kind))
        return _not_taken(request, status, str(error), getattr(error, "field", ""))

    @pages.exception_handler(FormRefused)
    def form_refused(request: Request, error: FormRefused) -> Response:
        return _not_taken(request, error.status, error.sentence, error.field)

    @pages.exception_handler(RulebookError)
    @pages.exception_handler(SettingsError)
    def settings_say_no(request: Request, error: Exception) -> Response:
        return say_no(request, 500, str(error))

    @pages.exception_handler(TooMuch)
    def too_much(request: Request, _error: TooMuch) -> Response:
        return say_no(request, 413, "That is more than this page takes.")

    @pages.exception_handler(RequestValidationError)
    def not_understood(request: Request, error: RequestValidationError) -> Response:
        if request.url.path.startswith(f"{API}/"):
            return say_no(request, 422, "; ".join(_plain(one) for one in error.errors()) + ".")
        return say_no(request, 404, "There is no such page.")

    @pages.exception_handler(HTTPException)
    def http_says_no(request: Request, error: HTTPException) -> Response:
        words = {404: "There is no such page.", 405: "This page cannot be asked in that way."}
        answer = say_no(request, error.status_code, words.get(error.status_code, str(error.detail)))
        answer.headers.update(error.headers or {})
        return answer

    @pages.exception_handler(Exception)
    def stumbled(request: Request, _error: Exception) -> Response:
        sentence = "gritledger stumbled: a mistake of ours. The terminal says more; please report it."
        answer = say_no(request, 500, sentence)
        # This one answer is given outside the guard.
        answer.headers.update(SECURITY_HEADERS)
        return answer


def _not_taken(request: Request, status: int, sentence: str, field: str) -> Response:
    """Back to the form, as it was typed, with the sentence at its field; else the sentence alone."""
    posted = getattr(request.state, "posted", None)
    again = None if posted is None else form_again(request, posted, sentence, field)
    return say_no(request, status, sentence) if again is None else RedirectResponse(again, 303)


def _plain(problem: Any) -> str:
    """A complaint about a parameter, without the value itself, which may be anything."""
    return f"{problem['loc'][-1]}: {problem['msg'][0].lower()}{problem['msg'][1:]}"
