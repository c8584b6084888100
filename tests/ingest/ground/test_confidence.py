"""How sure a tag is: figures measured between real gauges, lowered by what is missing."""

from __future__ import annotations

from dataclasses import replace

from ingest.ground.confidence import Witness, confidence
from ingest.ground.water import Forcing

DRY = (Forcing(0.0, 0.1),) * 48
DRY_HOUR = Witness(0.0, 0.0, 0.0, DRY, gaps_matter=False, frost=False, preliminary=False)


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


def test_long_dry_is_surest_and_rain_an_hour_later_shakes_it():
    assert confidence(DRY_HOUR) == 0.99
    assert confidence(replace(DRY_HOUR, rain_next_mm=2.0)) < 0.85
    assert confidence(replace(DRY_HOUR, rain_next_mm=None)) == 0.99


def test_preliminary_and_snow_pull_towards_a_coins_toss():
    for change in ({"preliminary": True}, {"frost": True}):
        assert 0.5 < confidence(replace(DRY_HOUR, **change)) < confidence(DRY_HOUR)
        shaky = replace(DRY_HOUR, water=0.2, rain_next_mm=2.0)  # more likely wrong than right
        assert confidence(shaky) < confidence(replace(shaky, **change)) < 0.5


def test_gaps_count_only_where_they_matter_and_more_beside_rain():
    dry_gap = replace(DRY_HOUR, forced_before=after(None, 0.0))
    rain_gap = replace(DRY_HOUR, forced_before=after(2.0, None, 0.0))
    assert confidence(dry_gap) == 0.99
    assert (
        confidence(replace(rain_gap, gaps_matter=True))
        < confidence(replace(dry_gap, gaps_matter=True))
        < 0.99
    )


def test_many_gaps_leave_the_usual_odds():
    nothing = replace(DRY_HOUR, forced_before=(Forcing(None, None),) * 48, gaps_matter=True)
    assert 0.55 < confidence(nothing) < 0.65


def test_a_road_that_nothing_is_known_to_dry_is_less_sure():
    damp = replace(DRY_HOUR, water=0.3, forced_before=after(2.0, 0.0))
    undried = replace(damp, forced_before=(*damp.forced_before[:-1], Forcing(0.0, None)))
    assert confidence(undried) < confidence(damp)


def test_drizzle_is_hardly_better_than_a_coins_toss():
    assert confidence(replace(DRY_HOUR, rain_mm=0.2, water=0.2)) == 0.6


def test_a_disputed_word_is_as_sure_as_it_was_at_the_airports_and_never_surer():
    wet = replace(DRY_HOUR, water=1.0, rain_mm=3.0, rain_next_mm=1.0, forced_before=after(1.0))
    assert confidence(replace(DRY_HOUR, disputed=True)) == 0.61
    assert confidence(replace(wet, disputed=True)) == 0.39
    assert confidence(wet) > 0.9
    unsure = replace(DRY_HOUR, rain_mm=0.2, water=0.2)
    assert confidence(replace(unsure, disputed=True)) == confidence(unsure) == 0.6
