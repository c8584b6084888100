"""A mechanic's evening: the chains of all their households that want the pot tonight, logged in one go."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from rules.cautions import caution
from rules.reminder import ReminderKind
from rules.roles import Reach, Right, reach
from rules.vocabulary import ChainId
from services.app import App
from services.store import StoreError
from services.store.people import Membership
from services.use_cases.pot import Share, immersed, undo_acts
from services.views.pot import PotRow, pot_headline, pot_rows
from services.web.club_access import back_to, door_of, show, visit_of
from services.web.context import APost
from services.web.drawing_inputs import strip
from services.web.forms import FormRefused

router = APIRouter(prefix="/pot")
MOST = 200  # chains a form, and acts to take back


def _cared_for(request: Request) -> list[Membership]:
    """Their households whose chains they may all care for."""
    return [one for one in visit_of(request).memberships if reach(one.member, Right.CARE) is Reach.ALL]


def _rows(request: Request) -> tuple[list[PotRow], list[str], list[str]]:
    """What the pot waits for, households without anything for it, and what could not be looked at."""
    door, rows, calm, trouble = door_of(request), [], [], []
    for one in _cared_for(request):
        try:
            shared = door.of(one.household)
            found = pot_rows(one.household, one.household_name, _snapshot(shared), door.clock())
        except StoreError as error:
            trouble.append(f"{one.household_name}: {error}")
            continue
        rows += found
        if not found:
            calm.append(one.household_name)
    return rows, calm, trouble


def _snapshot(shared: Any) -> Any:
    _ = shared.app  # settings that were written anew count
    return shared.snapshots.now()


@router.get("")
def pot(request: Request, done: Annotated[list[str] | None, Query(max_length=MOST)] = None) -> HTMLResponse:
    """What waits, most pressing first in each household. done: what was just logged, to be taken back."""
    rows, calm, trouble = _rows(request)
    return show(
        request,
        "pot.html",
        here="pot",
        headline=pot_headline(rows),
        households=_grouped(rows),
        calm=calm,
        trouble=trouble,
        done=[one for one in done or () if _pair(one)],
        caution=caution(ReminderKind.IMMERSION),
        drawn=lambda row: strip(row.state, of=f"{row.household}-"),
    )


def _grouped(rows: Iterable[PotRow]) -> list[tuple[int, str, list[PotRow]]]:
    found: dict[int, tuple[int, str, list[PotRow]]] = {}
    for row in rows:
        found.setdefault(row.household, (row.household, row.household_name, []))[2].append(row)
    return list(found.values())


@router.post("/immersed")
def log(request: Request, posted: APost) -> Response:
    """All that were ticked, in one act a household."""
    ticked = set(posted.every("chain"))
    rows = [row for row in _rows(request)[0] if row.key in ticked]
    if not rows:
        raise FormRefused(
            "Tick at least one chain that still waits for the pot; somebody may have logged it meanwhile."
        )
    minutes = posted.number("minutes", low=0, high=1440, what="Minutes")
    door, note = door_of(request), posted.text("note", most=500)
    apps = dict(_apps(request))
    shares = [
        Share(number, name, apps[number][1], tuple(ChainId(row.need.chain.id) for row in waiting))
        for number, name, waiting in _grouped(rows)
    ]
    kept = immersed(shares, minutes=minutes, note=note, now=door.clock())
    for one in kept:
        door.of(one.household).snapshots.wrote()  # the page that follows shows it
    name = door.shared.flash.keep(one.sentence for one in kept)
    pairs = [("done", f"{one.household}:{one.number}") for one in kept if one.number]
    return RedirectResponse(f"/pot?{urlencode([*pairs, ('flash', name)])}", 303)


@router.post("/undo")
def take_back(request: Request, posted: APost) -> Response:
    """All of it is taken back, in every household."""
    apps = dict(_apps(request))
    pairs = [pair for one in posted.every("done")[:MOST] if (pair := _pair(one)) and pair[0] in apps]
    if not pairs:
        raise FormRefused("There is nothing here to take back.")
    acts = [(*apps[household], number) for household, number in pairs]
    said = undo_acts(acts, now=door_of(request).clock())
    for household, _ in pairs:
        door_of(request).of(household).snapshots.wrote()
    return back_to(request, "/pot", *said)


def _apps(request: Request) -> Iterator[tuple[int, tuple[str, App]]]:
    door = door_of(request)
    for one in _cared_for(request):
        yield one.household, (one.household_name, door.of(one.household).app.asked_by(one.member))


def _pair(text: str) -> tuple[int, int] | None:
    household, _, number = text.partition(":")
    if not all(part.isascii() and part.isdecimal() and len(part) < 10 for part in (household, number)):
        return None
    return int(household), int(number)
