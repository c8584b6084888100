"""One ride: where it went and over what ground, its hours, which bike and why; and the word that mends it."""

from __future__ import annotations

import json

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse, Response

from ingest.ride.track import track_points
from rules.commands import PutRidesOn, SayCondition, SayUnpaved, SplitOuting, WithdrawRide
from rules.contamination import exposures
from rules.vocabulary import BikeId, Condition, RideId
from services.app import zone_of
from services.use_cases.preview import supposed
from services.views.snapshot import Snapshot
from services.views.terminal_text import left_out
from services.web.context import AContext, APost
from services.web.drawing_inputs import clues_picture, gears_picture, ride_pictures
from services.web.forms import LARGEST_ID, FormRefused

router = APIRouter(prefix="/rides")
ARCHIVE = "archive"  # the word that takes a rider's word back
NONE = "none"  # none of ours
NOTHING_CHANGES = "Nothing would change for any chain."


@router.get("/{number}")
def ride(
    number: int, context: AContext, bike: str = Query("", max_length=20), word: str = Query("", max_length=20)
) -> HTMLResponse:
    """The page of one ride. The query asks what a correction would change; nothing is kept."""
    identity = identity_of(number)
    with context.app.store.reading() as tx:
        details = tx.rides.details(identity)
        decisions = tx.rides.assignments_of(identity)
        held = tx.rides.assignment_in_force(identity)
        sources = tx.files.files_of(identity)
        words = tx.rides.words_of(identity)
    snapshot = context.snapshot
    one = details.ride
    own = None if one.bike is None else snapshot.ledger.bike(one.bike)
    puts = exposures(snapshot.ledger, one, snapshot.rulebook)
    rows = list(zip(one.hours, puts, strict=True))
    evidence = json.loads(held.evidence) if held is not None and held.evidence else {}
    zone = zone_of(snapshot.rider(one).time_zone)
    points = track_points(details.summary.track)
    name = snapshot.ride_name(one, context.now)
    counted = details.kept_ride is None and details.withdrawn_because is None
    difference = (
        supposed(
            context.app,
            bikes={one.id: bike_said(bike, snapshot)} if bike else None,
            words={one.id: word_said(word)} if word else None,
            now=context.now,
        )
        if counted and (bike or word)
        else None
    )
    return context.show(
        "ride.html",
        here="rides",
        zone=zone,
        ride=one,
        name=name,
        rider=snapshot.rider(one),
        details=details,
        own=own,
        chain=snapshot.ledger.chain_of(one),
        decisions=decisions,
        because=evidence.get("because", ""),
        clues=clues_picture(held.evidence if held is not None else "", snapshot, context.app.units),
        gears=gears_picture(details.clues, one, name, snapshot),
        sources=sources,
        left_out=list(left_out(details.summary)),
        home=str(context.app.settings.home),
        said=words,
        rows=rows,
        pictures=ride_pictures(one, name, points, puts, zone, context.app.units),
        grit_h=sum(put.grit_h for put in puts),
        bikes=snapshot.ledger.bikes_here(one.started_at),
        conditions=[w for w in Condition if w is not Condition.UNKNOWN],
        asked_bike=bike,
        asked_word=word,
        supposed=None if difference is None else difference.sentences or (NOTHING_CHANGES,),
        unpaved=one.unpaved_share if one.unpaved_share is not None else own.unpaved_share if own else 0.0,
        counted=counted,
    )


def identity_of(number: int) -> RideId:
    """A ride's number that any database can look for."""
    return RideId(min(max(number, 0), LARGEST_ID))


def bike_said(text: str, snapshot: Snapshot) -> BikeId | None:
    """A bike's number, or 'none'. Raises FormRefused."""
    if text == NONE:
        return None
    if text.isascii() and text.isdigit() and int(text) in {bike.id for bike in snapshot.ledger.bikes}:
        return BikeId(int(text))
    raise FormRefused("Choose a bike of the household, or none of ours.", field="bike")


def word_said(text: str) -> Condition | None:
    """A condition, or 'archive' for taking the word back. Raises FormRefused."""
    if text == ARCHIVE:
        return None
    try:
        return Condition(text)
    except ValueError as error:
        raise FormRefused("Choose what it was like, or leave it to the archive.", field="word") from error


@router.post("/{number}/bike")
def put_on_bike(number: int, context: AContext, posted: APost) -> Response:
    """The rider's word on the bike."""
    bike = bike_said(posted.text("bike"), context.snapshot)
    return context.keep(PutRidesOn(((identity_of(number), bike),)), posted, f"/rides/{number}")


@router.post("/{number}/conditions")
def call_it(number: int, context: AContext, posted: APost) -> Response:
    """The rider's word on what it was like."""
    word = word_said(posted.text("word"))
    return context.keep(SayCondition(identity_of(number), word), posted, f"/rides/{number}")


@router.post("/{number}/ground")
def say_ground(number: int, context: AContext, posted: APost) -> Response:
    """The rider's word on how much of it was unpaved."""
    percent = posted.number("unpaved", what="The unpaved share in %")
    share = None if percent is None else percent / 100
    return context.keep(SayUnpaved(identity_of(number), share), posted, f"/rides/{number}")


@router.post("/{number}/own-outing")
def own_outing(number: int, context: AContext, posted: APost) -> Response:
    """Two recordings were two outings after all."""
    return context.keep(SplitOuting(identity_of(number)), posted, f"/rides/{number}")


@router.post("/{number}/no-ride")
def no_ride(number: int, context: AContext, posted: APost) -> Response:
    """It counts no more."""
    because = posted.text("because") or "no ride of ours"
    return context.keep(WithdrawRide(identity_of(number), because), posted, f"/rides/{number}")
