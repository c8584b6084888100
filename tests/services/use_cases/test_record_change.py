"""Corrections: each is seen before it is done, moves what follows from it, and is taken back whole."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest

from rules.commands import LogTreatment
from rules.reminder import Step
from rules.vocabulary import Condition, RideId, TreatmentKind
from services.store import FactRefused
from services.use_cases.find_by_name import the_chain_named
from services.use_cases.preview import preview_condition, preview_rides_on
from services.use_cases.record_change import Done, record
from services.use_cases.undo import undo
from tests.put_into import into
from tests.saying import (
    answer_rides,
    log_reading,
    log_treatment,
    log_wipe_test,
    move_sensor,
    put_rides_on,
    say_condition,
    say_unpaved,
    take_back,
    withdraw_ride,
)
from tests.services.wet_week import DAY, Week, copied, wet_week
from tests.wet_household import FIRST_DAY

NOW = FIRST_DAY + 3 * DAY + timedelta(hours=20)
PLOVER_WET = "Wipe, dry and drip the chain Plover's chain on Plover"
HARRIER_WET = "Wipe, dry and drip the chain Harrier's chain on Harrier"


@pytest.fixture(scope="module")
def settled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Plover in the wet on days 1 and 2, and after it on day 3: rides 1, 2 and 3."""
    home = tmp_path_factory.mktemp("settled") / "home"
    week = wet_week(home)
    for day in (1, 2, 3):
        week.ride(day)
        week.round(day)
    assert PLOVER_WET in week.headlines()
    week.shop.store.close()
    return home


@pytest.fixture
def week(settled: Path, tmp_path: Path) -> Week:
    return copied(settled, tmp_path / "home")


def harrier(week: Week) -> int:
    with week.shop.store.reading() as tx:
        return tx.equipment.find_bike("Harrier").id


def on_harrier(week: Week) -> Done:
    with week.shop.store.reading() as tx:
        span = tx.rides.rides(
            between=(FIRST_DAY, FIRST_DAY + 4 * DAY), bike=tx.equipment.find_bike("Plover").id
        )
        bike = tx.equipment.find_bike("Harrier").id
    return put_rides_on(week.shop, [ride.id for ride in span], bike, now=NOW)


def on_none_of_ours(week: Week) -> Done:
    return put_rides_on(week.shop, [RideId(1), RideId(2)], None, now=NOW)


def each_on_its_bike(week: Week) -> Done:
    with week.shop.store.reading() as tx:
        plover, other = tx.equipment.find_bike("Plover").id, tx.equipment.find_bike("Harrier").id
    return answer_rides(week.shop, {RideId(1): plover, RideId(2): other}, now=NOW)


def sensor_on_harrier(week: Week) -> Done:
    with week.shop.store.reading() as tx:
        bike = tx.equipment.find_bike("Harrier")
    since = FIRST_DAY + 2 * DAY
    return move_sensor(week.shop, "serial 4711", "power meter", bike, since, now=NOW)


def called_dry(week: Week) -> Done:
    return say_condition(week.shop, RideId(2), Condition.DRY, now=NOW)


def called_muddy(week: Week) -> Done:
    return say_condition(week.shop, RideId(1), Condition.MUDDY, now=NOW)


def unpaved(week: Week) -> Done:
    return say_unpaved(week.shop, RideId(3), 0.9, now=NOW)


def withdrawn(week: Week) -> Done:
    return withdraw_ride(week.shop, RideId(2), "on the car roof", now=NOW)


EVERY = (
    on_harrier,
    on_none_of_ours,
    each_on_its_bike,
    sensor_on_harrier,
    called_dry,
    called_muddy,
    unpaved,
    withdrawn,
)


@pytest.mark.parametrize("correct", EVERY, ids=lambda one: one.__name__)
def test_undo_restores_every_total_and_every_reminder_exactly(
    week: Week, correct: Callable[[Week], Done]
) -> None:
    totals, standing = week.totals(), week.standing()

    done = correct(week)
    assert week.totals() != totals

    undo(week.shop, done.number, now=NOW + timedelta(minutes=1))

    assert week.totals() == totals
    assert {headline for _, headline, _ in standing} == week.headlines()
    with pytest.raises(FactRefused, match="undone already"):
        undo(week.shop, done.number, now=NOW + timedelta(minutes=2))


def test_a_span_moves_its_grit_withdraws_what_it_caused_and_raises_what_is_now_due(week: Week) -> None:
    before = week.totals()

    done = on_harrier(week)

    after = week.totals()
    assert after["Harrier's chain"][1:] == before["Plover's chain"][1:]
    assert after["Plover's chain"] == (0.0, 0.0, 0.0, 0.0)
    assert HARRIER_WET in week.headlines()
    assert PLOVER_WET not in week.headlines()
    assert any(said.startswith("Withdrawn (") for said in done.sentences)
    assert any(said.startswith("Now due (") for said in done.sentences)
    with week.shop.store.reading() as tx:
        states = {r.reminder.headline: r.state for r in tx.reminders.all_()}
    assert states[PLOVER_WET] is Step.WITHDRAWN


def test_a_look_ahead_says_what_the_correction_then_does(week: Week) -> None:
    with week.shop.store.reading() as tx:
        bike = tx.equipment.find_bike("Harrier").id
        plover = the_chain_named(tx.garage(), "Plover's chain").id
    before = week.totals(), week.standing()

    seen = preview_rides_on(week.shop, [RideId(1), RideId(2)], bike, now=NOW)

    assert (week.totals(), week.standing()) == before
    put_rides_on(week.shop, [RideId(1), RideId(2)], bike, now=NOW)
    moved = {one.chain: one.grit_h for one in seen.moved}
    assert before[0]["Plover's chain"][2] + moved[plover] == pytest.approx(week.totals()["Plover's chain"][2])
    assert preview_condition(week.shop, RideId(1), None, now=NOW).sentences == ()


def test_the_newest_word_wins_and_undoing_it_returns_to_the_word_before(week: Week) -> None:
    say_condition(week.shop, RideId(2), Condition.DAMP, now=NOW)
    damp = week.totals()
    say_condition(week.shop, RideId(2), Condition.MUDDY, now=NOW)

    undo(week.shop, now=NOW)

    assert week.totals() == damp


def test_undoing_a_riders_second_word_on_a_bike_returns_to_the_first(week: Week) -> None:
    on_harrier(week)
    on_none_of_ours(week)
    assert week.bike_of(1) is None

    undo(week.shop, now=NOW)
    assert week.bike_of(1) == "Harrier"
    undo(week.shop, now=NOW)
    assert week.bike_of(1) == "Plover"
    with week.shop.store.reading() as tx:
        decision = tx.rides.assignment_in_force(RideId(1))
    assert decision is not None
    assert decision.decided_by is not None
    assert decision.decided_by.value != "rider"


def test_a_sensor_that_moved_judges_the_rides_since_then_and_no_other(week: Week) -> None:
    done = sensor_on_harrier(week)

    assert (week.bike_of(1), week.bike_of(2)) == ("Plover", "Harrier")
    assert any("also moved" in said for said in done.sentences)


def test_a_riders_word_outlasts_a_sensor_that_moved(week: Week) -> None:
    with week.shop.store.reading() as tx:
        plover = tx.equipment.find_bike("Plover").id
    put_rides_on(week.shop, [RideId(2)], plover, now=NOW)

    sensor_on_harrier(week)

    assert week.bike_of(2) == "Plover"


def test_what_is_not_there_is_refused_and_nothing_is_half_kept(week: Week) -> None:
    with week.shop.store.reading() as tx:
        bike = tx.equipment.find_bike("Harrier").id
    totals = week.totals()

    with pytest.raises(FactRefused, match="Ride 99 does not count"):
        put_rides_on(week.shop, [RideId(1), RideId(99)], bike, now=NOW)
    with pytest.raises(FactRefused, match="no ride in that span"):
        put_rides_on(week.shop, [], bike, now=NOW)
    with pytest.raises(FactRefused, match="from 0 % to 100 %"):
        say_unpaved(week.shop, RideId(1), 1.2, now=NOW)
    with pytest.raises(FactRefused, match="nothing to undo"):
        undo(week.shop, now=NOW)
    withdraw_ride(week.shop, RideId(1), "a test", now=NOW)
    with pytest.raises(FactRefused, match="does not count"):
        withdraw_ride(week.shop, RideId(1), "a test", now=NOW)
    undo(week.shop, now=NOW)
    assert week.totals() == totals


def test_several_chains_are_treated_in_one_act_and_undone_as_one(week: Week) -> None:
    with week.shop.store.writing() as tx:
        more = [into(tx).add_chain(name).id for name in ("Marl", "Flint")]
        first = the_chain_named(tx.garage(), "Plover's chain").id
    both = LogTreatment(first, TreatmentKind.IMMERSION, NOW, minutes=45.0, cost=0.9, also=tuple(more))
    totals = week.totals()

    done = record(week.shop, both, now=NOW)

    assert "Immersion logged on Plover's chain, Marl and Flint" in done.sentences[0]
    assert "(treatments 1 to 3)" in done.sentences[0]
    with week.shop.store.reading() as tx:
        assert [(one.chain, one.minutes) for one in tx.care.treatments()] == [
            (n, 15.0) for n in (first, *more)
        ]
        kept = tx.changes.last()
    assert kept is not None
    assert kept.command == both
    drip = record(week.shop, LogTreatment(more[0], TreatmentKind.DRIP, NOW), now=NOW)
    assert "(treatment 4)" in drip.sentences[0]
    undo(week.shop, done.number, now=NOW)
    with week.shop.store.reading() as tx:
        assert [one.id for one in tx.care.treatments()] == [4]
    assert week.totals() == totals


def test_logged_care_is_undone_and_a_taking_back_is_undone(week: Week) -> None:
    totals, headlines = week.totals(), week.headlines()

    log_treatment(week.shop, "Plover", TreatmentKind.DRIP, NOW, now=NOW)
    dripped = week.totals()
    assert dripped != totals
    assert PLOVER_WET not in week.headlines()

    take_back(week.shop, "treatment", 1, "another chain", now=NOW)
    assert week.totals() == totals
    assert week.headlines() == headlines
    undo(week.shop, now=NOW)
    assert week.totals() == dripped
    undo(week.shop, now=NOW)
    assert week.totals() == totals
    log_wipe_test(week.shop, "Plover", 3, NOW, now=NOW)
    undo(week.shop, now=NOW)
    with week.shop.store.reading() as tx:
        assert tx.care.wipe_tests() == ()


def test_readings_that_no_tool_gives_are_refused_in_words(week: Week) -> None:
    from rules.vocabulary import ReadingTool

    for tool, values, why in (
        (ReadingTool.GAUGE, {"over_pct": 0.5, "under_pct": 0.25}, "smaller one"),
        (ReadingTool.GAUGE, {}, "Say what was read"),
        (ReadingTool.GAUGE, {"exact_pct": 0.2}, "ruler"),
        (ReadingTool.CALIPER, {}, "one exact figure"),
    ):
        with pytest.raises(FactRefused, match=why):
            log_reading(week.shop, "Plover", tool, NOW, now=NOW, **values)
    with pytest.raises(FactRefused, match="has not come yet"):
        log_treatment(week.shop, "Plover", TreatmentKind.WIPE, NOW + DAY, now=NOW)
