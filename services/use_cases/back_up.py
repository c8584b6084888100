"""Copies of the ledger: made, looked through, let go of; and one put back.

    copy | what is inside | chains and reminders derived from it = from the ledger | packed | old ones let go

A copy that does not pass is deleted, and then no older one is.
"""

from __future__ import annotations

import shutil
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

from rules.contamination import Totals, history
from rules.vocabulary import ChainId
from services.app import App
from services.store import NewerDatabase, Store, StoreUnusable, Transaction
from services.store.backup_files import Inside, copy_whole, look_inside, pack, put_in_place, tidy, unpacked
from services.store.backup_rotation import STAMP, copies_in, no_longer_wanted
from services.store.bookkeeping import RECKONED
from services.store.engine import url_of
from services.store.household_transfer import move_out
from services.store.migrate import KNOWN
from services.store.private_files import FOLDER
from services.use_cases.derive_chains import derived_by
from services.use_cases.update_reminders import asked_for, not_as_derived_whole

DAILY_AFTER = timedelta(hours=22)  # a machine that is on every evening makes one every evening
ROOM = 2.2  # times the ledger's size: the copy, and the packed one before it is known how small it gets
TRIES = 3  # until nobody wrote between the look at the ledger and the copy
PERHAPS_SENT = "perhaps sent after the copy was made that the ledger was restored from"


@dataclass(frozen=True, slots=True)
class Looked:
    """A copy that was looked through. faults: it must not be used. remarks: worth saying."""

    path: Path
    inside: Inside
    faults: tuple[str, ...]
    remarks: tuple[str, ...]


def back_up(app: App, *, now: datetime, to: Path | None = None) -> Looked:
    """Copy the ledger, look the copy through, and let go of copies that are no longer wanted.

    to: a folder of the rider's own, in which nothing is ever deleted. Raises StoreError.
    """
    database = _file_of(app)
    folder = to or app.settings.backup_folder
    try:
        folder.mkdir(mode=FOLDER, parents=True, exist_ok=True)
        room, wanted = shutil.disk_usage(folder).free, ROOM * database.stat().st_size
    except OSError as error:
        raise StoreUnusable(
            str(folder), f"cannot be used ({error.strerror})", "name another folder"
        ) from error
    if room < wanted:
        raise StoreUnusable(
            str(folder),
            f"has {room / 1e6:.0f} MB free, and a copy of the ledger wants {wanted / 1e6:.0f} MB for a while",
            "make room, or name another folder: gritledger backup --to FOLDER",
        )
    tidy(folder)
    packed = folder / f"gritledger-{now:{STAMP}}.db.gz"
    plain = folder / f"{packed.name}.plain"
    try:
        moved = _copy_and_compare(app, database, plain, now)
        inside = look_inside(plain)
        if inside.faults:
            raise StoreUnusable(str(database), " ".join(inside.faults), "see gritledger health")
        pack(plain, packed)
    finally:
        plain.unlink(missing_ok=True)
    if to is None:
        for old in no_longer_wanted(folder):
            old.unlink(missing_ok=True)
    return Looked(packed, inside, (), (*moved, *_derived_anew(app, now)))


def _derived_anew(app: App, now: datetime) -> tuple[str, ...]:
    """Where reminders are not those that all facts give, all chains are to be looked at, and that is said."""
    with app.store.reading() as tx:
        if tx.derived.anything_to_look_at(now, derived_by(app.rulebook_in(tx))):
            return ()  # not all was derived yet
        wrong = not_as_derived_whole(tx, app)
    if not wrong:
        return ()
    with app.store.writing() as tx:
        tx.derived.all_dirty()
    return (f"Not as all facts give: {wrong.what}. The next round derives all anew.",)


def back_up_daily(app: App, *, now: datetime) -> Looked | None:
    """The day's copy, when there is none yet and there is something to copy. Raises StoreError."""
    if not app.settings.backup.daily or app.store.path is None:
        return None
    if _has_todays(app.settings.backup_folder, now):
        return None
    with app.store.reading() as tx:
        if not tx.equipment.riders():
            return None
    return back_up(app, now=now)


def _has_todays(folder: Path, now: datetime) -> bool:
    """Whether a copy was made lately; one from the days to come, by a wrong clock, does not count."""
    return any(now - DAILY_AFTER < at <= now for at, _ in copies_in(folder))


def back_up_household(app: App, *, now: datetime) -> Looked | None:
    """The day's copy of a club's household, as a home ledger looked through and held against it.

    None = there is one already. Raises StoreError.
    """
    folder = app.settings.backup_folder
    folder.mkdir(mode=FOLDER, parents=True, exist_ok=True)
    tidy(folder, older_than_s=0.0)  # a household has one job at a time
    if _has_todays(folder, now):
        return None
    packed = folder / f"gritledger-{now:{STAMP}}.db.gz"
    plain = folder / f"{packed.name}.plain"
    try:
        with Store.open(plain) as store, app.store.reading_rows() as source:
            live = _derived(Transaction(source), app, now)
            store.fill(lambda target: move_out(source, target))
            with store.reading() as tx:
                same = replace(_derived(tx, app, now), writes=live.writes) == live
        inside = look_inside(plain)
        if inside.faults or not same:
            why = " ".join(inside.faults) or "does not give the same chains and reminders as the ledger"
            raise StoreUnusable(str(plain), why, "see gritledger health")
        pack(plain, packed)
    finally:
        for name in (plain.name, f"{plain.name}-wal", f"{plain.name}-shm"):
            plain.with_name(name).unlink(missing_ok=True)
    for old in no_longer_wanted(folder):
        old.unlink(missing_ok=True)
    return Looked(packed, inside, (), ())


def verify(app: App, copy: Path) -> Looked:
    """Look a copy through: is it whole, is it ours, and do its facts give the reminders that it holds?

    Nothing is written but a passing file in the home folder. Raises StoreError when it cannot be read at all.
    """
    with unpacked(copy, app.settings.home) as plain:
        inside = look_inside(plain)
        if inside.faults or inside.schema not in KNOWN:
            newer = () if inside.faults else (str(NewerDatabase(inside.schema or "none", KNOWN[-1])),)
            return Looked(copy, inside, (*inside.faults, *newer), ())
        with Store.open(plain) as store, store.reading() as tx:
            return Looked(copy, inside, (), _reminders_told(tx, app))


def restore(app: App, copy: Path, *, now: datetime) -> list[str]:
    """Put a copy in the ledger's place; returns what to tell. What was there is kept aside.

    The app's store must not have been opened: what stands there may be damaged. Nobody else may have it open.
    Raises StoreError; then nothing was changed.
    """
    database = _file_of(app)
    before = look_inside(database, alone=False).rows if database.exists() else {}
    aside = database.parent / f"before-restore-{now:{STAMP}}"
    with unpacked(copy, database.parent) as plain:
        inside = look_inside(plain)
        if inside.faults:
            raise StoreUnusable(
                str(copy), " ".join(inside.faults), "choose another copy; nothing was changed"
            )
        with Store.open(plain) as store, store.writing() as tx:
            letters = [posted.letter.id for posted in tx.outbox.waiting()]
            for letter in letters:
                tx.outbox.cancel(letter, now, PERHAPS_SENT)
            tx.derived.all_dirty()
        put_in_place(plain, database, aside)
    said = [f"The ledger is now that of {copy.name}: {counted(inside)}."]
    fewer = [
        _many(before[word] - count, word)
        for word, count in inside.rows.items()
        if before.get(word, 0) > count
    ]
    if fewer:
        said.append(f"It lacks what came later: {', '.join(fewer)}.")
    said.append(
        "Rides whose files lie in a watched folder are read again at the next round; care, words and "
        "corrections since then are not: say them again."
    )
    if letters:
        said.append(
            f"{len(letters)} messages that it held as unsent were set aside, for they may have been sent; a "
            "reminder nobody heard of is told once more."
        )
    if aside.exists() and any(aside.iterdir()):
        said.append(f"The one before is kept: gritledger restore {aside / database.name}")
    return said


def counted(inside: Inside) -> str:
    """'2 riders, 5 bikes, 412 rides': what a copy holds."""
    return ", ".join(_many(count, word) for word, count in inside.rows.items() if count) or "nothing yet"


def _many(count: int, words: str) -> str:
    """'1 rider', '2 recordings of rides': words are the plural, its first the thing."""
    thing, of, rest = words.partition(" of ")
    return f"{count} {words if count != 1 else f'{thing[:-1]}{of}{rest}'}"


def _copy_and_compare(app: App, database: Path, plain: Path, now: datetime) -> tuple[str, ...]:
    """Copy, and derive chains and reminders from both: they must be equal unless somebody wrote meanwhile."""
    for _ in range(TRIES):
        with app.store.reading() as tx:
            live = _derived(tx, app, now)
        copy_whole(database, plain)
        with (
            unpacked(plain, plain.parent) as looked_at,
            Store.open(looked_at) as store,
            store.reading() as tx,
        ):
            copied = _derived(tx, app, now)
        if copied == live:
            return ()
        if copied.writes == live.writes:
            raise StoreUnusable(
                str(plain),
                "does not give the same chains and reminders as the ledger",
                "see gritledger health",
            )
    return ("Somebody wrote all the while: its chains and reminders were not held against the ledger's.",)


@dataclass(frozen=True, slots=True)
class _Derived:
    writes: int
    totals: dict[ChainId, Totals]
    due_keys: tuple[str, ...]


def _derived(tx: Transaction, app: App, now: datetime) -> _Derived:
    ledger = tx.ledger()
    rulebook = app.rulebook_for(ledger)
    totals = {one.id: history(ledger, one.id, rulebook).until(now).over_life for one in ledger.chains}
    return _Derived(
        tx.writes(),
        totals,
        tuple(one.key for one in asked_for(ledger, rulebook, tx.reminders.all_(), now=now)),
    )


def _reminders_told(tx: Transaction, app: App) -> tuple[str, ...]:
    """Whether the reminders derived from the copy's facts are those it holds."""
    at = tx.notes.written_at(RECKONED)
    if at is None:
        return ()
    if tx.notes.get(RECKONED) != app.rulebook_in(tx).version:
        return ("Its reminders were derived by another rulebook, and were not held against its facts.",)
    moved = not_as_derived_whole(tx, app)
    if moved:
        return (f"Not as its facts give: {moved.what}. The next round mends that.",)
    standing = len(tx.reminders.standing())
    return (f"Its facts give the {standing} reminders that stand in it.",)


def _file_of(app: App) -> Path:
    """The ledger's file. Raises StoreUnusable when it is on a server, with what to run there."""
    url = url_of(app.settings.database_url)
    if url.get_backend_name() == "sqlite":
        return Path(str(url.database))
    server = url.set(drivername="postgresql").render_as_string(hide_password=True)
    raise StoreUnusable(
        server,
        "is a database server, which makes its own copies",
        f"back it up with: pg_dump --format=custom --file=gritledger.dump '{server}'; restore it into an "
        "empty database with: pg_restore --exit-on-error --dbname=… gritledger.dump",
    )
