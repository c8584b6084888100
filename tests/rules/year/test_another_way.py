"""The year walked again: as the ledger counts; other ways by hand; what is offered, and what is not said."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from rules.contamination import history
from rules.rulebook import default_rulebook, parse_rulebook
from rules.vocabulary import ChainId, OwnValue, Treatment, TreatmentId, TreatmentKind
from rules.year.another_way import (
    DIRTY_WEAR,
    STARVED_WEAR,
    _draws_of,
    _hours,
    advice,
    another_way,
    can_be_taken_over,
    other_ways,
    own_way,
    taken_over,
)
from rules.year.simulation import Hour, Way, walk
from tests.rules.notation import at, ledger_of

RULEBOOK = default_rulebook()
NOW = at("2025-12-31 23:00")
UTC = NOW.tzinfo
OWN = Way("own", 12.0, 40.0, 0.5, 3.0, 2.0)


class Prompt:
    """Hands that never wait."""

    def integers(self, low, high):
        return low


def day_hours(*grit, wet=()):
    """One ride hour a day."""
    return [Hour(day, (g, 0.0, 0.0, 0.0, 0.0), g, 1.0 if day in wet else 0.0) for day, g in enumerate(grit)]


def done(hours, way):
    return list(walk(hours, way, Prompt()).done)


def test_one_chain_by_hand():
    # film 12, dirt 40, three grit-hours a day: a drip on every fourth evening, the bath when dirt is 40
    found = done(day_hours(*[3.0] * 14), replace(OWN, dirt_h=42.5))
    assert found == [(3, "drip"), (7, "drip"), (11, "drip")]
    # 36 of 40 on the third: the bath takes the drip's place, and no evening at 40 follows
    assert done(day_hours(*[3.0] * 14), OWN) == [(3, "drip"), (7, "drip"), (11, "immersion")]


def test_a_used_up_film_brings_the_bath_on_and_no_drip_beside_it():
    assert done(day_hours(*[10.0] * 3), replace(OWN, drips=False)) == [(2, "immersion")]  # 10 + 18 + 20
    assert done(day_hours(40.0), OWN) == [(0, "immersion")]


def test_a_wet_spell_is_wiped_and_dripped_once_and_again_after_a_week_without_a_drip():
    found = done(day_hours(*[1.0] * 8, wet=range(8)), OWN)
    assert found == [(0, "wipe"), (0, "drip"), (7, "wipe"), (7, "drip")]
    # the film's own limit asks within it; three dry days end it
    assert done(day_hours(*[3.0] * 8, wet=range(8)), OWN) == [(0, "wipe"), (0, "drip"), (4, "drip")]
    assert done(day_hours(*[1.0] * 6, wet=(0, 3)), OWN) == [(0, "wipe"), (0, "drip")]
    assert [day for day, what in done(day_hours(*[1.0] * 6, wet=(0, 4)), OWN) if what == "wipe"] == [0, 4]
    assert done(day_hours(1.0, wet=(0,)), replace(OWN, drips=False)) == [(0, "wipe")]


def test_other_ways_are_within_what_may_be_set_and_none_is_the_own():
    own = Way("as now", film_h=10.0, dirt_h=40.0, wet_h=1.0, spell_days=3.0, starved=2.0)
    ways = {way.name: way for way in other_ways(own, 8.0, 16.0, most_film_h=12.0, most_dirt_h=50.0)}
    assert (ways["drips farther apart"].film_h, ways["a longer wait for the pot"].dirt_h) == (12.0, 50.0)
    free = {way.name: way for way in other_ways(own, 8.0, 16.0)}
    assert free["drips and pot farther apart"].film_h == pytest.approx(40.0 / 3.0)
    assert free["drips and pot farther apart"].dirt_h == 60.0
    oil = free["oil instead"]
    assert (oil.film_h, oil.dirt_h, oil.oiled, oil.starved) == (8.0, 16.0, True, 1.0)
    assert [free[f"{count} chains in turn"].chains for count in ("two", "three")] == [2, 3]
    assert [free["immersion only"].drips, free["drip only"].baths] == [False, False]
    assert len(other_ways(own, 8.0, 16.0, 10.0, 40.0)) == len(free) - 3
    assert np.isfinite(oil.dirt_h)


def test_chains_in_turn_are_swapped_when_the_film_is_used_and_bathed_together():
    two, three, *_ = other_ways(OWN, 8.0, 16.0)
    assert done(day_hours(*[12.0] * 4), two) == [
        (0, "swap"),
        (1, "immersion"),
        (1, "another chain in the pot"),
        (1, "swap"),
        (2, "swap"),
        (3, "immersion"),
        (3, "another chain in the pot"),
        (3, "swap"),
    ]
    thrice = walk(day_hours(*[12.0] * 6), three, Prompt()).deeds
    assert thrice == {"swap": 6, "immersion": 2, "another chain in the pot": 4}


def test_oil_is_topped_up_and_cleaned_and_has_no_film_to_outlive():
    oil = other_ways(OWN, 8.0, 16.0)[-1]
    found = walk(day_hours(*[5.0] * 4), oil, Prompt())
    assert list(found.done) == [(1, "oil"), (3, "clean")]
    assert walk(day_hours(13.0), oil, Prompt()).done == ((0, "oil"),)


def test_deeds_come_nought_to_two_days_late():
    days = {
        walk(day_hours(*[12.0] + [0.1] * 4), OWN, np.random.default_rng(seed)).done[0][0]
        for seed in range(40)
    }
    assert days == {0, 1, 2}


def random_year(seed):
    dice = np.random.default_rng(seed)
    lines = ["2025-01-01  fitted  Copper  on Plover", "2025-01-01 13:00  immersed  Copper"]
    for day in range(1, 330, int(dice.integers(1, 4))):
        when = at("2025-01-01 08:00") + timedelta(days=day)
        word = dice.choice(["dry", "dry", "wet", "dusty", "damp"])
        lines.append(f"{when:%Y-%m-%d %H:%M}  rode  {dice.uniform(0.5, 4.0):.2f} h  on Plover  {word}")
    return ledger_of("\n".join(lines))


@pytest.mark.parametrize("seed", range(20))
def test_the_walk_counts_as_the_ledger_does(seed):
    """Whatever a way does, logged as care: the ledger's film and dirt are the walk's, to the number."""
    ledger = random_year(seed)
    hours, _ = _hours(ledger, RULEBOOK, ledger.bikes[0].id, NOW, UTC)
    own = own_way(ledger, RULEBOOK, ledger.chains[0], NOW)
    for way in (
        own,
        replace(own, drips=False),
        replace(own, baths=False),
        replace(own, film_h=7.0, dirt_h=20.0),
    ):
        found = walk(hours, way, np.random.default_rng(seed))
        kinds = {"drip": TreatmentKind.DRIP, "immersion": TreatmentKind.IMMERSION, "wipe": TreatmentKind.WIPE}
        logged = tuple(
            Treatment(
                TreatmentId(100 + number),
                ChainId(1),
                kinds[what],
                at("0001-01-01 23:00").replace(tzinfo=UTC) + timedelta(days=day - 1, minutes=number % 50),
            )
            for number, (day, what) in enumerate(found.done)
        )
        book = RULEBOOK.with_value("limit.drip", way.film_h)
        past = history(replace(ledger, treatments=(*ledger.treatments, *logged)), ChainId(1), book).until(NOW)
        assert found.end_film_h == pytest.approx(past.since_drip.grit_h)
        assert found.end_dirt_h == pytest.approx(past.since_immersion.grit_h)
        dirt = [entry.since_immersion.grit_h for entry in past.entries if entry.exposure is not None]
        assert len(dirt) == len(hours)


def ridden(days, *, care=""):
    lines = ["2025-01-01  fitted  Copper  on Plover", "2025-01-01 13:00  immersed  Copper", care]
    for day in range(1, days):
        when = at("2025-01-01 08:00") + timedelta(days=day)
        lines.append(f"{when:%Y-%m-%d %H:%M}  rode  2 h  on Plover  dry")
    return ledger_of("\n".join(lines))


def test_a_year_in_words():
    (said,) = another_way(ridden(200), RULEBOOK, now=NOW)
    assert said.name == "Plover"
    assert said.distance_km == pytest.approx(199 * 2 * 25.0)
    assert said.own.wear == (1.0, 1.0, 1.0)
    assert [one.way.name for one in said.others] == [
        "two chains in turn",
        "three chains in turn",
        "a longer wait for the pot",
        "drips farther apart",
        "drips and pot farther apart",
        "immersion only",
        "drip only",
        "oil instead",
    ]
    assert not said.habit
    assert said.sentences[0].startswith(
        "Plover, the last year: 1 immersion and 0 drips logged, about 0.4 h of hands"
    )
    assert said.sentences[1].startswith("What was logged is not what the limits ask for")
    assert all(one.wear[2] <= 1.15 and one.minutes[2] < said.own.minutes[1] for one in said.offered)
    drip_only = next(one for one in said.others if one.way.name == "drip only")
    assert drip_only.wear[0] > 1.1
    assert drip_only not in said.offered


def test_habits_that_follow_the_limits_are_said_to():
    ledger = ridden(200)
    (first,) = another_way(ledger, RULEBOOK, now=NOW)
    care = []
    hours, _ = _hours(ledger, RULEBOOK, ledger.bikes[0].id, NOW, UTC)
    for day, what in walk(hours, first.own.way, np.random.default_rng(1)).done:
        when = at("0001-01-01 20:00").replace(tzinfo=UTC) + timedelta(days=day - 1)
        care.append(
            f"{when:%Y-%m-%d %H:%M}  {'dripped' if what == 'drip' else 'immersed'}  Copper  minutes 8"
        )
    (said,) = another_way(ridden(200, care="\n".join(care)), RULEBOOK, now=NOW)
    assert said.habit
    assert len(said.sentences) == 1 + max(1, len(said.offered))
    assert said.logged_minutes == pytest.approx(8.0 * (1 + len(care)))  # the household's own minutes


def test_what_is_hardly_ridden_or_lubed_is_left_out():
    assert another_way(ridden(8), RULEBOOK, now=NOW) == ()
    lubed = ledger_of("chain Copper  12-speed  wet lube\n2025-01-01  fitted  Copper  on Plover\n")
    assert another_way(lubed, RULEBOOK, now=NOW) == ()
    assert another_way(ledger_of("bike Plover  of Ada"), RULEBOOK, now=NOW) == ()


def test_what_was_done_to_chains_of_other_bikes_is_not_this_bikes():
    text = "2025-01-01  fitted  Slate  on Curlew\n2025-02-01  dripped  Slate\n2025-02-02  dripped  Slate"
    (said,) = another_way(ridden(200, care=text), RULEBOOK, now=NOW)  # Curlew was hardly ridden
    assert (said.name, said.logged) == ("Plover", {"immersion": 1.0})


def test_where_nothing_saves_minutes_without_wear_that_is_said():
    idle = RULEBOOK.with_value("limit.immersion", 64.0).with_value("limit.drip", 30.0)
    (said,) = another_way(ridden(12), idle, now=NOW)
    assert said.offered == ()
    assert said.sentences[-1] == "None of the other ways takes fewer minutes without clearly more wear."


def test_a_chain_that_changed_bikes_counts_on_each_for_what_it_rode_there():
    text = "2025-01-01  fitted  Copper  on Curlew\n"
    text += "".join(f"2025-01-{day:02} 08:00  rode  2 h  on Curlew  dry\n" for day in range(2, 20))
    text += "2025-02-01  fitted  Copper  on Plover\n"
    text += "".join(f"2025-02-{day:02} 08:00  rode  2 h  on Plover  dry\n" for day in range(2, 20))
    (said,) = another_way(ledger_of(text), RULEBOOK, now=NOW)
    assert (said.name, said.distance_km) == ("Plover", pytest.approx(18 * 2 * 25.0))


def test_advice_is_given_where_it_saves_enough_hands():
    years = another_way(ridden(300), RULEBOOK, now=NOW)
    said = advice(years)
    best = years[0].offered[0]
    saved = years[0].own.minutes[1] - best.minutes[1]
    assert saved > 30.0
    assert said.startswith(f"A thought for Plover: {best.way.name} would have saved {saved / 60:.1f} of ")
    assert said.endswith("gritledger what-if --year shows the others.")
    assert advice(another_way(ridden(40), RULEBOOK, now=NOW)) == ""  # saves minutes, but few
    assert advice(()) == ""


def test_a_way_that_is_only_limits_can_be_taken_over():
    ledger = ridden(200)
    (year,) = another_way(ledger, RULEBOOK, now=NOW)
    takes = [one.way.name for one in year.others if can_be_taken_over(year, one)]
    assert takes == ["a longer wait for the pot", "drips farther apart", "drips and pot farther apart"]
    both, why = taken_over(year, "drips and pot farther apart", ledger, RULEBOOK, now=NOW)
    assert (both, why) == ((OwnValue("bike", 1, "drip", 16.0), OwnValue("bike", 1, "immersion", 60.0)), "")
    nothing, why = taken_over(year, "oil instead", ledger, RULEBOOK, now=NOW)
    assert nothing == ()
    assert why.startswith("“Oil instead” takes more than other limits")
    nothing, why = taken_over(year, "prayer", ledger, RULEBOOK, now=NOW)
    assert nothing == ()
    assert why.startswith("There is no way “prayer” for Plover; known: “two chains in turn”, ")


def test_a_chains_own_limit_is_moved_where_it_would_go_before_the_bikes_and_none_beyond_its_range():
    ledger = ridden(200)
    most = RULEBOOK.judgement("limit.drip").high
    text = f'[chain."Copper"]\nimmersion = 50\ndrip = {most}\n'
    book = parse_rulebook(text, name="mine.toml", base=RULEBOOK)
    (year,) = another_way(ledger, book, now=NOW)
    found, _ = taken_over(year, "a longer wait for the pot", ledger, book, now=NOW)
    assert found == (OwnValue("chain", 1, "immersion", 64.0),)
    assert "drips farther apart" not in [one.way.name for one in year.others]  # they are already
    later, _ = taken_over(year, "a longer wait for the pot", ledger, book, now=at("2024-01-01"))
    assert later == (OwnValue("bike", 1, "immersion", 64.0),)  # no chain on it then


def test_how_much_more_a_neglected_chain_wears_is_as_unsure_as_it_is_said_to_be():
    drawn = _draws_of(day_hours(1.0), np.ones((40, 5)), np.zeros(40))
    for extra, (middle, spread) in ((drawn.starved, STARVED_WEAR), (drawn.dirty, DIRTY_WEAR)):
        assert np.log(extra).mean() == pytest.approx(middle, abs=3 * spread / np.sqrt(40))
        assert np.log(extra).std() == pytest.approx(spread, rel=0.35)
