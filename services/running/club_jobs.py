"""What a worker of a club does for one household, a job at a time: the steps of a round at home.

Each may be killed at any moment and done again: what it wrote it finds, what it asked for it asks for again.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from ingest.files.read_pool import ToRead
from services.app import App
from services.store.club_uploads import Arrival
from services.store.job_queue import IN_BULK, Job
from services.store.private_files import FOLDER
from services.use_cases.back_up import back_up_household
from services.use_cases.deliver_letters import LEASE_S, deliver_waiting
from services.use_cases.import_rides import WAITS, import_files, whose
from services.use_cases.judge_bikes import judge_new_rides
from services.use_cases.map_surface import surfaces_from_map
from services.use_cases.regroup_outings import outings_anew
from services.use_cases.tag_conditions import tag_conditions
from services.use_cases.tell_tomorrow import tell_tomorrow
from services.use_cases.update_reminders import reckon
from services.use_cases.weather_ahead import ask_ahead

FILES_A_JOB: Final = 8  # then others have their turn
LOOK_AGAIN_S: Final = 300  # for files that could not be read now, or are nobody's so far
PATIENCE: Final = timedelta(seconds=5)  # a worker never sleeps long for an archive


def import_(app: App, now: datetime) -> None:
    """Read the files that were handed over."""
    folder = app.settings.home / "reading"
    with app.store.reading() as tx:
        waiting = tx.arrivals.waiting(FILES_A_JOB)
        riders = tx.equipment.riders()
    places = {_place(one, folder): one for one in waiting}
    try:
        for place, one in places.items():
            place.parent.mkdir(mode=FOLDER, parents=True, exist_ok=True)
            place.write_bytes(one.data)
        files = [ToRead(place, one.rider or whose(Path(one.name), riders)) for place, one in places.items()]
        became = import_files(app.store, files, now=now)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    not_yet = {one.file for one in became if one.outcome in WAITS}
    with app.store.writing() as tx:
        tx.arrivals.read([one.id for place, one in places.items() if place not in not_yet], at=now)
        tx.arrivals.put_off([places[place].id for place in not_yet])
        if len(waiting) == FILES_A_JOB and len(not_yet) < len(waiting):
            tx.later(Job.IMPORT, urgency=IN_BULK)  # what is due is judged when all of them are read
            return
        tx.later(Job.TAG)
        if not_yet:
            tx.later(Job.IMPORT, after_s=LOOK_AGAIN_S)


def _place(arrival: Arrival, folder: Path) -> Path:
    """Where readers, processes of their own, find the bytes: a folder a file, for names may be alike."""
    return folder / arrival.sha256[:12] / (Path(arrival.name).name or "ride")


def tag(app: App, now: datetime) -> None:
    """Fetch weather and tag ride hours."""
    tag_conditions(app, now=now, patience=PATIENCE)
    ask_ahead(app, now=now, patience=PATIENCE)
    with app.store.writing() as tx:
        tx.later(Job.RECKON)


def judge_and_reckon(app: App, now: datetime) -> None:
    """Judge bikes, derive reminders, queue what riders have not heard; the letters ask for their sending."""
    judge_new_rides(app.store, now)
    outings_anew(app, now=now)
    surfaces_from_map(app, now=now)
    tell_tomorrow(app, now=now)
    with app.store.writing() as tx:
        reckon(tx, app, now=now)
        if tx.outbox.waiting():  # those put off, too
            tx.later(Job.DELIVER)


def deliver(app: App, now: datetime) -> None:
    """Send the letters that are due; what waits, or was on its way when a worker died, is looked at again."""
    if deliver_waiting(app.store, app.channels, now=now).waiting:
        with app.store.writing() as tx:
            tx.later(Job.DELIVER, after_s=int(LEASE_S))


def back_up(app: App, now: datetime) -> None:
    """The day's copy of the household, as a home ledger."""
    back_up_household(app, now=now)


JOBS: Final[Mapping[Job, Callable[[App, datetime], None]]] = {
    Job.IMPORT: import_,
    Job.TAG: tag,
    Job.RECKON: judge_and_reckon,
    Job.DELIVER: deliver,
    Job.BACK_UP: back_up,
}
