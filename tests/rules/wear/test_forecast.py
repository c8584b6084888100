"""The wear forecast: in hours and dates, from a household's own riding, and when to say nothing."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from rules import dates_and_numbers
from rules.contamination import history
from rules.rulebook import default_rulebook, parse_rulebook
from rules.vocabulary import ChainId
from rules.wear.chain_readings import MOST_CHAINS
from rules.wear.forecast import (
    Forecast,
    Measure,
    Refusal,
    _refused,
    chances_worn,
    forecast,
    lives_of,
    wear_points,
)
from rules.wear.future_riding import blocks_of
from rules.wear.learned_weights import learned_weights
from rules.wear.posterior import fit
from rules.wear.reading_arrays import measured
from tests.rules.notation import at, ledger_of

RULEBOOK = default_rulebook()
COPPER, SLATE = ChainId(1), ChainId(2)


def ridden(slope=0.0015, days=60, readings=6, chain="Copper", bike="Plover", start="2025-01-01", noise=()):
    """A chain ridden 3 h a day, measured by caliper at even spaces."""
    first = at(start)
    lines = [f"{first:%Y-%m-%d} 06:00  fitted  {chain}  on {bike}"]
    for number in range(1, days + 1):
        when = first + timedelta(days=number)
        lines.append(f"{when:%Y-%m-%d} 08:00  rode  3 h  on {bike}  dry")
        if readings and number % (days // readings) == 0:
            bump = noise[(number * readings) // days - 1] if noise else 0.0
            lines.append(f"{when:%Y-%m-%d} 20:00  measured  {chain}  {0.05 + slope * 3 * number + bump:.4f}")
    return "\n".join(lines) + "\n"


def test_a_forecast_in_hours_and_in_dates():
    now = at("2025-03-02 22:00")
    found = forecast(ledger_of(ridden()), RULEBOOK, COPPER, now=now)
    assert isinstance(found, Forecast)
    assert (found.x_now, found.readings, found.limit_pct) == (pytest.approx(180.0), 6, 0.5)
    assert found.left[0] < found.left[1] < found.left[2]
    assert found.life[1] == pytest.approx(300.0, rel=0.12)  # (0.5 - 0.05) / 0.0015 = 300 h in all
    assert found.life[1] - found.left[1] == pytest.approx(180.0)
    assert found.on is not None
    assert (found.on[1] - now) / timedelta(days=1) == pytest.approx(found.left[1] / 3.0, rel=1e-6)
    assert found.worn_now_pct[1] == pytest.approx(0.32, abs=0.02)
    assert found.chance_worn < 0.01
    assert found.rests_on == "6 readings of its own"
    assert found.sentence == (
        f"Copper reaches 0.5 % in about {found.left[1]:.0f} drive hours; "
        f"four times out of five in {found.left[0]:.0f} to {found.left[2]:.0f}."
    )


def test_what_is_drawn_now_lies_by_the_last_reading():
    # twenty-five chains of known wear: the model neither runs ahead of the caliper nor lags behind it
    gaps = []
    for number in range(25):
        slope = 0.0006 * 1.08**number
        found = forecast(
            ledger_of(ridden(slope=slope, readings=5)), RULEBOOK, COPPER, now=at("2025-03-02 22:00")
        )
        if isinstance(found, Forecast) and 0.05 + slope * 180 < 0.5:
            gaps.append(found.worn_now_pct[1] - (0.05 + slope * 180))
    assert len(gaps) > 12
    assert float(np.median(gaps)) == pytest.approx(0.0, abs=0.02)


def test_what_a_gauge_says_is_told_as_what_it_says():
    text = ridden(readings=0, days=100) + "2025-04-12  measured  Copper  over 0.5 under 0.75\n"
    found = forecast(ledger_of(text), RULEBOOK, COPPER, now=at("2025-04-13"))
    assert isinstance(found, Forecast)
    assert found.sentence == (
        "The 0.5 % step of the gauge dropped into Copper: it is at its limit of 0.5 % or past it."
    )


def test_a_chain_that_came_worn_is_called_worn():
    text = "2025-01-01  fitted  Copper  on Plover\n2025-01-01 13:00  measured  Copper  0.9\n"
    found = forecast(ledger_of(text), RULEBOOK, COPPER, now=at("2025-01-02"))
    assert isinstance(found, Forecast)
    assert found.left[1] == 0.0
    assert found.chance_worn > 0.95


@pytest.mark.parametrize(
    ("early_km", "ridden_km", "after"), [(900.0, 100.0, "400"), (900.0, 700.0, "150"), (300.0, 100.0, "200")]
)
def test_the_next_reading_is_asked_for_half_way_or_before_it_may_be_worn(early_km, ridden_km, after):
    chain = ledger_of(ridden(slope=0.0005, days=10, readings=2)).chain(COPPER)
    found = _refused(chain, (), (early_km, 1000.0, 3000.0), ridden_km, Measure.KILOMETRES, 0.1, False)
    assert found.wants == f"Another reading after about {after} more {Measure.KILOMETRES}."


def test_too_little_wear_is_refused_with_what_it_would_take():
    text = ridden(slope=0.0005, days=10, readings=2)
    found = forecast(ledger_of(text), RULEBOOK, COPPER, now=at("2025-01-11 22:00"))
    assert isinstance(found, Refusal)
    assert found.sentence.startswith("Not enough is known yet to say when Copper is worn: by its 2 readings ")
    assert re.search(r" anything from \d+ to \d+ drive hours of life is likely\.$", found.sentence)
    assert found.wants.startswith("Another reading after about ")
    assert "caliper" not in found.wants
    assert found.chance_worn < 0.2
    early, more = (int(re.search(r"(?:from|about) (\d+)", one)[1]) for one in (found.sentence, found.wants))
    assert 0 < more <= early - 30 + 1  # asked for before it may be worn; 30 h are ridden
    by_gauge = text.replace("0.0650", "under 0.25").replace("0.0575", "under 0.25")
    found = forecast(ledger_of(by_gauge), RULEBOOK, COPPER, now=at("2025-01-11 22:00"))
    assert isinstance(found, Refusal)
    assert found.wants.endswith("; a caliper says more than a gauge's steps.")


def test_the_wide_range_of_a_gauge_is_said_to_be_wide():
    text = ridden(readings=0, days=30)
    text += "2025-01-22 20:00  measured  Copper  under 0.25\n2025-01-31 20:00  measured  Copper  {}\n"
    now = at("2025-01-31 22:00")
    by_gauge = forecast(ledger_of(text.format("over 0.25 under 0.5")), RULEBOOK, COPPER, now=now)
    assert isinstance(by_gauge, Forecast)
    assert 3.0 < by_gauge.life[2] / by_gauge.life[0] <= 4.0  # by caliper it would be refused
    assert by_gauge.sentence.endswith(" Too wide to plan by: a caliper says more than a gauge's steps.")
    by_caliper = forecast(ledger_of(ridden()), RULEBOOK, COPPER, now=at("2025-03-02 22:00"))
    assert "Too wide" not in by_caliper.sentence
    at_limit = forecast(ledger_of(text.format("over 0.5 under 0.75")), RULEBOOK, COPPER, now=now)
    assert "Too wide" not in at_limit.sentence


def test_a_life_in_kilometres_is_the_same_life():
    found = {
        measure: forecast(ledger_of(ridden()), RULEBOOK, COPPER, now=at("2025-03-02 22:00"), measure=measure)
        for measure in Measure
    }
    by_hour, by_km = found[Measure.DRIVE_HOURS], found[Measure.KILOMETRES]
    assert isinstance(by_hour, Forecast)
    assert isinstance(by_km, Forecast)
    assert by_km.x_now == pytest.approx(180 * 25.0)
    assert by_km.life == pytest.approx([25.0 * one for one in by_hour.life], rel=1e-6)
    assert by_km.rate == pytest.approx([one / 25.0 for one in by_hour.rate], rel=1e-6)


def test_the_household_learns_from_its_own_chains():
    alone = forecast(ledger_of(ridden(readings=1, days=20)), RULEBOOK, COPPER, now=at("2025-01-21 22:00"))
    assert isinstance(alone, Refusal)  # one reading says too little
    others = "".join(
        ridden(chain=chain, bike="Plover", start=start, readings=5, days=95)
        for chain, start in (("Slate", "2024-01-01"), ("Tin", "2024-05-01"), ("Zinc", "2024-08-10"))
    )
    text = "chain Copper\n" + others + ridden(readings=1, days=20)
    known = forecast(ledger_of(text), RULEBOOK, COPPER, now=at("2025-01-21 22:00"))
    assert isinstance(known, Forecast)
    assert known.rests_on == "1 reading of its own, and those of 3 other chains of this household"
    assert known.life[1] == pytest.approx(300.0, rel=0.2)


def test_an_hour_without_weather_counts_as_an_average_one():
    # the same riding, every fourth hour's weather unknown: no drier than it was
    text = ridden().replace("dry", "wet")
    lines = [
        line.replace("wet", "unknown") if "rode" in line and number % 4 == 0 else line
        for number, line in enumerate(text.splitlines())
    ]
    hours = [
        measured(ledger_of(said), RULEBOOK, now=at("2025-03-03")).part_hours.sum(axis=0)
        for said in (text, "\n".join(lines))
    ]
    assert hours[1] == pytest.approx(hours[0])


def test_a_wet_way_ahead_wears_faster_than_a_dry_one():
    # the same chain and readings; the other chain of its bike was ridden wet since
    base = "chain Copper\n" + ridden(days=40, readings=4, bike="Plover")
    found = {}
    for word in ("dry", "wet"):
        ledger = ledger_of(base + ridden(chain="Slate", start="2025-03-01", readings=0).replace("dry", word))
        answer = forecast(ledger, RULEBOOK, COPPER, now=at("2025-06-01"))
        assert not isinstance(answer, Refusal) or answer.chain == COPPER
        lives = lives_of(
            ledger,
            RULEBOOK,
            ledger.chain(COPPER),
            fit(measured(ledger, RULEBOOK, now=at("2025-06-01"))),
            now=at("2025-06-01"),
        )
        found[word] = float(np.median(lives.drive_h))
    assert found["wet"] < 0.9 * found["dry"]


def test_what_a_chain_rode_on_another_bike_is_not_its_way_ahead():
    wet_elsewhere = ridden(days=40, readings=4, bike="Curlew").replace("dry", "wet")
    on_plover = (
        "2025-03-01  fitted  Copper  on Plover\n"
        + ridden(chain="Copper", bike="Plover", start="2025-03-01", days=45, readings=0).split("\n", 1)[1]
    )
    ledger = ledger_of("chain Copper\n" + wet_elsewhere + on_plover)
    weeks = blocks_of(ledger, RULEBOOK, ledger.chain(COPPER), at("2025-06-01"), (1.0,))
    assert weeks[:, 0].sum() > 100.0
    assert weeks[:, 1].sum() == 0.0  # water


def test_many_chains_are_heard_up_to_a_number_and_the_one_asked_about_is_among_them():
    text = "chain Copper\n" + "".join(
        ridden(chain=f"C{n}", bike=f"B{n}", days=12, readings=2) for n in range(MOST_CHAINS + 3)
    )
    ledger = ledger_of(text + ridden(bike="Plover"))
    everyone = measured(ledger, RULEBOOK, now=at("2025-06-01"))
    assert len(everyone.chains) == MOST_CHAINS
    assert COPPER not in everyone.chains
    with_it = measured(ledger, RULEBOOK, now=at("2025-06-01"), target=COPPER)
    assert COPPER in with_it.chains
    assert set(with_it.chains) | set(everyone.chains) == {one.id for one in ledger.chains}
    assert not set(with_it.chains) & set(everyone.chains)  # each lot is fitted once, whoever is asked about


def dry_and_wet():
    """A chain that was ridden in the dry, and one in the wet that wore three times as fast."""
    dry, wet = (
        ridden(chain=chain, bike=bike, slope=slope, readings=6).replace("dry", word)
        for chain, bike, slope, word in (
            ("Copper", "Plover", 0.0010, "dry"),
            ("Slate", "Plover", 0.0033, "wet"),
        )
    )
    return dry, wet.replace("2025-0", "2024-0")


def test_what_the_readings_say_of_the_weights():
    dry, wet = dry_and_wet()
    (water,) = learned_weights(ledger_of(dry + wet), RULEBOOK, now=at("2025-06-01"))
    assert (water.kind, water.assumed, water.moved) == ("water", 2.0, True)
    assert water.said[0] < water.said[1] < water.said[2]
    assert water.sentence.startswith("Water: 2 assumed; your readings say ")
    silent = learned_weights(ledger_of(wet.replace("Slate", "Copper")), RULEBOOK, now=at("2025-06-01"))
    assert silent[0].moved is False
    assert silent[0].sentence == "Water: 2 assumed; your readings say next to nothing of it."
    assert learned_weights(ledger_of(dry), RULEBOOK, now=at("2025-06-01")) == ()


def test_a_chain_past_its_limit_is_said_to_be_past_it():
    found = forecast(ledger_of(ridden(days=120)), RULEBOOK, COPPER, now=at("2025-05-10 22:00"))

    assert isinstance(found, Forecast)
    assert found.left[1] == 0.0
    assert found.chance_worn > 0.95
    assert found.sentence == (
        f"Copper is past 0.5 % by its readings, with a chance of {found.chance_worn:.0%}."
    )


def test_a_chain_at_rest_has_no_dates_and_a_slow_one_none_beyond_thirty_years():
    resting = forecast(ledger_of(ridden()), RULEBOOK, COPPER, now=at("2025-09-01"))
    assert isinstance(resting, Forecast)
    assert resting.on is None
    crawling = ledger_of(ridden() + "2025-08-31  rode  0.001 h  on Plover  dry")
    found = forecast(crawling, RULEBOOK, COPPER, now=at("2025-09-01"))
    assert isinstance(found, Forecast)
    assert found.on is not None
    assert max(found.on) <= at("2025-09-01") + timedelta(days=11_000)


@pytest.mark.parametrize(("slope", "worn"), [(0.0015, False), (0.004, True)])
def test_wear_may_yet_grow_faster_than_readings_could_show(monkeypatch, slope, worn):
    # the early end comes sooner, the late one stays; nothing moves for a chain that is worn
    ledger, now = ledger_of(ridden(slope=slope)), at("2025-03-02 22:00")
    found = fit(measured(ledger, RULEBOOK, now=now, target=COPPER))
    monkeypatch.setattr("rules.wear.forecast.LATE_SHARE", 0.0)
    never = lives_of(ledger, RULEBOOK, ledger.chain(COPPER), found, now=now)
    monkeypatch.undo()
    may = lives_of(ledger, RULEBOOK, ledger.chain(COPPER), found, now=now)
    assert np.array_equal(may.worn_now_pct, never.worn_now_pct)
    early, late = (np.quantile(may.drive_h, q) / np.quantile(never.drive_h, q) for q in (0.1, 0.9))
    assert early == pytest.approx(1.0) if worn else 0.85 < early < 0.98
    assert late == pytest.approx(1.0, abs=0.05)


def test_a_worn_chain_has_nothing_left():
    found = forecast(ledger_of(ridden(slope=0.004)), RULEBOOK, COPPER, now=at("2025-03-02 22:00"))
    assert isinstance(found, Forecast)
    assert found.left == (0.0, 0.0, 0.0)
    assert found.chance_worn > 0.99


def test_a_chain_never_measured_is_not_forecast():
    found = forecast(ledger_of(ridden(readings=0)), RULEBOOK, COPPER, now=at("2025-03-02 22:00"))
    assert found == Refusal(
        COPPER, "Copper was never measured.", "Take a reading when it is next clean.", 0.0
    )


def test_each_reading_stands_at_what_was_ridden_before_it():
    past = history(ledger_of(ridden(days=10, readings=2)), COPPER, RULEBOOK)
    assert [point.x for point in wear_points(past, Measure.DRIVE_HOURS)] == [15.0, 30.0]


def test_a_riders_own_limit_holds_for_the_forecast():
    book = parse_rulebook('[rider."Ada"]\nwear_narrow = 0.4', name="my.toml", base=RULEBOOK)
    found = forecast(ledger_of(ridden()), book, COPPER, now=at("2025-03-02 22:00"))
    assert isinstance(found, Forecast)
    assert found.limit_pct == 0.4
    off = ledger_of(ridden() + "2025-03-02 21:00  removed  Copper")
    found = forecast(off, book, COPPER, now=at("2025-03-02 22:00"))
    assert found.limit_pct == 0.4  # on the shelf it keeps what was set for its last bike and rider


def test_the_chance_that_fitted_chains_are_worn_now():
    text = ridden(slope=0.004) + ridden(slope=0.0005, chain="Slate", bike="Curlew") + "chain Tin\n"
    off = ridden(chain="Zinc", bike="Godwit") + "2025-03-02 21:00  removed  Zinc"
    found = chances_worn(ledger_of(text + off), RULEBOOK, now=at("2025-03-02 22:00"))
    assert set(found) == {COPPER, SLATE}
    assert found[COPPER] > 0.99
    assert found[SLATE] < 0.05


def test_a_weight_that_was_taken_over_is_said_and_offered_no_more():
    ledger = ledger_of("".join(dry_and_wet()))
    now = at("2025-06-01")
    (water,) = learned_weights(ledger, RULEBOOK, now=now)
    low, high = RULEBOOK.judgement("weight.water").low, RULEBOOK.judgement("weight.water").high
    assert water.offered == pytest.approx(min(max(water.said[1], low), high), abs=0.005)
    agreed = replace(RULEBOOK, overrides={("rider", "Ada"): {"water": water.offered}})
    (after,) = learned_weights(ledger, agreed, now=now)
    assert after.sentence.endswith(f" You reckon with {dates_and_numbers.number(water.offered, 2)}.")
    assert (after.sure, after.said) == (False, water.said)
    other = replace(RULEBOOK, overrides={("rider", "Ada"): {"water": 4.9}})
    (still,) = learned_weights(ledger, other, now=now)
    assert (still.sure, still.sentence.endswith(" You reckon with 4.9.")) == (water.sure, True)


def test_six_weeks_on_its_bike_tell_how_a_chain_will_be_ridden_and_less_is_told_by_all_it_did():
    def weeks_on_plover(rides):
        lines = ["2025-01-01 06:00  fitted  Copper  on Curlew", "2025-02-01 06:00  fitted  Copper  on Plover"]
        lines += [f"2025-01-{day:02d} 08:00  rode  4 h  on Curlew  dry" for day in range(2, 7)]
        lines += [f"2025-02-{day:02d} 08:00  rode  4 h  on Plover  dry" for day in range(2, 2 + rides)]
        return ledger_of("\n".join(lines))

    for rides, weeks in ((12, 6), (11, 8)):  # 48 h, six blocks of eight; 44 h, and 20 h on the other bike
        ledger = weeks_on_plover(rides)
        blocks = blocks_of(ledger, RULEBOOK, ledger.chain(COPPER), at("2025-03-01"), (1.0, 0, 0, 0, 0))
        assert len(blocks) == weeks
