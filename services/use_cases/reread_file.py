"""A file whose ride is here already, read once more: what today's reader says of it takes the old place."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime

from ingest.bikes.judge import RideClues
from ingest.ride.summary import RideSummary
from rules.units import distance
from rules.vocabulary import RideId
from services.store import FileRecord, Transaction
from services.use_cases.judge_bikes import judge_later
from services.use_cases.second_recordings import KnownOutings

WORTH_TELLING_S, WORTH_TELLING_M = 18.0, 50.0  # a hundredth of an hour is 36 s


def read_anew(
    tx: Transaction,
    here: KnownOutings,
    seen: FileRecord,
    summary: RideSummary,
    clues: RideClues,
    now: datetime,
) -> tuple[RideId, str] | None:
    """Put this reading in the place of the one before: the ride, and what moved. None = nothing is otherwise.

    What riders said stays with the ride: its bike, its conditions, that it is none, that it was two.
    """
    assert seen.ride is not None
    ride = tx.rides.read_from(seen.name, seen.ride, summary.started_at)
    if ride is None:
        return None
    before, as_judged = tx.rides.outing(ride), tx.rides.clues(ride)
    clues_now = replace(clues, rider=tx.rides.ride(ride).rider).to_json()
    if (replace(summary, file_name=before.file_name), clues_now) == (before, as_judged):
        return None  # nothing is written: most files say the same as ever
    tx.rides.renew(ride, summary, clues_now)
    after = tx.rides.outing(ride)
    if (after, clues_now) == (before, as_judged):
        return None
    judge_later(tx, now)
    here.read_anew(ride)
    said = "; ".join(_moved(before, after)) or "no hours and no metres moved"
    return ride, said


def _moved(before: RideSummary, after: RideSummary) -> Iterator[str]:
    if abs(after.drive_s - before.drive_s) >= WORTH_TELLING_S:
        yield f"{after.drive_s / 3600:.2f} drive hours instead of {before.drive_s / 3600:.2f}"
    if abs(after.distance_m - before.distance_m) >= WORTH_TELLING_M:
        yield f"{distance(after.distance_m)} instead of {distance(before.distance_m)}"
    if after.doubt != before.doubt:
        yield after.doubt or "nothing of it looks carried any more"
    if after.damage != before.damage:
        yield f"damaged: {'; '.join(after.damage)}" if after.damage else "not damaged, as was said before"
