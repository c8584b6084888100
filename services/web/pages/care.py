"""Care: what hands did and measured, logged in one gesture, now or for another day."""

from __future__ import annotations

from typing import Annotated, cast

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse, Response

from rules.cautions import HOT_WAX, SOLVENT, caution
from rules.chain_length import elongation_pct, length_mm
from rules.commands import CareKind, LogReading, LogTreatment, LogWipeTest, TakeBack
from rules.reminder import ReminderKind
from rules.vocabulary import ChainId, ReadingTool, Regime, TreatmentKind
from services.web.context import AContext, APost
from services.web.forms import LARGEST_ID, FormRefused, Posted
from services.web.pages.corrections import back_of

router = APIRouter(prefix="/care")
PAGE = 40

# What stands beside each kind of work, and what each does to the totals.
KINDS: tuple[tuple[TreatmentKind, str, str], ...] = (
    (TreatmentKind.DRIP, "renews the film; cleans nothing", caution(ReminderKind.DRIP)),
    (TreatmentKind.WIPE, "dries and tidies; clears no total", caution(ReminderKind.DRIP)),
    (TreatmentKind.IMMERSION, "cleans, and renews the film", caution(ReminderKind.IMMERSION)),
    (TreatmentKind.STRIP, "factory grease off, once, before the first immersion", SOLVENT),
    (TreatmentKind.OIL, "wet lube, for the control", caution(ReminderKind.DRIP, Regime.WET_LUBE)),
    (
        TreatmentKind.CLEAN,
        "degreased and dried, for the control",
        caution(ReminderKind.IMMERSION, Regime.WET_LUBE),
    ),
)
GRADES = ("clean", "a trace", "grey", "dark", "black paste")
assert HOT_WAX in {kind: careful for kind, _, careful in KINDS}[TreatmentKind.IMMERSION]


@router.get("")
def care(
    context: AContext,
    chain: Annotated[str, Query(max_length=12)] = "",
    page: Annotated[int, Query(ge=1, le=100_000)] = 1,
) -> HTMLResponse:
    """The forms, and what was logged."""
    ledger, now = context.snapshot.ledger, context.now
    logged = sorted(
        [
            *((one.done_at, "treatment", one.id, one.chain, one) for one in ledger.treatments),
            *((one.taken_at, "reading", one.id, one.chain, one) for one in ledger.readings),
            *((one.done_at, "wipe test", one.id, one.chain, one) for one in ledger.wipe_tests),
        ],
        key=lambda line: (line[0], line[1], line[2]),
        reverse=True,
    )
    if chain:
        logged = [line for line in logged if str(line[3]) == chain]
    usable = [one for one in ledger.chains if one.retired_at is None or one.retired_at > now]
    usable.sort(key=lambda one: (ledger.fitting_of(one.id, now) is None, one.name))
    return context.show(
        "care.html",
        here="care",
        chains=usable,
        chosen=chain,
        kinds=KINDS,
        grades=list(enumerate(GRADES)),
        tools=list(ReadingTool),
        worn_caution=caution(ReminderKind.INSPECTION),
        logged=logged[(page - 1) * PAGE : page * PAGE],
        page=page,
        pages=max(1, -(-len(logged) // PAGE)),
    )


def _chain(posted: Posted) -> ChainId:
    return ChainId(posted.identity("chain", "a chain"))


@router.post("/treatment")
def treat(context: AContext, posted: APost) -> Response:
    """Something was done to a chain."""
    done = LogTreatment(
        _chain(posted),
        posted.choice("kind", TreatmentKind, "what was done"),
        posted.instant("at", context.zone, now=context.now),
        minutes=posted.number("minutes", what="Minutes"),
        cost=posted.number("cost", what="The cost"),
        note=posted.text("note"),
    )
    return context.keep(done, posted, back_of(posted, "/care"))


@router.post("/reading")
def measure(context: AContext, posted: APost) -> Response:
    """A gauge, a ruler or a caliper was laid on a chain."""
    tool = posted.choice("tool", ReadingTool, "what it was measured with")
    over = under = exact = None
    if tool is ReadingTool.GAUGE:
        over = posted.number("over", what="The largest step that dropped in, in %")
        under = posted.number("under", what="The smallest step that did not, in %")
    else:
        exact = posted.number("exact", what="The elongation in %")
        length = posted.text("length", most=40)
        pitches = posted.whole("pitches", low=1, high=300, what="The number of pitches")
        if exact is None and length and pitches is not None:
            try:
                exact = elongation_pct(length_mm(length), pitches)
            except ValueError as error:
                raise FormRefused(str(error)) from error
        if exact is None:
            raise FormRefused("Give the elongation in %, or the length and over how many pitches it is.")
    at = posted.instant("at", context.zone, now=context.now)
    read = LogReading(
        _chain(posted), tool, at, over, under, exact, posted.text("note"), posted.text("with", most=80)
    )
    return context.keep(read, posted, back_of(posted, "/care"))


@router.post("/wipe-test")
def wipe_test(context: AContext, posted: APost) -> Response:
    """A clean rag was passed along a chain."""
    grade = posted.whole("grade", what="The grade")
    if grade is None:
        raise FormRefused("Choose a grade from 0, clean, to 4, black paste.")
    at = posted.instant("at", context.zone, now=context.now)
    return context.keep(LogWipeTest(_chain(posted), at, grade), posted, back_of(posted, "/care"))


@router.post("/take-back")
def count_no_more(context: AContext, posted: APost) -> Response:
    """It was logged by mistake."""
    number = posted.whole("number", low=1, high=LARGEST_ID, what="The number") or 0
    because = posted.text("because", most=300) or "logged by mistake"
    fact = cast("CareKind", posted.text("fact"))  # the gate refuses any other
    return context.keep(TakeBack(fact, number, because), posted, back_of(posted, "/care"))
