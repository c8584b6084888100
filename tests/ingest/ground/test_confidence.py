"""How sure a tag is: figures measured between real gauges, lowered by what is missing."""

from __future__ import annotations

from dataclasses import replace

import pytest

from ingest.ground.confidence import Witness, confidence, road_state, wetter_is_right
from ingest.ground.sentence import Lies
from ingest.ground.water import Forcing

DRY = (Forcing(0.0, 0.1),) * 48
DRY_HOUR = Witness(0.0, 0.0, 0.0, DRY, gaps_matter=False, lies=Lies(), preliminary=False)


def after(*last):
    return (*DRY[len(last) :], *(Forcing(rain, 0.1) for rain in last))


def test_rain_on_both_sides_is_surer_than_on_one_and_on_one_than_on_none():
    alone = replace(DRY_HOUR, water=1.0, rain_mm=1.0)
    one = replace(alone, rain_next_mm=1.0)
    both = replace(one, forced_before=after(1.0))
    assert 0.5 <= confidence(alone) < confidence(one) < confidence(both) < 1


def test_a_drying_road_is_never_surer_than_published_models_are():
    # Denby et al. 2013, doi 10.1016/j.atmosenv.2013.09.003: wet or dry right in 85 % of hours
    for gone in range(1, 7):
        for water in (0.0, 0.3, 0.7):
            drying = replace(DRY_HOUR, water=water, forced_before=after(2.0, *(0.0,) * (gone - 1)))
            assert 0.5 < confidence(drying) <= 0.85


def test_a_road_still_wet_is_less_sure_the_longer_ago_it_rained():
    wet = replace(DRY_HOUR, water=0.7)
    by_hours = [confidence(replace(wet, forced_before=after(2.0, *(0.0,) * gone))) for gone in range(5)]
    assert by_hours[:4] == sorted(set(by_hours), reverse=True)
    assert by_hours[4] == by_hours[3]  # no airport tells hours past the third apart


def test_long_dry_is_surest_and_rain_an_hour_later_shakes_it():
    assert confidence(DRY_HOUR) == pytest.approx(0.960, abs=1e-3)
    assert confidence(replace(DRY_HOUR, rain_next_mm=2.0)) < 0.85
    assert confidence(replace(DRY_HOUR, rain_next_mm=None)) == confidence(DRY_HOUR)


def test_preliminary_pulls_towards_a_coins_toss():
    fresh = {"preliminary": True}
    assert 0.5 < confidence(replace(DRY_HOUR, **fresh)) < confidence(DRY_HOUR)
    shaky = replace(DRY_HOUR, water=0.1, rain_next_mm=2.0)  # more likely wrong than right
    assert confidence(shaky) < confidence(replace(shaky, **fresh)) < 0.5


def test_the_state_of_the_road_is_the_first_that_fits():
    salted = Lies(salt_g_m2=9.0, salted_share=1.0, humidity_pct=70.0)
    states = {
        "dry": {},
        "dry, humid air": {"lies": Lies(humidity_pct=80.0, air_c=12.0)},
        "dry, cold humid air": {"lies": Lies(humidity_pct=80.0, air_c=4.0)},
        "damp": {"water": 0.1},
        "wet": {"water": 0.5},
        "wet with salt": {"water": 0.5, "lies": salted},
        "rain": {"water": 1.0, "rain_mm": 1.0},
        "snow, ice or slush": {"lies": Lies(frozen_quiet_mm=1.0)},
        "damp with salt": {"water": 0.1, "lies": replace(salted, film_main_mm=0.1)},
        "salt, humid air": {"lies": salted},
        "salt, dry air": {"lies": replace(salted, humidity_pct=40.0)},
    }
    for state, change in states.items():
        assert road_state(replace(DRY_HOUR, **change)) == state


def test_on_roads_that_were_not_measured_winter_is_never_surer_than_published_models():
    slush = replace(
        DRY_HOUR, water=0.5, forced_before=after(2.0), lies=Lies(frozen_main_mm=1.0, salted_share=1.0)
    )
    elsewhere = replace(slush, lies=Lies(frozen_main_mm=1.0, salted_share=0.5))
    assert confidence(elsewhere) < confidence(slush)


def test_snow_that_is_frozen_dry_was_never_measured_and_is_capped():
    for share in (0.0, 0.5, 1.0):
        cold = Lies(frozen_quiet_mm=1.0, frozen_main_mm=1.0, salted_share=share)
        assert 0.8 < confidence(replace(DRY_HOUR, lies=cold)) < 0.85


def test_weather_of_the_riders_own_station_leaves_only_the_doubt_about_the_road():
    lone = replace(DRY_HOUR, water=1.0, rain_mm=1.0)
    assert confidence(lone) < 0.6 < 0.95 < confidence(replace(lone, on_the_spot=True))


def test_salt_that_may_or_may_not_be_there_counts_by_halves():
    salt = Lies(salt_g_m2=9.0, salted_share=1.0, humidity_pct=70.0)
    always, never = confidence(replace(DRY_HOUR, lies=salt)), confidence(DRY_HOUR)
    usually = confidence(replace(DRY_HOUR, lies=replace(salt, salted_share=0.5)))
    assert always < 0.4 < usually < 0.7 < never


def test_the_wetter_of_two_archives_is_never_passed_over():
    assert [wetter_is_right(rain) for rain in (0.0, 0.25, 0.5, 2.0, 5.0, 85.0)] == [
        0.5,
        0.36,
        0.49,
        0.51,
        0.46,
        0.27,
    ]


def test_gaps_count_only_where_they_matter_and_more_beside_rain():
    dry_gap = replace(DRY_HOUR, forced_before=after(None, 0.0))
    rain_gap = replace(DRY_HOUR, forced_before=after(2.0, None, 0.0))
    assert confidence(dry_gap) > 0.9
    assert (
        confidence(replace(rain_gap, gaps_matter=True))
        < confidence(replace(dry_gap, gaps_matter=True))
        < confidence(dry_gap)
    )


def test_many_gaps_leave_the_usual_odds():
    nothing = replace(DRY_HOUR, forced_before=(Forcing(None, None),) * 48, gaps_matter=True)
    assert 0.55 < confidence(nothing) < 0.65


def test_a_road_that_nothing_is_known_to_dry_is_less_sure():
    damp = replace(DRY_HOUR, water=0.3, forced_before=after(2.0, 0.0))
    undried = replace(damp, forced_before=(*damp.forced_before[:-1], Forcing(0.0, None)))
    assert confidence(undried) < confidence(damp)


def test_drizzle_is_hardly_better_than_a_coins_toss():
    assert 0.5 < confidence(replace(DRY_HOUR, rain_mm=0.2, water=0.2)) < 0.6


def test_a_disputed_word_is_as_sure_as_the_wetter_archive_was_at_the_airports_and_never_surer():
    wet = replace(DRY_HOUR, water=1.0, rain_mm=3.0, rain_next_mm=1.0, forced_before=after(1.0))
    assert confidence(wet) > 0.9
    assert confidence(replace(wet, wetter_share=0.46)) == 0.46
    unsure = replace(DRY_HOUR, rain_mm=0.2, water=0.2)
    assert confidence(replace(unsure, wetter_share=0.9)) == confidence(unsure) < 0.6
