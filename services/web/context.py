"""What every page has at hand: the tools, the newest snapshot, the clock, and how a page is rendered."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from typing import Annotated, Any, cast
from urllib.parse import parse_qsl, urlencode, urlsplit

from fastapi import Depends, Query, Request
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.datastructures import FormData

from rules.commands import Command
from rules.roles import Member
from rules.units import SI, said
from services.app import App, Followed
from services.store import NeedsConfirmation
from services.store.people import Visit
from services.use_cases.record_change import record
from services.views.snapshot import Snapshot
from services.views.snapshot_refresh import Snapshots
from services.web.background_import import Reading
from services.web.flash import Flash
from services.web.forms import FormRefused, Posted
from services.web.guard import TOKEN_FIELD, Tokens, session_of
from services.web.page_rights import allowed, without_closed_forms
from services.web.passphrase import SessionStore
from services.web.refused_form import RefusedForm, shown_again
from services.web.rendering import Rendering, rendering

API = "/api"
MOST_TYPED = 20_000  # characters of a refused form that are kept for a while
Clock = Callable[[], datetime]


@dataclass
class AppContext:
    """What the pages of one application share."""

    followed: Followed
    clock: Clock
    sessions: SessionStore | None
    snapshots: Snapshots = field(init=False)
    rendering: Rendering = field(default_factory=rendering)
    tokens: Tokens = field(default_factory=Tokens)
    flash: Flash = field(default_factory=Flash)
    reading: Reading = field(default_factory=Reading)

    def __post_init__(self) -> None:
        """Snapshots belong to these tools."""
        self.snapshots = Snapshots(self.followed.now(), self.clock)

    @property
    def app(self) -> App:
        """The household's tools, as its settings say now."""
        app = self.followed.now()
        self.snapshots.follow(app)
        return app


def shared_of(request: Request) -> AppContext:
    """What the pages of this request's household share."""
    found: AppContext = getattr(request.state, "shared", None) or request.app.state.shared
    return found


class RequestContext:
    """One request: what the ledger says now, and the page to put it on."""

    def __init__(self, request: Request) -> None:
        self.request = request
        self.shared = shared_of(request)
        self.visit: Visit | None = getattr(request.state, "visit", None)  # None = at home
        chosen = None if self.visit is None else self.visit.chosen
        self.member: Member | None = None if chosen is None else chosen.member
        self.app = self.shared.app if self.member is None else self.shared.app.asked_by(self.member)
        self.now = self.shared.clock()
        self._snapshot: Snapshot | None = None

    @property
    def snapshot(self) -> Snapshot:
        """What the ledger says, the same for the whole request."""
        if self._snapshot is None:
            self._snapshot = self.shared.snapshots.now()
        return self._snapshot

    @property
    def zone(self) -> tzinfo:
        """The household's wall clock."""
        return self.snapshot.zone

    def may(self, path: str, method: str = "GET") -> bool:
        """Whether who asks may open this page, or send a form there; at home everybody may."""
        return self.member is None or allowed(self.member, method, path)

    def show(self, template: str, *, here: str = "", **figures: Any) -> HTMLResponse:
        """The page, with what was just done said on top."""
        flash = self.shared.flash.of(self.request.query_params.get("flash", ""))
        refused = None if flash is None else flash.refused
        units = self.app.units
        html = self.shared.rendering.render(
            template,
            here=here,
            flash=None if refused else flash,
            proof=self.shared.tokens.proof(session_of(self.request)),
            signed_in=bool(session_of(self.request)),
            back_to=self.request.url.path,
            snapshot=self.snapshot,
            zone=figures.pop("zone", None) or self.zone,
            now=self.now,
            attribution=self.app.attribution,
            units=units,
            visit=self.visit,
            may=self.may,
            **figures,
        )
        if self.member is not None:
            html = without_closed_forms(html, self.may)
        return HTMLResponse(html if refused is None else said(shown_again(html, refused), units))

    def keep(self, command: Command, posted: Posted, to: str) -> Response:
        """Keep what a form says and go back to a page that tells it; or ask, where it is odd."""
        try:
            done = record(self.app, command, now=self.now, confirmed=posted.ticked("yes"))
        except NeedsConfirmation as asked:
            return self.ask(str(asked), posted, back=to)
        return self.redirect(to, *done.sentences, undo=done.number)

    def ask(self, question: str, posted: Posted, *, back: str) -> HTMLResponse:
        """The same form once more, behind a question; nothing was kept yet. A no leads back to it."""
        return self.show(
            "confirm.html",
            question=question,
            action=self.request.url.path,
            fields=posted.again(TOKEN_FIELD, "yes"),
            back=form_again(self.request, posted) or back,
        )

    def redirect(self, to: str, *sentences: str, undo: int | None = None) -> RedirectResponse:
        """Back to a page after a form, which says what was done."""
        self.shared.snapshots.wrote()
        if not sentences:
            return RedirectResponse(to, 303)
        path, mark, anchor = to.partition("#")
        joint = "&" if "?" in path else "?"
        name = self.shared.flash.keep(sentences, undo)
        return RedirectResponse(f"{path}{joint}flash={name}{mark}{anchor}", 303)


def form_again(request: Request, posted: Posted, sentence: str = "", field: str = "") -> str | None:
    """Where the form stands again as it was typed; None = it is not known where it was, or too long."""
    came_from = urlsplit(request.headers.get("referer", ""))
    if came_from.netloc != request.headers.get("host") or posted.size > MOST_TYPED:
        return None
    query = urlencode([pair for pair in parse_qsl(came_from.query) if pair[0] != "flash"])
    typed = tuple(posted.again(TOKEN_FIELD, "yes"))
    shared = shared_of(request)
    name = shared.flash.keep(refused=RefusedForm(request.url.path, typed, sentence, field))
    return f"/{came_from.path.lstrip('/')}?{query}{'&' if query else ''}flash={name}"


def say_no(request: Request, status: int, sentence: str) -> Response:
    """The sentence alone: as a page, and to programs as JSON."""
    if request.url.path.startswith(f"{API}/"):
        return JSONResponse({"detail": said(sentence, SI)}, status)
    shared, typed = shared_of(request), request.method == "POST"
    figures = {"status": status, "sentence": sentence, "typed": typed}
    return HTMLResponse(shared.rendering.render("error.html", units=shared.app.units, **figures), status)


async def posted_of(request: Request) -> Posted:
    """What a form of ours sent. Raises FormRefused when it does not prove to be ours."""
    form: FormData = await request.form(max_files=0, max_fields=2000)
    shared = shared_of(request)
    token = form.get(TOKEN_FIELD)
    if not isinstance(token, str) or not shared.tokens.good(session_of(request), token):
        raise FormRefused(
            "This form is from before the program was last started, or not from this page. Nothing was "
            "changed. Go back, load the page again and repeat it.",
            status=403,
        )
    request.state.posted = Posted(form)
    return cast("Posted", request.state.posted)


def paged(count: int, page: int, size: int) -> dict[str, Any]:
    """What the pager below a list needs: how many there are, the page that is shown, and the last one."""
    return {"count": count, "page": page, "pages": max(1, -(-count // size))}


APage = Annotated[int, Query(ge=1, le=100_000)]
AText = Annotated[str, Query(max_length=200)]
AChoice = Annotated[str, Query(max_length=60)]  # of a list, or of things by their number
AContext = Annotated[RequestContext, Depends(RequestContext)]
APost = Annotated[Posted, Depends(posted_of)]
