"""Limits and weights, each with its range and source: set for everybody, a rider, a bike or a chain."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse, Response

from rules.commands import SetLimits
from rules.dates_and_numbers import number
from rules.rulebook import KEYS, SCOPES, WEIGHTS, Rulebook
from rules.vocabulary import OwnValue
from services.settings import SETTINGS_FILE
from services.use_cases.preview import preview_limits
from services.views.snapshot import Snapshot
from services.web.context import AContext, APost, form_again
from services.web.forms import FormRefused, is_number_of, number_in
from services.web.guard import TOKEN_FIELD
from services.web.pages.corrections import back_of
from services.web.pages.settings_overview import show_part

router = APIRouter(prefix="/settings")
EVERYBODY = "everybody"
GROUPS: tuple[tuple[str, Mapping[str, str]], ...] = (
    (
        "Film and dirt",
        {
            "drip": "Drip a waxed chain at",
            "immersion": "Immerse it at",
            "oil": "Oil a lubed chain at",
            "clean": "Clean it at",
            "overdue": "Overdue at",
        },
    ),
    (
        "After a wet ride",
        {
            "wet_ride": "Hands are asked for from",
            "wet_ride_overdue": "Overdue after",
            "wet_ride_expires": "A wet spell ends after",
        },
    ),
    (
        "Measuring and wear",
        {
            "inspection": "Measure after",
            "inspection_immersions": "Measure with every so many",
            "inspection_chance": "Measure once it may be worn, at a",
            "wear_narrow": "Worn out, for {narrow:g} speeds and more, at",
            "wear_wide": "Worn out, for fewer speeds, at",
            "wear_single": "Worn out, on one sprocket, at",
        },
    ),
    (
        "How much more an hour counts",
        {"water": "Wet", "mud": "Muddy", "dust": "Dusty", "salt": "Salted"},
    ),
)
SETTABLE = tuple(key for _, keys in GROUPS for key in keys)


@dataclass(frozen=True, slots=True)
class Owner:
    """Whom a form sets limits for. whose: every (scope, number, name) it writes to."""

    key: str
    words: str
    whose: tuple[tuple[str, int, str], ...]


def owners(snapshot: Snapshot) -> list[Owner]:
    """Everybody first, then each rider, bike and chain that is not retired."""
    ledger = snapshot.ledger
    riders = tuple(("rider", int(one.id), one.name) for one in ledger.riders)
    single = [
        *riders,
        *(("bike", int(one.id), one.name) for one in ledger.bikes),
        *(("chain", int(one.id), one.name) for one in ledger.chains if one.retired_at is None),
    ]
    each = [
        Owner(f"{scope}:{number_of}", f"{scope} {name}", ((scope, number_of, name),))
        for scope, number_of, name in single
    ]
    return [Owner(EVERYBODY, "everybody who rides here", riders), *each]


def _owner(snapshot: Snapshot, key: str) -> Owner:
    found = next((one for one in owners(snapshot) if one.key == key), None)
    if found is None or not found.whose:
        raise FormRefused("Choose for whom: a rider, a bike or a chain that is here.", field="of")
    return found


def _own(snapshot: Snapshot, scope: str, name: str, key: str) -> float | None:
    return snapshot.rulebook.overrides.get((scope, name), {}).get(key)


def _shown(snapshot: Snapshot, owner: Owner, key: str) -> str:
    """What stands in the field: what was set for all whom it is about; "" = nothing, or not the same."""
    found = {_own(snapshot, scope, name, key) for scope, _, name in owner.whose}
    own = found.pop() if len(found) == 1 else None
    return "" if own is None else number(own, 3)


def _filled(words: str, book: Rulebook) -> str:
    return words.format(narrow=book.judgement("threshold.narrow").value)


@router.get("/limits")
def limits(context: AContext, of: Annotated[str, Query(max_length=20)] = EVERYBODY) -> HTMLResponse:
    """Every number that is a judgement, with what it rests on, and a field for another."""
    snapshot = context.snapshot
    book, file = snapshot.rulebook, context.app.settings.rulebook
    everyone = owners(snapshot)
    chosen = next((one for one in everyone if one.key == of), everyone[0])

    def shown(key: str, words: str) -> dict[str, Any]:
        """One number as the form shows it. own: what was set here; "" = the rulebook's holds."""
        general = book.judgement(f"{'weight' if key in WEIGHTS else 'limit'}.{key}")
        return {
            "key": key,
            "words": _filled(words, book),
            "judgement": general,
            "own": _shown(snapshot, chosen, key),
        }

    return show_part(
        context,
        "limits",
        book=book,
        owners=everyone,
        chosen=chosen,
        groups=[(title, [shown(*one) for one in keys.items()]) for title, keys in GROUPS],
        fixed=[book.judgement(key) for key in KEYS if key.partition(".")[2] not in SETTABLE],
        overrides=[
            (scope, name, sorted(values.items()))
            for scope in SCOPES
            for (owner_scope, name), values in sorted(book.overrides.items())
            if owner_scope == scope
        ],
        own=None if file is None else str(file),
        file=str(context.app.settings.home / SETTINGS_FILE),
    )


@router.post("/limits")
def say_limits(context: AContext, posted: APost) -> Response:
    """What is typed otherwise than it stands: first what would change by it; on a yes, kept in one go."""
    snapshot = context.snapshot
    owner = _owner(snapshot, posted.text("of"))
    words = {key: _filled(said, snapshot.rulebook) for _, keys in GROUPS for key, said in keys.items()}
    changed = [key for key in SETTABLE if posted.text(key) != _shown(snapshot, owner, key)]
    typed = {key: posted.number(key, what=f"“{words[key]}”") for key in changed}
    page = f"/settings/limits?of={owner.key}"
    values = tuple(
        OwnValue(scope, number_of, key, value)
        for scope, number_of, name in owner.whose
        for key, value in typed.items()
        if value != _own(snapshot, scope, name, key)
    )
    if not values:
        return context.redirect(page, "Nothing was changed: it is so already.")
    said = SetLimits(values, context.now, "as typed")
    if posted.ticked("yes"):
        return context.keep(said, posted, page)
    standing = snapshot.most_pressing_first
    found = preview_limits(context.app, said, now=context.now)
    gone = {one.key for one in found.withdrawn}
    return context.show(
        "settings_limits_preview.html",
        here="settings",
        owner=owner,
        values=list({one.key: one for one in values}.values()),
        words=words,
        before=[one.reminder.headline for one in standing],
        after=[one.reminder.headline for one in standing if one.reminder.key not in gone]
        + [one.headline for one in found.raised],
        sentences=found.sentences,
        fields=posted.again(TOKEN_FIELD, "yes"),
        back=form_again(context.request, posted) or page,
    )


@router.post("/limits/own")
def set_own(context: AContext, posted: APost) -> Response:
    """Limits or weights for a rider, a bike or a chain, on a yes: each 'bike:1:immersion=60'."""
    values = []
    for one in posted.every("limit"):
        scope, _, rest = one.partition(":")
        owner, _, rest = rest.partition(":")
        key, _, value = rest.partition("=")
        if not is_number_of(owner):
            raise FormRefused(f"“{one[:60]}” names nobody to set a limit for.")
        values.append(OwnValue(scope, int(owner), key, number_in(value, what=key[:40]) if value else None))
    said = SetLimits(tuple(values), context.now, posted.text("because"))
    return context.keep(said, posted, back_of(posted, "/settings/limits"))
