"""Is everything that reminders depend on in order, and if not, what is to be done?

Each check says one thing in a sentence; what it looks at is asked, nothing is changed and nothing is sent.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TypeAlias
from zoneinfo import ZoneInfo

from ingest.errors import UnreadableFile
from ingest.files.folder import Seen, scan
from ingest.weather.hourly import ArchiveUnavailable, Cell, WeatherProvider
from rules.dates_and_numbers import local_stamp
from rules.ledger import Ledger
from rules.rulebook import Rulebook, RulebookError
from rules.rulebook_names import unknown_names
from rules.same_names import as_read
from services.app import App, household_zone
from services.channels import Channel
from services.heartbeat import SILENT_AFTER, last_look
from services.settings import SettingsError, Watched
from services.store import Posted, Store, StoreError
from services.store.backup_rotation import copies_in
from services.store.bookkeeping import FILES_WAITING, LAST_ROUND
from services.store.repository import storable
from services.use_cases.derive_chains import derived_by
from services.use_cases.update_reminders import not_as_derived_whole
from services.use_cases.upload_files import LEFT_FREE_BYTES
from services.views.file_summary import by_reason

COPY_AFTER = timedelta(days=8)
UNREAD_AFTER = timedelta(hours=1)  # a file that nobody wrote to for so long has settled
UNSENT_AFTER = timedelta(hours=1)
ASK_ABOUT = timedelta(days=30)  # a day that every archive has by then
_NULL_ISLAND = Cell(0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at. fine: nothing to mend. try_this: what to do, "" when nothing is."""

    about: str
    fine: bool
    sentence: str
    try_this: str = ""


# All is well, in a sentence; or what is wrong, and what to do; or a finding as it stands.
Said: TypeAlias = str | tuple[str, str] | Finding
Clock: TypeAlias = Callable[[datetime], str]  # an instant by the household's clock


def _found(about: str, said: Iterable[Said]) -> Iterator[Finding]:
    for one in said:
        if isinstance(one, Finding):
            yield one
        else:
            yield Finding(about, True, one) if isinstance(one, str) else Finding(about, False, *one)


def findings(
    app: App, *, now: datetime, disk_free_bytes: Callable[[Path], int] | None = None
) -> Iterator[Finding]:
    """Look at everything, one finding at a time. Archive and mail server are asked; it can take a while."""
    home = app.settings.home
    yield from _found("disk", disk(home, disk_free_bytes or (lambda place: shutil.disk_usage(place).free)))
    store: Store | None = None
    try:
        store = app.store
        yield from _found("database", database(store))
        with store.reading() as tx:
            ledger = tx.ledger()
            last_round = last_look(home, tx.notes.written_at(LAST_ROUND))
            waiting, refused = tx.outbox.waiting(), tx.outbox.refused()
            known_paths, files_waiting = tx.files.known_paths(), tx.notes.get(FILES_WAITING, [])
        yield from _found("reminders", derived(app, now))
    except StoreError as error:
        yield Finding("database", False, str(error))
        ledger, last_round, waiting, refused = _NOTHING_KNOWN, None, (), ()
        known_paths, files_waiting = {}, []
    zone = household_zone(ledger.riders)

    def when(at: datetime) -> str:
        return local_stamp(at, zone)

    if app.settings.backup.daily and app.settings.database is None:
        yield from _found("backup", backups(app.settings.backup_folder, ledger, now, when))
    yield from _found("clock", clock(now, ledger, last_round, when))
    yield from _found("folders", folders(app.settings.watch, ledger))
    yield from _found("files", files(app.settings.watch, known_paths, files_waiting, now))
    if store is not None:
        yield from _found("rounds", rounds(app.settings.watch, last_round, now, when))
    yield from _found("rulebook", rulebook(lambda: app.rulebook, ledger))
    try:
        providers = app.providers
    except SettingsError as error:
        yield Finding("archive", False, f"{error}.")
    else:
        yield from _found("archive", archives(providers, _last_place(ledger, providers), now))
    yield from _found("channels", channels(tuple(app.channels.values()), ledger))
    yield from _found("letters", letters(waiting, refused, now, when))


_NOTHING_KNOWN = Ledger()


def rulebook(read: Callable[[], Rulebook], ledger: Ledger) -> Iterator[Said]:
    """Can the rulebook be read, and is everybody it names there?"""
    try:
        book = read()
        yield f"Limits are judged by rulebook {book.version}."
        for sentence in unknown_names(book, ledger):
            yield sentence, "Mend the name in that line."
    except (RulebookError, SettingsError) as error:
        yield f"{error}.", "Nothing is judged until it is mended."


def disk(home: Path, free_bytes: Callable[[Path], int]) -> Iterator[Said]:
    """Is there room to write, and the right to?"""
    free = free_bytes(home)
    megabytes = f"{free / 1e6:,.0f} MB".replace(",", " ")
    if not os.access(home, os.W_OK):
        yield f"{home} cannot be written by this user.", "Give this user the right to write there."
    elif free < LEFT_FREE_BYTES:
        yield (
            f"Only {megabytes} are free where the ledger lives ({home}).",
            "Make room: with a full disk, rides wait unread and nothing new is kept.",
        )
    else:
        yield f"{megabytes} are free where the ledger lives."


def database(store: Store) -> Iterator[Said]:
    """Does the database open, and is it whole?"""
    faults = store.faults()
    for fault in faults:
        yield (
            f"{store.where}: {fault}",
            "Stop watching, then put the last copy back: gritledger restore COPY; rides in the watched "
            "folders are read again.",
        )
    if not faults:
        yield f"The database is whole ({store.where})."


def derived(app: App, now: datetime) -> Iterator[Said]:
    """Is what was derived chain by chain, over all the years, what all facts together give?"""
    try:
        with app.store.reading() as tx:
            if waiting := tx.derived.to_look_at(now, derived_by(app.rulebook_in(tx))):
                yield f"{len(waiting)} chains wait for the next round to look at them."
                return
            otherwise = not_as_derived_whole(tx, app)
    except (RulebookError, SettingsError):
        return  # said of the rulebook itself
    if otherwise:
        yield (
            f"Not as all facts together give: {otherwise.what}.",
            "Please report it. To derive all of it anew: gritledger backup, then gritledger watch --once.",
        )
    else:
        yield "Reminders and chains are as all facts together give them."


def backups(folder: Path, ledger: Ledger, now: datetime, when: Clock) -> Iterator[Said]:
    """Is there a copy of the ledger, and is it young enough?"""
    if not ledger.rides:
        return
    newest = max((at for at, _ in copies_in(folder)), default=None)
    if newest is None or now - newest > COPY_AFTER:
        old = f"The newest copy of the ledger is of {newest:%Y-%m-%d}." if newest is not None else ""
        yield (
            old or f"There is no copy of the ledger in {folder}.",
            "Make one: gritledger backup; 'gritledger watch' makes one a day.",
        )
    else:
        yield f"The newest copy of the ledger is of {when(newest)}."


def clock(now: datetime, ledger: Ledger, last_round: datetime | None, when: Clock) -> Iterator[Said]:
    """Does this machine's clock agree with what it wrote before, and does it know the riders' time zones?"""
    newest = max((ride.ended_at for ride in ledger.rides), default=now)
    if last_round is not None and last_round > now + timedelta(minutes=5):
        yield (
            f"The last round is dated {when(last_round)}, still to come: the clock went back.",
            "Set the clock by the network.",
        )
    elif newest > now + timedelta(hours=1):
        yield (
            f"A ride ends at {when(newest)}, still to come: a clock is wrong, this one or its.",
            "Set this machine's clock by the network; if it is right, correct the ride's date.",
        )
    else:
        yield f"The clock says {when(now)} and nothing contradicts it."
    for zone in sorted({rider.time_zone for rider in ledger.riders}):
        try:
            ZoneInfo(zone)
        except (KeyError, ValueError, OSError):
            yield (
                f"This machine does not know the time zone {zone}; quiet hours are kept in UTC.",
                "Install the package tzdata, or correct the rider's time zone.",
            )


def folders(watched: Sequence[Watched], ledger: Ledger) -> Iterator[Said]:
    """Are the watched folders there and readable, and do their riders exist?"""
    if not watched:
        yield Finding(
            "folders",
            True,
            "No folder is watched; rides come in by 'gritledger import' only.",
            "Name one in [[watch]].",
        )
    names = {as_read(rider.name) for rider in ledger.riders}
    for one in watched:
        if not one.folder.is_dir():
            yield (
                f"The watched folder {one.folder} is not there.",
                "Make it, mount it, or correct [[watch]] in the settings.",
            )
        elif not os.access(one.folder, os.R_OK | os.X_OK):
            yield (
                f"The watched folder {one.folder} cannot be read by this user.",
                "Give this user the right to read it.",
            )
        elif one.rider and as_read(one.rider) not in names:
            yield (
                f"{one.folder} is watched for the rider {one.rider}, whom nobody added.",
                "Add the rider, or correct the name in the settings.",
            )
        else:
            yield f"{one.folder} is watched."


def files(
    watched: Sequence[Watched],
    known_paths: Mapping[str, tuple[int, float]],
    waiting: Sequence[tuple[str, str, str]],
    now: datetime,
) -> Iterator[Said]:
    """Is every file that lies in a watched folder read, refused for its content, or waiting for a reason?"""
    for sentence, try_this in by_reason(waiting, "waits to be read:", "files wait to be read"):
        yield sentence, try_this
    told = {name.split(" > ")[0] for name, _, _ in waiting}
    for one in watched:
        troubles: list[UnreadableFile] = []
        try:
            listing = scan(one.folder, on_trouble=troubles.append)
        except UnreadableFile:
            continue  # said of the folder itself
        unseen = [(trouble.path, trouble.why, trouble.try_this) for trouble in troubles]
        for sentence, try_this in by_reason(unseen, "", "folders are not looked into"):
            yield sentence, try_this
        since = (now - UNREAD_AFTER).timestamp()
        unread = sorted(
            str(path)
            for path, seen in listing.items()
            if seen.modified_ns / 1e9 < since
            and str(path) not in told
            and not _is_known(seen, known_paths.get(storable(str(path))))
        )
        if unread:
            more = f" and {len(unread) - 1} more" if len(unread) > 1 else ""
            yield (
                f"{unread[0]}{more} in a watched folder was not read yet.",
                "The next round reads it: gritledger watch --once; or let 'gritledger watch' run.",
            )
        elif not told and not troubles:
            yield f"Every file that has lain in {one.folder} for an hour was read."


def _is_known(seen: Seen, known: tuple[int, float] | None) -> bool:
    """Whether a file was read as it lies there now: its size, and its time to the millisecond."""
    return known is not None and known[0] == seen.size and abs(known[1] - seen.modified_ns / 1e9) < 1e-3


def rounds(
    watched: Sequence[Watched], last_round: datetime | None, now: datetime, when: Clock
) -> Iterator[Said]:
    """Is anybody making rounds? Without them, no reminder comes, and nothing else would say so."""
    if last_round is None:
        if watched:
            yield (
                "No round was ever made.",
                "Start 'gritledger watch', or let it start by itself: 'gritledger watch --at-login'.",
            )
    elif now - last_round > SILENT_AFTER:
        yield (
            f"The last round was at {when(last_round)}: nobody is watching.",
            "Start 'gritledger watch', or let it start by itself: 'gritledger watch --at-login'.",
        )
    else:
        yield f"The last round was at {when(last_round)}."


def archives(providers: Sequence[WeatherProvider], place: Cell | None, now: datetime) -> Iterator[Said]:
    """Does each weather archive answer? It is asked about one day of one of its grid cells."""
    if not providers:
        yield Finding(
            "archive", True, "No weather archive is set; conditions stay unknown unless you say them."
        )
    day = (now - ASK_ABOUT).date()
    for provider in providers:
        try:
            provider.fetch(place or _NULL_ISLAND, day, day, now=now)
        except ArchiveUnavailable as error:
            yield (
                f"The weather archive '{provider.name}' gives nothing: {error.why}.",
                "Rides are read all the same; their hours stay unknown, and are tagged once it answers.",
            )
        else:
            yield f"The weather archive '{provider.name}' answers."


def channels(known: Sequence[Channel], ledger: Ledger) -> Iterator[Said]:
    """Can riders be reached?"""
    if not known:
        yield (
            "No channel is set up: reminders show only on the page and in 'gritledger due'.",
            "Set up mail, desktop, calendar_file or command under [channels].",
        )
    for channel in known:
        complaints = channel.check()
        for complaint in complaints:
            yield Finding(channel.name, False, complaint, "Then try it: gritledger health --send-test.")
        if not complaints:
            yield Finding(channel.name, True, f"The channel {channel.name} is ready.")
    if any(channel.name == "email" for channel in known):
        for rider in ledger.riders:
            if not rider.email:
                yield Finding(
                    "email",
                    len(known) > 1,
                    f"{rider.name} has no mail address and gets no mail.",
                    "Add it to the rider.",
                )


def letters(
    waiting: Sequence[Posted], refused: Sequence[Posted], now: datetime, when: Clock
) -> Iterator[Said]:
    """Does anything wait too long to be told, or was it refused?"""
    stuck = [one for one in waiting if one.last_why or _since(one, now) > UNSENT_AFTER]
    for channel, why, alike in _alike(stuck):
        since = alike[0].letter.queued_at or now
        yield (
            f"{_subjects(alike)} by {channel} since {when(since)}: {why or 'nobody tried to send it'}.",
            "It is tried again by itself at every round; mend what is named to help it.",
        )
    for channel, why, alike in _alike(refused):
        yield (
            f"{_subjects(alike)} by {channel}, refused for good: {why}.",
            "It is not repeated; the reminder itself stands until it is done.",
        )
    if not stuck and not refused:
        resting = f"{len(waiting)} on the way" if waiting else "nothing waits"
        yield f"Every message was delivered or is on time ({resting})."


def _since(posted: Posted, now: datetime) -> timedelta:
    queued_at = posted.letter.queued_at
    return now - queued_at if queued_at is not None else timedelta()


def _alike(posted: Iterable[Posted]) -> Iterator[tuple[str, str, list[Posted]]]:
    """By channel and trouble: a server that is down is one trouble, however many wait for it."""
    found: dict[tuple[str, str], list[Posted]] = {}
    for one in posted:
        found.setdefault((one.letter.channel, one.last_why), []).append(one)
    return ((channel, why, alike) for (channel, why), alike in found.items())


def _subjects(alike: Sequence[Posted]) -> str:
    first = f"“{alike[0].letter.subject}”"
    return (
        f"{first} is undelivered" if len(alike) == 1 else f"{first} and {len(alike) - 1} more are undelivered"
    )


def _last_place(ledger: Ledger, providers: Sequence[WeatherProvider]) -> Cell | None:
    """The grid cell of the last ride: the archive was asked about it before and learns nothing new."""
    for ride in reversed(ledger.rides):
        for hour in ride.hours:
            if hour.latitude_deg is not None and hour.longitude_deg is not None and providers:
                return providers[0].cell_of(hour.latitude_deg, hour.longitude_deg)
    return None
