"""Who belongs to a household of a club: inviting people, and letting them go. Its owners' page."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, Response

from rules.roles import Role, words_of
from rules.vocabulary import RiderId
from services.channels import ChannelError
from services.store import NotFound
from services.store.people import Membership
from services.use_cases import memberships
from services.web.club_access import door_of
from services.web.context import AContext, APost, RequestContext
from services.web.forms import FormRefused

router = APIRouter(prefix="/people")


def _own(context: RequestContext) -> Membership:
    assert context.visit is not None
    assert context.visit.chosen is not None
    return context.visit.chosen


@router.get("")
def members(context: AContext) -> HTMLResponse:
    """Who belongs here, who is invited, and the form that invites."""
    people, own = door_of(context.request).club.people, _own(context)
    return context.show(
        "people.html",
        here="people",
        good_for_days=memberships.INVITED_FOR.days,
        members=people.members(own.household),
        invitations=people.invitations(own.household, context.now),
        roles=[(role, words_of(role)) for role in Role],
        rider_names={one.id: one.name for one in context.snapshot.ledger.riders},
    )


@router.post("/invite")
def invite(context: AContext, posted: APost) -> Response:
    """A mail goes out with a link that lets one person in."""
    own, email = _own(context), posted.need("email", "whom to invite, by mail address")
    role = posted.choice("role", Role, "what they are here")
    rider = RiderId(posted.identity("rider", "a rider")) if posted.text("rider") else None
    if rider is not None and rider not in {one.id for one in context.snapshot.ledger.riders}:
        raise NotFound("rider", rider)
    if role is Role.RIDER and rider is None:
        raise FormRefused("Say which of the household's riders that is.", field="rider")
    door = door_of(context.request)
    try:
        memberships.invite(
            door.app,
            door.club.people,
            own.household,
            own.household_name,
            email,
            role,
            rider,
            by=own,
            now=context.now,
        )
    except ChannelError as error:
        return context.redirect("/people", f"{email}: the mail was not taken: {error} Invite once more.")
    return context.redirect("/people", f"{email} is invited as {role}: the mail is on its way.")


@router.post("/take-back")
def take_back(context: AContext, posted: APost) -> Response:
    """An invitation counts no more."""
    email = posted.need("email", "whose invitation")
    memberships.take_back(door_of(context.request).club.people, email, by=_own(context), now=context.now)
    return context.redirect("/people", f"The invitation of {email} counts no more.")


@router.post("/{number}/let-go")
def let_go(number: int, context: AContext, posted: APost) -> Response:
    """Somebody belongs here no more."""
    del posted
    people, own = door_of(context.request).club.people, _own(context)
    gone = next((one for one in people.members(own.household) if one.person == number), None)
    if gone is None:
        raise NotFound("person", number)
    memberships.let_go(people, number, by=own)
    return context.redirect("/people", f"{gone.name} belongs here no more.")
