"""How sure a tag is: figures measured between real gauges, lowered by what is missing."""

from __future__ import annotations

from dataclasses import replace

import pytest

from ingest.ground.confidence import Witness, confidence, road_state, wetter_is_right
from ingest.ground.forcing import Forcing
from ingest.ground.road_salt import HOLDS_FROM_G_M2, HUMID_WITH_SALT_PCT
from ingest.ground.sentence import Lies
from ingest.ground.thresholds import FROZEN_FROM_MM
from ingest.ground.wetting_and_drying import FILM_MM

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


def sure(right: float, gauge: float) -> float:
    """A road is so with this chance, and the gauge right with that one: both are right, or both wrong."""
    return right * gauge + (1.0 - right) * (1.0 - gauge)


def test_every_kind_of_hour_is_as_sure_as_its_counts_say() -> None:
    """(wet + 1) / (hours + 2) of its state on the street, at most 0.97; the gauge's word by the airports."""
    wet, damp, dry = 265 / 323, 56 / 101, 1 - 13 / 1678
    table: list[tuple[dict[str, object], float, float]] = [
        ({}, 0.97, 0.99),
        ({"forced_before": after(1.0, *(0.0,) * 24)}, 0.97, 0.99),  # 25 hours before
        ({"forced_before": after(1.0, *(0.0,) * 23)}, 0.97, 0.985),
        ({"forced_before": after(1.0, *(0.0,) * 6)}, 0.97, 0.985),
        ({"forced_before": after(1.0, *(0.0,) * 5)}, 0.97, 0.85),
        ({"rain_next_mm": 0.1}, 0.97, 0.79),
        ({"water": 0.1}, damp, 0.84),
        ({"water": 0.1, "rain_next_mm": 0.1}, damp, 0.42),
        ({"water": 0.28}, wet, 0.84),
        ({"water": 0.27}, damp, 0.84),
        ({"water": 0.45}, wet, 0.69),  # no rain is remembered
        ({"water": 0.45, "forced_before": after(1.0)}, wet, 0.84),
        ({"water": 0.45, "forced_before": after(1.0, 0.0)}, wet, 0.82),
        ({"water": 0.45, "forced_before": after(1.0, 0.0, 0.0)}, wet, 0.76),
        ({"water": 0.45, "forced_before": after(1.0, 0.0, 0.0, 0.0)}, wet, 0.69),
        ({"water": 0.2, "rain_mm": 0.1}, damp, 0.60),
        ({"water": 0.5, "rain_mm": 0.253}, wet, 0.60),
        ({"water": 1.0, "rain_mm": 0.254}, 0.97, 0.50),
        ({"water": 1.0, "rain_mm": 0.254, "forced_before": after(1.0)}, 0.97, 0.83),
        ({"water": 1.0, "rain_mm": 0.254, "forced_before": after(1.0, 0.0)}, 0.97, 0.50),
        ({"water": 1.0, "rain_mm": 0.254, "rain_next_mm": 0.1}, 0.97, 0.83),
        ({"water": 1.0, "rain_mm": 9.0, "forced_before": after(1.0), "rain_next_mm": 0.1}, 0.97, 0.97),
        ({"water": 1.0, "rain_mm": 1.0, "lies": Lies(snowed_mm=0.9)}, wet, 0.50),  # 0.1 of it was rain
        ({"water": 0.5, "lies": Lies(frozen_quiet_mm=FROZEN_FROM_MM)}, wet, 0.69),
        ({"lies": Lies(frozen_quiet_mm=FROZEN_FROM_MM)}, 0.97, 0.99),
        ({"lies": Lies(humidity_pct=79.0)}, 0.97, 0.99),
        ({"lies": Lies(humidity_pct=80.0)}, 1 - 74 / 570, 0.99),
        ({"lies": Lies(humidity_pct=80.0, air_c=5.0)}, 1 - 74 / 570, 0.99),
        ({"lies": Lies(humidity_pct=80.0, air_c=4.9)}, 1 - 46 / 86, 0.99),
        ({"water": 1.0, "rain_mm": 1.0, "on_the_spot": True}, 0.97, 1.0),
        ({"water": 0.5, "lies": Lies(frozen_main_mm=1.0, salted_share=1.0)}, 0.97, 0.95),
        ({"water": 0.5, "lies": Lies(frozen_main_mm=1.0, frozen_quiet_mm=1.0, salted_share=0.5)}, 0.85, 0.95),
        ({"lies": Lies(frozen_main_mm=1.0, salted_share=1.0)}, 0.85, 0.95),
    ]
    assert dry > 0.97
    for change, right, gauge in table:
        assert confidence(replace(DRY_HOUR, **change)) == pytest.approx(sure(right, gauge)), change  # type: ignore[arg-type]


def test_salt_is_counted_by_what_share_of_the_way_has_it() -> None:
    """A gram on a square metre holds water, and from 60 % of humidity on it is mostly damp."""
    damp_with, humid, dry_air = 356 / 357, 262 / 386, 40 / 231
    salted = Lies(salt_g_m2=HOLDS_FROM_G_M2, salted_share=1.0, humidity_pct=HUMID_WITH_SALT_PCT)
    damp = {"water": 0.1, "lies": replace(salted, film_main_mm=0.1)}
    for change, not_dry in (
        (damp, min(0.97, damp_with)),
        ({"lies": salted}, 1 - humid),
        ({"lies": replace(salted, humidity_pct=HUMID_WITH_SALT_PCT - 1.0)}, 1 - dry_air),
        ({"lies": replace(salted, humidity_pct=None)}, 1 - dry_air),
        ({"water": 0.1, "lies": replace(salted, film_main_mm=FILM_MM)}, humid),
        ({"water": 0.5, "lies": salted}, min(0.97, 745 / 746)),
    ):
        assert confidence(replace(DRY_HOUR, **change)) == pytest.approx(sure(not_dry, 0.95)), change
    quarter = replace(DRY_HOUR, lies=replace(salted, salted_share=0.25))
    not_dry = 0.25 * humid + 0.75 * 13 / 1678
    assert confidence(quarter) == pytest.approx(sure(min(0.85, 1 - not_dry), 0.95))
    bare = replace(DRY_HOUR, lies=replace(salted, salt_g_m2=HOLDS_FROM_G_M2 - 0.1))
    assert confidence(bare) == confidence(DRY_HOUR)


def test_what_is_missing_takes_its_share_of_the_certainty() -> None:
    whole = confidence(DRY_HOUR)
    table: list[tuple[dict[str, object], float]] = [
        ({"gaps_matter": True}, whole),
        ({"gaps_matter": True, "forced_before": after(None, 0.0)}, whole * 0.99),
        ({"gaps_matter": True, "forced_before": after(None)}, whole * 0.99),
        ({"gaps_matter": True, "forced_before": after(None, None, 0.0)}, whole * 0.93**2),
        ({"gaps_matter": True, "forced_before": after(None, 0.0, None, 0.0, None, 0.0)}, whole * 0.99**3),
        ({"gaps_matter": True, "forced_before": (Forcing(None, 0.1), *DRY[1:])}, whole * 0.99),  # the first
        ({"preliminary": True}, 0.5 + 0.8 * (whole - 0.5)),
        ({"wetter_share": 0.51}, 0.51),
    ]
    for change, expected in table:
        assert confidence(replace(DRY_HOUR, **change)) == pytest.approx(expected), change  # type: ignore[arg-type]
    beside = replace(DRY_HOUR, forced_before=after(1.0, None, 0.0))
    assert confidence(replace(beside, gaps_matter=True)) == pytest.approx(
        0.6 * confidence(beside)
    )  # at worst
    damp = replace(DRY_HOUR, water=0.3)
    unknown = Forcing(0.0, None)
    for back, keeps in ((6, 0.8), (7, 1.0)):
        before = (*DRY[back:], unknown, *DRY[: back - 1])
        found = confidence(replace(damp, forced_before=before))
        assert found == pytest.approx(0.5 + keeps * (confidence(damp) - 0.5)), back
    for water in (0.0, 1.0):  # neither needs to have dried
        assert confidence(replace(DRY_HOUR, water=water, forced_before=(*DRY[1:], unknown))) == confidence(
            replace(DRY_HOUR, water=water)
        )
