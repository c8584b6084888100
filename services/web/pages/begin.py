"""The first hour: five steps from nothing to a reminder, each skipped, left and taken up again at will."""

from __future__ import annotations

from datetime import timedelta
from enum import StrEnum
from typing import Any
from zoneinfo import available_timezones

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, Response
from tzlocal import get_localzone_name

from rules.commands import AddBike, AddRider
from rules.dates_and_numbers import listed
from rules.quiet_hours import speak_at
from rules.reminder import ReminderKind
from rules.same_names import as_read
from rules.units import Units
from rules.vocabulary import BikeId, RiderId
from services.app import quiet_hours_of, zone_of
from services.use_cases.begin import (
    Group,
    Kept,
    Waxed,
    add_riders,
    end_first_hour,
    name_group,
    note_chain,
    open_groups,
)
from services.views.snapshot import Snapshot
from services.web.context import AContext, APost, RequestContext
from services.web.forms import FormRefused
from services.web.settings_fields import write

router = APIRouter(prefix="/begin")
STEPS = (
    ("riders", "Who rides"),
    ("files", "Your ride files"),
    ("bikes", "The bikes in them"),
    ("chains", "The chains on them"),
    ("reminders", "Where reminders go"),
)
NAMES = [name for name, _ in STEPS]
RIDERS_ASKED = 3


class Read(StrEnum):
    """What most households read; any mixture stands under Settings."""

    METRIC = "km, °C and mm"
    MILES = "miles, °F and inches"

    @classmethod
    def of(cls, units: Units) -> Read:
        """The nearer of the two."""
        return cls.MILES if units.miles else cls.METRIC

    @property
    def settings(self) -> dict[str, Any]:
        """As the settings file says it; None = as without it."""
        miles = self is Read.MILES
        values = {"distance": "miles", "temperature": "°F", "rain": "inches"}
        return {f"units.{key}": value if miles else None for key, value in values.items()}


def steps_done(context: RequestContext) -> dict[str, bool]:
    """Which steps have what they need; told by the ledger and the settings, so nothing is lost by leaving."""
    ledger, settings = context.snapshot.ledger, context.app.settings
    fitted = {one.bike for one in ledger.fittings}
    here = context.snapshot.ledger.bikes_here(context.now)
    return {
        "riders": bool(ledger.riders),
        "files": bool(ledger.rides or context.snapshot.recorded.count),
        "bikes": bool(ledger.bikes),
        "chains": bool(here) and all(one.id in fitted for one in here),
        "reminders": bool(context.app.channels) and bool(settings.watch),
    }


def open_steps(context: RequestContext) -> list[str]:
    """What is still open of the first hour, in words; none once bikes and chains are there."""
    done = steps_done(context)
    if done["bikes"] and done["chains"] and context.app.channels:
        return []
    return [words for name, words in STEPS if not done[name] and context.may(f"/begin/{name}")]


def show(context: RequestContext, step: str, **figures: Any) -> HTMLResponse:
    """One step's page, with the way through all five."""
    at = NAMES.index(step)
    return context.show(
        f"begin_{step}.html",
        here="begin",
        step=step,
        steps=STEPS,
        done=steps_done(context),
        before=NAMES[at - 1] if at else None,
        after=NAMES[at + 1] if at + 1 < len(NAMES) else None,
        **figures,
    )


@router.get("")
def begin(context: AContext) -> Response:
    """The first step that lacks something, else the overview."""
    done = steps_done(context)
    step = next((name for name in NAMES if not done[name] and context.may(f"/begin/{name}")), None)
    return context.redirect("/" if step is None else f"/begin/{step}")


@router.post("/enough")
def enough(context: AContext, posted: APost) -> Response:
    """No more of it on the first page."""
    del posted
    end_first_hour(context.app, now=context.now)
    return context.redirect("/", "It is offered no more; every part of it stays under Settings.")


@router.get("/riders")
def riders(context: AContext) -> HTMLResponse:
    """Who rides, and by which clock."""
    known = context.snapshot.ledger.riders
    zone = known[0].time_zone if known else get_localzone_name() or "UTC"
    return show(
        context,
        "riders",
        time_zone=zone,
        clock=zone_of(zone),
        time_zones=sorted(available_timezones()),
        asked=RIDERS_ASKED if not known else 1,
        readings=list(Read),
        reading=Read.of(context.app.units),
    )


@router.post("/riders")
def keep_riders(context: AContext, posted: APost) -> Response:
    """All names of the form become riders."""
    time_zone = posted.need("time_zone", "by which clock your rides are told, such as Europe/Madrid")
    names = [" ".join(one.split()) for one in posted.every("name") if one.strip()]
    if not names and not context.snapshot.ledger.riders:
        raise FormRefused("Say who rides: one name is enough.")
    read = posted.choice("read", Read, "what you read") if posted.text("read") else None
    if read is not None and read is not Read.of(context.app.units):
        write(context.app, read.settings)
    if not names:
        return context.redirect("/begin/files")
    said = add_riders(context.app, [AddRider(one, None, time_zone) for one in names], now=context.now)
    context.app.wake()
    return context.redirect("/begin/files", f"{listed(names)}: noted.", undo=said[-1].number)


def _groups(context: RequestContext) -> tuple[Group, ...]:
    """Worked out once for what the ledger says now."""

    def work() -> tuple[Group, ...]:
        with context.app.store.reading() as tx:
            return open_groups(tx)

    return context.snapshot.once("groups of the first hour", work)


@router.get("/bikes")
def bikes(context: AContext) -> HTMLResponse:
    """What the files themselves show."""
    snapshot = context.snapshot
    groups = [_shown(snapshot, one) for one in _groups(context)]
    return show(context, "bikes", groups=groups, rest=len(snapshot.questions), known=snapshot.ledger.bikes)


def _shown(snapshot: Snapshot, group: Group) -> dict[str, Any]:
    """A group as the page tells of it. key: its rides, for the form."""
    ledger = snapshot.of(rides=group.rides).ledger
    rides = [ride for number in group.rides if (ride := ledger.ride(number)) is not None]
    middle = sorted(rides, key=lambda one: one.distance_m)[len(rides) // 2]
    shares = [one.unpaved_share for one in rides if one.unpaved_share is not None]
    kinds = list(dict.fromkeys(kind for kind, _ in group.found.sensors))
    return {
        "key": _key(group),
        "count": len(group.rides),
        "sensors": listed(
            [
                f"{'an' if kind[0] in 'aeiou' else 'a'} {kind} sensor" if kind in _BARE else f"a {kind}"
                for kind in kinds
            ]
        ),
        "gears": group.found.gears,
        "riders": listed([snapshot.ledger.rider(one).name for one in group.found.riders]),
        "first_at": rides[0].started_at,
        "last_at": rides[-1].started_at,
        "usual_m": middle.distance_m,
        "usual_s": middle.drive_s,
        "unpaved": sum(shares) / len(shares) if shares else None,
        "indoor": group.found.indoor,
        "samples": tuple(dict.fromkeys((group.rides[0], middle.id, group.rides[-1]))),
    }


_BARE = frozenset({"speed", "cadence", "speed and cadence"})


def _key(group: Group) -> str:
    """A group by its first ride and its size: short, and another one once rides came."""
    return f"{group.rides[0]}-{len(group.rides)}"


@router.post("/bikes")
def keep_bike(context: AContext, posted: APost) -> Response:
    """All rides of one group are that bike's."""
    key = posted.text("group", most=40)
    group = next((one for one in _groups(context) if _key(one) == key), None)
    if group is None:
        raise FormRefused(
            "Rides came, or somebody answered, since this page was opened; open it again.", status=409
        )
    chosen, name = posted.text("bike", most=12), posted.text("name", most=100)
    if posted.ticked("not_ours"):
        bike: AddBike | BikeId | None = None
    elif name:
        same = next((b for b in context.snapshot.ledger.bikes if as_read(b.name) == as_read(name)), None)
        owner = RiderId(group.found.riders[0])
        bike = same.id if same else AddBike(name, owner, indoor=group.found.indoor)
    elif chosen:
        bike = BikeId(posted.identity("bike", "a bike"))
    else:
        raise FormRefused("Say what this bike is called, or choose one that has a name already.")
    done = name_group(context.app, group.rides, bike, now=context.now)
    return context.redirect("/begin/bikes", *done.sentences, undo=done.number)


@router.get("/chains")
def chains(context: AContext) -> HTMLResponse:
    """What is on each bike, and roughly since when."""
    snapshot = context.snapshot
    here = snapshot.ledger.bikes_here(context.now)
    fitted = {one.bike for one in snapshot.ledger.fittings}
    return show(
        context,
        "chains",
        bare=[one for one in here if one.id not in fitted],
        worn=[(one, snapshot.ledger.chain_on(one.id, context.now)) for one in here if one.id in fitted],
        kept=list(Kept),
        when=list(Waxed),
    )


@router.post("/chains")
def keep_chain(context: AContext, posted: APost) -> Response:
    """A chain is noted on a bike."""
    bike = BikeId(posted.identity("bike", "a bike"))
    done = note_chain(
        context.app,
        bike,
        posted.need("name", "what you call this chain, for instance ‘first’"),
        posted.choice("kept", Kept, "what it is kept with"),
        posted.choice("when", Waxed, "roughly when it was last waxed"),
        speeds=posted.whole("speeds", what="The speeds it is made for", low=1, high=14),
        now=context.now,
    )
    context.app.wake()
    return context.redirect("/begin/chains", *dict.fromkeys(done.sentences), undo=done.number)


def coming_quiet(context: RequestContext) -> str:
    """When a reminder raised now may speak, where that is not now; "" = at once."""
    local = context.now.astimezone(context.zone)
    at = speak_at(ReminderKind.IMMERSION, local, quiet_hours_of(context.app))
    return "" if at - local < timedelta(minutes=1) else f"{at:%H:%M}"
