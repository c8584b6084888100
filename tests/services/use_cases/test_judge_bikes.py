"""Judging with what the store knows: a word settles other rides and says so; what cannot have been is not."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from ingest.bikes.judge import WAY_OF_JUDGING
from rules.commands import ForgetSensor
from rules.contamination import history
from rules.vocabulary import DecidedBy, RideId
from services.running.round import one_round
from services.store.bookkeeping import BIKES_JUDGED_BY
from services.use_cases.judge_bikes import (
    BUT_THE_NEWEST,
    FIT_EVERY,
    HouseholdJudgement,
    judge_household,
    told,
)
from services.use_cases.preview import preview_answers
from services.use_cases.record_change import LATER, record
from services.views.terminal_text import ride_story
from tests.saying import put_rides_on
from tests.services.wet_week import DAY, Week, copied, wet_week
from tests.wet_household import FIRST_DAY

NOW = FIRST_DAY + 8 * DAY
STRANGE = 9001  # a power meter nobody has entered


@pytest.fixture(scope="module")
def settled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Seven rides that all carry one sensor of which nothing is known."""
    home = tmp_path_factory.mktemp("settled") / "home"
    week = wet_week(home)
    for day in range(7):
        week.ride(day, sensor=STRANGE)
    week.round(7)
    week.shop.store.close()
    return home


@pytest.fixture
def week(settled: Path, tmp_path: Path) -> Week:
    return copied(settled, tmp_path / "home")


def test_rides_that_name_no_known_bike_are_questions(week: Week) -> None:
    with week.shop.store.reading() as tx:
        (question,) = HouseholdJudgement(tx).questions()
        assert len(tx.rides.confirm_list()) == 7

    assert len(question.rides) == 7


def test_answers_settle_the_other_rides_and_say_so(week: Week) -> None:
    with week.shop.store.reading() as tx:
        plover = tx.equipment.find_bike("Plover").id
    said: list[str] = []
    answered = 0
    while not any("also moved" in sentence for sentence in said):
        answered += 1
        said += put_rides_on(week.shop, [RideId(answered)], plover, now=NOW).sentences

    assert answered < 5
    with week.shop.store.reading() as tx:
        assert len(tx.rides.confirm_list()) < 7 - answered
        settled = [ride for ride in tx.rides.rides() if ride.decided_by is not DecidedBy.RIDER and ride.bike]
    assert settled
    assert {ride.bike for ride in settled} == {plover}
    story = "\n".join(ride_story(week.shop, settled[0].id))
    assert "Bike: Plover, decided by" in story
    assert "sensor" in story.lower()


def test_a_riders_word_is_never_judged_again(week: Week) -> None:
    with week.shop.store.reading() as tx:
        plover, harrier = tx.equipment.find_bike("Plover").id, tx.equipment.find_bike("Harrier").id
    put_rides_on(week.shop, [RideId(1)], harrier, now=NOW)
    put_rides_on(week.shop, [RideId(n) for n in range(2, 8)], plover, now=NOW)

    with week.shop.store.writing() as tx:
        assert judge_household(tx, NOW) == ()
    assert week.bike_of(1) == "Harrier"


def test_a_look_at_what_a_word_would_move_keeps_nothing(week: Week) -> None:
    with week.shop.store.reading() as tx:
        plover = tx.equipment.find_bike("Plover").id
        supposed = HouseholdJudgement(tx, dict.fromkeys((RideId(1), RideId(4), RideId(6)), plover))
        moves = [move for _, move in supposed.moves()]
        assert moves
        assert {move.now.bike for move in moves} == {plover}
        assert HouseholdJudgement(tx).moves() == []
        assert "to Plover" in told(moves, {plover: "Plover"})


def test_what_a_kill_left_unjudged_the_next_round_judges(week: Week) -> None:
    with week.shop.store.writing() as tx:
        tx.rides.judge_anew(RideId(3))
        assert tx.rides.has_unjudged()

    week.round(8)

    with week.shop.store.reading() as tx:
        assert not tx.rides.has_unjudged()


def test_a_ride_of_a_household_without_sensors_is_a_question(tmp_path: Path) -> None:
    week = wet_week(tmp_path / "bare")
    week.ride(0, sensor=STRANGE)
    with week.shop.store.reading() as tx:
        sensors = tx.equipment.sensors()
    for one in sensors:
        record(week.shop, ForgetSensor(one.identity, one.bike, one.from_at), now=NOW)
    week.round(1)
    with week.shop.store.reading() as tx:
        assert [ride.bike for ride in tx.rides.rides()] == [None]


def test_a_ledger_judged_by_an_older_version_is_judged_anew_once_and_told_so(week: Week) -> None:
    with week.shop.store.writing() as tx:
        plover = tx.equipment.find_bike("Plover").id
        tx.notes.put(BIKES_JUDGED_BY, "an older way", at=NOW)
        for ride in (RideId(2), RideId(5)):  # as the older version had decided
            tx.rides.record(ride, plover, decided_by=DecidedBy.ONLY_BIKE, at=NOW, by="the round")

    first, second = week.round(8), week.round(9)

    assert first.bikes == ("That also moved 2 rides to the questions.",)
    assert second.bikes == ()


def test_clues_that_an_older_version_kept_are_renewed_once(week: Week) -> None:
    with week.shop.store.writing() as tx:
        kept = json.loads(tx.rides.clues(RideId(2)))
        old = {name: value for name, value in kept.items() if name not in ("looks", "sold", "channels")}
        tx.rides.set_clues(RideId(2), json.dumps(old))
        tx.notes.put(BIKES_JUDGED_BY, "an older way", at=NOW)

    week.round(8)

    with week.shop.store.reading() as tx:
        renewed = tx.rides.clues(RideId(2))
        assert {"looks", "sold", "channels"} <= json.loads(renewed).keys()
        assert list(HouseholdJudgement(tx).renewed_clues()) == []


def test_a_ride_that_an_older_version_kept_learns_its_way_from_its_kept_track(week: Week) -> None:
    with week.shop.store.writing() as tx:
        kept = json.loads(tx.rides.clues(RideId(2)))
        way = kept.pop("way")
        tx.rides.set_clues(RideId(2), json.dumps(kept, separators=(",", ":")))
        ((_, renewed),) = HouseholdJudgement(tx).renewed_clues()

    assert way
    assert np.abs(np.array(json.loads(renewed)["way"]) - way).max() <= 1


def test_a_question_that_stays_open_says_what_is_known_now(week: Week) -> None:
    week.ride(8, sensor=STRANGE + 1)
    week.round(9)
    with week.shop.store.reading() as tx:
        harrier = tx.equipment.find_bike("Harrier").id
        before = tx.rides.assignment_in_force(RideId(8))

    put_rides_on(week.shop, [RideId(n) for n in range(1, 8)], harrier, now=NOW + DAY)

    with week.shop.store.reading() as tx:
        after = tx.rides.assignments_of(RideId(8))
        now = HouseholdJudgement(tx).assignment(RideId(8))
    assert before is not None
    assert before.probability != after[-1].probability
    assert now.verdict == "ask"
    assert [(one.id, one.verdict) for one in after] == [(before.id, "ask")]
    assert after[-1].probability == pytest.approx(now.probability, abs=0.05)
    assert json.loads(after[-1].evidence)["because"] == now.because


def test_what_is_supposed_moves_the_hours_that_saying_it_then_moves(week: Week) -> None:
    with week.shop.store.reading() as tx:
        plover, before = tx.equipment.find_bike("Plover").id, tx.ledger()
    said = (RideId(1), RideId(4), RideId(6))

    supposed = preview_answers(week.shop, dict.fromkeys(said, plover), now=NOW)
    put_rides_on(week.shop, list(said), plover, now=NOW)

    with week.shop.store.reading() as tx:
        after = tx.ledger()
    assert {one.chain for one in supposed.moved} == {
        c.id for c in after.chains if not before.same_for(c.id, after)
    }
    for one in supposed.moved:
        assert one.after == history(after, one.chain, week.shop.rulebook).over_life
    assert sum(r.bike == plover for r in after.rides) > len(said)


def test_of_many_rides_some_are_heard_at_first_and_all_in_a_round_some_hours_later(
    week: Week, monkeypatch: pytest.MonkeyPatch
) -> None:
    heard: list[int] = []
    whole = HouseholdJudgement.__init__

    def counting(self: HouseholdJudgement, *args: object, **options: object) -> None:
        whole(self, *args, **options)  # type: ignore[arg-type]
        heard.append(len(self.rides))

    monkeypatch.setattr(HouseholdJudgement, "__init__", counting)
    monkeypatch.setattr("services.use_cases.judge_bikes.MANY", 5)
    monkeypatch.setattr("services.use_cases.judge_bikes.HEARD_AT_FIRST", 2)
    week.ride(7, sensor=STRANGE)
    one_round(week.shop, now=NOW, watching=None)
    assert heard == [2, 8]  # by some at first; by all, for the last time was days ago
    week.ride(8, sensor=STRANGE)
    one_round(week.shop, now=NOW + DAY, watching=None)
    assert heard == [2, 8, 2, 9]
    week.ride(9, sensor=STRANGE)
    one_round(week.shop, now=NOW + DAY + FIT_EVERY / 2, watching=None)
    assert heard == [2, 8, 2, 9, 2]
    with week.shop.store.reading() as tx:
        assert not tx.rides.has_unjudged()
        assert tx.notes.get(BIKES_JUDGED_BY) == BUT_THE_NEWEST
        plover = tx.equipment.find_bike("Plover").id

    said = put_rides_on(week.shop, [RideId(1)], plover, now=NOW + DAY).sentences
    assert said[-1] == LATER
    assert heard == [2, 8, 2, 9, 2]
    one_round(week.shop, now=NOW + DAY + FIT_EVERY / 2, watching=None)
    assert heard == [2, 8, 2, 9, 2, 10]
    with week.shop.store.reading() as tx:
        assert tx.notes.get(BIKES_JUDGED_BY) == WAY_OF_JUDGING
