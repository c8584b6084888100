"""What an hour puts into a chain, and what treatments take away."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.contamination import NOTHING, Exposure, Totals, exposure, history, likes
from rules.rulebook import default_rulebook
from rules.vocabulary import ChainId, Condition, RideHour
from tests.rules.notation import at, ledger_of, tag

RULEBOOK = default_rulebook()
WEIGHTS = RULEBOOK.weights
COPPER = ChainId(1)


def hour(hour_tag=None, drive_s=3600.0):
    return RideHour(at("2025-03-04 10:00"), drive_s, 0.0, drive_s, None, None, None, 0.0, hour_tag)


def test_two_dry_hours_and_one_soaked_hour_make_five_grit_hours():
    # labelled assumption a_w = 2: 2 h x 1 + 1 h x (1 + 2 x 1) = 5
    dry = exposure(hour(tag(0.0), 7200.0), 0.0, None, WEIGHTS)
    wet = exposure(hour(tag(1.0)), 0.0, None, WEIGHTS)
    assert dry.grit_h + wet.grit_h == pytest.approx(5.0)
    assert (dry.condition, wet.condition) == (Condition.DRY, Condition.WET)


def test_paved_and_unpaved_ground_are_blended_by_the_unpaved_share():
    found = exposure(hour(tag(0.2, 0.6, mud=0.5, dust=0.4)), 0.25, None, WEIGHTS)
    assert found.water == pytest.approx(0.75 * 0.2 + 0.25 * 0.6)
    assert found.mud == pytest.approx(0.125)
    assert found.dust == pytest.approx(0.1)
    assert found.weight == pytest.approx(1 + 2 * 0.3 + 5 * 0.125 + 1 * 0.1)


def test_paved_ground_gives_neither_mud_nor_dust():
    found = exposure(hour(tag(0.0, 0.0, mud=1.0, dust=3.0)), 0.0, None, WEIGHTS)
    assert (found.mud, found.dust, found.weight, found.condition) == (0.0, 0.0, 1.0, Condition.DRY)


def test_road_salt_counts_on_the_paved_part_and_by_its_own_weight():
    # labelled assumption a_s = 1: salt in a damp hour counts as much again as a clean one
    salted = replace(tag(0.1), salt=0.8)
    found = exposure(hour(salted), 0.25, None, WEIGHTS)
    assert found.salt == pytest.approx(0.6)
    assert found.weight == pytest.approx(exposure(hour(tag(0.1)), 0.25, None, WEIGHTS).weight + 0.6)


def test_the_riders_word_for_wet_leaves_the_salt_in_the_water():
    salted = hour(replace(tag(0.1), salt=0.8))
    wet = exposure(salted, 0.25, Condition.WET, WEIGHTS)
    assert wet.salt == pytest.approx(0.6)
    assert wet.weight == pytest.approx(exposure(hour(tag(0.1)), 0.25, Condition.WET, WEIGHTS).weight + 0.6)
    assert exposure(salted, 0.25, Condition.DRY, WEIGHTS).salt == 0.0
    assert exposure(salted, 0.25, Condition.WET, WEIGHTS, indoor=True).salt == 0.0


def test_no_weather_is_unknown_and_counts_as_a_plain_hour():
    for nothing_known in (None, tag(None)):
        found = exposure(hour(nothing_known), 1.0, None, WEIGHTS)
        assert found == Exposure(Condition.UNKNOWN, 0.0, 0.0, 0.0, 1.0, 1.0, 1.0, known=False)


def test_a_tag_without_unpaved_water_is_as_wet_as_its_pavement():
    from dataclasses import replace

    bare = replace(tag(0.6), unpaved_water=None, mud=None, dust=None)
    assert exposure(hour(bare), 1.0, None, WEIGHTS).water == pytest.approx(0.6)


def test_under_a_roof_it_is_dry_without_any_weather():
    found = exposure(hour(), 1.0, None, WEIGHTS, indoor=True)
    assert (found.condition, found.weight, found.known) == (Condition.DRY, 1.0, True)


def test_the_riders_word_overrules_archive_and_roof():
    muddy = exposure(hour(tag(0.0)), 0.0, Condition.MUDDY, WEIGHTS, indoor=True)
    assert muddy.condition is Condition.MUDDY
    assert muddy.weight == pytest.approx(1 + 2 * 1.0 + 5 * 0.6)
    struck_out = exposure(hour(tag(1.0)), 0.0, Condition.UNKNOWN, WEIGHTS)
    assert (struck_out.condition, struck_out.weight, struck_out.known) == (Condition.UNKNOWN, 1.0, False)


@pytest.mark.parametrize(
    ("water", "mud", "dust", "word"),
    [
        (0.0, 0.0, 0.0, Condition.DRY),
        (0.01, 0.0, 0.0, Condition.DAMP),
        (0.449, 0.0, 0.0, Condition.DAMP),
        (0.45, 0.0, 0.0, Condition.WET),
        (0.9, 0.2, 0.0, Condition.MUDDY),
        (0.9, 0.19, 0.0, Condition.WET),
        (0.0, 0.0, 0.29, Condition.DRY),
        (0.0, 0.0, 0.3, Condition.DUSTY),
        (0.1, 0.0, 0.3, Condition.DUSTY),  # dust weighs 0.3, water 0.2
        (0.2, 0.0, 0.3, Condition.DAMP),  # dust weighs 0.3, water 0.4
    ],
)
def test_one_word_names_an_hour(water, mud, dust, word):
    assert WEIGHTS.condition(water, mud, dust) is word


@given(
    paved=st.floats(0, 1),
    unpaved=st.floats(0, 1),
    mud=st.floats(0, 1),
    dust=st.floats(0, 3),
    share=st.floats(0, 1),
    drive_s=st.floats(0, 3600),
)
def test_an_hour_never_counts_less_than_itself_nor_more_than_the_worst_case(
    paved, unpaved, mud, dust, share, drive_s
):
    found = exposure(hour(tag(paved, unpaved, mud, dust), drive_s), share, None, WEIGHTS)
    assert found.drive_h <= found.grit_h + 1e-12
    assert found.grit_h <= found.drive_h * WEIGHTS.weight(1.0, 1.0, 3.0) + 1e-9
    assert found.known


def test_a_drip_renews_the_film_and_only_an_immersion_cleans():
    ledger = ledger_of("""
        2025-03-01  fitted    Copper  on Plover
        2025-03-02  rode      2 h     on Plover  dry
        2025-03-03  stripped  Copper
        2025-03-04  wiped     Copper
        2025-03-05  rode      1 h     on Plover  dry
        2025-03-06  dripped   Copper
        2025-03-07  rode      3 h     on Plover  dry
        2025-03-08  immersed  Copper
        2025-03-09  rode      4 h     on Plover  dry
        2025-03-10  oiled     Copper
        2025-03-11  cleaned   Copper
    """)
    past = history(ledger, COPPER, RULEBOOK)

    def totals(day):
        stood = past.until(at(day))
        return [t.grit_h for t in (stood.since_drip, stood.since_immersion, stood.over_life)]

    assert totals("2025-03-04") == [2.0, 2.0, 2.0]
    assert totals("2025-03-05 23:00") == [3.0, 3.0, 3.0]
    assert totals("2025-03-06") == [0.0, 3.0, 3.0]
    assert totals("2025-03-07 23:00") == [3.0, 6.0, 6.0]
    assert totals("2025-03-08") == [0.0, 0.0, 6.0]
    assert totals("2025-03-09 23:00") == [4.0, 4.0, 10.0]
    assert totals("2025-03-10") == [0.0, 4.0, 10.0]
    assert totals("2025-03-11") == [0.0, 0.0, 10.0]


def test_a_treatment_in_the_middle_of_a_ride_clears_the_hours_that_had_begun():
    ledger = ledger_of("""
        2025-03-01        fitted   Copper  on Plover
        2025-03-02 08:00  rode     4 h     on Plover  dry
        2025-03-02 09:30  dripped  Copper
    """)
    past = history(ledger, COPPER, RULEBOOK)
    assert past.since_drip.grit_h == pytest.approx(2.0)
    assert past.over_life.grit_h == pytest.approx(4.0)


def test_unknown_hours_are_carried_along_and_said():
    ledger = ledger_of("""
        2025-03-01  fitted  Copper  on Plover
        2025-03-02  rode    2 h     on Plover  wet
        2025-03-03  rode    3 h     on Plover
    """)
    total = history(ledger, COPPER, RULEBOOK).since_drip
    assert total.unknown_h == pytest.approx(3.0)
    assert total.grit_h == pytest.approx(2.0 * 2.6 + 3.0)


def test_the_rides_own_unpaved_share_beats_the_bikes_usual_one():
    ledger = ledger_of("""
        bike Plover  unpaved 0.5
        2025-03-01  fitted  Copper  on Plover
        2025-03-02  rode    1 h     on Plover  dusty
        2025-03-03  rode    1 h     on Plover  dusty  unpaved 1
    """)
    entries = history(ledger, COPPER, RULEBOOK).entries
    assert [entry.exposure.dust for entry in entries[1:]] == [0.5, 1.0]


def test_a_ride_was_like_what_it_met_for_longer_than_a_moment():
    ledger = ledger_of("2025-03-02  rode  1 h  on Plover  dry")
    for wet_h, words in ((0.04, {Condition.DRY}), (0.06, {Condition.DRY, Condition.WET})):
        hours = (hour(tag(0.0)), hour(tag(1.0), wet_h * 3600.0))
        assert likes(ledger, replace(ledger.rides[0], hours=hours), RULEBOOK) == words


def test_a_bike_that_lives_on_the_trainer_needs_no_weather():
    ledger = ledger_of("""
        bike Turnstone  indoors
        2025-03-01  fitted  Copper  on Turnstone
        2025-03-02  rode    1 h     on Turnstone
    """)
    assert history(ledger, COPPER, RULEBOOK).over_life == Totals(1.0, 1.0, 0.0)


def test_a_chain_with_no_facts_has_been_through_nothing():
    past = history(ledger_of("chain Copper"), COPPER, RULEBOOK)
    assert (past.since_drip, past.since_immersion, past.over_life) == (NOTHING, NOTHING, NOTHING)
    assert past.until(at("2025-03-01")) is past


def test_a_history_is_worked_out_once_per_ledger_and_rulebook():
    ledger = ledger_of("2025-03-01  fitted  Copper  on Plover")
    once = history(ledger, COPPER, RULEBOOK)
    assert history(ledger, COPPER, RULEBOOK) is once
    assert history(ledger, COPPER, default_rulebook()) is not once


@given(st.lists(st.tuples(st.sampled_from("ridi"), st.integers(0, 40)), max_size=30))
def test_totals_are_ordered_whatever_happens(events):
    """Since drip <= since immersion <= over life, always; a drip never cleans."""
    start = at("2025-01-01 00:00")
    lines = ["2025-01-01 00:00  fitted  Copper  on Plover"]
    for kind, offset in events:
        when = f"{start + timedelta(hours=offset):%Y-%m-%d %H:%M}"
        fact = {"r": "rode 1 h on Plover wet", "d": "dripped Copper", "i": "immersed Copper"}[kind]
        lines.append(f"{when}  {fact}")
    ledger = ledger_of("\n".join(lines))
    last = 0.0
    for entry in history(ledger, COPPER, RULEBOOK).entries:
        assert entry.since_drip.grit_h <= entry.since_immersion.grit_h + 1e-9
        assert entry.since_immersion.grit_h <= entry.over_life.grit_h + 1e-9
        assert entry.over_life.grit_h >= last
        last = entry.over_life.grit_h


def test_a_ride_was_like_what_it_was_for_longer_than_three_minutes():
    for minutes, words in ((3.0, {Condition.DRY}), (3.1, {Condition.DRY, Condition.WET})):
        wet = hour(tag(1.0), 60.0 * minutes)
        ledger = ledger_of("2025-03-01 fitted Copper on Plover\n2025-03-04 10:00 rode 1 h on Plover dry\n")
        (one,) = ledger.rides
        assert likes(ledger, replace(one, hours=(*one.hours, wet)), RULEBOOK) == words, minutes


def test_what_is_not_known_of_an_hour_adds_nothing_and_a_word_stands_for_it():
    """Words as the rulebook has them: wet is all water; a word without water has no salt in it."""
    salted = replace(tag(0.1), salt=0.8)
    table = [
        (hour(salted), Condition.UNKNOWN, False, (1.0, 0.0, False)),
        (hour(None), None, False, (1.0, 0.0, False)),
        (hour(tag(None)), None, False, (1.0, 0.0, False)),
        (hour(tag(1.0)), None, True, (1.0, 0.0, True)),
        (hour(salted), Condition.WET, True, (3.0, 0.0, True)),
        (hour(None), Condition.WET, False, (3.0, 0.0, True)),
        (hour(salted), Condition.WET, False, (3.8, 0.8, True)),
        (hour(replace(tag(0.5), unpaved_water=None, mud=None, dust=None)), None, False, (2.0, 0.0, True)),
    ]
    for one, word, indoor, (weight, salt, known) in table:
        found = exposure(one, 0.0, word, WEIGHTS, indoor=indoor)
        assert (found.weight, found.salt, found.known) == (pytest.approx(weight), pytest.approx(salt), known)
        assert (found.grit_h, found.drive_h) == (pytest.approx(weight), 1.0)
    unpaved = hour(replace(tag(0.5), unpaved_water=None, mud=None, dust=None))
    assert exposure(unpaved, 1.0, None, WEIGHTS).water == 0.5
    assert exposure(hour(tag(1.0), 1800.0), 0.0, None, WEIGHTS).grit_h == pytest.approx(1.5)
