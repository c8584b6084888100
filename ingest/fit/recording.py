"""From the raw values of a FIT file to a Recording: scaled, checked, its sensors named, its pauses found."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Final

import numpy as np

from ingest.errors import NotARide, UnreadableFile
from ingest.fit import profile
from ingest.fit.contents import FitContents, Message
from ingest.ride.file_parts import rides_in, several_names
from ingest.ride.plausible_samples import Samples, plausible
from ingest.ride.recording import Column, GearChange, Recording, SensorSeen

_HEAD_UNIT = "head unit"
SESSION_BEFORE_S: Final = 3600.0  # a session may begin so long before its first sample
_MISSING_SERIAL = 0xFFFF_FFFF  # some devices write this instead of the 0 that means none
_GEAR_BYTES_UNKNOWN: Final = frozenset({0, 255})


def recordings(contents: FitContents, file_name: str, reader: str) -> tuple[Recording, ...]:
    """Which recordings do these contents make, the longest first? Several, where chained files lie apart.

    Raises NotARide for files that hold no activity (courses, settings, workouts, …), and UnreadableFile
    when no sample has a time.  reader: who read the contents, kept with the recording.
    """
    damage = list(contents.damage)
    _refuse_other_files(contents, file_name)
    sessions = contents.of(profile.SESSION)
    sports = contents.of(profile.SPORT)
    session, sport_message = _session_of_the_ride(sessions), (sports or [{}])[0]
    sport = _word(profile.SPORTS, session.get(5, sport_message.get(0)))

    time_s = _times(contents, damage)
    if not np.isfinite(time_s).any():
        if sport is not None and sport not in (*profile.RIDDEN, "generic"):
            raise NotARide(file_name, f"is {sport.replace('_', ' ')}", "nothing: only rides count here")
        if not len(time_s) and not damage:
            raise NotARide(
                file_name, "holds no samples: nothing was recorded", "nothing: it is whole, and empty"
            )
        why = "its clock was never set, so nobody knows when it was"
        if damage:
            why = "; ".join(damage) + ("" if len(time_s) else ", and before that there are no samples")
        raise UnreadableFile(file_name, why, "copy it from the device again")
    columns = _scaled(contents)
    rides = rides_in(time_s, contents.part_starts)
    return tuple(
        _recording(
            contents,
            plausible(ride.of(time_s), {name: ride.of(column) for name, column in columns.items()}),
            ride.doubled,
            damage,
            several_names(file_name, place, len(rides)),
            reader,
        )
        for place, ride in enumerate(rides, 1)
    )


def _recording(
    contents: FitContents,
    samples: Samples,
    doubled: int,
    damage: list[str],
    file_name: str,
    reader: str,
) -> Recording:
    columns = samples.columns
    if doubled:
        samples.dropped["a second part of the same time"] = doubled
    sessions = _sessions_within(contents.of(profile.SESSION), columns["time_s"])
    session, sport_message = _session_of_the_ride(sessions), (contents.of(profile.SPORT) or [{}])[0]
    sport = _word(profile.SPORTS, session.get(5, sport_message.get(0)))
    _keep_the_ridden_part(columns, samples.dropped, sessions)
    if not len(columns["time_s"]):
        raise UnreadableFile(file_name, "no sample has a possible time", "copy it from the device again")

    device, sensors = _devices(contents)
    started_s = session.get(2)
    totals = [message for message in sessions if _word(profile.SPORTS, message.get(5)) == sport] or sessions
    if not totals and not damage:  # of a file that breaks off, the laps that remain are not the ride
        totals = contents.of(profile.LAP)
    return Recording(
        file_name=file_name,
        reader=reader,
        **columns,  # type: ignore[arg-type]
        sport=sport,
        sub_sport=_word(profile.SUB_SPORTS, session.get(6, sport_message.get(1))),
        profile_name=_text(session.get(110)) or _text(sport_message.get(3)),
        device=device,
        sensors=sensors,
        gear_changes=tuple(_gear_changes(contents.events)),
        session_started_at=_instant(started_s),
        session_timer_s=_total(totals, 8, 1000),
        session_distance_m=_total(totals, 9, 100),
        pauses=tuple(
            _pauses(_by_time(contents.events) if len(contents.part_starts) > 1 else contents.events)
        ),
        damage=tuple(dict.fromkeys([*damage, *samples.damage])),
        dropped=samples.dropped,
    )


def _refuse_other_files(contents: FitContents, file_name: str) -> None:
    kinds = [message[0] for message in contents.of(profile.FILE_ID) if 0 in message]
    if not kinds or profile.ACTIVITY_FILE in kinds:
        return
    name = profile.FILE_TYPES.get(int(kinds[0]))
    if name is None and len(contents.records.get(profile.TIMESTAMP, ())):
        return  # a kind that nobody knows, with samples: perhaps a ride
    what = f"a {name} file" if name is not None else f"a FIT file of another kind (number {int(kinds[0])})"
    raise NotARide(file_name, f"is {what}, not a recorded ride", "nothing: only rides count here")


def _sessions_within(sessions: list[Message], time_s: Column) -> list[Message]:
    """Of several sessions those that began in this ride; all of them where none tells."""
    if len(sessions) < 2 or not len(time_s):
        return sessions
    begin, end = float(time_s[0]) - SESSION_BEFORE_S, float(time_s[-1])
    within = [one for one in sessions if 2 in one and begin <= float(one[2]) + profile.EPOCH_S <= end]
    return within or sessions


def _session_of_the_ride(sessions: list[Message]) -> Message:
    """The session that was ridden, when several sports share one file; otherwise the first."""
    ridden = [message for message in sessions if _word(profile.SPORTS, message.get(5)) in profile.RIDDEN]
    return (ridden or sessions or [{}])[0]


def _times(contents: FitContents, damage: list[str]) -> Column:
    """Unix seconds of each record; NaN where the device did not know the date.

    A timestamp below 0x10000000 counts from when the device was switched on. When all are such and the file
    says when it was made, they count from then, and the damage says so.
    """
    raw = contents.records.get(profile.TIMESTAMP, np.zeros(0))
    with np.errstate(invalid="ignore"):
        dated = raw >= profile.ABSOLUTE_FROM
    count = np.count_nonzero(dated)
    if count == len(raw):
        return raw + profile.EPOCH_S
    if not count and np.isfinite(raw).any():
        created = [m[4] for m in contents.of(profile.FILE_ID) if float(m.get(4, 0)) >= profile.ABSOLUTE_FROM]
        if created:
            damage.append("its clock was not set: times count from when the file was made")
            return raw - np.nanmin(raw) + float(created[0]) + profile.EPOCH_S
    return np.where(dated, raw + profile.EPOCH_S, np.nan)


def _scaled(contents: FitContents) -> dict[str, Column]:
    """The columns in our units; enhanced fields before the older ones, a device's own before an app's."""
    records, native = contents.records, contents.developer
    packed_speed, packed_distance = contents.compressed_speed, contents.compressed_distance
    choices: dict[str, tuple[Column | None, ...]] = {
        "latitude_deg": (_times_scale(records.get(0), profile.DEGREES_PER_SEMICIRCLE),),
        "longitude_deg": (_times_scale(records.get(1), profile.DEGREES_PER_SEMICIRCLE),),
        "altitude_m": (_over(records.get(78), 5, 500), _over(records.get(2), 5, 500)),
        "distance_m": (_over(records.get(5), 100), _over(packed_distance, 16)),
        "speed_mps": (_over(records.get(73), 1000), _over(records.get(6), 1000), _over(packed_speed, 100)),
        "cadence_rpm": (records.get(4), native.get(4)),
        "power_w": (records.get(7), native.get(7)),
        "temperature_c": (records.get(13), native.get(13)),
        "heart_rate_bpm": (records.get(3), native.get(3)),
    }
    return {
        name: column for name, columns in choices.items() if (column := _first_valid(columns)) is not None
    }


def _over(raw: Column | None, scale: float, offset: float = 0.0) -> Column | None:
    return None if raw is None else raw / scale - offset if offset else raw / scale


def _times_scale(raw: Column | None, scale: float) -> Column | None:
    with np.errstate(invalid="ignore"):  # what no number can be, is none afterwards
        return None if raw is None else raw * scale


def _first_valid(columns: tuple[Column | None, ...]) -> Column | None:
    best: Column | None = None
    for column in columns:
        if best is None:
            best = column
        elif column is not None and np.isnan(best).any():
            best = np.where(np.isnan(best), column, best)
    return best


def _keep_the_ridden_part(
    columns: dict[str, Column], dropped: dict[str, int], sessions: list[Message]
) -> None:
    """Of a file with several sports, only what was ridden."""
    its_own = [one for one in sessions if _word(profile.SPORTS, one.get(5)) in profile.RIDDEN]
    if len(its_own) == len(sessions):
        return
    time_s = columns["time_s"]
    ridden = np.zeros(len(time_s), dtype=bool)
    for message in its_own:
        if 2 in message and 7 in message:
            start_s = float(message[2]) + profile.EPOCH_S
            ridden |= (time_s >= start_s) & (time_s <= start_s + float(message[7]) / 1000 + 1)
    if ridden.any() and not ridden.all():
        dropped["another sport"] = int((~ridden).sum())
        for name in columns:
            columns[name] = columns[name][ridden]


def _devices(contents: FitContents) -> tuple[SensorSeen | None, tuple[SensorSeen, ...]]:
    """The recording device and the sensors, each once, with the last battery that it told."""
    file_id = next(iter(contents.of(profile.FILE_ID)), {})
    head: Message = {2: file_id[1]} if 1 in file_id else {}
    head |= {own: file_id[number] for number, own in ((3, 3), (2, 4), (8, 27)) if number in file_id}
    by_index: dict[tuple[object, ...], Message] = {}
    for message in contents.of(profile.DEVICE_INFO):
        if message.get(0) == 0:
            head |= message
            continue
        key = (message.get(0), _serial(message), message.get(21), message.get(1))
        by_index[key] = by_index.get(key, {}) | message
    seen: dict[SensorSeen, SensorSeen] = {}
    for message in by_index.values():
        sensor = _sensor(message)
        if message.get(25) == profile.SOURCE_LOCAL and sensor.ant_number is None:
            continue
        if sensor.kind == "other" and sensor.identity is None:
            continue
        same = SensorSeen(sensor.kind, sensor.serial, sensor.ant_number)
        seen[same] = sensor if sensor.battery or same not in seen else seen[same]
    device = _sensor(head, kind=_HEAD_UNIT) if head else None
    return device, tuple(sensor for sensor in seen.values() if device is None or not _is(sensor, device))


def _is(sensor: SensorSeen, device: SensorSeen) -> bool:
    """Whether a sensor of no known kind is the head unit once more."""
    return sensor.kind == "other" and sensor.serial is not None and sensor.serial == device.serial


def _sensor(message: Message, kind: str | None = None) -> SensorSeen:
    number = message.get(1)
    if kind is None and message.get(25) == profile.SOURCE_LOW_ENERGY:
        kind = profile.LOW_ENERGY_KINDS.get(int(number)) if number is not None else None
    if kind is None:
        kind = profile.SENSOR_KINDS.get(int(number), "other") if number is not None else "other"
    return SensorSeen(
        kind=kind,
        serial=_serial(message),
        ant_number=int(message[21]) if 21 in message else None,
        manufacturer=_text(message.get(2)),
        product=_text(message.get(27)) or _text(message.get(4)),
        battery=_battery(message),
    )


def _serial(message: Message) -> int | None:
    serial = message.get(3)
    return None if serial is None or serial == _MISSING_SERIAL else int(serial)


def _battery(message: Message) -> str | None:
    word = _word(profile.BATTERY_WORDS, message.get(11))
    if word is not None:
        return word
    if 32 in message:
        return f"{message[32]} %"
    return f"{float(message[10]) / 256:.2f} V" if 10 in message else None


def _by_time(events: dict[int, Column]) -> dict[int, Column]:
    """The events of chained files in the order of time: the files may lie in another."""
    order = np.argsort(events[profile.TIMESTAMP], kind="stable") if events else slice(None)
    return {number: column[order] for number, column in events.items()}


def _pauses(events: dict[int, Column]) -> Iterator[tuple[float, float]]:
    """From where to where was the timer stopped? The last stop is the end of the ride, not a pause."""
    stopped_s: float | None = None
    if not events:
        return
    for at, kind, what in zip(*(events[number].tolist() for number in (253, 0, 1)), strict=True):
        if kind != profile.EVENT_TIMER or not at >= profile.ABSOLUTE_FROM:
            continue
        if what in profile.TIMER_STOPS and stopped_s is None:
            stopped_s = at + profile.EPOCH_S
        elif what in profile.TIMER_STARTS and stopped_s is not None:
            if at + profile.EPOCH_S > stopped_s:
                yield stopped_s, at + profile.EPOCH_S
            stopped_s = None


def _gear_changes(events: dict[int, Column]) -> Iterator[GearChange]:
    if not events:
        return
    kinds, data = events[0], events[3]
    is_shift = (kinds == profile.EVENT_FRONT_GEAR) | (kinds == profile.EVENT_REAR_GEAR)
    if not np.count_nonzero(is_shift):
        return
    with np.errstate(invalid="ignore"):
        told = np.flatnonzero(is_shift & (events[253] >= profile.ABSOLUTE_FROM) & np.isfinite(data))
    for at_s, packed in zip((events[253][told] + profile.EPOCH_S).tolist(), data[told].tolist(), strict=True):
        front, rear = int(packed) >> 24 & 0xFF, int(packed) >> 8 & 0xFF
        yield GearChange(
            at_s=at_s,
            front_teeth=None if front in _GEAR_BYTES_UNKNOWN else front,
            rear_teeth=None if rear in _GEAR_BYTES_UNKNOWN else rear,
        )


def _total(messages: list[Message], number: int, scale: float) -> float | None:
    told = [float(message[number]) / scale for message in messages if number in message]
    return sum(told) if told else None


def _instant(raw: object) -> datetime | None:
    if not isinstance(raw, int | float) or not profile.ABSOLUTE_FROM <= raw < 2**32:
        return None
    return datetime.fromtimestamp(raw + profile.EPOCH_S, UTC)


def _word(words: dict[int, str], number: object) -> str | None:
    return words.get(int(number)) if isinstance(number, int | float) else None


def _text(value: object) -> str | None:
    return None if value is None else str(value)
