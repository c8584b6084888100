"""What was fitted when, which ride belongs to which chain, and in which order things happened."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.ledger import END, FACT_ORDER, Fitted, Ledger, Reading, Removed, RiddenHour, WipeTest
from rules.vocabulary import (
    BikeId,
    Chain,
    ChainId,
    Fitting,
    FittingId,
    Regime,
    RideId,
    RiderId,
    Treatment,
    TreatmentKind,
    Trial,
    TrialId,
)
from tests.rules.notation import at, ledger_of

COPPER, SLATE = ChainId(1), ChainId(2)
PLOVER, CURLEW = BikeId(1), BikeId(2)


def test_a_ride_belongs_to_the_chain_fitted_at_its_start():
    ledger = ledger_of("""
        2025-03-01 08:00  fitted  Copper  on Plover
        2025-03-02 08:00  rode    1 h     on Plover  dry
        2025-03-03 09:00  removed Copper
        2025-03-03 09:00  fitted  Slate   on Plover
        2025-03-03 08:30  rode    2 h     on Plover  dry   # the swap is dated into this ride
        2025-03-04 08:00  rode    1 h     on Plover  dry
    """)
    assert [ride.id for ride in ledger.rides_of(COPPER)] == [1, 2]
    assert [ride.id for ride in ledger.rides_of(SLATE)] == [3]
    assert ledger.chain_on(PLOVER, at("2025-03-03 08:59")) == ledger.chain(COPPER)
    assert ledger.chain_on(PLOVER, at("2025-03-03 09:00")) == ledger.chain(SLATE)
    assert ledger.chain_on(PLOVER, at("2025-02-01")) is None


def test_a_ride_before_any_fitting_or_on_no_bike_belongs_to_no_chain():
    ledger = ledger_of("""
        2025-02-01  rode    1 h     on Plover   dry
        2025-02-02  rode    1 h     on nothing  dry
        2025-03-01  fitted  Copper  on Plover
    """)
    assert ledger.rides_of(COPPER) == ()
    assert [ledger.chain_of(ride) for ride in ledger.rides] == [None, None]


def test_a_chain_that_went_to_another_bike_left_the_first_one():
    ledger = ledger_of("""
        2025-03-01  fitted  Copper  on Plover
        2025-03-10  fitted  Copper  on Curlew
        2025-03-11  rode    1 h     on Plover  dry
        2025-03-11  rode    1 h     on Curlew  dry
    """)
    assert [ride.id for ride in ledger.rides_of(COPPER)] == [2]
    assert ledger.fitting_of(COPPER, at("2025-03-05")).bike == PLOVER
    assert ledger.fitting_of(COPPER, at("2025-03-12")).bike == CURLEW
    (trouble,) = ledger.troubles()
    assert (trouble.chain, trouble.bike) == (COPPER, CURLEW)
    assert trouble.sentence == (
        "Copper was fitted to Curlew on 2025-03-10 while still noted on Plover: say when it came off Plover."
    )


def test_a_chain_whose_place_was_taken_is_off_the_bike_and_stays_off():
    ledger = ledger_of("""
        2025-03-01  fitted   Copper  on Plover
        2025-03-10  fitted   Slate   on Plover
        2025-03-20  removed  Slate
    """)
    assert ledger.fitting_of(COPPER, at("2025-03-15")) is None
    assert ledger.chain_on(PLOVER, at("2025-03-21")) is None
    (trouble,) = ledger.troubles()
    assert trouble.sentence == (
        "Slate was fitted to Plover on 2025-03-10 with Copper still on it: "
        "Slate counts from then on; say when Copper came off."
    )


def test_fittings_that_follow_each_other_are_no_trouble():
    ledger = ledger_of("""
        2025-03-01  fitted   Copper  on Plover
        2025-03-10  removed  Copper
        2025-03-10  fitted   Copper  on Plover
        2025-03-20  removed  Copper
        2025-03-20  fitted   Slate   on Plover
        2025-03-25  fitted   Slate   on Plover
    """)
    assert ledger.troubles() == ()


def test_facts_of_one_instant_come_in_the_stated_order():
    ledger = ledger_of("""
        2025-03-01 07:00  fitted    Copper  on Plover
        2025-03-05 08:00  rode      1 h     on Plover  dry
        2025-03-05 08:00  fitted    Copper  on Plover
        2025-03-05 08:00  oiled     Copper
        2025-03-05 08:00  dripped   Copper
        2025-03-05 08:00  immersed  Copper
        2025-03-05 08:00  wiped     Copper
        2025-03-05 08:00  measured  Copper  0.1
        2025-03-05 08:00  rubbed    Copper  2
    """)
    moved = replace(ledger.fittings[0], removed_at=at("2025-03-05 08:00"))
    ledger = replace(ledger, fittings=(moved, *ledger.fittings[1:]))
    facts = [dated.fact for dated in ledger.facts_of(COPPER)]
    kinds = [fact.kind for fact in facts if isinstance(fact, Treatment)]
    assert [type(fact) for fact in facts] == [
        *(Fitted, Removed, WipeTest, Reading, Treatment, Treatment, Treatment, Treatment, Fitted, RiddenHour)
    ]
    assert kinds == [TreatmentKind.WIPE, TreatmentKind.IMMERSION, TreatmentKind.DRIP, TreatmentKind.OIL]
    assert {type(fact) for fact in facts} == {fact_type for fact_type, _ in FACT_ORDER}


def test_the_order_does_not_depend_on_the_order_of_entry():
    ledger = ledger_of("""
        2025-03-01 07:00  fitted    Copper  on Plover
        2025-03-05 08:00  rode      3 h     on Plover  dry
        2025-03-05 08:00  rode      2 h     on Plover  wet
        2025-03-05 09:00  dripped   Copper
        2025-03-05 09:00  immersed  Copper
    """)
    turned = Ledger(
        riders=ledger.riders,
        bikes=ledger.bikes,
        chains=ledger.chains,
        fittings=ledger.fittings,
        rides=ledger.rides[::-1],
        treatments=ledger.treatments[::-1],
    )
    assert turned.facts_of(COPPER) == ledger.facts_of(COPPER)


def test_an_hour_that_began_before_a_treatment_comes_before_it():
    ledger = ledger_of("""
        2025-03-01        fitted   Copper  on Plover
        2025-03-05 08:40  rode     3 h     on Plover  dry
        2025-03-05 08:20  dripped  Copper   # in the clock hour of the start, but before the ride
        2025-03-05 10:10  dripped  Copper
    """)
    order = [
        fact.number if isinstance(fact, RiddenHour) else type(fact).__name__
        for _, fact in ledger.facts_of(COPPER)
    ]
    assert order == ["Fitted", "Treatment", 1, 2, 3, "Treatment", 4]


def test_a_ridden_hour_ends_with_the_clock_or_with_the_ride():
    ledger = ledger_of("""
        2025-03-01        fitted   Copper  on Plover
        2025-03-05 08:40  rode     1 h     on Plover  dry
    """)
    first, second = (dated.fact for dated in ledger.facts_of(COPPER)[1:])
    assert first.ends_at == at("2025-03-05 09:00")
    assert second.ends_at == at("2025-03-05 09:40")


def test_a_changed_ledger_works_everything_out_again():
    ledger = ledger_of("""
        2025-03-01  fitted  Copper  on Plover
        2025-03-01  fitted  Slate   on Curlew
        2025-03-02  rode    1 h     on Plover  dry
    """)
    assert len(ledger.facts_of(COPPER)) == 2
    moved = replace(ledger, rides=(replace(ledger.rides[0], bike=CURLEW),))
    assert len(moved.facts_of(COPPER)) == 1
    assert len(moved.facts_of(SLATE)) == 2
    assert not moved.same_for(COPPER, ledger)
    assert replace(ledger).same_for(COPPER, ledger)


def test_facts_can_be_asked_for_by_kind_and_by_id():
    ledger = ledger_of("""
        2025-03-01  fitted    Copper  on Plover
        2025-03-02  rode      1 h     on Plover  dry
        2025-03-03  dripped   Copper
        2025-03-04  measured  Copper  over 0.25 under 0.5
        2025-03-05  rubbed    Copper  3
    """)
    assert [treatment.id for treatment in ledger.treatments_of(COPPER)] == [1]
    assert [reading.over_pct for reading in ledger.readings_of(COPPER)] == [0.25]
    assert ledger.rider(RiderId(1)).name == "Ada"
    assert ledger.bike(PLOVER).name == "Plover"
    assert ledger.ride(RideId(1)) is ledger.rides[0]
    assert ledger.ride(RideId(99)) is None
    assert [ride.id for ride in ledger.rides_on(PLOVER)] == [1]
    with pytest.raises(KeyError):
        ledger.chain(ChainId(99))


def test_a_question_offers_the_riders_own_bikes_first_and_only_those_that_were_here():
    ledger = ledger_of("""
        rider Ada
        rider Bo
        bike Plover
        bike Curlew
        2025-03-02  rode  1 h  on Plover
    """)
    own = replace(ledger.bikes[1], owner=ledger.rides[0].rider)
    theirs = replace(ledger.bikes[0], owner=RiderId(99))
    ledger = replace(ledger, bikes=(theirs, own))
    assert ledger.may_have_been(ledger.rides[0]) == (own, theirs)
    sold = replace(own, until_at=at("2025-03-01"))
    assert replace(ledger, bikes=(theirs, sold)).bikes_here(at("2025-03-02")) == (theirs,)


def test_a_bike_is_unworn_from_the_end_of_a_fitting_to_the_next_one():
    ledger = ledger_of("""
        2025-03-01  fitted  Copper  on Plover
        2025-03-05  removed Copper
        2025-03-07  fitted  Slate   on Plover
        2025-03-09  fitted  Copper  on Plover
        2025-03-12  fitted  Copper  on Curlew
    """)
    assert ledger.unworn() == (
        (PLOVER, at("2025-03-05"), at("2025-03-07")),
        (PLOVER, at("2025-03-12"), END),
    )


def test_chains_in_use_are_those_on_a_bike_on_the_shelf_or_in_a_trial():
    names = ("Copper", "Slate", "Tin", "Zinc", "Iron", "Lead")
    copper, slate, tin, zinc, iron, lead = (
        Chain(ChainId(n), name, Regime.WAXED) for n, name in enumerate(names, start=1)
    )
    gone = at("2025-03-01")
    ledger = Ledger(
        chains=(
            copper,
            replace(slate, retired_at=at("2025-06-01")),
            replace(tin, retired_at=gone),
            replace(zinc, retired_at=gone),
            replace(iron, retired_at=gone),
            replace(lead, retired_at=gone),
        ),
        fittings=(Fitting(FittingId(1), tin.id, PLOVER, at("2025-02-01")),),
        trials=(
            Trial(TrialId(1), PLOVER, zinc.id, slate.id, gone, 300, 1),
            Trial(TrialId(2), PLOVER, lead.id, slate.id, gone, 300, 1, ended_at=gone),
        ),
    )
    assert ledger.in_use(at("2025-05-01")) == {copper.id, slate.id, tin.id, zinc.id}
    assert slate.id in ledger.in_use(at("2025-07-01"))  # its trial is open
    assert Ledger().in_use(gone) == frozenset()


def test_two_looks_at_a_household_hold_what_both_hold():
    whole = ledger_of("""
        2025-03-01  fitted  Copper  on Plover
        2025-03-02  rode    1 h     on Plover  dry
        2025-03-03  rode    2 h     on Plover  dry
        2025-03-04  dripped Copper
    """)
    little, more = replace(whole, rides=whole.rides[:1]), replace(whole, rides=whole.rides, treatments=())
    assert little.joined(more) == more.joined(little) == whole
