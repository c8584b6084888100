"""What a person may say to the ledger: one frozen command for each kind of fact, with the ids it is about.

A command holds only what was said, never what follows from it. `rules.gate` judges whether it may stand,
`rules.gate.apply` says what the ledger is once it does.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal, TypeAlias, get_args

from rules.vocabulary import (
    BikeId,
    ChainId,
    Condition,
    FittingId,
    OwnValue,
    ReadingTool,
    Regime,
    RideId,
    RiderId,
    SupplyId,
    SupplyKind,
    TreatmentKind,
    TrialId,
)

CareKind: TypeAlias = Literal["treatment", "reading", "wipe test"]
Value: TypeAlias = str | int | float | bool | datetime | Regime | tuple[int, ...] | None


@dataclass(frozen=True, slots=True)
class AddRider:
    """Somebody who rides."""

    name: str
    email: str | None = None
    time_zone: str = "UTC"


@dataclass(frozen=True, slots=True)
class AddBike:
    """A bike that is in the household, from then until then."""

    name: str
    owner: RiderId
    unpaved_share: float = 0.0
    chainrings: tuple[int, ...] = ()
    cogs: tuple[int, ...] = ()
    wheel_circumference_m: float | None = None
    indoor: bool = False
    from_at: datetime | None = None
    until_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class AddChain:
    """A chain that the household has."""

    name: str
    regime: Regime = Regime.WAXED
    speeds: int | None = None
    links: int | None = None
    price: float | None = None
    acquired_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Amend:
    """A rider, a bike or a chain is otherwise than was said: these of its fields, and no others."""

    what: Literal["rider", "bike", "chain"]
    number: int
    values: dict[str, Value] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class FitChain:
    """A chain goes onto a bike; the one that was on it comes off, and it leaves the bike it was on."""

    chain: ChainId
    bike: BikeId
    at: datetime


@dataclass(frozen=True, slots=True)
class TakeOff:
    """A chain comes off the bike it is on."""

    chain: ChainId
    at: datetime


@dataclass(frozen=True, slots=True)
class Retire:
    """A chain has done its work; it comes off the bike it is on."""

    chain: ChainId
    at: datetime


@dataclass(frozen=True, slots=True)
class FittingWasNot:
    """A fitting that never was."""

    fitting: FittingId
    because: str = "noted by mistake"


@dataclass(frozen=True, slots=True)
class PlaceSensor:
    """A sensor sits on a bike, since then or always; it left the bike it was on before."""

    identity: str
    kind: str
    bike: BikeId
    from_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class ForgetSensor:
    """That a sensor sat on a bike was learned or typed wrongly: the span that began then."""

    identity: str
    bike: BikeId
    from_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class LogTreatment:
    """Hands did this to a chain, and to others beside it; minutes and cost are of all of them together."""

    chain: ChainId
    kind: TreatmentKind
    done_at: datetime
    minutes: float | None = None
    cost: float | None = None
    note: str = ""
    also: tuple[ChainId, ...] = ()

    @property
    def chains(self) -> tuple[ChainId, ...]:
        """All of them, the first first."""
        return (self.chain, *self.also)


@dataclass(frozen=True, slots=True)
class LogReading:
    """A gauge, a ruler or a caliper was laid on a chain [% longer than new]."""

    chain: ChainId
    tool: ReadingTool
    taken_at: datetime
    over_pct: float | None = None
    under_pct: float | None = None
    exact_pct: float | None = None
    note: str = ""
    instrument: str = ""


@dataclass(frozen=True, slots=True)
class LogWipeTest:
    """A clean rag was passed along a chain: 0 clean … 4 black paste."""

    chain: ChainId
    done_at: datetime
    grade: int


@dataclass(frozen=True, slots=True)
class StartTrial:
    """Two like chains take turns on a bike from now on, one waxed and one lubed."""

    bike: BikeId
    waxed: ChainId
    control: ChainId
    started_at: datetime
    block_km: float
    seed: int


@dataclass(frozen=True, slots=True)
class EndTrial:
    """A trial is over: what was ridden until then counts for it."""

    trial: TrialId
    at: datetime


@dataclass(frozen=True, slots=True)
class BeginSupply:
    """A bath was melted, a bottle opened, a pack of quick links bought."""

    kind: SupplyKind
    amount: float
    begun_at: datetime
    name: str = ""
    a_use: float | None = None
    price: float | None = None


@dataclass(frozen=True, slots=True)
class EndSupply:
    """A supply is used up, or was poured away."""

    supply: SupplyId
    at: datetime


@dataclass(frozen=True, slots=True)
class SetLimits:
    """Limits or weights for riders, bikes or chains; all of them in one go, and undone in one."""

    limits: tuple[OwnValue, ...]
    set_at: datetime
    because: str = ""


@dataclass(frozen=True, slots=True)
class TakeBack:
    """Something logged by mistake counts no more."""

    fact: CareKind
    number: int
    because: str = "logged by mistake"


@dataclass(frozen=True, slots=True)
class TellRide:
    """A ride that nobody recorded: who rode, on which bike (None: on none of ours), when and how long.

    The place, if told, gives it weather; the word overrules the archive, as on any ride.
    """

    rider: RiderId
    bike: BikeId | None
    started_at: datetime
    minutes: float
    word: Condition | None = None
    distance_m: float = 0.0
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    indoor: bool = False


@dataclass(frozen=True, slots=True)
class PutRidesOn:
    """The rider's word: each of these rides was on that bike (None: on none of ours)."""

    answers: tuple[tuple[RideId, BikeId | None], ...]


@dataclass(frozen=True, slots=True)
class SayCondition:
    """The rider's word on what a ride was like; None leaves it to the archive."""

    ride: RideId
    word: Condition | None


@dataclass(frozen=True, slots=True)
class SayUnpaved:
    """The rider's word on how much of a ride was unpaved, 0..1; None leaves it to file and bike."""

    ride: RideId
    share: float | None


@dataclass(frozen=True, slots=True)
class WithdrawRide:
    """This was no ride of ours: it counts no more."""

    ride: RideId
    because: str = "no ride of ours"


@dataclass(frozen=True, slots=True)
class SplitOuting:
    """These two recordings were two outings after all; ride is the second recording."""

    ride: RideId


Command: TypeAlias = (
    AddRider
    | AddBike
    | AddChain
    | Amend
    | FitChain
    | TakeOff
    | Retire
    | FittingWasNot
    | PlaceSensor
    | ForgetSensor
    | LogTreatment
    | LogReading
    | LogWipeTest
    | StartTrial
    | EndTrial
    | BeginSupply
    | EndSupply
    | SetLimits
    | TakeBack
    | TellRide
    | PutRidesOn
    | SayCondition
    | SayUnpaved
    | WithdrawRide
    | SplitOuting
)
COMMANDS: tuple[type, ...] = get_args(Command)
