"""Signing in and out, where a passphrase is asked for."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Request
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from services.session_lifetime import AT_HOME
from services.web.context import APost, AppContext
from services.web.forms import own_path
from services.web.guard import SIGN_IN, SIGN_IN_FIRST, session_of
from services.web.passphrase import COOKIE

router = APIRouter()
# A link of a mail carries its own right, to one answer; cautions are nobody's secret.
OPEN_PATHS = ("/static/", "/a/", "/careful")


class SignedIn:
    """ASGI middleware: where a passphrase is asked for, nobody passes without it."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let the request through, or ask for the passphrase."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        request = Request(scope)
        answer = self.app if let_in(request) else ask(request)
        await answer(scope, receive, send)


def let_in(request: Request) -> bool:
    """Whether this request may go on; notes the session it belongs to."""
    shared: AppContext = request.app.state.shared
    if shared.sessions is None:
        return True
    session = request.cookies.get(COOKIE, "")
    if session and shared.sessions.knows(session, shared.clock()):
        request.state.session = session
        return True
    return request.url.path == SIGN_IN or request.url.path.startswith(OPEN_PATHS)


def ask(request: Request) -> Response:
    """The question for the passphrase; programs get a plain no."""
    if request.url.path.startswith("/api/"):
        return JSONResponse({"detail": SIGN_IN_FIRST}, 401)
    # A link from a mail comes without the cookie: the same link pressed on our own page brings it along.
    target = request.url.path if request.method == "GET" else "/"
    return _form(request, 401, target)


@router.get(SIGN_IN)
def sign_in(request: Request) -> Response:
    """The form."""
    return _form(request, 200, "/")


@router.post(SIGN_IN)
def check(
    request: Request, passphrase: Annotated[str, Form(max_length=1000)] = "", to: Annotated[str, Form()] = "/"
) -> Response:
    """Let in, or not. Another site cannot post here: the guard compares origins."""
    shared: AppContext = request.app.state.shared
    if shared.sessions is None:
        return RedirectResponse("/", 303)
    now, address = shared.clock(), request.client.host if request.client else "?"
    target = own_path(to)
    wait_s = shared.sessions.wait_s(address, now)
    if wait_s > 0:
        answer = _form(request, 429, target, f"Too many wrong tries; wait {wait_s:.0f} seconds.")
        answer.headers["Retry-After"] = f"{wait_s:.0f}"
        return answer
    session = shared.sessions.admit(address, passphrase, now)
    if session is None:
        return _form(request, 403, target, "That is not the passphrase.")
    opened = RedirectResponse(target, 303)
    opened.set_cookie(
        COOKIE,
        session,
        max_age=int(AT_HOME.total_seconds()),
        httponly=True,
        samesite="strict",
        secure=request.url.scheme == "https",
    )
    return opened


@router.post("/sign-out")
def sign_out(request: Request, posted: APost) -> Response:
    """End the session."""
    del posted
    shared: AppContext = request.app.state.shared
    if shared.sessions is not None:
        shared.sessions.dismiss(session_of(request))
    answer = RedirectResponse(SIGN_IN, 303)
    answer.delete_cookie(COOKIE)
    return answer


def _form(request: Request, status: int, to: str, sentence: str = "") -> HTMLResponse:
    shared: AppContext = request.app.state.shared
    return HTMLResponse(shared.rendering.render("sign_in.html", to=to, sentence=sentence), status)
