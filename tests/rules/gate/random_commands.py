"""Random things to say: mostly possible, some odd, some impossible, about a household that grows by them."""

from __future__ import annotations

import random
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

from rules.commands import (
    AddBike,
    AddChain,
    AddRider,
    Amend,
    BeginSupply,
    Command,
    EndSupply,
    EndTrial,
    FitChain,
    FittingWasNot,
    ForgetSensor,
    LogReading,
    LogTreatment,
    LogWipeTest,
    PlaceSensor,
    PutRidesOn,
    Retire,
    SayCondition,
    SayUnpaved,
    SetLimits,
    SplitOuting,
    StartTrial,
    TakeBack,
    TakeOff,
    TellRide,
    WithdrawRide,
)
from rules.ledger import Ledger
from rules.vocabulary import Condition, OwnValue, ReadingTool, Regime, SupplyKind, TreatmentKind

START = datetime(2025, 1, 1, tzinfo=UTC)
DAYS = 40
NAMES = ("Plover", "Harrier", "Wren", "plover", "Rook  II", "Teal", "Swift", "Crake", "")
ZONES = ("UTC", "UTC", "Europe/Madrid", "Mars/One")
SENSORS = ("serial 4711", "serial 4712", "serial 4713")


def any_command(ledger: Ledger, dice: random.Random, *, but: tuple[type, ...] = ()) -> Command:
    """Something a person may say of this household; now and then about what is not there.

    but: kinds of commands that are not said.
    """
    while isinstance(said := _any(ledger, dice, bikes_stay=AddBike in but), but):
        pass
    return said


def _any(ledger: Ledger, dice: random.Random, *, bikes_stay: bool) -> Command:
    """bikes_stay: nothing is said of a bike that tells which rides were its."""
    at = START + timedelta(hours=dice.randrange(-24, 24 * DAYS), minutes=dice.randrange(60))

    def one_of(things: tuple[Any, ...]) -> Any:
        return dice.choice(things).id if things and dice.random() < 0.97 else 99

    def of(regime: Regime) -> tuple[Any, ...]:
        return tuple(one for one in ledger.chains if one.regime is regime)

    chain, bike = one_of(ledger.chains), one_of(ledger.bikes)
    under = dice.choice((0.5, 0.1))
    end = dice.choice((at, START + timedelta(days=DAYS)))
    on_trial = tuple(one for one in ledger.trials if one.ended_at is None)
    in_use = tuple(one for one in ledger.supplies if one.ended_at is None)
    makers = (
        (
            1,
            lambda: AddRider(
                dice.choice(NAMES), dice.choice((None, "iva@example.org", "nobody")), dice.choice(ZONES)
            ),
        ),
        (
            2,
            lambda: AddBike(
                dice.choice(NAMES),
                one_of(ledger.riders),
                dice.choice((0.0, 0.6, 1.6)),
                *dice.choice((((), (), None), ((40,), (11, 13, 15), 2.1), ((40,), (11, 99), None))),
                dice.random() < 0.2,
                dice.choice((None, None, at - timedelta(days=30))),
                dice.choice((None, None, at)),
            ),
        ),
        (
            3,
            lambda: AddChain(
                f"Chain {dice.randrange(9)}",
                dice.choice(tuple(Regime)),
                dice.choice((9, 12, 40)),
                *dice.choice(((None, None, None), (114, 40.0, START), (114, None, None), (3, -1.0, START))),
            ),
        ),
        (3, lambda: _amend(ledger, dice, at, bikes_stay)),
        (8, lambda: FitChain(chain, bike, at)),
        (4, lambda: TakeOff(chain, at)),
        (1, lambda: Retire(chain, at)),
        (2, lambda: FittingWasNot(one_of(ledger.fittings))),
        (5, lambda: PlaceSensor(dice.choice(SENSORS), "power meter", bike, dice.choice((None, at, at)))),
        (2, lambda: _forget(ledger, dice)),
        (
            8,
            lambda: LogTreatment(
                chain,
                dice.choice(tuple(TreatmentKind)),
                at,
                *dice.choice(
                    (
                        (None,),
                        (6.0, 0.4),
                        (6.0, None, "two\nlines"),
                        (1e309,),
                        (None, -1.0),
                        (6.0, 0.4, "\x1b"),
                    )
                ),
                also=dice.choice(((), (), (one_of(ledger.chains),))),
            ),
        ),
        (
            3,
            lambda: LogReading(
                chain,
                ReadingTool.CALIPER,
                at,
                exact_pct=dice.choice((0.0, 0.2, 0.6, 99.0)),
                instrument=dice.choice(("", "red", "red", "x" * 99)),
            ),
        ),
        (
            2,
            lambda: LogReading(chain, ReadingTool.GAUGE, at, over_pct=0.25, under_pct=under),
        ),
        (2, lambda: LogWipeTest(chain, at, dice.randrange(6))),
        (
            4,
            lambda: StartTrial(
                bike,
                one_of(of(Regime.WAXED)),
                one_of(of(Regime.WET_LUBE)),
                at,
                dice.choice((300.0, 300.0, 5.0)),
                dice.randrange(99),
            ),
        ),
        (30 if on_trial else 1, lambda: EndTrial(one_of(on_trial or ledger.trials), end)),
        (
            4,
            lambda: BeginSupply(
                dice.choice(tuple(SupplyKind)),
                dice.choice((500.0, 500.0, 20.0, -1.0)),
                at,
                dice.choice(("", "blue tin")),
                price=dice.choice((None, 18.0, 18.0, -1.0)),
            ),
        ),
        (30 if in_use else 1, lambda: EndSupply(one_of(in_use or ledger.supplies), end)),
        (
            2,
            lambda: SetLimits(_limits(ledger, one_of, dice), at),
        ),
        (3, lambda: _take_back(ledger, dice)),
        (
            4,
            lambda: PutRidesOn(_answers(ledger, bike, dice)),
        ),
        (4, lambda: SayCondition(one_of(ledger.rides), dice.choice((None, *Condition)))),
        (3, lambda: SayUnpaved(one_of(ledger.rides), dice.choice((None, 0.2, 0.9, 1.5)))),
        (2, lambda: WithdrawRide(one_of(ledger.rides))),
        (3, lambda: _told_ride(one_of(ledger.riders), dice.choice((None, bike)), at, dice)),
        (3, lambda: SplitOuting(one_of(ledger.rides))),
    )
    ((_, make),) = dice.choices(makers, [weight for weight, _ in makers])
    return make()


def _amend(ledger: Ledger, dice: random.Random, at: datetime, bikes_stay: bool) -> Command:
    kind = dice.choice(("rider", "bike", "chain"))
    things = {"rider": ledger.riders, "bike": ledger.bikes, "chain": ledger.chains}[kind]
    values: dict[str, Any] = {"name": dice.choice((*NAMES, f"Chain {dice.randrange(9)}"))}
    if kind == "bike" and dice.random() < 0.5:
        values = {"unpaved_share": dice.choice((0.1, 0.5, 2.0))}
    if kind == "bike" and not bikes_stay and dice.random() < 0.5:
        values = {"until_at": dice.choice((None, at)), "cogs": dice.choice(((), (11, 13), (11, 99)))}
        values["owner"] = dice.choice(ledger.riders).id if ledger.riders else 99
    if kind == "chain" and dice.random() < 0.5:
        values = {"regime": dice.choice(tuple(Regime)), "price": dice.choice((None, 30.0, -1.0))}
    if kind == "rider" and dice.random() < 0.5:
        values = {"email": dice.choice((None, "iva@example.org", "nobody")), "time_zone": dice.choice(ZONES)}
    return Amend(kind, dice.choice(things).id if things else 99, values)  # type: ignore[arg-type]


def _limits(ledger: Ledger, one_of: Callable[[Any], Any], dice: random.Random) -> tuple[OwnValue, ...]:
    things: dict[str, Any] = {"rider": ledger.riders, "bike": ledger.bikes, "chain": ledger.chains}
    scopes = dice.sample(tuple(things), dice.choice((1, 1, 2)))
    keys, values = ("drip", "water", "rust"), (None, 2.0, 14.0)
    return tuple(OwnValue(one, one_of(things[one]), dice.choice(keys), dice.choice(values)) for one in scopes)


def _told_ride(rider: Any, bike: Any, at: datetime, dice: random.Random) -> TellRide:
    latitude_deg, longitude_deg = dice.choice(((None, None), (-31.0, 21.0), (-31.0, None)))
    word = dice.choice((None, *Condition))
    minutes, indoor = dice.choice((40.0, 90.0, 0.0)), dice.random() < 0.2
    return TellRide(rider, bike, at, minutes, word, 12_000.0, latitude_deg, longitude_deg, indoor)


def _forget(ledger: Ledger, dice: random.Random) -> Command:
    if not ledger.sensors:
        return ForgetSensor(SENSORS[0], 99, None)  # type: ignore[arg-type]
    span = dice.choice(ledger.sensors)
    return ForgetSensor(span.identity, span.bike, span.from_at)


def _take_back(ledger: Ledger, dice: random.Random) -> Command:
    fact = dice.choice(("treatment", "reading", "wipe test"))
    logged = {"treatment": ledger.treatments, "reading": ledger.readings, "wipe test": ledger.wipe_tests}[
        fact
    ]
    return TakeBack(fact, dice.choice(logged).id if logged else 99)  # type: ignore[arg-type]


def _answers(ledger: Ledger, bike: Any, dice: random.Random) -> tuple[Any, ...]:
    rides = dice.sample(ledger.rides, min(len(ledger.rides), dice.randrange(4)))
    return tuple((ride.id, dice.choice((None, bike))) for ride in rides)
