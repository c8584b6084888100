"""What every page has at hand: the workshop, the newest snapshot, the clock, and how a page is dressed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, tzinfo
from typing import Annotated, Any

from fastapi import Depends, Request
from fastapi.responses import HTMLResponse, RedirectResponse
from starlette.datastructures import FormData

from services.web.dress import Dress
from services.web.forms import FormRefused, Posted
from services.web.guard import TOKEN_FIELD, Tokens, session_of
from services.web.sign_in import Doorkeeper
from services.web.snapshot import Snapshot, Snapshots
from services.web.told import Told
from services.workshop import Workshop

Clock = Callable[[], datetime]


def utc_now() -> datetime:
    """The machine's clock."""
    return datetime.now(UTC)


@dataclass
class Desk:
    """What the pages of one application share."""

    workshop: Workshop
    clock: Clock
    doorkeeper: Doorkeeper | None
    snapshots: Snapshots = field(init=False)
    dress: Dress = field(default_factory=Dress)
    tokens: Tokens = field(default_factory=Tokens)
    told: Told = field(default_factory=Told)

    def __post_init__(self) -> None:
        """Snapshots belong to this workshop."""
        self.snapshots = Snapshots(self.workshop)


class Sheet:
    """One request: what the ledger says now, and the page to put it on."""

    def __init__(self, request: Request) -> None:
        self.request = request
        self.desk: Desk = request.app.state.desk
        self.workshop = self.desk.workshop
        self.now = self.desk.clock()
        self._snapshot: Snapshot | None = None

    @property
    def snapshot(self) -> Snapshot:
        """What the ledger says, the same for the whole request."""
        if self._snapshot is None:
            self._snapshot = self.desk.snapshots.now()
        return self._snapshot

    @property
    def zone(self) -> tzinfo:
        """The household's wall clock."""
        return self.snapshot.zone

    def show(self, template: str, *, here: str = "", status: int = 200, **figures: Any) -> HTMLResponse:
        """The page, with what was just done said on top."""
        told = self.desk.told.of(self.request.query_params.get("told", ""))
        html = self.desk.dress.render(
            template,
            here=here,
            told=told,
            token=self.desk.tokens.of(session_of(self.request)),
            token_field=TOKEN_FIELD,
            signed_in=bool(session_of(self.request)),
            back_to=self.request.url.path,
            snapshot=self.snapshot,
            zone=figures.pop("zone", None) or self.zone,
            now=self.now,
            attribution=self.workshop.attribution,
            **figures,
        )
        return HTMLResponse(html, status)

    def went(self, to: str, *sentences: str, undo: int | None = None) -> RedirectResponse:
        """Back to a page after a form, which says what was done."""
        if not sentences:
            return RedirectResponse(to, 303)
        path, mark, anchor = to.partition("#")
        joint = "&" if "?" in path else "?"
        name = self.desk.told.keep(sentences, undo)
        return RedirectResponse(f"{path}{joint}told={name}{mark}{anchor}", 303)


def sheet_of(request: Request) -> Sheet:
    """The sheet of this request."""
    return Sheet(request)


async def posted_of(request: Request) -> Posted:
    """What a form of ours sent. Raises FormRefused when it does not prove to be ours."""
    form: FormData = await request.form(max_files=0, max_fields=2000)
    desk: Desk = request.app.state.desk
    token = form.get(TOKEN_FIELD)
    if not isinstance(token, str) or not desk.tokens.good(session_of(request), token):
        raise FormRefused(
            "This form is from before the program was last started, or not from this page. Nothing was "
            "changed. Go back, load the page again and repeat it.",
            status=403,
        )
    return Posted(form)


ASheet = Annotated[Sheet, Depends(sheet_of)]
APost = Annotated[Posted, Depends(posted_of)]
