"""Is it a bicycle ride, and of what kind: by the file's own words, by its pace where it says nothing."""

from __future__ import annotations

import re
from enum import Enum

import numpy as np

from ingest.errors import NotARide
from ingest.ride.drive_time import estimated_power_w
from ingest.ride.motion import Intervals
from ingest.ride.plausible_samples import MOTOR_MPS
from ingest.ride.recording import Recording
from ingest.ride.runner_cadence import runs_like, turns_a_gear
from ingest.ride.smoothing import smoothed
from rules.units import speed

OVERRULE = (
    "if it was a bicycle ride, import it with --it-was-a-ride, or set its activity to cycling where it was "
    "recorded and export it again"
)

# Stems, looked for at the beginnings of words: a brunch holds no run. Devices and programs write sports in
# the rider's language; the words are from memory.
_BICYCLE = re.compile(
    r"(?<![a-z])(?:\w*?(?:cycl|bik)|bmx|mtb|vtt|gravel|velo|vélo|fahrrad|rennrad|radfahr|radsport|radtour|"
    r"cicl|bici|wielren|fiets|cykel|cykling|sykkel|sykling|pyöräily|kerékpár|kolo|cyklo)"
)
_PERHAPS_BICYCLE = re.compile(r"(?<![a-z])(?:\w*ride|riding|mountain)(?![a-z])")
_MOTOR = re.compile(r"(?<![a-z])(?:motor|moto(?![a-z])|car(?![a-z])|driv|auto(?![a-z])|coche|voiture)")
_OTHER = re.compile(
    r"(?<![a-z])(?:(?:trail|virtual|street|swim|indoor|ultra|night|fun)?run(?:s|ning|ner)?(?![a-z])|"
    r"jog|hik|walk|trek(?!king_?(?:bike|rad))|mountaineer|swim|ski|snowboard|row(?:ing)?(?![a-z])|paddl|kayak|canoe|sail|surf(?!ace)|"
    r"windsurf|kitesurf|skat|golf|fly(?![a-z])|flying|flight|climb|yoga|strength|horse|equestrian|tennis|football|"
    r"soccer|boat|diving|wheelchair|treadmill|elliptical|stair|cardio|"
    r"lauf|jogg|wander|schwimm|rudern|reiten|klettern|langlauf|berglauf|"
    r"course_(?:a|à)|courir|randonn|marche|nage|natation|aviron|"
    r"corsa|correre|carrera|correr|corrida|cammin|escursion|nuoto|caminata|senderis|nataci|"
    r"hardlop|wandel|zwem|roei|löpning|løb|løping|gång|bieg|juoksu|futás)"
)
_INDOOR = re.compile(r"indoor|trainer|spin(?![a-z])|spinning|rollers|turbo")

# How much of a ride of this sub-sport is on unpaved ground: judgements, common practice, no source.
_UNPAVED_SHARE = {
    "road": 0.0,
    "track_cycling": 0.0,
    "commuting": 0.0,
    "mixed_surface": 0.5,
    "gravel_cycling": 0.7,
    "cyclocross": 0.8,
    "mountain": 0.9,
    "e_bike_mountain": 0.9,
    "downhill": 1.0,
    "bmx": 1.0,
}
_OUTDOOR_SUB_SPORTS = frozenset(_UNPAVED_SHARE)

# Pace where no sport is named, over the moving time, averaged over 30 s. Common practice, no source:
WALKER_FAST_MPS = 3.0  # 10.8 km/h: on foot, nine tenths of the moving time are slower
RUNNER_FAST_MPS = 5.0  # 18 km/h: a runner stays under it ...
# ... and keeps an even pace: the fast tenth begins below this times the middle; a rider freewheels downhill.
RUNNER_SPREAD = 1.5
RUNNER_DOWNHILL_MPS = 6.0
MOTOR_MIDDLE_MPS = 14.0  # 50 km/h as the middle of the moving time: faster than any bicycle outing
MOTOR_SHARE = 0.2  # or carried this much of the moving time
MOTOR_SHARE_OF_CYCLING = 0.8  # a ride and the drive home in one file: the drive is left out, the ride stays
JUMP_SHARE = 0.2  # of all steps impossible: a plane, or no track at all
# Or, at road speed, half a minute of more power than legs have: the best track sprinters average some 1 200 W
# over 30 s (from memory), and what an ordinary rider and bike require is known. 20 s of it in all decide.
MOTOR_W, MOTOR_POWER_MPS, MOTOR_POWER_S = 1_500.0, 15.0, 20.0
SHORTEST_JUDGED_S = 30.0  # of moving time: less shows no pace


class Kind(Enum):
    """Where a ride took place."""

    OUTDOOR = "outdoor"
    INDOOR = "indoor"
    VIRTUAL = "virtual"  # indoor, in a made-up or far-away place


def spelled(word: str | None) -> str:
    """A sport's word in one spelling: lower case, underscores, "" for none."""
    return re.sub(r"[\s\-]+", "_", (word or "").strip().lower())


def says_cycling(recording: Recording) -> bool:
    """Whether the file itself says that this is a bicycle ride."""
    sport, sub_sport = spelled(recording.sport), spelled(recording.sub_sport)
    words = f"{sport} {sub_sport}"
    return bool(_BICYCLE.search(words) or _PERHAPS_BICYCLE.search(words) or _INDOOR.search(sub_sport))


def refuse_other_sports(recording: Recording) -> None:
    """Raises NotARide when the file says that it is a run, a swim, a drive or another sport."""
    for word in (spelled(recording.sport), spelled(recording.sub_sport)):
        if _MOTOR.search(word) or (_OTHER.search(word) and not _BICYCLE.search(word)):
            raise NotARide(recording.file_name, f"says it is {_spoken(word)}, not a bicycle ride", OVERRULE)


def refuse_other_paces(recording: Recording, intervals: Intervals) -> None:
    """Raises NotARide when a file that names no sport moves like a walker, a runner, a car or a plane.

    A file that says cycling is refused only when nearly all of it is a motor's. Power says bicycle, and so
    does cadence at a runner's pace. Thresholds are judgements, see above.
    """
    in_motion = intervals.moving | intervals.carried
    total = float(intervals.active_s[in_motion].sum())
    carried = float(intervals.active_s[intervals.carried].sum())
    cycling = says_cycling(recording)
    if intervals.jumps > JUMP_SHARE * len(intervals.active_s):
        raise NotARide(recording.file_name, "moves faster than any bicycle, nearly all the time", OVERRULE)
    if total < SHORTEST_JUDGED_S:
        return
    if carried > (MOTOR_SHARE_OF_CYCLING if cycling else MOTOR_SHARE) * total:
        why = (
            f"moves like a motor vehicle for {carried / total:.0%} of the time ({speed(MOTOR_MPS)} and more)"
        )
        raise NotARide(recording.file_name, why, OVERRULE)
    if cycling or bool((recording.power_w > 0).any()):
        return
    pace = smoothed(recording.time_s[1:], np.where(intervals.moving, intervals.speed_mps, np.nan), 30.0)
    seconds = intervals.active_s[intervals.moving]
    middle, fast = _weighted_quantiles(pace[intervals.moving], seconds, (0.5, 0.9))
    if middle > MOTOR_MIDDLE_MPS:
        why = f"names no sport and goes at a motor's pace (half of the time above {speed(middle)})"
        raise NotARide(recording.file_name, why, OVERRULE)
    powered_s = _motor_seconds(recording, intervals)
    if powered_s >= MOTOR_POWER_S:
        why = f"names no sport and for {powered_s:.0f} s goes as only a motor can ({MOTOR_W:.0f} W and more)"
        raise NotARide(recording.file_name, why, OVERRULE)
    if fast < WALKER_FAST_MPS and not turns_a_gear(recording, intervals):
        why = f"names no sport and moves at walking pace (nine tenths of the time under {speed(fast)})"
        raise NotARide(recording.file_name, why, OVERRULE)
    even = fast < RUNNER_FAST_MPS and fast < RUNNER_SPREAD * middle
    if recording.has_cadence and fast < RUNNER_DOWNHILL_MPS:
        strides = runs_like(recording, intervals)
        if strides:
            raise NotARide(recording.file_name, f"names no sport and {strides}", OVERRULE)
    elif even:
        why = f"names no sport and keeps a runner's even pace (half of the time above {speed(middle)})"
        raise NotARide(recording.file_name, why, OVERRULE)


def kind_of(recording: Recording) -> Kind:
    """Outdoors, indoors, or in a virtual place."""
    words = f"{spelled(recording.sport)} {spelled(recording.sub_sport)}"
    if "virtual" in words:
        return Kind.VIRTUAL
    if _INDOOR.search(words):
        return Kind.INDOOR
    effort = recording.has_cadence or bool(np.isfinite(recording.power_w).any())
    if not recording.has_place and effort and spelled(recording.sub_sport) not in _OUTDOOR_SUB_SPORTS:
        return Kind.INDOOR
    return Kind.OUTDOOR


def unpaved_share_of(recording: Recording) -> float | None:
    """How much of the ride was on unpaved ground, by its sub-sport; None = it does not tell. [0..1]"""
    for word in (spelled(recording.sub_sport), spelled(recording.sport)):
        if word in _UNPAVED_SHARE:
            return _UNPAVED_SHARE[word]
        if "gravel" in word:
            return _UNPAVED_SHARE["gravel_cycling"]
        if "mountain" in word or "mtb" in word:
            return _UNPAVED_SHARE["mountain"]
    return None


def _motor_seconds(recording: Recording, intervals: Intervals) -> float:
    fast = intervals.speed_mps > MOTOR_POWER_MPS
    if not fast.any():
        return 0.0
    power = smoothed(recording.time_s[1:], estimated_power_w(recording, intervals), 30.0)
    return float(intervals.active_s[fast & (power > MOTOR_W)].sum())


def _spoken(sport: str) -> str:
    return f"“{sport.replace('_', ' ')[:40]}”"


def _weighted_quantiles(values: np.ndarray, weights: np.ndarray, shares: tuple[float, ...]) -> list[float]:
    known = np.isfinite(values)
    order = np.argsort(values[known])
    ordered, heaped = values[known][order], np.cumsum(weights[known][order])
    if not len(ordered):
        return [0.0 for _ in shares]
    rows = np.searchsorted(heaped, np.array(shares) * heaped[-1]).clip(0, len(ordered) - 1)
    return [float(value) for value in ordered[rows]]
