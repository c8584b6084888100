"""A club's entry: signing in and out, invitations, which household to look at, one's own password."""

from __future__ import annotations

import logging
from typing import Annotated, Any

from fastapi import APIRouter, Form, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from starlette.background import BackgroundTask

from rules.roles import words_of
from services.channels import ChannelError
from services.store import FactRefused, NotFound, StoreError
from services.store.people import Invitation, Membership
from services.use_cases import lost_password, mailed_links, memberships, passwords, sign_in
from services.web.club_access import (
    Door,
    back_to,
    came_from,
    door_of,
    secret_of,
    show,
    sign_in_form,
    visit_of,
)
from services.web.context import APost
from services.web.forms import FormRefused, own_path
from services.web.guard import SIGN_IN

router = APIRouter()
MostTyped = Annotated[str, Form(max_length=passwords.MOST_CHARACTERS)]


@router.get(SIGN_IN)
def form(request: Request) -> Response:
    """The form."""
    return sign_in_form(request, 200, "/")


@router.post(SIGN_IN)
def check(
    request: Request, email: MostTyped = "", password: MostTyped = "", to: Annotated[str, Form()] = "/"
) -> Response:
    """Let in, or not. Another site cannot post here: the guard compares origins."""
    door = door_of(request)
    target = own_path(to)
    try:
        secret = sign_in.sign_in(
            door.club.people, email, password, address=came_from(request), now=door.clock()
        )
    except sign_in.TooManyTries as many:
        answer = sign_in_form(request, 429, target, str(many), email)
        answer.headers["Retry-After"] = str(many.wait_s)
        return answer
    except sign_in.NotLetIn as no:
        return sign_in_form(request, 403, target, str(no), email)
    return _let_in(request, secret, target)


def _let_in(request: Request, secret: str, to: str = "/") -> Response:
    """On to a page with a new session, which ends the one before."""
    if before := secret_of(request):
        door_of(request).club.people.end_session(before)
    return door_of(request).let_in(RedirectResponse(to, 303), secret)


@router.post("/sign-out")
def sign_out(request: Request, posted: APost) -> Response:
    """End the session."""
    del posted
    door_of(request).club.people.end_session(secret_of(request))
    return _signed_out(request)


def _signed_out(request: Request) -> Response:
    answer = RedirectResponse(SIGN_IN, 303)
    answer.delete_cookie(
        door_of(request).cookie, path="/", secure=door_of(request).secure, httponly=True, samesite="lax"
    )
    return answer


@router.get("/invited/{token}")
def invited(token: str, request: Request) -> HTMLResponse:
    """What would be accepted, and the form that accepts it. Opening it changes nothing."""
    door = door_of(request)
    invitation = door.club.people.invitation(token)
    if invitation is None or not invitation.stands(door.clock()):
        return _invited(request, None, 410)
    return _invited(request, invitation, 200)


@router.post("/invited/{token}")
def accept(token: str, request: Request, name: MostTyped = "", password: MostTyped = "") -> Response:
    """Become a member. The link is the form's own proof: nobody else has it."""
    door = door_of(request)
    people, now = door.club.people, door.clock()
    try:
        visit = people.visit(secret_of(request), now)
        secret = memberships.accept(
            people, token, visit=visit, name=name, password=password, address=came_from(request), now=now
        )
    except sign_in.TooManyTries as many:
        return _invited(request, people.invitation(token), 429, str(many), name)
    except sign_in.NotLetIn:
        return _invited(request, people.invitation(token), 403, "That is not your password.", name)
    except NotFound:
        return _invited(request, None, 410)
    except FactRefused as no:
        invitation = people.invitation(token)
        if invitation is None or not invitation.stands(now):
            return _invited(request, None, 410)
        return _invited(request, invitation, 422, str(no), name)
    return _let_in(request, secret)


def _invited(
    request: Request, invitation: Invitation | None, status: int, sentence: str = "", name: str = ""
) -> HTMLResponse:
    door = door_of(request)
    known = visit = None
    if invitation is not None:
        known = door.club.people.by_email(invitation.email)
        visit = door.club.people.visit(secret_of(request), door.clock())
    html = door.shared.rendering.render(
        "invited.html",
        invitation=invitation,
        may=() if invitation is None else words_of(invitation.role),
        known=known,
        here=invitation is not None
        and known is not None
        and visit is not None
        and visit.person.id == known.id,
        action=request.url.path,
        fewest=passwords.FEWEST_CHARACTERS,
        sentence=sentence,
        name=name[:100],
    )
    return HTMLResponse(html, status)


@router.get("/forgotten")
def forgotten(request: Request) -> HTMLResponse:
    """The form that asks for a link to another password."""
    return _forgotten(request, 200, no_mail=mailed_links.mail_of(door_of(request).app) is None)


@router.post("/forgotten")
def ask_for_link(request: Request, email: MostTyped = "") -> Response:
    """A mail to who has this address; who asks is told the same, as soon, whether or not there is anybody."""
    door, email = door_of(request), email.strip()
    try:
        lost_password.count_lost(door.club.people, email, address=came_from(request), now=door.clock())
    except sign_in.TooManyTries as many:
        answer = _forgotten(request, 429, sentence=str(many), email=email)
        answer.headers["Retry-After"] = str(many.wait_s)
        return answer
    answer = _forgotten(request, 200, asked=True, email=email)
    answer.background = BackgroundTask(_mail_link, door, email)
    return answer


def _mail_link(door: Door, email: str) -> None:
    try:
        lost_password.mail_lost(door.app, door.club.people, email, now=door.clock())
    except (ChannelError, StoreError) as trouble:
        logging.getLogger("gritledger").warning("A link for a lost password was not mailed: %s", trouble)


@router.get("/forgotten/{token}")
def lost(token: str, request: Request) -> HTMLResponse:
    """The form for another password. Opening it changes nothing."""
    door = door_of(request)
    person = lost_password.who_lost(door.app, door.club.people, token, now=door.clock())
    return _forgotten(request, 200 if person else 410, person=person, action=request.url.path)


@router.post("/forgotten/{token}")
def renew(token: str, request: Request, password: MostTyped = "") -> Response:
    """Another password. The link is the form's own proof: nobody else has it."""
    door = door_of(request)
    people, now, action = door.club.people, door.clock(), request.url.path
    try:
        secret = lost_password.renew_password(door.app, people, token, password, now=now)
    except NotFound:
        return _forgotten(request, 410, action=action)
    except FactRefused as no:
        person = lost_password.who_lost(door.app, people, token, now=now)
        return _forgotten(request, 422, person=person, action=action, sentence=str(no))
    return _let_in(request, secret)


def _forgotten(request: Request, status: int, *, email: str = "", **said: Any) -> HTMLResponse:
    blank = {"person": None, "action": "", "asked": False, "no_mail": False, "sentence": ""}
    html = door_of(request).shared.rendering.render(
        "forgotten.html", **blank | said, fewest=passwords.FEWEST_CHARACTERS, email=email[:254]
    )
    return HTMLResponse(html, status)


@router.get("/households")
def households(request: Request) -> HTMLResponse:
    """Which household to look at."""
    return show(request, "households.html", here="households")


@router.post("/households/{number}")
def choose(number: int, request: Request, posted: APost) -> Response:
    """Look at this one from now on."""
    del posted
    _their(request, number)
    door_of(request).club.people.choose(secret_of(request), number)
    return RedirectResponse("/", 303)


def _their(request: Request, number: int) -> Membership:
    for one in visit_of(request).memberships:
        if one.household == number:
            return one
    raise NotFound("household", number, (one.household_name for one in visit_of(request).memberships))


@router.get("/me")
def me(request: Request) -> HTMLResponse:
    """One's own name, password and sessions."""
    return show(request, "my_account.html", here="me", fewest=passwords.FEWEST_CHARACTERS)


@router.post("/me/password")
def change_password(request: Request, posted: APost) -> Response:
    """Another password; every other session ends."""
    door = door_of(request)
    try:
        secret = sign_in.change_password(
            door.club.people,
            visit_of(request),
            posted.secret("old"),
            posted.secret("password"),
            address=came_from(request),
            now=door.clock(),
        )
    except sign_in.TooManyTries as many:
        raise FormRefused(str(many), status=429, field="old") from many
    except sign_in.NotLetIn as no:
        raise FormRefused("That is not your password.", status=403, field="old") from no
    answer = back_to(request, "/me", "Your password is changed; every other session has ended.")
    return door.let_in(answer, secret)


@router.post("/me/everywhere")
def sign_out_everywhere(request: Request, posted: APost) -> Response:
    """Every session ends, this one too."""
    del posted
    door_of(request).club.people.end_every_session(visit_of(request).person.id)
    return _signed_out(request)


@router.post("/me/leave/{number}")
def leave(number: int, request: Request, posted: APost) -> Response:
    """Belong to a household no more."""
    own = _their(request, number)
    if not posted.ticked("sure"):
        raise FormRefused("Tick that you are sure: only an owner can let you in again.", field="sure")
    memberships.let_go(door_of(request).club.people, own.person, by=own)
    return back_to(request, "/households", f"You belong to “{own.household_name}” no more.")
