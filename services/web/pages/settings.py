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
from services.correct import move_sensor
from services.reckoning import reckon
from services.settings import SETTINGS_FILE
from services.store import FactRefused, NotFound, Transaction
from services.web.desk import APost, ASheet, Sheet
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


def _show(sheet: Sheet, part: str, **figures: Any) -> HTMLResponse:
    return sheet.show(f"settings_{part}.html", here="settings", part=part, parts=PARTS, **figures)


@router.get("")
def overview(sheet: ASheet) -> HTMLResponse:
    """Where everything is, and a way to each part."""
    chosen = sheet.workshop.settings
    return _show(
        sheet,
        "overview",
        file=str(chosen.home / SETTINGS_FILE),
        database=sheet.workshop.store.where,
        folders=[str(one.folder) for one in chosen.watch],
        archives=[(one.name, one.tier.value) for one in sheet.workshop.providers],
        manners=chosen.manners,
        channels=list(sheet.workshop.channels),
    )


@router.get("/riders")
def riders(sheet: ASheet) -> HTMLResponse:
    """Who rides."""
    return _show(sheet, "riders")


@router.post("/riders")
def keep_rider(sheet: ASheet, posted: APost) -> Response:
    """A new rider, or a mended one."""
    name, email = posted.need("name", "the rider's name"), posted.text("email", most=254) or None
    time_zone = posted.text("time_zone", most=64) or "UTC"
    with sheet.workshop.store.writing() as tx:
        if posted.text("rider"):
            rider = RiderId(posted.identity("rider", "a rider"))
            kept = tx.garage.update_rider(rider, name=name, email=email, time_zone=time_zone)
            said = f"{kept.name} is changed."
        else:
            said = f"{tx.garage.add_rider(name, email, time_zone).name} is a rider now."
        more = _judged_anew(tx, sheet)
    return sheet.went("/settings/riders", said, *more)


@router.get("/bikes")
def bikes(sheet: ASheet) -> HTMLResponse:
    """What is ridden."""
    return _show(sheet, "bikes")


@router.post("/bikes")
def keep_bike(sheet: ASheet, posted: APost) -> Response:
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
        "from_at": posted.instant_or_none("from_at", sheet.zone),
        "until_at": posted.instant_or_none("until_at", sheet.zone),
    }
    with sheet.workshop.store.writing() as tx:
        if posted.text("bike"):
            kept = tx.garage.update_bike(BikeId(posted.identity("bike", "a bike")), **fields)
            said = f"{kept.name} is changed."
        else:
            said = f"{tx.garage.add_bike(**fields).name} is in the household."
        more = _judged_anew(tx, sheet)
    return sheet.went("/settings/bikes", said, *more)


@router.get("/chains")
def chains(sheet: ASheet, chain: Annotated[str, Query(max_length=12)] = "") -> HTMLResponse:
    """What is fitted where."""
    snapshot, now = sheet.snapshot, sheet.now
    return _show(
        sheet,
        "chains",
        chosen=chain,
        regimes=list(Regime),
        link_caution=LINK,
        fittings=sorted(snapshot.ledger.fittings, key=lambda one: (one.fitted_at, one.id), reverse=True)[:40],
        usable=[one for one in snapshot.ledger.chains if one.retired_at is None or one.retired_at > now],
        bikes=snapshot.bikes_here(now),
    )


@router.post("/chains")
def keep_chain(sheet: ASheet, posted: APost) -> Response:
    """A new chain, or a mended one."""
    fields: dict[str, Any] = {
        "name": posted.need("name", "the chain's name"),
        "regime": posted.choice("regime", Regime, "how it is lubricated"),
        "speeds": posted.whole("speeds", low=1, high=14, what="The speeds it is made for"),
        "links": posted.whole("links", low=40, high=200, what="The number of links"),
        "price": posted.number("price", low=0, high=1e6, what="The price"),
    }
    with sheet.workshop.store.writing() as tx:
        if posted.text("chain"):
            kept = tx.garage.update_chain(ChainId(posted.identity("chain", "a chain")), **fields)
            said = f"{kept.name} is changed."
        else:
            kept = tx.garage.add_chain(**fields, acquired_at=sheet.now)
            said = f"{kept.name} is known; fit it below."
        more = _judged_anew(tx, sheet)
    return sheet.went("/settings/chains", said, *more)


@router.post("/fit")
def fit(sheet: ASheet, posted: APost) -> Response:
    """A chain goes onto a bike."""
    chain, bike = ChainId(posted.identity("chain", "a chain")), BikeId(posted.identity("bike", "a bike"))
    at = _not_ahead(sheet, posted)
    with sheet.workshop.store.writing() as tx:
        tx.garage.fit_chain(chain, bike, at)
        said = f"{tx.garage.chain(chain).name} is on {tx.garage.bike(bike).name}."
        more = _judged_anew(tx, sheet)
    return sheet.went("/settings/chains", said, *more)


@router.post("/take-off")
def take_off(sheet: ASheet, posted: APost) -> Response:
    """A chain comes off, and perhaps it is worn out."""
    chain = ChainId(posted.identity("chain", "a chain"))
    at = _not_ahead(sheet, posted)
    with sheet.workshop.store.writing() as tx:
        if posted.ticked("retire"):
            said = f"{tx.garage.retire_chain(chain, at).name} is retired."
        else:
            tx.garage.remove_chain(chain, at)
            said = f"{tx.garage.chain(chain).name} is off."
        more = _judged_anew(tx, sheet)
    return sheet.went("/settings/chains", said, *more)


def _not_ahead(sheet: Sheet, posted: Posted) -> Any:
    at = posted.instant("at", sheet.zone, now=sheet.now)
    if at > sheet.now:
        raise FactRefused("That time has not come yet; say it once it is done.")
    return at


@router.post("/fitting-was-not")
def fitting_was_not(sheet: ASheet, posted: APost) -> Response:
    """A fitting that never was: kept, and counted no more."""
    number = FittingId(posted.identity("fitting", "a fitting"))
    with sheet.workshop.store.writing() as tx:
        tx.garage.retract_fitting(
            number,
            at=sheet.now,
            by="a rider",
            why=posted.text("because", most=300) or "noted by mistake",
        )
        more = _judged_anew(tx, sheet)
    return sheet.went("/settings/chains", "That fitting counts no more.", *more)


def _judged_anew(tx: Transaction, sheet: Sheet) -> Sequence[str]:
    """What a changed household changes for the reminders, in the same transaction."""
    return reckon(tx, sheet.workshop, now=sheet.now).sentences


@router.get("/sensors")
def sensors(sheet: ASheet) -> HTMLResponse:
    """What files name, and where it sits."""
    spans: dict[str, list[Any]] = {}
    for one in sheet.snapshot.ledger.sensors:
        spans.setdefault(one.identity, []).append(one)
    return _show(sheet, "sensors", seen=sheet.snapshot.sensors_seen, spans=spans)


@router.post("/sensors")
def sensor_sits(sheet: ASheet, posted: APost) -> Response:
    """A sensor sits on a bike since then; rides it was heard on are judged again."""
    identity = posted.need("identity", "which sensor")
    number = posted.identity("bike", "a bike")
    bike = next((one for one in sheet.snapshot.ledger.bikes if one.id == number), None)
    if bike is None:
        raise NotFound("bike", number, (one.name for one in sheet.snapshot.ledger.bikes))
    done = move_sensor(
        sheet.workshop,
        identity,
        posted.text("kind") or "sensor",
        bike,
        posted.instant_or_none("since", sheet.zone),
        now=sheet.now,
    )
    return sheet.went("/settings/sensors", *done.sentences, undo=done.number)


@router.post("/sensors/forget")
def forget_sensor(sheet: ASheet, posted: APost) -> Response:
    """A sensor was learned or typed wrongly."""
    number = SensorId(posted.identity("sensor", "a sensor"))
    with sheet.workshop.store.writing() as tx:
        tx.garage.remove_sensor(number)
    return sheet.went("/settings/sensors", "Forgotten; rides already decided keep their bikes.")


@router.get("/limits")
def limits(sheet: ASheet) -> HTMLResponse:
    """Every number that is a judgement, with what it rests on."""
    book = sheet.snapshot.rulebook
    own = sheet.workshop.settings.rulebook
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
        sheet,
        "limits",
        book=book,
        groups=groups,
        overrides=overrides,
        own=None if own is None else str(own),
        file=str(sheet.workshop.settings.home / SETTINGS_FILE),
    )


@router.get("/channels")
def channels(sheet: ASheet) -> HTMLResponse:
    """Ways to be reached, and what is wrong with them."""
    with sheet.workshop.store.reading() as tx:
        sent = tx.outbox.sent(limit=10)
        waiting, refused = tx.outbox.waiting(), tx.outbox.refused()
    found = [(name, channel.check()) for name, channel in sheet.workshop.channels.items()]
    return _show(
        sheet,
        "channels",
        channels=found,
        sent=sent,
        waiting=waiting,
        refused=refused,
        file=str(sheet.workshop.settings.home / SETTINGS_FILE),
    )


@router.post("/channels/try")
def try_it(sheet: ASheet, posted: APost) -> Response:
    """Send a test message now, and say in the other side's words what became of it."""
    name = posted.text("channel")
    channel = sheet.workshop.channels.get(name)
    if channel is None:
        raise NotFound("channel", name, sheet.workshop.channels)
    riders = sheet.snapshot.ledger.riders
    chosen = posted.identity("rider", "a rider") if posted.text("rider") else riders[0].id if riders else 0
    to = next((one.email or "" for one in riders if one.id == chosen), "")
    try:
        channel.send(trial_letter(name, to, now=sheet.now))
    except ChannelError as error:
        return sheet.went("/settings/channels", f"{name}: not taken: {error}")
    return sheet.went("/settings/channels", f"{name}: the test message was taken.")


@router.post("/channels/again")
def again(sheet: ASheet, posted: APost) -> Response:
    """Take a refused letter up again."""
    number = posted.identity("letter", "a letter")
    with sheet.workshop.store.writing() as tx:
        tx.outbox.try_again(number, sheet.now)
    return sheet.went("/settings/channels", "It is tried again at the next round.")
