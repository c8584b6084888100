"""What an hour on marched ground was like: each word and weight of it by ground that was made for it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from ingest.ground.cell_ground import CellGround
from ingest.ground.forcing import Forcing
from ingest.ground.hour_weights import WHOLE_HOUR, Look, look
from ingest.ground.paved_road import Road, Sky
from ingest.ground.thresholds import FROZEN_FROM_MM, SNOW_FROM_MM
from ingest.ground.topsoil import LOAM
from ingest.ground.unpaved_ground import start
from ingest.weather.hourly import Cell, HourlyWeather
from rules.vocabulary import RideHour, Tier

BEGIN = datetime(2025, 1, 1, tzinfo=UTC)
HERE = 200  # the hour that is looked at; the march begins long before
MILD = Sky(0.0, 0.0, 10.0, 50.0, 0.1, 0.0)
DRY_GROUND = start()._replace(depletion_mm=LOAM.total_evaporable_mm, topmost_mm=-4.0)
ICE = FROZEN_FROM_MM + 0.1
RIDE = RideHour(BEGIN, 3600.0, 20_000.0, 3600.0, 20 / 3.6, 46.0, 9.0, 0.0)


def looked(
    *,
    skies: dict[int, Sky | None] | None = None,
    every: Sky = MILD,
    main: dict[int, Road] | None = None,
    quiet: dict[int, Road] | None = None,
    ground: dict[int, object] | None = None,
    salted_share: float = 0.5,
    ridden: tuple[float, float] = WHOLE_HOUR,
) -> Look:
    """The look at HERE. skies: by hours before it, 0 = itself.  states: what hours left, 0 = it."""
    hours = range(HERE + 2)
    weather = tuple(
        HourlyWeather(Cell(46.0, 9.0), BEGIN + timedelta(hours=n), "local file", "x", Tier.FINAL, BEGIN,
                      0.0, 0.0, every.air_c, every.humidity_pct, 2.0, 0.0, None, 0.1)
        for n in hours
    )  # fmt: skip
    sky_at = {HERE - back: sky for back, sky in (skies or {}).items()}
    over = tuple(sky_at.get(n, every) for n in hours)
    forced = tuple(
        Forcing(None, None) if s is None else Forcing(s.rain_mm + s.snow_mm, s.et0_mm) for s in over
    )

    def states(told: dict[int, object] | None, usual: object) -> tuple[object, ...]:
        left = {HERE + 1 + after: one for after, one in (told or {}).items()}
        return tuple(left.get(n, usual) for n in range(HERE + 3))

    cell = CellGround(BEGIN, weather, forced, over, states(main, Road()), states(quiet, Road()),
                      states(ground, DRY_GROUND), LOAM)  # type: ignore[arg-type]  # fmt: skip
    return look(RIDE, cell, HERE, weather[HERE], salted_share, ridden, 4.8)


def test_a_roads_weight_is_that_of_the_film_it_had_on_average_on_each_kind_of_road() -> None:
    """A film of .05 to .6 mm is 0 to 1: half way between what lay before and after."""
    wet = {-1: Road(0.5), 0: Road(0.3)}
    film = (0.4 - 0.05) / 0.55
    assert looked(main=wet, salted_share=0.3).paved == pytest.approx(0.3 * film)
    assert looked(quiet=wet, salted_share=0.3).paved == pytest.approx(0.7 * film)
    assert looked(quiet=wet, salted_share=0.0, ridden=(0.5, 1.0)).paved == pytest.approx((0.35 - 0.05) / 0.55)
    # what dried within the hour: .3 mm at 1.2 times .5, gone after half of it
    drying = MILD._replace(et0_mm=0.5)
    gone = looked(quiet={-1: Road(0.3)}, skies={0: drying}, salted_share=0.0)
    assert gone.paved == pytest.approx((0.075 - 0.05) / 0.55)
    by_air = looked(quiet={-1: Road(0.3)}, skies={0: MILD._replace(carried_off_mm=0.6)}, salted_share=0.0)
    assert by_air.paved == pytest.approx(gone.paved)
    # with any rain it was not dried: evenly from .3 to nothing
    rained = looked(quiet={-1: Road(0.3)}, skies={0: drying._replace(rain_mm=0.1)}, salted_share=0.0)
    assert rained.paved == pytest.approx((0.15 - 0.05) / 0.55)
    assert looked(skies={0: MILD._replace(rain_mm=0.3)}).paved == 1.0
    for frozen_mm, film_mm, weight in (
        (ICE, 0.06, 0.45), (ICE, 0.05, 0.0), (FROZEN_FROM_MM, 0.06, 0.01 / 0.55), (ICE, 0.5, 0.45 / 0.55),
    ):  # fmt: skip
        slush = {-1: Road(film_mm, frozen_mm), 0: Road(film_mm, frozen_mm)}
        assert looked(quiet=slush, salted_share=0.0).paved == pytest.approx(weight), (frozen_mm, film_mm)


def test_salt_keeps_a_road_damp_in_humid_air_and_counts_by_what_there_is() -> None:
    humid = MILD._replace(humidity_pct=60.0)
    salted = {0: Road(0.0, 0.0, 1.0)}
    table = [
        (salted, humid, 0.045, 0.05),
        ({0: Road(0.0, 0.0, 0.99)}, humid, 0.0, 0.0),
        (salted, humid._replace(humidity_pct=59.0), 0.0, 0.0),
        (salted, humid._replace(humidity_pct=None), 0.0, 0.0),
        ({0: Road(0.0, 0.0, 10.0)}, humid, 0.045, 0.5),
        ({0: Road(0.0, 0.0, 30.0)}, humid, 0.045, 0.5),
    ]
    for main, every, paved, salt in table:
        found = looked(main=main, every=every)
        assert (found.paved, found.salt) == pytest.approx((paved, salt)), main
    wet = looked(main={-1: Road(0.6, 0.0, 5.0), 0: Road(0.6, 0.0, 5.0)})
    assert (wet.paved, wet.salt) == pytest.approx((0.5, 0.25))


def test_unpaved_ground_is_wet_by_its_loose_layer_frozen_hard_by_twelve_hours_and_white_under_snow() -> None:
    wet = {-1: DRY_GROUND._replace(loose_mm=0.5), 0: DRY_GROUND._replace(loose_mm=0.3)}
    assert looked(ground=wet).unpaved == pytest.approx(0.35 / 0.55)
    gone = looked(ground={-1: DRY_GROUND._replace(loose_mm=0.575)}, skies={0: MILD._replace(et0_mm=1.0)})
    assert gone.unpaved == pytest.approx((0.575 / 4 - 0.05) / 0.55)  # 1.15 an hour: half of it
    frost = MILD._replace(air_c=-1.1)
    for cold_h, air_c, is_hard in ((12, -1.1, True), (12, -1.0, False), (11, -1.1, False), (13, -1.1, True)):
        cold = {back: frost._replace(air_c=air_c) for back in range(cold_h)}
        found = looked(ground=wet, skies=cold)
        assert (found.unpaved == 0.0, found.lies.hard_ground) == (is_hard, is_hard), (cold_h, air_c)
    cold = dict.fromkeys(range(12), frost)
    raining = looked(ground=wet, skies=cold | {0: frost._replace(rain_mm=0.1)})
    assert raining.unpaved == pytest.approx(0.35 / 0.55)
    thin = {-1: DRY_GROUND._replace(loose_mm=0.05), 0: DRY_GROUND._replace(loose_mm=0.05)}
    assert not looked(ground=thin, skies=cold).lies.hard_ground
    for snow_mm, air_c, unpaved in ((0.6, 0.0, 1.0), (0.6, -0.1, 0.0), (SNOW_FROM_MM, 0.0, 0.35 / 0.55)):
        white = {after: one._replace(snow_mm=snow_mm) for after, one in wet.items()}
        found = looked(ground=white, skies={0: MILD._replace(air_c=air_c)})
        assert found.unpaved == pytest.approx(unpaved), (snow_mm, air_c)
    white = {0: DRY_GROUND._replace(snow_mm=0.6, loose_mm=0.3, topmost_mm=3.0)}
    found = looked(ground=white, skies=cold)
    assert (found.mud, found.dust, found.lies.hard_ground) == (0.0, 0.0, False)
    muddy = {0: DRY_GROUND._replace(topmost_mm=2.0)}
    assert looked(ground=muddy).mud > 0.0 == looked(ground=muddy).dust == looked(ground=muddy, skies=cold).mud
    assert looked().dust > 0.5


def test_what_lies_and_lay_is_told_by_its_hours() -> None:
    snowing = Sky(0.4, 0.5, -2.0, 90.0, 0.0, 0.0)
    ice = Road(0.0, ICE)
    rows = [
        ("snowed_mm", 0.5, looked(skies={0: snowing})),
        ("frozen_main_mm", ICE, looked(main={0: ice})),
        ("frozen_quiet_mm", ICE, looked(quiet={0: ice})),
        ("film_main_mm", 0.3, looked(main={-1: Road(0.3), 0: Road(0.1)})),
        ("film_main_mm", 0.4, looked(main={-1: Road(0.3), 0: Road(0.4)})),
        ("film_quiet_mm", 0.3, looked(quiet={-1: Road(0.3), 0: Road(0.1)})),
        ("film_quiet_mm", 0.4, looked(quiet={-1: Road(0.3), 0: Road(0.4)})),
        ("salt_g_m2", 4.0, looked(main={0: Road(0.0, 0.0, 4.0)})),
        ("salted_share", 0.25, looked(salted_share=0.25)),
        ("snow_mm", 2.0, looked(ground={0: DRY_GROUND._replace(snow_mm=2.0)})),
        ("air_c", 10.0, looked()),
        ("humidity_pct", 50.0, looked()),
        *(("snowed_h_ago", told, looked(skies={back: snowing})) for back, told in
          ((0, None), (1, 1), (30, 30), (167, 167), (168, None))),
        ("snowed_h_ago", 3, looked(skies={3: snowing, 5: snowing})),
        ("snowed_h_ago", None, looked(skies={3: snowing._replace(rain_mm=0.5)})),
        ("spell_snow_mm", 1.0, looked(skies={3: snowing, 4: snowing, 6: snowing})),
        ("spell_snow_mm", 0.5, looked(skies={1: snowing, 2: None, 3: snowing})),
        ("spell_snow_mm", 0.5, looked(skies={0: snowing, 48: snowing})),
        ("spell_snow_mm", 0.0, looked(skies={49: snowing})),
    ]  # fmt: skip
    for back, told in ((0, True), (48, True), (49, False)):
        rows.append(("melted", told, looked(quiet={-1 - back: ice})))
    rows.append(("melted", False, looked(quiet={0: ice, -3: Road(0.0, FROZEN_FROM_MM)})))
    for back, air_c, snow_mm, told in (
        (1, -0.1, 0.0, True), (48, -0.1, 0.0, True), (49, -0.1, 0.0, False), (0, -0.1, 0.0, False),
        (1, 0.0, 0.0, False), (1, -0.1, 0.2, False),
    ):  # fmt: skip
        fell = MILD._replace(rain_mm=0.2, air_c=air_c, snow_mm=snow_mm)
        rows.append(("glazed", told, looked(skies={back: fell})))
    cold = MILD._replace(air_c=-5.0)
    for back, air_c, snow_mm, told in (
        (1, 0.1, 0.6, True), (48, 0.1, 0.6, True), (49, 0.1, 0.6, False), (0, 0.1, 0.6, False),
        (1, 0.0, 0.6, False), (1, 0.1, 0.5, False),
    ):  # fmt: skip
        white = {-1 - back: DRY_GROUND._replace(snow_mm=snow_mm)}
        thaw = {back: MILD._replace(air_c=air_c)}
        rows.append(("melted_beside", told, looked(skies=thaw, every=cold, ground=white)))
    for name, expected, found in rows:
        assert getattr(found.lies, name) == expected, (name, expected)


def test_rain_on_frozen_ground_is_after_two_cold_days_in_air_that_freezes_what_is_wet() -> None:
    cold = MILD._replace(air_c=-1.5)
    for every, now, told in (
        (cold, cold._replace(rain_mm=0.5), True),
        (MILD._replace(air_c=-1.0), cold._replace(rain_mm=0.5, air_c=-1.0), False),
        (cold, cold._replace(rain_mm=0.5, air_c=2.0, humidity_pct=60.0), True),  # its wet bulb is under 0 °C
        (cold, cold._replace(rain_mm=0.5, air_c=2.0, humidity_pct=99.0), False),
        (cold, cold._replace(rain_mm=0.5, humidity_pct=None), False),
        (cold, cold._replace(rain_mm=0.5, snow_mm=0.5), False),
    ):
        assert looked(every=every, skies={0: now}).lies.rain_on_frozen_ground is told, now


def test_wet_hours_before_are_counted_back_to_the_first_that_was_not() -> None:
    wet = Road(0.3)  # .25 of .55: .4545
    table = [
        ({}, {}, 0),
        ({-1: wet}, {}, 1),
        ({-1: wet, -2: wet, -4: wet}, {}, 2),
        ({-2: wet}, {}, 0),
        ({-1: Road(0.29)}, {}, 0),
        ({}, {1: MILD._replace(rain_mm=0.3), 2: MILD._replace(rain_mm=0.3)}, 2),
        ({-1: wet}, {1: None}, 1),
        ({-1 - back: wet for back in range(60)}, {}, 48),
    ]
    for quiet, skies, hours in table:
        assert looked(quiet=quiet, skies=skies).wet_hours_before == hours, (quiet, skies)
    assert len(looked().forced) == 49


def test_hours_without_a_value_matter_where_rain_in_them_would_be_seen_now() -> None:
    assert not looked().gaps_matter
    assert looked(skies={1: None}).gaps_matter
    assert looked(skies={48: None}, every=MILD._replace(et0_mm=0.0)).gaps_matter
    assert not looked(skies={49: None}, every=MILD._replace(et0_mm=0.0)).gaps_matter
    assert not looked(skies={30: None}, every=MILD._replace(et0_mm=0.4)).gaps_matter
    soaked = {after: Road(0.6) for after in (-1, 0)}
    drenched = {after: DRY_GROUND._replace(loose_mm=1.8) for after in (-1, 0)}
    assert not looked(skies={1: None}, quiet=soaked, ground=drenched).gaps_matter
    assert looked(skies={1: None}, quiet=soaked).gaps_matter, "the unpaved ground would be wet"
    assert looked(skies={1: None}, ground=drenched).gaps_matter, "the road would be wet"
