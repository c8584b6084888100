"""Everyday stories of care, in plain ledger text: what is asked for, offered, planned and counted."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from rules.care_due import due
from rules.overlapping_reminders import one_a_chain, spared
from rules.own_limits import in_force
from rules.reminder import RaisedReminder, ReminderKind, ReminderStep, Step
from rules.rulebook import default_rulebook
from rules.supplies import running_out, stands
from rules.tomorrow import tomorrow, typed_day, typed_weather
from rules.usual_day import usual_day
from rules.vocabulary import OwnLimits, OwnLimitsId, OwnValue, ReminderId, Supply, SupplyId, SupplyKind
from rules.wax_night import plan, ridden_tomorrow
from rules.wipe_tests import offers
from rules.year.another_way import another_way, taken_over
from tests.rules.notation import at, ledger_of

RULEBOOK = default_rulebook()


def asked(text, now, rulebook=RULEBOOK, standing=()):
    due_now = due(ledger_of(text), rulebook, now=at(now))
    return [(one.kind.value, one.headline) for one in one_a_chain(due_now, standing)]


SLEET = """
    rider Ines
    bike Plover  of Ines
    2025-01-05        fitted    Copper  on Plover
    2025-01-05 13:00  immersed  Copper
    2025-01-08 17:00  rode      1 h  on Plover  salty
"""


def test_1_sleet_on_a_salted_road_is_rinsed_tonight_whatever_the_rider_calls_it():
    (wet,) = due(ledger_of(SLEET), RULEBOOK, now=at("2025-01-08 18:30"))
    assert wet.kind is ReminderKind.WIPE_AND_DRIP
    assert "Rinse and dry it each salted or wet evening" in wet.sentence
    heavier = in_force(
        RULEBOOK,
        replace(ledger_of(SLEET), own_limits=(own(("bike", 1, "salt", 3.0)),)),
    )
    (salted,) = due(ledger_of(SLEET), heavier, now=at("2025-01-08 18:30"))
    assert salted.total == wet.total  # an hour is no wetter for its salt


def own(*limits):
    return OwnLimits(OwnLimitsId(1), at("2025-01-01"), tuple(OwnValue(*one) for one in limits))


HOLIDAY = """
    rider Ines
    2025-06-01        fitted    Copper  on Plover
    2025-06-01 13:00  immersed  Copper
    2025-06-02 06:00  rode      8 h   on Plover  dry
    2025-06-03 06:00  rode      8 h   on Plover  dry
    2025-06-04 06:00  rode      16 h  on Plover  dry
"""


def test_2_put_off_until_after_the_holiday_the_drip_is_wanted_after_all():
    now = at("2025-06-05")
    both = due(ledger_of(HOLIDAY), RULEBOOK, now=now)
    bath = next(one for one in both if one.kind is ReminderKind.IMMERSION)
    assert [one.kind for one in one_a_chain(both, ())] == [ReminderKind.IMMERSION]
    steps = (ReminderStep(Step.RAISED, now, "the round"), ReminderStep(Step.PUT_OFF, now, "Ines"))
    later = RaisedReminder(ReminderId(1), bath, steps)
    assert {one.kind for one in one_a_chain(both, [later])} == {ReminderKind.IMMERSION, ReminderKind.DRIP}
    assert spared(both, [later]) == {}


COMMUTE = """
    rider Ines
    bike Plover  of Ines
    bike Heron   of Ines
    chain Galena  lube
    2025-06-01        fitted    Copper  on Plover
    2025-06-01 13:00  immersed  Copper
    2025-06-01        fitted    Galena  on Heron
    2025-06-01 13:00  oiled     Galena
""" + "".join(
    f"2025-06-{day:02} {hour}  rode  0.4 h  on Plover  dry\n"
    for day in (10, 17, 24)
    for hour in ("06:30", "16:30")
)


def test_3_a_commuter_takes_the_oiled_bike_when_both_ways_are_wet():
    ledger, now = ledger_of(COMMUTE), at("2025-06-30 19:00")
    day = usual_day(ledger, ledger.riders[0], at("2025-07-01").date(), at("2025-07-01").tzinfo, now=now)
    assert [hour.hour for hour, _ in day.hours] == [6, 16]
    said = tomorrow(ledger, RULEBOOK, day, typed_weather("rain", day, RULEBOOK), now=now)
    assert said.matters
    assert said.sentence.startswith("Tuesday: Heron rather than Plover, for it is likely wet")
    dry = tomorrow(ledger, RULEBOOK, day, (), now=now)
    assert not dry.matters


def test_4_nothing_is_advised_on_a_day_nobody_usually_rides():
    ledger, now = ledger_of(COMMUTE), at("2025-06-30 19:00")
    assert usual_day(ledger, ledger.riders[0], at("2025-07-02").date(), now.tzinfo, now=now) is None
    assert ridden_tomorrow(ledger, now=now) == {1}
    assert ridden_tomorrow(ledger, now=now + timedelta(days=1)) == frozenset()


POT = """
    2025-05-01        fitted    Copper  on Plover
    2025-05-01        fitted    Slate   on Heron
    2025-05-02        immersed  Copper
    2025-05-02        immersed  Slate
    2025-05-03 06:00  rode      11 h  on Plover  dry
    2025-05-04        dripped   Copper
    2025-05-05 06:00  rode      11 h  on Plover  dry
    2025-05-06 06:00  rode      11 h  on Heron   dry
    2025-05-07        dripped   Slate
    2025-05-08 06:00  rode      12 h  on Heron   dry
"""


def test_5_the_last_of_the_bath_goes_to_the_chain_that_needs_it_more():
    bath = Supply(SupplyId(1), SupplyKind.BATH, 15.0, at("2025-05-09"))
    ledger = replace(ledger_of(POT), supplies=(bath,))
    evening = plan(ledger, RULEBOOK, now=at("2025-05-10"))
    assert [[one.name for one in dip] for dip in evening.batches] == [["Slate"]]
    assert [why for _, why in evening.left_out] == ["Copper has to wait: the bath is good for no more."]


def test_6_the_drip_bottle_is_told_before_it_is_empty():
    bottle = Supply(SupplyId(1), SupplyKind.DRIP_WAX, 20.0, at("2025-05-01"), "blue one", 6.0)
    ledger = replace(ledger_of(POT), supplies=(bottle,))
    said = running_out(stands(ledger, RULEBOOK, now=at("2025-05-10")))
    assert said == "Soon to be got: drip wax blue one (lasts until 29 May 2025)"


RAGS = "2025-05-01  fitted  Copper  on Plover\n" + "".join(
    f"2025-{month:02}-02        immersed  Copper\n"
    + "".join(
        f"2025-{month:02}-{day:02} 06:00  rode     10 h  on Plover  dry\n"
        f"2025-{month:02}-{day:02} 20:00  dripped  Copper\n"
        for day in (4, 6, 8, 10)
    )
    + f"2025-{month:02}-12        rubbed    Copper  1\n"
    for month in (5, 6, 7)
)


def test_7_three_clean_rags_offer_a_longer_wait_and_a_yes_makes_it_so():
    ledger, now = ledger_of(RAGS), at("2025-07-13")
    (offer,) = offers(ledger, RULEBOOK, now=now)
    assert (offer.key, offer.offered) == ("immersion", 50.0)
    agreed = replace(ledger, own_limits=(own(("bike", offer.bike.id, offer.key, offer.offered)),))
    kinds = {one.kind for one in due(ledger, RULEBOOK, now=now)}
    assert ReminderKind.IMMERSION in kinds
    kinds = {one.kind for one in due(agreed, in_force(RULEBOOK, agreed), now=now)}
    assert ReminderKind.IMMERSION not in kinds
    assert offers(agreed, in_force(RULEBOOK, agreed), now=now) == ()


YEAR = "2025-01-01  fitted  Copper  on Plover\n2025-01-01 13:00  immersed  Copper\n" + "".join(
    f"{at('2025-01-02') + timedelta(days=day):%Y-%m-%d} 06:00  rode  2 h  on Plover  dry\n"
    for day in range(200)
)


def test_8_a_year_with_a_longer_wait_for_the_pot_is_taken_over_and_undone_by_leaving_it_out():
    ledger, now = ledger_of(YEAR), at("2025-12-31")
    (year,) = another_way(ledger, RULEBOOK, now=now)
    limits, why = taken_over(year, "a longer wait for the pot", ledger, RULEBOOK, now=now)
    assert why == ""
    agreed = replace(ledger, own_limits=(OwnLimits(OwnLimitsId(1), now, limits),))
    (after,) = another_way(agreed, in_force(RULEBOOK, agreed), now=now)
    assert after.own.way.dirt_h == 60.0
    assert after.own.deeds["immersion"] < year.own.deeds["immersion"]
    assert in_force(RULEBOOK, replace(agreed, own_limits=())) is RULEBOOK


def test_9_a_lent_bike_goes_by_its_own_limit_whoever_rides_it():
    text = """
    rider Ines
    rider Bruno
    bike Plover  of Ines
    2025-06-01        fitted    Copper  on Plover
    2025-06-01 13:00  immersed  Copper
    2025-06-02 06:00  rode      7 h   on Plover  dry  by Bruno
    """
    ledger = replace(ledger_of(text), own_limits=(own(("bike", 1, "drip", 6.0), ("rider", 2, "drip", 16.0)),))
    (drip,) = due(ledger, in_force(RULEBOOK, ledger), now=at("2025-06-03"))
    assert (drip.kind, drip.limit, drip.rider) == (ReminderKind.DRIP, 6.0, 2)
    assert due(ledger, RULEBOOK, now=at("2025-06-03")) == ()


def test_10_dust_tomorrow_and_a_used_up_film_send_the_fresh_chain_out():
    text = """
    rider Ines
    bike Plover  of Ines  unpaved 0.8
    2025-05-01        fitted    Slate   on Plover
    2025-05-02        removed   Slate
    2025-05-03        immersed  Slate
    2025-06-01        fitted    Copper  on Plover
    2025-06-01 13:00  immersed  Copper
    2025-06-02 06:00  rode      11.5 h   on Plover  dry
    """
    ledger, now = ledger_of(text), at("2025-06-03 20:00")
    day = typed_day(ledger.riders[0], at("2025-06-04 08:00"), 4.0, 0.8, ledger.bikes[0].id)
    said = tomorrow(ledger, RULEBOOK, day, typed_weather("dust", day, RULEBOOK), now=now)
    assert said.choices[0].name == "Plover with the chain Slate"
    assert "for the film of Copper would be used up on the way" in said.sentence
