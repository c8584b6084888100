"""Judging with what the store knows: a word settles other rides and says so; what cannot have been is not."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from rules.vocabulary import DecidedBy, RideId
from services.use_cases.judge_bikes import judge_again, judge_anew, open_questions
from services.views.stories import ride_story
from tests.saying import put_rides_on
from tests.services.wet_week import DAY, Week, wet_week
from tests.wet_household import FIRST_DAY

NOW = FIRST_DAY + 8 * DAY
STRANGE = 9001  # a power meter nobody has entered


@pytest.fixture
def week(tmp_path: Path) -> Week:
    """Seven rides that all carry one sensor of which nothing is known."""
    week = wet_week(tmp_path / "home")
    for day in range(7):
        week.ride(day, sensor=STRANGE)
    week.round(7)
    return week


def test_rides_that_name_no_known_bike_are_questions(week: Week) -> None:
    with week.shop.store.reading() as tx:
        questions = open_questions(tx)
        assert len(tx.rides.confirm_list()) == 7

    assert len(questions) == 7
    assert len(questions[0].may_settle) == 6
    assert all(len(question.choices) >= 2 for question in questions)


def test_answers_settle_the_other_rides_and_say_so(week: Week) -> None:
    with week.shop.store.reading() as tx:
        plover = tx.equipment.find_bike("Plover").id
    said: list[str] = []
    answered = 0
    while not any("also settled" in sentence for sentence in said):
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
        assert judge_again(tx, NOW).moved == ()
        assert judge_anew(tx, NOW).moved == ()
    assert week.bike_of(1) == "Harrier"


def test_a_bike_on_which_somebody_else_was_riding_is_ruled_out(week: Week, tmp_path: Path) -> None:
    from ingest.bikes.judge import RideClues
    from services.use_cases.judge_bikes import Judge

    with week.shop.store.writing() as tx:
        plover = tx.equipment.find_bike("Plover").id
        tx.rides.record(RideId(1), plover, decided_by=DecidedBy.RIDER, at=NOW, by="Ines")
        other = tx.equipment.add_rider("Bo")
        clues = RideClues.from_json(tx.rides.clues(RideId(1)))
        theirs = RideClues(other.id, clues.started_at + timedelta(minutes=1), clues.ended_at, sport="cycling")

        verdict = Judge(tx).verdict(tx, None, theirs)

    assert verdict.probabilities[plover] == 0.0
    assert any("was riding Plover at the time" in one.sentence for one in verdict.evidence)
