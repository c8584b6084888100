"""Settings: riders, bikes, chains and where they sit, sensors, limits with sources, ways to be reached."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse, Response

from rules.cautions import LINK
from rules.rulebook import KEYS, SCOPES
from rules.vocabulary import BikeId, ChainId, FittingId, Regime, RiderId, SensorId
from services.channels import ChannelError, trial_letter
from services.settings import SETTINGS_FILE
from services.store import FactRefused, NotFound, Transaction
from services.use_cases.correct import move_sensor
from services.use_cases.update_reminders import reckon
from services.web.context import AContext, APost, RequestContext
from services.web.forms import Posted

router = APIRouter(prefix="/settings")
PARTS = (
    ("riders", "Riders"),
    ("bikes", "Bikes"),
    ("chains", "Chains"),
    ("sensors", "Sensors"),
    ("limits", "Limits"),
    ("channels", "Channels"),
)


def _show(context: RequestContext, part: str, **figures: Any) -> HTMLResponse:
    return context.show(f"settings_{part}.html", here="settings", part=part, parts=PARTS, **figures)


@router.get("")
def overview(context: AContext) -> HTMLResponse:
    """Where everything is, and a way to each part."""
    chosen = context.app.settings
    return _show(
        context,
        "overview",
        file=str(chosen.home / SETTINGS_FILE),
        database=context.app.store.where,
        folders=[str(one.folder) for one in chosen.watch],
        archives=[(one.name, one.tier.value) for one in context.app.providers],
        quiet_hours=chosen.quiet_hours,
        channels=list(context.app.channels),
    )


@router.get("/riders")
def riders(context: AContext) -> HTMLResponse:
    """Who rides."""
    return _show(context, "riders")


@router.post("/riders")
def keep_rider(context: AContext, posted: APost) -> Response:
    """A new rider, or a mended one."""
    name, email = posted.need("name", "the rider's name"), posted.text("email", most=254) or None
    time_zone = posted.text("time_zone", most=64) or "UTC"
    with context.app.store.writing() as tx:
        if posted.text("rider"):
            rider = RiderId(posted.identity("rider", "a rider"))
            kept = tx.equipment.update_rider(rider, name=name, email=email, time_zone=time_zone)
            said = f"{kept.name} is changed."
        else:
            said = f"{tx.equipment.add_rider(name, email, time_zone).name} is a rider now."
        more = _judged_anew(tx, context)
    return context.redirect("/settings/riders", said, *more)


@router.get("/bikes")
def bikes(context: AContext) -> HTMLResponse:
    """What is ridden."""
    return _show(context, "bikes")


@router.post("/bikes")
def keep_bike(context: AContext, posted: APost) -> Response:
    """A new bike, or a mended one."""
    wheel_mm = posted.number("wheel_mm", low=500, high=3000, what="The wheel circumference in mm")
    fields: dict[str, Any] = {
        "name": posted.need("name", "the bike's name"),
        "owner": RiderId(posted.identity("owner", "whose it is")),
        "unpaved_share": (posted.number("unpaved", low=0, high=100, what="The unpaved share in %") or 0.0)
        / 100,
        "chainrings": posted.teeth("chainrings", "Chainrings"),
        "cogs": posted.teeth("cogs", "Cogs"),
        "wheel_circumference_m": None if wheel_mm is None else wheel_mm / 1000,
        "indoor": posted.ticked("indoor"),
        "from_at": posted.instant_or_none("from_at", context.zone),
        "until_at": posted.instant_or_none("until_at", context.zone),
    }
    with context.app.store.writing() as tx:
        if posted.text("bike"):
            kept = tx.equipment.update_bike(BikeId(posted.identity("bike", "a bike")), **fields)
            said = f"{kept.name} is changed."
        else:
            said = f"{tx.equipment.add_bike(**fields).name} is in the household."
        more = _judged_anew(tx, context)
    return context.redirect("/settings/bikes", said, *more)


@router.get("/chains")
def chains(context: AContext, chain: Annotated[str, Query(max_length=12)] = "") -> HTMLResponse:
    """What is fitted where."""
    snapshot, now = context.snapshot, context.now
    return _show(
        context,
        "chains",
        chosen=chain,
        regimes=list(Regime),
        link_caution=LINK,
        fittings=sorted(snapshot.ledger.fittings, key=lambda one: (one.fitted_at, one.id), reverse=True)[:40],
        usable=[one for one in snapshot.ledger.chains if one.retired_at is None or one.retired_at > now],
        bikes=snapshot.bikes_here(now),
    )


@router.post("/chains")
def keep_chain(context: AContext, posted: APost) -> Response:
    """A new chain, or a mended one."""
    fields: dict[str, Any] = {
        "name": posted.need("name", "the chain's name"),
        "regime": posted.choice("regime", Regime, "how it is lubricated"),
        "speeds": posted.whole("speeds", low=1, high=14, what="The speeds it is made for"),
        "links": posted.whole("links", low=40, high=200, what="The number of links"),
        "price": posted.number("price", low=0, high=1e6, what="The price"),
    }
    with context.app.store.writing() as tx:
        if posted.text("chain"):
            kept = tx.equipment.update_chain(ChainId(posted.identity("chain", "a chain")), **fields)
            said = f"{kept.name} is changed."
        else:
            kept = tx.equipment.add_chain(**fields, acquired_at=context.now)
            said = f"{kept.name} is known; fit it below."
        more = _judged_anew(tx, context)
    return context.redirect("/settings/chains", said, *more)


@router.post("/fit")
def fit(context: AContext, posted: APost) -> Response:
    """A chain goes onto a bike."""
    chain, bike = ChainId(posted.identity("chain", "a chain")), BikeId(posted.identity("bike", "a bike"))
    at = _not_ahead(context, posted)
    with context.app.store.writing() as tx:
        tx.equipment.fit_chain(chain, bike, at)
        said = f"{tx.equipment.chain(chain).name} is on {tx.equipment.bike(bike).name}."
        more = _judged_anew(tx, context)
    return context.redirect("/settings/chains", said, *more)


@router.post("/take-off")
def take_off(context: AContext, posted: APost) -> Response:
    """A chain comes off, and perhaps it is worn out."""
    chain = ChainId(posted.identity("chain", "a chain"))
    at = _not_ahead(context, posted)
    with context.app.store.writing() as tx:
        if posted.ticked("retire"):
            said = f"{tx.equipment.retire_chain(chain, at).name} is retired."
        else:
            tx.equipment.remove_chain(chain, at)
            said = f"{tx.equipment.chain(chain).name} is off."
        more = _judged_anew(tx, context)
    return context.redirect("/settings/chains", said, *more)


def _not_ahead(context: RequestContext, posted: Posted) -> Any:
    at = posted.instant("at", context.zone, now=context.now)
    if at > context.now:
        raise FactRefused("That time has not come yet; say it once it is done.")
    return at


@router.post("/fitting-was-not")
def fitting_was_not(context: AContext, posted: APost) -> Response:
    """A fitting that never was: kept, and counted no more."""
    number = FittingId(posted.identity("fitting", "a fitting"))
    with context.app.store.writing() as tx:
        tx.equipment.retract_fitting(
            number,
            at=context.now,
            by="a rider",
            why=posted.text("because", most=300) or "noted by mistake",
        )
        more = _judged_anew(tx, context)
    return context.redirect("/settings/chains", "That fitting counts no more.", *more)


def _judged_anew(tx: Transaction, context: RequestContext) -> Sequence[str]:
    """What a changed household changes for the reminders, in the same transaction."""
    return reckon(tx, context.app, now=context.now).sentences


@router.get("/sensors")
def sensors(context: AContext) -> HTMLResponse:
    """What files name, and where it sits."""
    spans: dict[str, list[Any]] = {}
    for one in context.snapshot.ledger.sensors:
        spans.setdefault(one.identity, []).append(one)
    return _show(context, "sensors", seen=context.snapshot.sensors_seen, spans=spans)


@router.post("/sensors")
def sensor_sits(context: AContext, posted: APost) -> Response:
    """A sensor sits on a bike since then; rides it was heard on are judged again."""
    identity = posted.need("identity", "which sensor")
    number = posted.identity("bike", "a bike")
    bike = next((one for one in context.snapshot.ledger.bikes if one.id == number), None)
    if bike is None:
        raise NotFound("bike", number, (one.name for one in context.snapshot.ledger.bikes))
    done = move_sensor(
        context.app,
        identity,
        posted.text("kind") or "sensor",
        bike,
        posted.instant_or_none("since", context.zone),
        now=context.now,
    )
    return context.redirect("/settings/sensors", *done.sentences, undo=done.number)


@router.post("/sensors/forget")
def forget_sensor(context: AContext, posted: APost) -> Response:
    """A sensor was learned or typed wrongly."""
    number = SensorId(posted.identity("sensor", "a sensor"))
    with context.app.store.writing() as tx:
        tx.equipment.remove_sensor(number)
    return context.redirect("/settings/sensors", "Forgotten; rides already decided keep their bikes.")


@router.get("/limits")
def limits(context: AContext) -> HTMLResponse:
    """Every number that is a judgement, with what it rests on."""
    book = context.snapshot.rulebook
    own = context.app.settings.rulebook
    groups = [
        (title, [book.judgement(key) for key in KEYS if key.startswith(f"{prefix}.")])
        for prefix, title in (
            ("limit", "From where on hands are asked for"),
            ("weight", "How water, mud and dust weigh"),
            ("threshold", "From where on an hour is called by its word"),
        )
    ]
    overrides = [
        (scope, name, sorted(values.items()))
        for scope in SCOPES
        for (owner_scope, name), values in sorted(book.overrides.items())
        if owner_scope == scope
    ]
    return _show(
        context,
        "limits",
        book=book,
        groups=groups,
        overrides=overrides,
        own=None if own is None else str(own),
        file=str(context.app.settings.home / SETTINGS_FILE),
    )


@router.get("/channels")
def channels(context: AContext) -> HTMLResponse:
    """Ways to be reached, and what is wrong with them."""
    with context.app.store.reading() as tx:
        sent = tx.outbox.sent(limit=10)
        waiting, refused = tx.outbox.waiting(), tx.outbox.refused()
    found = [(name, channel.check()) for name, channel in context.app.channels.items()]
    return _show(
        context,
        "channels",
        channels=found,
        sent=sent,
        waiting=waiting,
        refused=refused,
        file=str(context.app.settings.home / SETTINGS_FILE),
    )


@router.post("/channels/try")
def try_it(context: AContext, posted: APost) -> Response:
    """Send a test message now, and say in the other side's words what became of it."""
    name = posted.text("channel")
    channel = context.app.channels.get(name)
    if channel is None:
        raise NotFound("channel", name, context.app.channels)
    riders = context.snapshot.ledger.riders
    chosen = posted.identity("rider", "a rider") if posted.text("rider") else riders[0].id if riders else 0
    to = next((one.email or "" for one in riders if one.id == chosen), "")
    try:
        channel.send(trial_letter(name, to, now=context.now))
    except ChannelError as error:
        return context.redirect("/settings/channels", f"{name}: not taken: {error}")
    return context.redirect("/settings/channels", f"{name}: the test message was taken.")


@router.post("/channels/again")
def again(context: AContext, posted: APost) -> Response:
    """Take a refused letter up again."""
    number = posted.identity("letter", "a letter")
    with context.app.store.writing() as tx:
        tx.outbox.try_again(number, context.now)
    return context.redirect("/settings/channels", "It is tried again at the next round.")
