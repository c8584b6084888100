"""Which bike tomorrow, as page and command line show it: a sentence a rider, figures, and doubts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, time, timedelta

from rules.contamination import history
from rules.same_names import as_read
from rules.tomorrow import Choice, tomorrow, typed_day, typed_weather
from rules.usual_day import Plan, usual_day
from rules.vocabulary import BikeId, ChainId, HourAhead, Rider
from rules.wear.forecast import Forecast
from services.app import App, zone_of
from services.store import NotFound
from services.use_cases.tell_tomorrow import prices_of
from services.views.snapshot import Snapshot

EARLY = time(3, 0)  # until then 'tomorrow' is the day that has begun


@dataclass(frozen=True, slots=True)
class DayAhead:
    """What is said to one rider of the day to come."""

    rider: str
    sentence: str
    matters: bool  # another bike than the usual one is worth a word, and the forecast has earned it
    choices: tuple[Choice, ...] = ()  # the best first
    doubts: tuple[str, ...] = ()


def days_ahead(
    app: App,
    *,
    now: datetime,
    rider: str | None = None,
    weather: str | None = None,
    hours: float | None = None,
    begins: time = time(9, 0),
    snapshot: Snapshot | None = None,
) -> tuple[DayAhead, ...]:
    """Which bike tomorrow, for each rider?

    weather: 'rain', 'dust' or 'salt'; None = by the forecast. hours, begins: a ride instead of the usual day.
    Raises NotFound for a rider who is not there.
    """
    if snapshot is None:
        with app.store.reading() as tx:
            snapshot = Snapshot.read(tx, app, now)
    riders = snapshot.ledger.riders
    if rider is not None:
        riders = tuple(one for one in riders if as_read(one.name) == as_read(rider))
        if not riders:
            raise NotFound("rider", rider, [one.name for one in snapshot.ledger.riders])
    return tuple(_day(app, snapshot, one, now, weather, hours, begins) for one in riders)


def advice(app: App, snapshot: Snapshot, now: datetime) -> Mapping[BikeId, str]:
    """What the bench says unasked, by the bike to take: only what a forecast has earned."""

    def work() -> Mapping[BikeId, str]:
        if snapshot.ahead is None or not snapshot.ahead.speaks:
            return {}
        days = days_ahead(app, now=now, snapshot=snapshot)
        return {one.choices[0].bike.id: one.sentence for one in days if one.matters and one.choices}

    return snapshot.once("advice", work, asof=now.replace(minute=0, second=0, microsecond=0))


def _day(
    app: App,
    snapshot: Snapshot,
    rider: Rider,
    now: datetime,
    weather: str | None,
    hours: float | None,
    begins: time,
) -> DayAhead:
    ledger, zone = snapshot.lately(now).ledger, zone_of(rider.time_zone)
    local = now.astimezone(zone)
    on = local.date() + timedelta(days=local.time() >= EARLY)
    plan = usual_day(ledger, rider, on, zone, now=now)
    if hours is not None:
        share = 0.0 if plan is None else plan.unpaved_share
        start = datetime.combine(on, begins, tzinfo=zone)
        plan = typed_day(rider, start, hours, share, None if plan is None else plan.bike)
    if plan is None:
        said = f"{rider.name} has no usual ride on a {on:%A}: say gritledger tomorrow --hours 2."
        return DayAhead(rider.name, said, False)
    ahead, doubts, speaks = _weather(app, snapshot, plan, weather)
    if ahead is None:
        return DayAhead(rider.name, doubts[0], False)
    lives = _lives_grit_h(snapshot, now)
    found = tomorrow(ledger, snapshot.rulebook, plan, ahead, now=now, prices=prices_of(app, ledger, lives))
    if found is None:
        return DayAhead(rider.name, f"{rider.name} has no bike with a chain for such a ride.", False)
    return DayAhead(rider.name, found.sentence, found.matters and speaks, found.choices, doubts)


def _weather(
    app: App, snapshot: Snapshot, plan: Plan, typed: str | None
) -> tuple[tuple[HourAhead, ...] | None, tuple[str, ...], bool]:
    """The hours to come, what is in doubt about them, and whether they may be spoken of unasked."""
    if typed is not None:
        return typed_weather(typed, plan, snapshot.rulebook), (f"Reckoned with {typed}, as typed.",), False
    kept = snapshot.ahead
    if kept is not None and kept.on == plan.on:
        at = f"{kept.asked_at.astimezone(zone_of(plan.rider.time_zone)):%A %H:%M}"
        return kept.hours, (f"Forecast of {at}. {kept.score}", app.ahead.attribution), kept.speaks
    if app.settings.tomorrow.forecast:
        return (
            None,
            ("The forecast is asked for once, in the evening; say rain, dust or salt until then.",),
            False,
        )
    why = "No forecast is asked for: set tomorrow.forecast = true, or say rain, dust or salt."
    return None, (why,), False


def _lives_grit_h(snapshot: Snapshot, now: datetime) -> dict[ChainId, float]:
    """The middle of each measured chain's life, in grit-hours as it was ridden so far."""
    found = {}
    for chain in sorted(snapshot.ledger.in_use(now)):
        life = snapshot.wear(chain, now)
        so_far = history(snapshot.ledger, chain, snapshot.rulebook).until(now).over_life
        if isinstance(life, Forecast) and so_far.drive_h > 0.0 and life.life[1] > 0.0:
            found[chain] = life.life[1] * so_far.grit_h / so_far.drive_h
    return found
