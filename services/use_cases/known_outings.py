"""A recording of an outing that is here already is kept with its others, and what counts is said anew."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from ingest.bikes.judge import RideClues
from ingest.ride.outing_set import CLOCK_ERRORS, by_a_wrong_clock, resolved
from ingest.ride.same_ride import Outing, Relation, same_outing
from ingest.ride.same_ride import Verdict as SameOuting
from ingest.ride.summary import RideSummary
from ingest.ride.unrecorded import READER
from rules.vocabulary import DecidedBy, RideId, RiderId
from services.store import RideSpan, Transaction
from services.store.same_outings import IMPORTER


class KnownOutings:
    """The rides around some new recordings, in one transaction."""

    def __init__(self, tx: Transaction, recordings: Sequence[RideSummary], now: datetime) -> None:
        self._tx, self._now = tx, now
        self._spans: list[RideSpan] = []
        if recordings:
            begin = min(one.started_at for one in recordings) - CLOCK_ERRORS[-1]
            end = max(one.ended_at for one in recordings) + CLOCK_ERRORS[-1]
            self._spans += tx.rides.spans(begin, end)

    def add(self, span: RideSpan) -> None:
        """A ride that was stored since."""
        self._spans.append(span)

    def of(
        self, summary: RideSummary, clues: RideClues, rider: RiderId
    ) -> tuple[RideId, tuple[str, ...]] | None:
        """Keep a recording with others of its outing: the ride it is in, and why. None = there are none."""
        begin, end = summary.started_at, summary.ended_at
        mine = [one for one in self._spans if one.rider == rider]
        same: list[tuple[RideSpan, SameOuting]] = []
        for other in (one for one in mine if one.started_at < end and begin < one.ended_at):
            verdict = same_outing(self._tx.rides.outing(other.id), summary, same_rider=True)
            if verdict.same:
                same.append((other, verdict))
        told = next((one for one in mine if self._was_told(one, begin, end)), None)
        if not same and told is not None:
            why = "its rider told of it before its file came: the file counts now"
            verdict = SameOuting(True, (why,), "second", Relation.SAME)
            self._second_recording(told, summary, clues, verdict)
            return told.id, verdict.because
        by_clock = self._by_another_clock(mine, [other for other, _ in same], summary)
        kept = [*(other for other, _ in same), *by_clock]
        if not kept:
            return None
        because = tuple(
            dict.fromkeys([*(why for _, verdict in same for why in verdict.because), *by_clock.values()])
        )
        recordings = self._tx.rides.recordings_of(one.id for one in kept)
        spoken_for = {one.bike for one in kept if one.decided_by is DecidedBy.RIDER}
        if same and (self._tx.rides.was_split_by_a_rider(recordings) or len(spoken_for) > 1):
            other, verdict = same[0]
            self._second_recording(other, summary, clues, verdict)
            return other.id, verdict.because
        return self._regrouped(kept, recordings, summary, clues, rider, because), because

    def _by_another_clock(
        self, mine: Sequence[RideSpan], same: Sequence[RideSpan], summary: RideSummary
    ) -> dict[RideSpan, str]:
        """Which of the rider's other rides are this outing by a clock that is hours wrong, and why."""
        rides = self._tx.rides
        parts: list[Outing] = [
            summary,
            *(rides.outing(one) for one in rides.recordings_of(one.id for one in same)),
        ]
        begin = min(one.started_at for one in parts) - CLOCK_ERRORS[-1]
        end = max(one.ended_at for one in parts) + CLOCK_ERRORS[-1]
        found: dict[RideSpan, str] = {}
        for other in (one for one in mine if one.started_at < end and begin < one.ended_at):
            if other in same:
                continue
            known = rides.recordings_of([other.id])
            if rides.was_split_by_a_rider(known):
                continue  # somebody said already that these are outings of their own
            theirs = [rides.outing(one) for one in known]
            why = next((why for one in parts if (why := by_a_wrong_clock(theirs, one)) is not None), None)
            if why is not None:
                found[other] = why
        return found

    def _was_told(self, ride: RideSpan, begin: datetime, end: datetime) -> bool:
        """Whether a ride that is half of that time has no file, only its rider's word."""
        shared = min(ride.ended_at, end) - max(ride.started_at, begin)
        half = min(ride.ended_at - ride.started_at, end - begin) / 2
        return shared >= half and self._tx.rides.outing(ride.id).reader == READER

    def _regrouped(
        self,
        kept: Sequence[RideSpan],
        recordings: Sequence[RideId],
        summary: RideSummary,
        clues: RideClues,
        rider: RiderId,
        because: tuple[str, ...],
    ) -> RideId:
        """Keep a new recording of an outing, and say anew which of its recordings count."""
        rides = self._tx.rides
        (new,) = rides.add_many([(summary, rider, clues.to_json())])
        every = [*recordings, new]
        found = resolved([rides.outing(one) for one in every])
        counted = {every[n] for n in found.counted}
        followed = {every[n]: every[one] for n, one in found.follows.items()}
        before = {one.id for one in kept}
        for one in recordings:
            if one not in before:
                rides.split_again(one, at=self._now, by=IMPORTER)
        # What was said of a ride stays with its number: a recording that counts now takes that of one which
        # counts no more.
        place = {one: one for one in every}
        for freed in sorted(before - counted):
            heirs = [one for one in counted - before if followed[freed] == one or len(counted - before) == 1]
            if heirs:
                heir = min(heirs)
                rides.exchange_recordings(freed, heir)
                place[heir], place[freed] = freed, heir
                counted.remove(heir)
                rides.judge_anew(freed)
        for one, other in followed.items():
            rides.link_same_outing(
                place[other], place[one], [*because, found.because], at=self._now, by=IMPORTER
            )
        ids = {one.id for one in kept} | {place[one] for one in every}
        self._spans = [one for one in self._spans if one.id not in ids]
        begin = min(summary.started_at, *(one.started_at for one in kept))
        end = max(summary.ended_at, *(one.ended_at for one in kept))
        self._spans += (one for one in rides.spans(begin, end) if one.id in ids)
        return place[followed.get(new, new)]

    def _second_recording(
        self, kept: RideSpan, summary: RideSummary, clues: RideClues, verdict: SameOuting
    ) -> None:
        self._tx.rides.add_second_recording(
            kept.id,
            summary,
            keep_new=verdict.keep == "second",
            because=verdict.because,
            at=self._now,
            clues=clues.to_json(),
        )
        if verdict.keep == "second":
            # The richer recording may name its bike where the first did not.
            self._tx.rides.judge_anew(kept.id)
            self._spans.remove(kept)
            self._spans += (
                one for one in self._tx.rides.spans(summary.started_at, summary.ended_at) if one.id == kept.id
            )
