"""Which bike tomorrow: sums by hand, what speaks for another one, and when nothing is said."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from rules.rulebook import default_rulebook
from rules.tomorrow import Price, Tomorrow, tomorrow, typed_day, typed_weather
from rules.usual_day import usual_day
from rules.vocabulary import ChainId, HourAhead
from tests.rules.notation import at, ledger_of, tag

RULEBOOK = default_rulebook()
NOW = at("2025-06-20 20:00")
TOMORROW = at("2025-06-21 08:00")
HOUSE = """
    rider Ada
    bike Plover  of Ada
    bike Heron   of Ada
    chain Copper
    chain Galena  lube
    2025-06-01        fitted    Copper  on Plover
    2025-06-01 13:00  immersed  Copper
    2025-06-01        fitted    Galena  on Heron
    2025-06-01 13:00  cleaned   Galena
    2025-06-01 13:05  oiled     Galena
"""


def told(text, hours, *, drive_h=1.7, unpaved=0.0, usual="Plover", prices=None, now=NOW) -> Tomorrow | None:
    ledger = ledger_of(text)
    bike = next((one.id for one in ledger.bikes if one.name == usual), None)
    plan = typed_day(ledger.riders[0], TOMORROW, drive_h, unpaved, bike)
    ahead = typed_weather(hours, plan, RULEBOOK) if isinstance(hours, str) else hours
    return tomorrow(ledger, RULEBOOK, plan, ahead, now=now, prices=prices)


def ahead(chance, *, rain=0.6, dry=0.0, mud=0.0):
    ground = tag(rain, rain, mud), tag(dry, dry)
    return [HourAhead(TOMORROW + timedelta(hours=n), chance, *ground) for n in range(3)]


def test_the_cost_of_a_day_is_the_references_sum():
    # by hand: 1.7 h at w .6, price 40, life 320, cassette 120 among three: .525 a grit-hour
    prices = {ChainId(1): Price(40.0, 120.0, 320.0)}
    found = told(HOUSE, ahead(1.0), prices=prices)
    plover = next(one for one in found.choices if one.bike.name == "Plover")
    assert plover.grit_h == pytest.approx(3.74)
    assert plover.cost - plover.parts["wet"] == pytest.approx(1.9635)
    assert plover.parts["wet"] == pytest.approx(0.2 * 9.0)
    dry = next(one for one in told(HOUSE, ahead(0.0), prices=prices).choices if one.bike.name == "Plover")
    assert (dry.cost, dry.wet_chance) == (pytest.approx(0.8925), 0.0)
    # with mud .2 on ground that is all unpaved: 1.7 (1 + 1.2 + 1.0)
    muddy = told(HOUSE, ahead(1.0, mud=0.2), unpaved=1.0, prices=prices)
    assert next(one for one in muddy.choices if one.bike.name == "Plover").grit_h == pytest.approx(5.44)


def test_half_a_chance_is_half_way_between():
    wet, dry, half = (told(HOUSE, ahead(chance)).usual for chance in (1.0, 0.0, 0.5))
    assert half.grit_h == pytest.approx((wet.grit_h + dry.grit_h) / 2)
    assert (half.wet_chance, half.parts["wet"]) == (0.5, pytest.approx(0.9))


def test_rain_sends_the_oiled_bike_out_with_reason_and_runner_up():
    found = told(HOUSE, "rain")
    assert found.matters
    assert found.choices[0].bike.name == "Heron"
    assert found.sentence.startswith(
        "Saturday: Heron rather than Plover, for it is likely wet (100%), and the wax of Copper "
        "would want wiping and dripping the same evening; about "
    )
    assert "Next best: Plover, " in found.sentence
    assert found.brief.startswith(
        "Heron rather than Plover, for it is likely wet (100%), and the wax of Copper"
    )
    assert found.brief.endswith("the same evening. Next best: Plover.")
    assert told(HOUSE, [], usual="Heron").brief == "Heron as usual."


def test_a_dry_day_or_no_usual_bike_asks_for_nothing():
    dry = told(HOUSE, [])
    assert not dry.matters
    assert "Next best" in dry.sentence
    assert not told(HOUSE, "rain", usual="None of them").matters
    one = told(HOUSE.replace("fitted    Galena", "measured  Galena 0.1 caliper # "), "dust")
    assert (len(one.choices), one.matters, one.choices[0] is one.usual) == (1, False, True)
    assert one.sentence.startswith("Saturday: Plover as usual, about ")
    assert one.sentence.endswith("h of pedalling.")
    chance = told(HOUSE, ahead(0.4), usual="Heron")
    assert ", wet with a chance of 40%" in chance.sentence


def test_a_used_up_film_speaks_for_a_fresh_one():
    waxed = HOUSE.replace("chain Galena  lube", "chain Galena").replace(
        "cleaned   Galena", "immersed  Galena"
    )
    waxed = waxed.replace("2025-06-01 13:05  oiled     Galena", "")
    worn_film = waxed + "2025-06-10 06:00  rode  11.5 h  on Plover  dry\n"
    found = told(worn_film, "dust", drive_h=6.0)
    assert found.choices[0].bike.name == "Heron"
    assert (
        "for the film of Copper would be used up on the way, and take in dirt twice as fast" in found.sentence
    )


def test_a_dear_chain_stays_at_home_and_a_spare_may_go_on():
    waxed = HOUSE.replace("chain Galena  lube", "chain Galena").replace(
        "cleaned   Galena", "immersed  Galena"
    )
    waxed = waxed.replace("2025-06-01 13:05  oiled     Galena", "")
    prices = {ChainId(1): Price(400.0), ChainId(2): Price(20.0)}
    found = told(waxed, "salt", prices=prices)
    assert (found.choices[0].bike.name, found.matters) == ("Heron", True)
    assert "a grit-hour costs less on Galena than on Copper" in found.sentence
    spare = waxed.replace(
        "fitted    Galena  on Heron", "fitted  Galena  on Plover"
    )  # it was on Plover before
    spare = spare.replace("2025-06-01        fitted    Copper", "2025-06-02        fitted    Copper")
    swapped = told(spare, "salt", prices=prices)
    assert (swapped.choices[0].name, swapped.choices[0].swapped) == ("Plover with the chain Galena", True)
    assert swapped.choices[0].parts["swap"] == pytest.approx(0.8)


def test_only_bikes_that_can_be_taken_are_weighed():
    gone = ledger_of(HOUSE + "bike Curlew of Ada indoors\nbike Kite of Ada unpaved 0.9\n")
    (rider,) = gone.riders
    chains = {one.name: one for one in gone.bikes}
    plan = typed_day(rider, TOMORROW, 1.0, 0.0, chains["Plover"].id)
    gone = replace(
        gone, bikes=tuple(replace(b, until_at=NOW) if b.name == "Heron" else b for b in gone.bikes)
    )
    found = tomorrow(gone, RULEBOOK, plan, (), now=NOW)
    assert [one.bike.name for one in found.choices] == ["Plover"]
    worn = ledger_of(
        HOUSE + "2025-06-10  measured  Copper  over 0.75\n2025-06-10 measured Galena over 0.75\n"
    )
    assert tomorrow(worn, RULEBOOK, plan, (), now=NOW) is None
    others = ledger_of("rider Ben\n" + HOUSE)
    assert tomorrow(others, RULEBOOK, replace(plan, rider=others.riders[0], bike=None), (), now=NOW) is None


def test_hands_decide_where_nothing_else_does():
    # minutes a grit-hour: waxed 6/12 + 35/40, oiled 3/8 + 15/16
    found = told(HOUSE, "dust", drive_h=3.0, unpaved=0.3)
    assert not found.matters  # by a few cents
    assert "Heron rather than Plover, for Galena wants less of your hands after such a day" in found.sentence


def test_a_usual_day_is_the_mean_of_its_clock_hours():
    text = HOUSE + "".join(
        f"2025-06-{day:02} 06:30 rode 0.5 h on Plover dry\n2025-06-{day:02} 15:00 rode 0.75 h on Plover dry\n"
        for day in (3, 10, 17)
    )
    text += "2025-06-17 20:00  rode 0.05 h on Heron dry\n2025-06-11 20:00 rode 1 h on nothing dry\n"
    ledger = ledger_of(text)
    (rider,) = ledger.riders
    plan = usual_day(ledger, rider, date(2025, 6, 24), UTC, now=NOW)
    assert [(one.hour, pytest.approx(hours)) for one, hours in plan.hours] == [(6, 0.5), (15, 0.75)]
    assert (plan.bike, plan.unpaved_share, plan.drive_h) == (1, 0.0, pytest.approx(1.25))
    assert usual_day(ledger, rider, date(2025, 6, 25), UTC, now=NOW) is None  # a Wednesday
    short = ledger_of(
        "rider Ada\n"
        + "".join(f"2025-06-{d:02} 06:30 rode 0.05 h on nothing dry unpaved 0.5\n" for d in (3, 10, 17))
    )
    assert usual_day(short, short.riders[0], date(2025, 6, 24), UTC, now=NOW) is None
    nothing = ledger_of(
        "rider Ada\n"
        + "".join(f"2025-06-{d:02} 06:30 rode 1 h on nothing dry unpaved 0.5\n" for d in (3, 10, 17))
    )
    plan = usual_day(nothing, nothing.riders[0], date(2025, 6, 24), UTC, now=NOW)
    assert (plan.bike, plan.unpaved_share) == (None, 0.5)


def test_a_typed_ride_fills_clock_hours():
    (rider,) = ledger_of("rider Ada").riders
    plan = typed_day(rider, datetime(2025, 6, 21, 17, 30, tzinfo=UTC), 2.0, 0.0, None)
    assert [(one.hour, hours) for one, hours in plan.hours] == [(17, 0.5), (18, 1.0), (19, 0.5)]


def test_an_hour_is_wet_by_its_rain_or_without_it():
    soaked = HourAhead(TOMORROW, 0.3, tag(0.8), tag(0.6))
    assert soaked.wet_chance(0.45) == pytest.approx(1.0)
    assert HourAhead(TOMORROW, 0.3, tag(0.8), tag(0.1)).wet_chance(0.45) == pytest.approx(0.3)
    assert HourAhead(TOMORROW, 0.3, tag(None), tag(None)).wet_chance(0.45) == 0.0
