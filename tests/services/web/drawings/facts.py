"""A chain's invented history for the drawings: three years of dust and dry roads, and a storm."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from rules.contamination import ChainHistory, history
from rules.ledger import Ledger
from rules.rulebook import default_rulebook
from rules.vocabulary import (
    Bike,
    BikeId,
    Chain,
    ChainId,
    Condition,
    ConditionTag,
    DecidedBy,
    DriveMethod,
    Fitting,
    FittingId,
    Reading,
    ReadingId,
    ReadingTool,
    Ride,
    RideHour,
    RideId,
    Rider,
    RiderId,
    Tier,
    Treatment,
    TreatmentId,
    TreatmentKind,
    WipeTest,
    WipeTestId,
)

RULEBOOK = default_rulebook()
BEGAN = datetime(2023, 11, 27, tzinfo=UTC)
NOW = datetime(2026, 11, 25, 20, tzinfo=UTC)
BIKES = {BikeId(1): "Plover <b>&</b>"}


def tag(water: float, rain_mm: float) -> ConditionTag:
    return ConditionTag(water, water, 0.0, 0.0, 0.9, Tier.FINAL, rain_mm, 0.0, "an archive", None, "because")


def hour(start: datetime, water: float) -> RideHour:
    return RideHour(start, 3600.0, 25e3, 3600.0, 7.0, 40.0, 10.0, 100.0, tag(water, 5.0 * water))


def ride(number: int, started_at: datetime, *hours: float, word: Condition | None = None) -> Ride:
    """A ride whose hours, each a whole one, had this much water on the road."""
    parts = tuple(hour(started_at + timedelta(hours=i), w) for i, w in enumerate(hours))
    drive_s = 3600.0 * len(hours)
    return Ride(
        RideId(number),
        RiderId(1),
        started_at,
        started_at + timedelta(hours=len(hours)),
        f"ride {number}",
        BikeId(1),
        DecidedBy.ONLY_BIKE,
        drive_s,
        drive_s,
        drive_s,
        DriveMethod.CADENCE,
        drive_s,
        25e3 * len(hours),
        100.0,
        False,
        parts,
        word=word,
    )


def treatment(number: int, kind: TreatmentKind, at: datetime) -> Treatment:
    return Treatment(TreatmentId(number), ChainId(1), kind, at)


def past(
    rides: list[Ride], treatments: tuple[Treatment, ...] = (), readings: tuple[Reading, ...] = ()
) -> ChainHistory:
    ledger = Ledger(
        riders=(Rider(RiderId(1), "Nele"),),
        bikes=(Bike(BikeId(1), "Plover", RiderId(1)),),
        chains=(Chain(ChainId(1), "Flint"),),
        fittings=(Fitting(FittingId(1), ChainId(1), BikeId(1), BEGAN),),
        rides=tuple(rides),
        treatments=treatments,
        readings=readings,
        wipe_tests=(WipeTest(WipeTestId(1), ChainId(1), NOW - timedelta(days=30), 3),),
    )
    return history(ledger, ChainId(1), RULEBOOK)


def storm() -> ChainHistory:
    """Immersed; two dry hours, a drip, a storm hour (weight 1 + 2 for a wet road), a dry hour."""
    start = NOW - timedelta(days=2)
    return past(
        [ride(1, start, 0.0, 0.0), ride(2, start + timedelta(hours=6), 1.0, 0.0)],
        (
            treatment(1, TreatmentKind.IMMERSION, start - timedelta(hours=1)),
            treatment(2, TreatmentKind.DRIP, start + timedelta(hours=4)),
        ),
    )


def three_years() -> ChainHistory:
    """Three rides a week, of five kinds; a drip a fortnight, a bath a month, a reading a quarter."""
    words = (None, Condition.DUSTY, Condition.WET, Condition.MUDDY, Condition.UNKNOWN)
    days = range(1094)
    rides = [
        ride(d + 1, BEGAN + timedelta(days=d, hours=7), 0.0, 0.0, word=words[(d // 2) % 5])
        for d in days
        if d % 7 in (1, 3, 6)
    ]
    care = tuple(
        treatment(
            d + 1, TreatmentKind.IMMERSION if d % 28 == 0 else TreatmentKind.DRIP, BEGAN + timedelta(days=d)
        )
        for d in days
        if d % 14 == 0
    )
    readings = tuple(
        Reading(
            ReadingId(d + 1), ChainId(1), ReadingTool.CALIPER, BEGAN + timedelta(days=d), exact_pct=d / 2500
        )
        for d in days
        if d % 90 == 89
    )
    return past(rides, care, readings)
