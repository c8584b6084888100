"""The trade's nouns: the dated facts that everything else is derived from.

Every fact is frozen. Every instant is an aware UTC datetime; local time exists only on a page or in a
message. A quantity carries its unit in its name. `None` always means "not known", never zero.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import NewType

RiderId = NewType("RiderId", int)
BikeId = NewType("BikeId", int)
SensorId = NewType("SensorId", int)
ChainId = NewType("ChainId", int)
FittingId = NewType("FittingId", int)
RideId = NewType("RideId", int)
TreatmentId = NewType("TreatmentId", int)
ReadingId = NewType("ReadingId", int)
WipeTestId = NewType("WipeTestId", int)
TrialId = NewType("TrialId", int)
SupplyId = NewType("SupplyId", int)
OwnLimitsId = NewType("OwnLimitsId", int)
ReminderId = NewType("ReminderId", int)


class Regime(StrEnum):
    """How a chain is lubricated. Wet lube is the control that wax is compared with."""

    WAXED = "waxed"
    WET_LUBE = "wet lube"


class Condition(StrEnum):
    """What an hour of riding was like for a chain, in one word. The weights behind it say more."""

    WET = "wet"
    DAMP = "damp"
    DRY = "dry"
    DUSTY = "dusty"
    MUDDY = "muddy"
    UNKNOWN = "unknown"


class Tier(StrEnum):
    """How settled a weather value is: the archive's own, a recent forecast analysis, or the rider's word."""

    FINAL = "final"
    PRELIMINARY = "preliminary"
    RIDER = "the rider's word"


class TreatmentKind(StrEnum):
    """What hands did to a chain."""

    STRIP = "strip"  # factory grease removed with solvent, once, before the first immersion
    IMMERSION = "immersion"  # hot-melt wax bath; clears since-drip and since-immersion
    DRIP = "drip"  # one drop of drip wax per roller; clears since-drip only: renews the film, cleans nothing
    WIPE = "wipe"  # wiped down with a clean dry rag; clears nothing
    OIL = "oil"  # wet lube applied: the control's top-up; clears since-drip
    CLEAN = "clean"  # degreased and dried, for the control; clears since-immersion and since-drip


class ReadingTool(StrEnum):
    """What a wear reading was taken with; each has its own error."""

    GAUGE = "gauge"  # go/no-go gauge: an interval
    RULER = "ruler"
    CALIPER = "caliper"


class SupplyKind(StrEnum):
    """What stands on the shelf and is used up by care."""

    BATH = "bath"  # hot-melt wax in the pot [g]
    DRIP_WAX = "drip wax"  # a bottle [ml]
    SOLVENT = "solvent"  # for stripping and degreasing [ml]
    QUICK_LINKS = "quick links"  # each may be opened a few times [pieces]


class DecidedBy(StrEnum):
    """Who said which bike a ride was on."""

    SENSOR = "sensor"  # a known sensor sat on this bike at the time
    ONLY_BIKE = "only bike"  # the rider had no other bike
    EVIDENCE = "evidence"  # clues added up, see the assignment's evidence
    RIDER = "rider"  # the rider's word: final


class DriveMethod(StrEnum):
    """How drive time was found, best first."""

    CADENCE = "cadence"
    REQUIRED_POWER = "required power"
    MOVING_SHARE = "share of moving time"


@dataclass(frozen=True, slots=True)
class Rider:
    """Somebody who rides, and whom reminders reach."""

    id: RiderId
    name: str
    email: str | None = None
    time_zone: str = "UTC"  # IANA name, for quiet hours and pages


@dataclass(frozen=True, slots=True)
class Bike:
    """A bicycle of the household, or one on loan."""

    id: BikeId
    name: str
    owner: RiderId
    unpaved_share: float = 0.0  # usual share of its riding on unpaved ground, 0..1
    chainrings: tuple[int, ...] = ()  # teeth, empty = not entered
    cogs: tuple[int, ...] = ()  # teeth, empty = not entered
    wheel_circumference_m: float | None = None
    indoor: bool = False  # lives on the trainer
    from_at: datetime | None = None  # in the household since; None = always
    until_at: datetime | None = None  # gone since; None = still here


@dataclass(frozen=True, slots=True)
class Sensor:
    """A sensor or head unit as its files name it, and the bike it sat on in a span of time.

    A sensor that moved has several of these; spans of one sensor do not overlap.
    """

    id: SensorId
    kind: str  # power meter, speed, cadence, shifter, radar, light, head unit
    identity: str  # as ingest.ride.recording.SensorSeen.identity gives it
    bike: BikeId
    from_at: datetime | None = None
    until_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Chain:
    """One chain from its box to its retirement."""

    id: ChainId
    name: str
    regime: Regime = Regime.WAXED
    speeds: int | None = None  # cogs it is made for; sets the wear limit
    links: int | None = None  # pitches of 12.7 mm
    price: float | None = None
    acquired_at: datetime | None = None
    retired_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Fitting:
    """Chain was on bike from `fitted_at` to `removed_at`. A ride belongs to the chain fitted at its start."""

    id: FittingId
    chain: ChainId
    bike: BikeId
    fitted_at: datetime
    removed_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class ConditionTag:
    """What the ground was like in one hour of a ride, on paved and on unpaved ground.

    Weights: 0 = none. Water, mud and salt end at 1; dust is 1 on a dry public gravel road at 20 km/h and ends
    at 3.
    The share of the ride that was unpaved is not in here: it belongs to the ride, and the ledger blends them.
    """

    paved_water: float | None  # None = no weather known for the hour
    unpaved_water: float | None
    mud: float | None
    dust: float | None
    confidence: float  # probability that the wet/dry word is right, 0..1
    tier: Tier
    rain_mm: float | None  # in the ride hour itself
    rain_before_mm: float | None  # in the 24 h before it
    source: str  # archive and model, e.g. "open archive (era5)"
    fetched_at: datetime | None
    because: str  # one sentence a rider understands
    frost: bool = False  # air at or below 0 °C
    salt: float = 0.0  # road salt in the water of paved ground, 0..1; inferred from weather
    snow_mm: float = 0.0  # how much of rain_mm fell as snow

    @property
    def known(self) -> bool:
        """Whether there is any weather behind this tag."""
        return self.paved_water is not None


@dataclass(frozen=True, slots=True)
class HourAhead:
    """What the ground may be like in an hour that is still to come, if it rains and if it stays dry."""

    hour_start: datetime
    rain_chance: float  # that it rains in it, or so shortly before that it still lies there; 0..1
    if_rain: ConditionTag
    if_dry: ConditionTag

    def wet_chance(self, wet_from: float) -> float:
        """How likely is it wet on paved ground? wet_from: the water weight that counts as wet."""
        rain, dry = ((one.paved_water or 0.0) >= wet_from for one in (self.if_rain, self.if_dry))
        return self.rain_chance * rain + (1.0 - self.rain_chance) * dry


@dataclass(frozen=True, slots=True)
class RideHour:
    """The part of a ride inside one UTC hour."""

    hour_start: datetime
    drive_s: float
    distance_m: float
    moving_s: float
    mean_speed_mps: float | None  # over moving time
    latitude_deg: float | None  # mean place; None indoors
    longitude_deg: float | None
    climb_m: float
    tag: ConditionTag | None = None  # None = not tagged yet


@dataclass(frozen=True, slots=True)
class Ride:
    """One outing, summed from its recording, with the bike now in force."""

    id: RideId
    rider: RiderId
    started_at: datetime
    ended_at: datetime
    title: str
    bike: BikeId | None  # None = a question on the confirm list, or none of ours
    decided_by: DecidedBy | None
    drive_s: float
    drive_low_s: float
    drive_high_s: float
    drive_method: DriveMethod
    moving_s: float
    distance_m: float
    climb_m: float
    indoor: bool
    hours: tuple[RideHour, ...]
    unpaved_share: float | None = None  # of this ride, from its file or the rider; None = the bike's usual
    word: Condition | None = None  # the rider's word on the conditions overrules the archive
    file_name: str = ""


@dataclass(frozen=True, slots=True)
class Treatment:
    """Something done to a chain by hand."""

    id: TreatmentId
    chain: ChainId
    kind: TreatmentKind
    done_at: datetime
    minutes: float | None = None
    cost: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Reading:
    """A wear measurement [% of length]: an interval from a gauge, a number from a ruler or caliper.

    Gauge: `over_pct` is the largest step that dropped in (None: none did), `under_pct` the smallest that did
    not (None: all did). Ruler and caliper: `exact_pct`.
    """

    id: ReadingId
    chain: ChainId
    tool: ReadingTool
    taken_at: datetime
    over_pct: float | None = None
    under_pct: float | None = None
    exact_pct: float | None = None
    note: str = ""
    instrument: str = ""  # which one of its kind, by its owner's name for it; each has a bias of its own


@dataclass(frozen=True, slots=True)
class WipeTest:
    """A clean rag along the chain, graded 0 (clean) to 4 (black paste): the owner's check on the score."""

    id: WipeTestId
    chain: ChainId
    done_at: datetime
    grade: int


@dataclass(frozen=True, slots=True)
class Trial:
    """Two like chains that take turns on one bike, one waxed, one lubed; a lot says which begins a pair."""

    id: TrialId
    bike: BikeId
    waxed: ChainId
    control: ChainId
    started_at: datetime
    block_km: float  # from one swap to the next
    seed: int  # of the lot
    ended_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Supply:
    """A bath, a bottle or a pack that was begun, with what it held then."""

    id: SupplyId
    kind: SupplyKind
    amount: float  # g of a bath, ml of a bottle, pieces of a pack
    begun_at: datetime
    name: str = ""
    a_use: float | None = None  # what one use takes, as its owner measured it; None = common practice
    ended_at: datetime | None = None  # used up, poured away, or another one took its place
    price: float | None = None  # of all of it, in the household's currency


@dataclass(frozen=True, slots=True)
class OwnValue:
    """A limit or a weight set for one rider, bike or chain; None gives the rulebook's back."""

    scope: str  # rider, bike, chain
    owner: int
    key: str  # "drip", "water"
    value: float | None


@dataclass(frozen=True, slots=True)
class OwnLimits:
    """What a rider agreed to set, in one go. It goes before the rulebook; the newest of a key holds."""

    id: OwnLimitsId
    set_at: datetime
    limits: tuple[OwnValue, ...]
    because: str = ""
