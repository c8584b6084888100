"""Any list as CSV for a spreadsheet and as JSON for a program: the same columns, units in their names."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from enum import Enum
from typing import Any

from fastapi import APIRouter
from fastapi.responses import Response

from rules.reasons import reading_words
from rules.rulebook import KEYS
from rules.vocabulary import Reading, Treatment, WipeTest
from rules.wear import Forecast, Measure
from services.store import NotFound
from services.views.chain_state import state_of
from services.web.context import AContext, RequestContext
from services.web.pages.rides import AWanted, Wanted, found

router = APIRouter(prefix="/export")
Rows = Iterable[Mapping[str, Any]]


@router.get("/{name}.csv")
def as_csv(name: str, context: AContext, want: AWanted) -> Response:
    """A list as CSV (RFC 4180), UTF-8."""
    rows = list(_rows(name, context, want))
    out = io.StringIO(newline="")
    columns = list(rows[0]) if rows else []
    writer = csv.DictWriter(out, columns)
    writer.writeheader()
    writer.writerows({key: _cell(value) for key, value in row.items()} for row in rows)
    return _file(out.getvalue(), "text/csv; charset=utf-8", f"{name}.csv")


@router.get("/{name}.json")
def as_json(name: str, context: AContext, want: AWanted) -> Response:
    """A list as JSON, one object a row."""
    text = json.dumps(
        [{key: _plain(value) for key, value in row.items()} for row in _rows(name, context, want)],
        ensure_ascii=False,
        indent=1,
    )
    return _file(text, "application/json; charset=utf-8", f"{name}.json")


def _file(text: str, media_type: str, name: str) -> Response:
    return Response(
        text.encode("utf-8", "backslashreplace"),
        media_type=media_type,
        headers={"Content-Disposition": f'attachment; filename="gritledger-{name}"'},
    )


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, Enum):
        return value.value
    return list(value) if isinstance(value, tuple) else value


def _cell(value: Any) -> Any:
    """A cell that no spreadsheet takes for a formula, whatever a file called its ride."""
    plain = _plain(value)
    if isinstance(plain, list):
        return "-".join(map(str, plain))
    if isinstance(plain, str) and plain.startswith(("=", "+", "-", "@", "\t", "\r")):
        return "'" + plain
    return plain


def _rows(name: str, context: RequestContext, want: Wanted) -> Rows:
    if name == "rides":
        return [ride_row(context, ride) for ride in found(context.snapshot, want, context.zone)]
    lists: Mapping[str, Callable[[RequestContext], Rows]] = {
        "chains": _chains,
        "care": _care,
        "reminders": _reminders,
        "files": _files,
        "wear": _wear,
        "bikes": _bikes,
        "limits": _limits,
        "riders": _riders,
        "fittings": _fittings,
        "sensors": _sensors,
        "corrections": _corrections,
    }
    if name not in lists:
        raise NotFound("list", name, [*lists, "rides"])
    return lists[name](context)


def ride_row(context: RequestContext, ride: Any) -> dict[str, Any]:
    """One ride as a row."""
    snapshot = context.snapshot
    chain = snapshot.ledger.chain_of(ride)
    conditions = snapshot.conditions(ride)
    return {
        "ride": ride.id,
        "started_at": ride.started_at,
        "ended_at": ride.ended_at,
        "rider": snapshot.rider(ride).name,
        "title": ride.title,
        "bike": None if ride.bike is None else snapshot.bike_name(ride.bike),
        "decided_by": ride.decided_by,
        "chain": None if chain is None else chain.name,
        "distance_km": round(ride.distance_m / 1000, 3),
        "climb_m": round(ride.climb_m, 1),
        "drive_h": round(ride.drive_s / 3600, 4),
        "grit_h": round(sum(grit_h for _, _, grit_h in conditions), 4),
        "like": "; ".join(f"{one.value} {drive_h:.2f} h" for one, drive_h, _ in conditions),
        "indoor": ride.indoor,
        "file": ride.file_name,
    }


def _chains(context: RequestContext) -> Rows:
    snapshot, now = context.snapshot, context.now
    for chain in snapshot.ledger.chains:
        state = state_of(snapshot, chain, now)
        yield {
            "chain": chain.id,
            "name": chain.name,
            "regime": chain.regime,
            "where": state.where,
            "speeds": chain.speeds,
            "links": chain.links,
            "since_drip_grit_h": round(state.film_used, 4),
            "drip_limit_grit_h": state.film_limit,
            "since_bath_grit_h": round(state.bath_used, 4),
            "bath_limit_grit_h": state.bath_limit,
            "over_life_grit_h": round(state.over_life.grit_h, 4),
            "over_life_drive_h": round(state.over_life.drive_h, 4),
            "without_weather_drive_h": round(state.over_life.unknown_h, 4),
            "ridden_km": round(Measure.KILOMETRES.over_life(snapshot.past(chain.id, now)), 1),
        }


def _care(context: RequestContext) -> Rows:
    ledger = context.snapshot.ledger
    every: Sequence[Any] = sorted([*ledger.treatments, *ledger.readings, *ledger.wipe_tests], key=_instant)
    for one in every:
        treated = isinstance(one, Treatment)
        yield {
            "at": _instant(one),
            "chain": ledger.chain(one.chain).name,
            "fact": "treatment" if treated else "reading" if isinstance(one, Reading) else "wipe test",
            "what": one.kind.value if treated else _words(one),
            "minutes": one.minutes if treated else None,
            "cost": one.cost if treated else None,
            "note": getattr(one, "note", ""),
        }


def _instant(one: Treatment | Reading | WipeTest) -> datetime:
    return one.taken_at if isinstance(one, Reading) else one.done_at


def _words(one: Reading | WipeTest) -> str:
    return reading_words(one) if isinstance(one, Reading) else f"grade {one.grade} of 4"


def _reminders(context: RequestContext) -> Rows:
    with context.app.store.reading() as tx:
        raised = tx.reminders.all_()
    ledger = context.snapshot.ledger
    for one in raised:
        yield {
            "reminder": one.id,
            "raised_at": one.steps[0].at,
            "state": one.state,
            "kind": one.reminder.kind,
            "chain": ledger.chain(one.reminder.chain).name,
            "headline": one.reminder.headline,
            "sentence": one.reminder.sentence,
            "total": round(one.reminder.total, 4),
            "limit": one.reminder.limit,
            "unit": one.reminder.unit,
            "rulebook": one.reminder.rulebook_version,
        }


def _files(context: RequestContext) -> Rows:
    for one in context.snapshot.files:
        yield {
            "seen_at": one.seen_at,
            "file": one.name,
            "bytes": one.size,
            "became": one.outcome,
            "why": one.why,
            "try_this": one.try_this,
            "ride": one.ride,
            "sha256": one.sha256,
        }


def _wear(context: RequestContext) -> Rows:
    snapshot, now = context.snapshot, context.now
    for chain in snapshot.ledger.chains:
        answer = snapshot.wear(chain.id, now)
        sure = isinstance(answer, Forecast)
        yield {
            "chain": chain.name,
            "regime": chain.regime,
            "readings": len(snapshot.ledger.readings_of(chain.id)),
            "chance_worn": round(answer.chance_worn, 4),
            "left_low_drive_h": round(answer.left[0], 1) if isinstance(answer, Forecast) else None,
            "left_middle_drive_h": round(answer.left[1], 1) if isinstance(answer, Forecast) else None,
            "left_high_drive_h": round(answer.left[2], 1) if isinstance(answer, Forecast) else None,
            "said": answer.sentence,
            "wants": "" if sure else getattr(answer, "wants", ""),
        }


def _bikes(context: RequestContext) -> Rows:
    snapshot, now = context.snapshot, context.now
    for bike in snapshot.ledger.bikes:
        worn = snapshot.ledger.chain_on(bike.id, now)
        rides = snapshot.ledger.rides_on(bike.id)
        yield {
            "bike": bike.id,
            "name": bike.name,
            "owner": snapshot.ledger.rider(bike.owner).name,
            "chain": None if worn is None else worn.name,
            "unpaved_share": bike.unpaved_share,
            "chainrings": bike.chainrings,
            "cogs": bike.cogs,
            "wheel_circumference_m": bike.wheel_circumference_m,
            "indoor": bike.indoor,
            "from_at": bike.from_at,
            "until_at": bike.until_at,
            "rides": len(rides),
            "ridden_km": round(sum(ride.distance_m for ride in rides) / 1000, 1),
        }


def _riders(context: RequestContext) -> Rows:
    for rider in context.snapshot.ledger.riders:
        yield {"rider": rider.id, "name": rider.name, "email": rider.email, "time_zone": rider.time_zone}


def _fittings(context: RequestContext) -> Rows:
    ledger = context.snapshot.ledger
    for one in sorted(ledger.fittings, key=lambda one: (one.fitted_at, one.id)):
        yield {
            "fitting": one.id,
            "chain": ledger.chain(one.chain).name,
            "bike": ledger.bike(one.bike).name,
            "fitted_at": one.fitted_at,
            "removed_at": one.removed_at,
        }


def _sensors(context: RequestContext) -> Rows:
    snapshot = context.snapshot
    for one in snapshot.sensors_seen:
        on = [s for s in snapshot.ledger.sensors if s.identity == one.identity]
        yield {
            "sensor": one.identity,
            "kind": one.kind,
            "head_unit": one.recorder,
            "rides": one.rides,
            "first_heard_at": one.first_at,
            "last_heard_at": one.last_at,
            "sits_on": snapshot.bike_name(on[-1].bike) if on else None,
        }


def _limits(context: RequestContext) -> Rows:
    for key in KEYS:
        one = context.snapshot.rulebook.judgement(key)
        yield {
            "key": one.key,
            "value": one.value,
            "unit": one.unit,
            "low": one.low,
            "high": one.high,
            "rests_on": one.source,
        }


def _corrections(context: RequestContext) -> Rows:
    with context.app.store.reading() as tx:
        every = tx.changes.all_()
    for one in every:
        yield {"number": one.number, "at": one.at, "by": one.by, "what": one.what, "undone_at": one.undone_at}
