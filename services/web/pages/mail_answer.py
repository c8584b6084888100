"""What a link in a mail opens, without a passphrase: one question, one button; and the cautions, whole.

Opening it writes nothing: mail programs and their scanners open links by themselves.
"""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response

from rules.cautions import LINK, caution
from rules.kinds_of_work import work
from rules.reminder import ReminderKind
from rules.vocabulary import Regime
from services.answer_links import LinkRefused
from services.store import StoreError
from services.use_cases.answer_reminder import answer_by_link, offered
from services.web.context import shared_of
from services.web.forms import Posted
from services.web.guard import TOKEN_FIELD

router = APIRouter()


@router.get("/a/{token}")
def ask(token: str, request: Request) -> Response:
    """What would be written, and the button that writes it."""
    shared = shared_of(request)
    try:
        offer = offered(shared.app, token, now=shared.clock())
    except (LinkRefused, StoreError) as error:
        return _page(request, 410, "Nothing to write", str(error))
    proof = shared.tokens.proof(_form_of(token))
    return _page(request, 200, offer.question, presses=offer.presses, proof=proof)


@router.post("/a/{token}")
async def answer(token: str, request: Request) -> Response:
    """Written down as of this moment, once."""
    shared = shared_of(request)
    posted = Posted(await request.form(max_files=0, max_fields=5))
    if not shared.tokens.good(_form_of(token), posted.text(TOKEN_FIELD)):
        return _page(request, 403, "Not written yet", "Open the link from the mail again, then press.")
    try:
        said = answer_by_link(shared.app, token, now=shared.clock(), bike=posted.text("bike", most=20))
    except (LinkRefused, StoreError) as error:
        return _page(request, 409, "Nothing was written", str(error))
    return _page(request, 200, "Written down", *said.sentences, back="Take it back")


@router.get("/careful")
def careful(request: Request) -> HTMLResponse:
    """Every caution, whole: what a mail says in a line."""
    said: dict[str, list[str]] = {}
    for kind in ReminderKind:
        for regime in Regime:
            hands = work(kind, regime)
            other = "Swap a chain" if kind is ReminderKind.REPLACEMENT else "Measure"
            said.setdefault(caution(kind, regime), []).append(hands.verb if hands else other)
    shared = shared_of(request)
    steps = [(list(dict.fromkeys(names)), words) for words, names in said.items()]
    return HTMLResponse(
        shared.rendering.render(
            "cautions.html",
            units=shared.app.units,
            steps=[*steps, (["Close a quick link"], LINK)],
            attribution=shared.app.attribution,
        )
    )


def _form_of(token: str) -> str:
    """The form is the link's own: a cookie may come along with the press that the link came without."""
    return f"link {token}"


def _page(request: Request, status: int, heading: str, *said: str, **more: Any) -> HTMLResponse:
    shared = shared_of(request)
    figures = {"presses": (), "proof": "", "back": "", "action": request.url.path, **more}
    html = shared.rendering.render(
        "mail_answer.html", units=shared.app.units, heading=heading, said=said, **figures
    )
    return HTMLResponse(html, status)
