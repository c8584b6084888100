"""Which bike tomorrow: sums by hand, what speaks for another one, and when nothing is said."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from rules.rulebook import default_rulebook
from rules.tomorrow import (
    Price,
    Tomorrow,
    _bikes,
    _spares,
    _worth_saying,
    tomorrow,
    typed_day,
    typed_weather,
)
from rules.usual_day import WEEKS, usual_day
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


def test_every_part_of_a_days_cost_is_a_sum_by_hand():
    """Wax: a drip of 6 min every 12 grit-hours, a bath of 35 every 40; lube: 3 every 8, 15 every 16.

    A minute is .2; a grit-hour beyond the film of 12 counts once more. Typed rain is all wet: 2 more an hour.
    """
    worn_film = HOUSE + "2025-06-10 06:00  rode  10 h  on Plover  dry\n"
    prices = {ChainId(1): Price(45.0, 90.0, 300.0)}  # (45 + 30) / 300 = .25 a grit-hour
    found = {one.bike.name: one for one in told(worn_film, [], drive_h=3.0, prices=prices).choices}
    plover, heron = found["Plover"], found["Heron"]
    beyond = 10.0 + 3.0 - 12.0
    assert plover.parts == pytest.approx({
        "wear": 3.0 * 0.25,
        "hands": 0.2 * (6.0 * 3.0 / 12.0 + 35.0 * 3.0 / 40.0),
        "film": beyond * 0.25 + 0.2 * 35.0 * beyond / 40.0,
        "wet": 0.0,
        "swap": 0.0,
    })  # fmt: skip
    assert heron.parts == pytest.approx({
        "wear": 0.0,
        "hands": 0.2 * (3.0 * 3.0 / 8.0 + 15.0 * 3.0 / 16.0),
        "film": 0.0,
        "wet": 0.0,
        "swap": 0.0,
    })  # fmt: skip
    wet = {one.bike.name: one for one in told(worn_film, "rain", drive_h=3.0, prices=prices).choices}
    assert wet["Plover"].grit_h == pytest.approx(3.0 * (1.0 + 2.0))
    assert (wet["Plover"].parts["wet"], wet["Heron"].parts["wet"]) == (pytest.approx(1.8), pytest.approx(0.6))
    used_up = HOUSE + "2025-06-10 06:00  rode  13 h  on Plover  dry\n"
    again = next(
        one for one in told(used_up, [], drive_h=2.0, prices=prices).choices if one.bike.name == "Plover"
    )
    assert again.parts["film"] == pytest.approx(2.0 * 0.25 + 0.2 * 35.0 * 2.0 / 40.0), "all of it is beyond"
    assert Price(30.0, 90.0).per_grit_h(0.5) == pytest.approx((30.0 + 30.0) / 450.0)
    assert Price(30.0, 90.0).per_grit_h(0.75) == pytest.approx((30.0 + 45.0) / 450.0)
    assert Price(30.0, 90.0).per_grit_h(1.0) == pytest.approx((30.0 + 90.0) / 450.0)


def test_half_an_hour_of_wet_pedalling_is_a_wet_evening_and_a_little_less_is_none():
    limit_h = RULEBOOK.limit("wet_ride").value
    for drive_h, chance in ((limit_h, 1.0), (limit_h - 0.01, 0.0)):
        assert told(HOUSE, ahead(1.0), drive_h=drive_h).usual.wet_chance == chance
    both = told(HOUSE, ahead(0.3, dry=0.6), drive_h=2.0).usual
    assert both.wet_chance == 1.0, "wet without rain too"
    assert [one.if_rain.salt for one in typed_weather("salt", told(HOUSE, []).plan, RULEBOOK)] == [1.0, 1.0]
    dust = typed_weather("dust", told(HOUSE, []).plan, RULEBOOK)[0].if_dry
    assert (dust.paved_water, dust.mud, dust.dust, dust.salt) == (0.0, 0.0, 1.0, 0.0)
    mud = typed_weather("rain", told(HOUSE, []).plan, RULEBOOK)[0].if_dry
    assert (mud.paved_water, mud.unpaved_water, mud.salt) == (1.0, 1.0, 0.0)


def test_what_is_worth_saying_is_a_unit_of_money_or_an_evening_likely_spared():
    base = told(HOUSE, []).usual
    lubed = told(HOUSE, [], usual="Heron").usual

    def worth(cheaper_by, wet_chance, best):
        best = replace(best, parts={"wear": base.cost - cheaper_by})
        return _worth_saying(replace(base, wet_chance=wet_chance), best)

    cost = round(base.cost, 3)
    base = replace(base, parts={"wear": cost})
    assert [worth(one, 0.0, base) for one in (1.0 + 1e-9, 0.99)] == [True, False]
    assert [worth(0.0, chance, lubed) for chance in (0.6, 0.59)] == [True, False]
    assert not worth(0.0, 1.0, base), "wax for wax spares no evening"


def test_bikes_and_spares_that_can_be_taken_stop_at_their_edges():
    rider, *_ = ledger_of(HOUSE).riders

    def bikes(text=HOUSE, unpaved=0.0, plan_bike=None, **changes):
        ledger = ledger_of(text)
        ledger = replace(
            ledger, bikes=tuple(replace(b, **changes) if b.name == "Heron" else b for b in ledger.bikes)
        )
        plan = typed_day(rider, TOMORROW, 1.0, unpaved, plan_bike)
        return [one.name for one in _bikes(ledger, plan, NOW)]

    second = timedelta(seconds=1)
    both, alone = ["Plover", "Heron"], ["Plover"]
    assert [bikes(from_at=at) for at in (NOW, NOW + second)] == [both, alone]
    assert [bikes(until_at=at) for at in (NOW + second, NOW)] == [both, alone]
    assert [bikes(unpaved_share=share) for share in (0.35, 0.36)] == [both, alone]
    assert bikes(unpaved_share=0.36, plan_bike=2) == both, "the usual one is taken wherever it goes"
    assert bikes(indoor=True) == alone
    bens = "rider Ada\nrider Ben\n" + HOUSE.replace("bike Heron   of Ada", "bike Heron of Ben")
    lent = "2025-{} 20:00 rode 1 h on Heron by Ada\n"
    weeks_ago = (NOW - timedelta(weeks=WEEKS)).strftime("%m-%d")
    day_before = (NOW - timedelta(weeks=WEEKS, days=1)).strftime("%m-%d")
    assert bikes(bens) == alone
    assert [bikes(bens + lent.format(day)) for day in (weeks_ago, day_before)] == [both, alone]
    assert bikes(bens + lent.format("06-10").replace("by Ada", "by Ben")) == alone, "its owner rode it"

    shelf = HOUSE + "2025-05-01 fitted Slate on Plover\n2025-05-09 removed Slate\n2025-05-10 immersed Slate\n"
    ledger = ledger_of(shelf)
    own, slate = (next(one for one in ledger.chains if one.name == name) for name in ("Copper", "Slate"))

    def spares(now=NOW, ledger=ledger, **changes):
        chains = tuple(replace(one, **changes) if one.name == "Slate" else one for one in ledger.chains)
        return [one.name for one in _spares(replace(ledger, chains=chains), own, ledger.bikes[0], now)]

    assert spares() == ["Slate"]
    assert [spares(retired_at=at) for at in (NOW + second, NOW)] == [["Slate"], []]
    immersed_at = at("2025-05-10")
    assert [spares(now=now) for now in (immersed_at, immersed_at - second)] == [["Slate"], []]
    assert spares(ledger=ledger_of(shelf + "2025-06-05 fitted Slate on Heron\n")) == []
    assert slate.id != own.id


def test_a_usual_day_is_of_three_days_in_the_last_weeks_and_of_five_minutes_an_hour():
    def plan(text, now=NOW, on=date(2025, 6, 24)):
        ledger = ledger_of("rider Ada\nbike Plover of Ada unpaved 0.2\nbike Heron of Ada\n" + text)
        return usual_day(ledger, ledger.riders[0], on, UTC, now=now)

    tuesdays = [f"2025-06-{day:02} 06:30 rode 0.25 h on Plover dry\n" for day in (3, 10, 17)]
    assert plan("".join(tuesdays)).unpaved_share == 0.2
    assert plan("".join(tuesdays[:2])) is None
    assert plan("".join(tuesdays), now=at("2025-06-17 06:30")) is not None
    assert plan("".join(tuesdays), now=at("2025-06-17 06:29")) is None
    first = at("2025-06-03 06:30") + timedelta(weeks=WEEKS)
    assert plan("".join(tuesdays), now=first) is not None
    assert plan("".join(tuesdays), now=first + timedelta(seconds=60)) is None
    assert plan("".join(tuesdays[:2]) + tuesdays[2].replace("dry", "dry indoors")) is None
    minutes = "".join(tuesdays).replace("0.25 h", "{} h")
    assert plan(minutes.format(*[300 / 3600] * 3)).drive_h == pytest.approx(300 / 3600)
    assert plan(minutes.format(*[299 / 3600] * 3)) is None
    twice = "".join(tuesdays[:2])
    on_heron = twice.replace("06:30", "09:30").replace("Plover", "Heron")
    even = plan(twice + on_heron + tuesdays[2].replace("Plover", "nothing"))
    assert even.bike == 1, "of two ridden alike the first"
