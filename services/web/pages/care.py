"""Care: what hands did to several chains at once, what they measured, and what was logged."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Annotated, Any, NamedTuple, cast

import segno
from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse, Response
from markupsafe import Markup

from rules.cautions import SOLVENT, caution
from rules.chain_length import elongation_pct, length_mm
from rules.commands import CareKind, LogReading, LogTreatment, LogWipeTest, TakeBack
from rules.dates_and_numbers import clock
from rules.gate.times import evening_of
from rules.reminder import ReminderKind
from rules.vocabulary import ChainId, Reading, ReadingTool, Regime, Treatment, TreatmentKind
from rules.wipe_tests import GRADES
from services.settings import SETTINGS_FILE
from services.views.bench import Need, bench, need_of
from services.views.bench_sheet import jobs
from services.views.chain_state import ChainState, state_of
from services.views.tomorrow import advice
from services.web.context import AChoice, AContext, APage, APost, RequestContext, paged
from services.web.drawing_inputs import strip, treatment_mark
from services.web.forms import LARGEST_ID, FormRefused
from services.web.pages.corrections import back_of
from services.web.pages.overview import cautions

router = APIRouter(prefix="/care")
PAGE = 20
MOST_DRAWN = 8  # chains with their strip; the others stand below in words
NEWEST = 5

PARTS = (
    ("tonight", "/care", "Tonight"),
    ("reading", "/care/reading", "Wear reading"),
    ("wipe-test", "/care/wipe-test", "Wipe test"),
    ("wax-night", "/wax-night", "Wax night"),
    ("sheet", "/care/sheet", "Bench sheet"),
    ("log", "/care/log", "What was logged"),
)


class Handwork(NamedTuple):
    """A kind of treatment: what a press says of it, what it does to the totals, whose it is, the caution."""

    past: str
    effect: str
    regimes: tuple[Regime, ...]
    caution: str


_WAX, _OIL, _DRIP, _POT = (Regime.WAXED,), (Regime.WET_LUBE,), ReminderKind.DRIP, ReminderKind.IMMERSION
HANDWORK = {
    TreatmentKind.IMMERSION: Handwork("Immersed", "cleans, and a new film", _WAX, caution(_POT)),
    TreatmentKind.DRIP: Handwork("Dripped", "a new film; the grit stays", _WAX, caution(_DRIP)),
    TreatmentKind.WIPE: Handwork(
        "Wiped and dried", "tidies; no total changes", tuple(Regime), caution(_DRIP)
    ),
    TreatmentKind.STRIP: Handwork(
        "Stripped", "factory grease off, before the first immersion", _WAX, SOLVENT
    ),
    TreatmentKind.OIL: Handwork("Oiled", "fresh oil; the grit stays", _OIL, caution(_DRIP, *_OIL)),
    TreatmentKind.CLEAN: Handwork("Cleaned", "degreased and dried", _OIL, caution(_POT, *_OIL)),
}
FIRST_SHOWN = (TreatmentKind.IMMERSION, TreatmentKind.DRIP, TreatmentKind.WIPE)


def _show(context: RequestContext, part: str, template: str, **figures: Any) -> HTMLResponse:
    return context.show(template, here="care", part=part, parts=PARTS, **figures)


@router.get("")
def tonight(
    context: AContext,
    did: Annotated[TreatmentKind | None, Query()] = None,
    chain: Annotated[list[int] | None, Query(max_length=200)] = None,
) -> HTMLResponse:
    """What was done, to which chains. did: it, else what is most pressing.  chain: those that come ticked."""
    snapshot, now = context.snapshot, context.now
    states = [state_of(snapshot, one, now) for one in _usable(context)]
    needs = {one.chain.id: need_of(snapshot, one.due[0]) for one in states if one.due}
    kind = did or _most_pressing(states, needs, chain or ())
    work = HANDWORK[kind]
    if chain:
        ticked = {one.chain.id for one in states if one.chain.id in chain}
    else:
        ticked = {of for of, need in needs.items() if need.answer is kind and need.waits_for_hands}
    suited = [one for one in states if one.chain.regime in work.regimes or one.chain.id in ticked]
    suited.sort(key=lambda one: (one.chain.id not in ticked, one.bike is None, one.need, one.chain.name))
    yesterday = now.astimezone(context.zone).date() - timedelta(days=1)
    return _show(
        context,
        "tonight",
        "care.html",
        kind=kind,
        work=work,
        handwork=HANDWORK,
        first_shown=FIRST_SHOWN,
        drawn=suited[:MOST_DRAWN],
        more=suited[MOST_DRAWN:],
        others=[one for one in states if one not in suited],
        ticked=ticked,
        asked=chain or [],
        strip=strip,
        treatment_mark=treatment_mark,
        evening=clock(evening_of(snapshot.ledger, sorted(ticked), yesterday, context.zone), context.zone),
        logged=_logged(context, limit=NEWEST),
    )


def _usable(context: RequestContext) -> list[Any]:
    now = context.now
    return [one for one in context.snapshot.ledger.chains if one.retired_at is None or one.retired_at > now]


def _most_pressing(
    states: Sequence[ChainState], needs: dict[ChainId, Need], asked: Sequence[int]
) -> TreatmentKind:
    """The handwork to show first: what the chains that are asked about want, or else the most pressing."""
    meant = [one for one in states if one.chain.id in asked] or sorted(states, key=lambda one: one.need)
    wanted = (needs[one.chain.id].answer for one in meant if one.chain.id in needs)
    lubed = bool(meant) and not any(one.waxed for one in meant)
    return next(
        (one for one in wanted if one is not None), TreatmentKind.OIL if lubed else TreatmentKind.DRIP
    )


@router.get("/reading")
def reading(context: AContext, chain: AChoice = "") -> HTMLResponse:
    """The form for a gauge, a ruler or a caliper."""
    return _show(
        context,
        "reading",
        "care_reading.html",
        chains=_fitted_first(context),
        chosen=chain,
        worn_caution=caution(ReminderKind.INSPECTION),
    )


@router.get("/wipe-test")
def rag(context: AContext, chain: AChoice = "") -> HTMLResponse:
    """The form for a clean rag along a chain."""
    chains, grades = _fitted_first(context), list(enumerate(GRADES))
    return _show(context, "wipe-test", "care_wipe_test.html", chains=chains, chosen=chain, grades=grades)


def _fitted_first(context: RequestContext) -> list[Any]:
    ledger, now = context.snapshot.ledger, context.now
    return sorted(_usable(context), key=lambda one: (ledger.fitting_of(one.id, now) is None, one.name))


@router.get("/log")
def log(context: AContext, chain: AChoice = "", what: AChoice = "", page: APage = 1) -> HTMLResponse:
    """What was logged, newest first."""
    of_chain = next((one.id for one in context.snapshot.ledger.chains if str(one.id) == chain), None)
    with context.app.store.reading() as tx:
        count = tx.care.count_logged(chain=of_chain, what=what)
    return _show(
        context,
        "log",
        "care_log.html",
        chosen=chain,
        what=what,
        whats=[*(one.value for one in TreatmentKind), "reading", "wipe test"],
        logged=_logged(context, chain=of_chain, what=what, limit=PAGE, offset=(page - 1) * PAGE),
        **paged(count, page, PAGE),
    )


def _logged(context: RequestContext, **which: Any) -> list[tuple[datetime, str, int, ChainId, Any]]:
    with context.app.store.reading() as tx:
        found = tx.care.logged(**which)
    return [
        (one.taken_at, "reading", one.id, one.chain, one)
        if isinstance(one, Reading)
        else (one.done_at, "treatment" if isinstance(one, Treatment) else "wipe test", one.id, one.chain, one)
        for one in found
    ]


@router.get("/sheet")
def sheet(context: AContext) -> HTMLResponse:
    """Today's jobs for a page of paper, with a code that opens this sheet on a phone to log them."""
    snapshot, now = context.snapshot, context.now
    rows = bench(snapshot, now, tomorrow=advice(context.app, snapshot, now))
    public = context.app.settings.page.public_url
    code = None if public is None else _code(f"{public.rstrip('/')}/care/sheet")
    return _show(
        context,
        "sheet",
        "bench_sheet.html",
        jobs=jobs(rows),
        cautions=cautions,
        tomorrow=[row for row in rows if row.tomorrow],
        code=code,
        strip=strip,
        file=str(context.app.settings.home / SETTINGS_FILE),
    )


def _code(address: str) -> Markup:
    """The address as a code to scan: black on white, whatever the screen is like."""
    drawn = segno.make(address, error="m", micro=False).svg_inline(
        scale=4, border=2, light="#fff", omitsize=True, svgclass="code", lineclass=None, title=address
    )
    return Markup(drawn)  # noqa: S704 - made of modules and of the household's own address, which it escapes


@router.post("/treatment")
def treat(context: AContext, posted: APost) -> Response:
    """Something was done to some chains, in one act."""
    chains = [ChainId(one) for one in dict.fromkeys(posted.identities("chain", "a chain"))]
    kind = posted.choice("kind", TreatmentKind, "what was done")
    at = posted.instant_or_none("at", context.zone, now=context.now)
    if at is None and posted.text("when") == "yesterday":
        yesterday = context.now.astimezone(context.zone).date() - timedelta(days=1)
        at = evening_of(context.snapshot.ledger, chains, yesterday, context.zone)
    elif at is None and posted.text("when") == "then":
        raise FormRefused("Say when it was.", field="at")
    done = LogTreatment(
        chains[0],
        kind,
        at or context.now,
        minutes=posted.number("minutes", what="Minutes"),
        cost=posted.number("cost", what="The cost"),
        note=posted.text("note"),
        also=tuple(chains[1:]),
    )
    return context.keep(done, posted, back_of(posted, "/care"))


@router.post("/reading")
def measure(context: AContext, posted: APost) -> Response:
    """A gauge, a ruler or a caliper was laid on a chain."""
    tool = posted.choice("tool", ReadingTool, "what it was measured with")
    over = posted.number("over", what="The largest step that dropped in, in %")
    under = posted.number("under", what="The smallest step that did not, in %")
    exact = posted.number("exact", what="The elongation in %")
    if length := posted.text("length", most=40):
        if exact is not None:
            raise FormRefused(
                "Give the elongation or the length: the one follows from the other.", field="length"
            )
        pitches = posted.whole("pitches", low=1, high=300, what="The number of pitches")
        if pitches is None:
            raise FormRefused("Say over how many pitches of half an inch the length is.", field="pitches")
        try:
            exact = elongation_pct(length_mm(length), pitches)
        except ValueError as error:
            raise FormRefused(str(error), field="length") from error
    if exact is None and tool is not ReadingTool.GAUGE:
        raise FormRefused(
            "Give the elongation in %, or the length and over how many pitches it is.", field="exact"
        )
    at = posted.instant("at", context.zone, now=context.now)
    chain = ChainId(posted.identity("chain", "a chain"))
    read = LogReading(chain, tool, at, over, under, exact, posted.text("note"), posted.text("with"))
    return context.keep(read, posted, back_of(posted, "/care/log"))


@router.post("/wipe-test")
def wipe_test(context: AContext, posted: APost) -> Response:
    """A clean rag was passed along a chain."""
    grade = posted.whole("grade", what="The grade")
    if grade is None:
        raise FormRefused("Choose a grade from 0, clean, to 4, black paste.", field="grade")
    at = posted.instant("at", context.zone, now=context.now)
    test = LogWipeTest(ChainId(posted.identity("chain", "a chain")), at, grade)
    return context.keep(test, posted, back_of(posted, "/care/log"))


@router.post("/take-back")
def count_no_more(context: AContext, posted: APost) -> Response:
    """It was logged by mistake."""
    number = posted.whole("number", low=1, high=LARGEST_ID, what="The number") or 0
    because = posted.text("because") or "logged by mistake"
    fact = cast("CareKind", posted.text("fact"))  # the gate refuses any other
    return context.keep(TakeBack(fact, number, because), posted, back_of(posted, "/care/log"))
