"""A recording of an outing that is here already is kept with its others, and what counts is said anew."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from ingest.bikes.judge import RideClues
from ingest.ride.counted_recordings import CLOCK_ERRORS, by_a_wrong_clock, resolved
from ingest.ride.manual_ride import READER, shares_its_time
from ingest.ride.same_ride import Outing, same_outing
from ingest.ride.same_ride import Verdict as SameOuting
from ingest.ride.summary import RideSummary
from rules.vocabulary import DecidedBy, RideId, RiderId
from services.store import RideSpan, Transaction
from services.store.same_outings import IMPORTER


class KnownOutings:
    """The rides around some new recordings, in one transaction."""

    def __init__(self, tx: Transaction, recordings: Sequence[RideSummary], now: datetime) -> None:
        self._tx, self._now = tx, now
        self.spans: list[RideSpan] = []
        if recordings:
            begin = min(one.started_at for one in recordings) - CLOCK_ERRORS[-1]
            end = max(one.ended_at for one in recordings) + CLOCK_ERRORS[-1]
            self.spans += tx.rides.spans(begin, end)

    def add(self, span: RideSpan) -> None:
        """A ride that was stored since."""
        self.spans.append(span)

    def of(
        self, summary: RideSummary, clues: RideClues, rider: RiderId
    ) -> tuple[RideId, tuple[str, ...]] | None:
        """Keep a recording with others of its outing: the ride it is in, and why. None = there are none."""
        mine = [one for one in self.spans if one.rider == rider]
        same = self._at_once(mine, summary)
        told = None if same else next((one for one in mine if self._was_told(one, summary)), None)
        if told is not None:
            why = "its rider told of it before its file came: the file counts now"
            verdict = SameOuting(True, (why,), "second")
            self._second_recording(told, summary, clues, verdict)
            return told.id, verdict.because
        by_clock = self._by_another_clock(mine, [other for other, _ in same], summary)
        kept = [*(other for other, _ in same), *by_clock]
        if not kept:
            return None
        recordings = self._tx.rides.recordings_of(one.id for one in kept)
        if same and self._somebody_tells_apart(kept, recordings):
            other, verdict = same[0]
            self._second_recording(other, summary, clues, verdict)
            return other.id, verdict.because
        because = _reasons(same, by_clock)
        (new,) = self._tx.rides.add_many([(summary, rider, clues.to_json())])
        return self._regrouped(kept, [*recordings, new], because)[new], because

    def again(self, ride: RideId) -> tuple[RideId, ...]:
        """Look at a ride that is here already: which rides turn out to be one outing with it, and count once.

        Empty = none, or somebody said that they are apart.
        """
        span = next((one for one in self.spans if one.id == ride), None)
        if span is None:
            return ()
        summary = self._tx.rides.outing(ride)
        others = [one for one in self.spans if one.rider == span.rider and one.id != ride]
        same = self._at_once(others, summary)
        by_clock = self._by_another_clock(others, [other for other, _ in same], summary)
        kept = [span, *(other for other, _ in same), *by_clock]
        recordings = self._tx.rides.recordings_of(one.id for one in kept)
        if len(kept) == 1 or self._somebody_tells_apart(kept, recordings):
            return ()
        self._regrouped(kept, recordings, _reasons(same, by_clock))
        return tuple(one.id for one in kept)

    def read_anew(self, ride: RideId) -> None:
        """A recording that is here says something else now: which of its outing's count is said anew."""
        rides = self._tx.rides
        kept = rides.details(ride).kept_ride or ride
        recordings = rides.recordings_of([kept])
        outings = [rides.outing(one) for one in recordings]
        begin = min(one.started_at for one in outings) - CLOCK_ERRORS[-1]
        end = max(one.ended_at for one in outings) + CLOCK_ERRORS[-1]
        around = rides.spans(begin, end)
        ids = {kept, *(one.id for one in around)}
        self.spans = [*(one for one in self.spans if one.id not in ids), *around]
        span = next((one for one in around if one.id == kept), None)
        if span is None or self.again(kept) or len(recordings) == 1:
            return  # it does not count, is one outing with others, or alone
        if not self._somebody_tells_apart([span], recordings):
            told = [why for one in recordings for why in rides.why_same_outing(one)]
            self._regrouped([span], recordings, tuple(dict.fromkeys(told)))

    def _at_once(self, mine: Sequence[RideSpan], summary: RideSummary) -> list[tuple[RideSpan, SameOuting]]:
        same = []
        for other in mine:
            if other.started_at < summary.ended_at and summary.started_at < other.ended_at:
                verdict = same_outing(self._tx.rides.outing(other.id), summary, same_rider=True)
                if verdict.same:
                    same.append((other, verdict))
        return same

    def _somebody_tells_apart(self, kept: Sequence[RideSpan], recordings: Sequence[RideId]) -> bool:
        spoken_for = {one.bike for one in kept if one.decided_by is DecidedBy.RIDER}
        return len(spoken_for) > 1 or self._tx.rides.was_split_by_a_rider(recordings)

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

    def _was_told(self, ride: RideSpan, summary: RideSummary) -> bool:
        """Whether a ride of that time has no file, only its rider's word."""
        return shares_its_time(ride, summary) and self._tx.rides.outing(ride.id).reader == READER

    def _regrouped(
        self, kept: Sequence[RideSpan], every: Sequence[RideId], because: Sequence[str]
    ) -> dict[RideId, RideId]:
        """Say anew which recordings of an outing count; the ride that each of them is in now.

        kept: the rides that counted until now.  every: their recordings, and a new one.
        """
        rides = self._tx.rides
        outings = [rides.outing(one) for one in every]
        found = resolved(outings)
        counted = {every[n] for n in found.counted}
        followed = {every[n]: every[one] for n, one in found.follows.items()}
        before = {one.id for one in kept}
        for one in every:
            if one not in before and rides.is_second(one):
                rides.split_again(one, at=self._now, by=IMPORTER)
        # What was said of a ride stays with its number: a recording that counts now takes that of one which
        # counts no more.
        place = {one: one for one in every}
        spoken_of = {one.id for one in kept if one.decided_by is DecidedBy.RIDER}
        for freed in sorted(before - counted):
            heirs = [one for one in counted - before if followed[freed] == one or len(counted - before) == 1]
            if not heirs and freed in spoken_of and followed[freed] in counted - spoken_of:
                heirs = [followed[freed]]
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
        self.spans = [one for one in self.spans if one.id not in ids]
        begin, end = min(one.started_at for one in outings), max(one.ended_at for one in outings)
        self.spans += (one for one in rides.spans(begin, end) if one.id in ids)
        return {one: place[followed.get(one, one)] for one in every}

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
            self.spans.remove(kept)
            self.spans += (
                one for one in self._tx.rides.spans(summary.started_at, summary.ended_at) if one.id == kept.id
            )


def _reasons(
    same: Sequence[tuple[RideSpan, SameOuting]], by_clock: Mapping[RideSpan, str]
) -> tuple[str, ...]:
    return tuple(
        dict.fromkeys([*(why for _, verdict in same for why in verdict.because), *by_clock.values()])
    )
