"""A club's door: who comes with this request, at which household they look, and whether they may."""

from __future__ import annotations

import ipaddress
import threading
from collections import OrderedDict
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.concurrency import run_in_threadpool
from starlette.types import ASGIApp, Receive, Scope, Send

from rules.roles import Reach, Right, reach, refusal
from services.app import AT, App, Followed, household_app
from services.store import NotFound, StoreError
from services.store.club import Club
from services.store.job_queue import Job
from services.store.people import Visit
from services.web.context import AppContext, Clock, say_no
from services.web.guard import SAFE_METHODS, SIGN_IN_FIRST, is_loopback, session_of
from services.web.page_rights import Door as Needs
from services.web.page_rights import decided
from services.web.refused_form import shown_again

MOST_OPEN = 64  # households whose newest snapshot is kept
COOKIE, SECURE_COOKIE = "gritledger_member", "__Host-gritledger_member"


@dataclass
class Door:
    """What a club's pages share: its households' own, each set up when somebody first looks at it."""

    app: App
    club: Club
    clock: Clock
    shared: AppContext = field(init=False)

    def __post_init__(self) -> None:
        """The club's own rendering serves all of its households."""
        self.shared = AppContext(Followed(self.app), self.clock, None)
        self._open: OrderedDict[int, AppContext] = OrderedDict()
        self._opening = threading.Lock()

    def of(self, number: int) -> AppContext:
        """What the pages of one household share. Raises NotFound."""
        with self._opening:
            found = self._open.pop(number, None) or self._opened(number)
            self._open[number] = found
            while len(self._open) > MOST_OPEN:
                self._open.popitem(last=False)
            return found

    def _opened(self, number: int) -> AppContext:
        wake = partial(self.club.ask_for, Job.TAG, [number])
        made = household_app(self.app, self.club.store(number), wake=wake)
        ours = self.shared
        opened = AppContext(Followed(made), self.clock, None, rendering=ours.rendering, tokens=ours.tokens)
        opened.snapshots.aside = ours.snapshots.aside
        return opened

    @property
    def secure(self) -> bool:
        """Whether browsers reach us by https."""
        return (self.app.settings.page.public_url or "").startswith("https://")

    @property
    def cookie(self) -> str:
        """What the session's cookie is called: behind https, by the name that no other site can set."""
        return SECURE_COOKIE if self.secure else COOKIE

    def let_in(self, answer: Response, secret: str) -> Response:
        """The answer that brings the session's cookie."""
        answer.set_cookie(self.cookie, secret, httponly=True, samesite="lax", secure=self.secure, path="/")
        return answer


def door_of(request: Request) -> Door:
    """The club's door."""
    found: Door = request.app.state.door
    return found


def secret_of(request: Request) -> str:
    """The session's secret that came along; "" = none."""
    return request.cookies.get(door_of(request).cookie, "")


def visit_of(request: Request) -> Visit:
    """Who asks, on a page for those who have signed in."""
    found: Visit = request.state.visit
    return found


def came_from(request: Request) -> str:
    """Where tries to sign in are counted: the address, as our own proxy tells it where there is one.

    Of the sixth version's addresses the half that names the network: the rest is the asker's to choose.
    """
    peer = request.client.host if request.client else "?"
    told = request.headers.get("x-forwarded-for", "")
    if is_loopback(peer) and told:
        peer = told.rpartition(",")[2].strip()
    try:
        address = ipaddress.ip_address(peer)
    except ValueError:
        return peer[:60]
    return str(address) if address.version == 4 else str(ipaddress.ip_network((int(address) >> 64 << 64, 64)))


class MembersOnly:
    """ASGI middleware: whoever is not let in is answered here; others go on to their household's pages."""

    def __init__(self, app: ASGIApp, *, door: Door) -> None:
        self.app, self.door = app, door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let the request through, or answer it here."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        answer = await run_in_threadpool(self._answer, Request(scope), scope)
        await (answer or self.app)(scope, receive, send)

    def _answer(self, request: Request, scope: Scope) -> Response | None:
        try:
            number, path = _household_in(scope["path"])
            needs = decided(scope["method"], path)
            if number is not None and needs is Needs.BY_LINK:
                scope["root_path"] = f"{AT}{number}"
                request.state.shared = self.door.of(number)
                return None
            if needs is Needs.ANYONE and number is None:
                return None
            secret = request.cookies.get(self.door.cookie, "")
            visit = self.door.club.people.visit(secret, self.door.clock()) if secret else None
            if visit is None:
                return self._sign_in_first(request)
            request.state.visit = visit
            if number is not None:
                return self._go_to(request, visit, number, path, secret)
            request.state.session = secret
            if needs is Needs.SIGNED_IN:
                return None
            return self._into_household(request, visit, needs, secret)
        except NotFound:
            return say_no(request, 404, "There is no such page.")
        except StoreError as error:
            return say_no(request, 503, str(error))

    def _into_household(
        self, request: Request, visit: Visit, needs: Right | Needs | None, secret: str
    ) -> Response | None:
        if not isinstance(needs, Right):
            return say_no(request, 404, "There is no such page.")
        if visit.chosen is None:
            if request.url.path.startswith("/api/"):
                return JSONResponse({"detail": "Choose a household first."}, 403)
            return RedirectResponse("/households", 303)
        member = visit.chosen.member
        if reach(member, needs) is Reach.NONE:
            return say_no(request, 403, refusal(member, needs))
        request.state.shared = self.door.of(visit.chosen.household)
        # A form of one household is not taken by another that was chosen meanwhile.
        request.state.session = f"{secret} {visit.chosen.household}"
        return None

    def _go_to(self, request: Request, visit: Visit, number: int, path: str, secret: str) -> Response:
        """A link from a mail names its household: from now on that one is looked at."""
        if request.method not in SAFE_METHODS or number not in {one.household for one in visit.memberships}:
            return say_no(request, 404, "There is no such page.")
        self.door.club.people.choose(secret, number)
        query = f"?{request.url.query}" if request.url.query else ""
        return RedirectResponse(f"{path}{query}", 303)

    def _sign_in_first(self, request: Request) -> Response:
        if request.url.path.startswith("/api/"):
            return JSONResponse({"detail": SIGN_IN_FIRST}, 401)
        return sign_in_form(request, 401, request.url.path if request.method == "GET" else "/")


def _household_in(path: str) -> tuple[int | None, str]:
    """'/at/7/why/12' is household 7's '/why/12'. Never leads elsewhere: the rest is a path of one slash."""
    if not path.startswith(AT):
        return None, path
    number, _, rest = path.removeprefix(AT).partition("/")
    if not (number.isascii() and number.isdecimal() and len(number) < 10) or rest.startswith(("/", "\\")):
        raise NotFound("household", number[:20])
    return int(number), f"/{rest}"


def sign_in_form(request: Request, status: int, to: str, sentence: str = "", email: str = "") -> Response:
    """The form that asks who is there. to: where a right password leads."""
    html = door_of(request).shared.rendering.render(
        "member_sign_in.html", to=to, sentence=sentence, email=email[:254]
    )
    return HTMLResponse(html, status)


def show(request: Request, template: str, **figures: Any) -> HTMLResponse:
    """A page that is of no household, for whoever has signed in."""
    shared = door_of(request).shared
    said = shared.flash.of(request.query_params.get("flash", ""))
    html = shared.rendering.render(
        template,
        units=shared.app.units,
        visit=visit_of(request),
        proof=shared.tokens.proof(session_of(request)),
        flash=None if said is None or said.refused else said,
        **figures,
    )
    return HTMLResponse(html if said is None or said.refused is None else shown_again(html, said.refused))


def back_to(request: Request, path: str, *sentences: str) -> RedirectResponse:
    """To such a page after a form, which says what was done."""
    name = door_of(request).shared.flash.keep(sentences)
    return RedirectResponse(f"{path}?flash={name}", 303)
