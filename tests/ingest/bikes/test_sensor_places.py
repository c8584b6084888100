"""Where a sensor sits, by the rides on which it was heard and by those on which it was not."""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection
from dataclasses import replace

import numpy as np
import pytest

from ingest.bikes.sensor_places import MOVES_EVERY_D, SensorPlaces, bounded_silence
from rules.vocabulary import Sensor, SensorId
from tests.ingest.bikes.made_rides import LARK, PLOVER, WHEATEAR, bike, heard, ride

TWO = (bike(PLOVER, "Plover"), bike(WHEATEAR, "Wheatear"))


def said(heard_on: Collection[int], rides: int) -> np.ndarray:
    """What a sensor says of a ride a day, all known to be on Plover: for Plover, for Wheatear. [ln]"""
    made = [
        ride(day, sensors=heard("serial 71") if day in heard_on else (), channels="power")
        for day in range(rides)
    ]
    places = SensorPlaces(made, TWO, (), np.arange(float(rides)), ())
    known = np.zeros((rides, 1, 2))
    known[:, :, 0] = 1.0
    return places.messages(known)[:, 0]


def test_a_sensor_that_is_silent_again_and_again_has_died_and_its_silence_says_nothing():
    says = said(range(10), 40)

    assert says[5, 0] > 3
    assert says[10, 0] < -0.2  # the first silence may as well be another bike
    assert says[35, 0] > -0.05
    assert -0.9 < says[35, 1] < -0.1  # it may have been moved there, and works: a silence there would tell


def test_one_silence_between_two_rides_that_heard_it_speaks_against_its_bike():
    assert said(range(20), 20)[9, 0] > 3
    assert said(set(range(20)) - {9}, 20)[9, 0] < -1


@pytest.mark.parametrize("bikes", [2, 3])
def test_a_sensor_is_moved_every_so_many_days_to_any_other_bike_alike(bikes):
    owned = [bike(number, f"Bike {number}") for number in range(1, bikes + 1)]
    rides = [ride(day, sensors=heard("serial 71"), channels="power") for day in (0, 4)]
    places = SensorPlaces(rides, owned, (), np.array([0.0, 4.0]), ())

    _, after_four_days = places._what_gaps_change(MOVES_EVERY_D)
    on_first = after_four_days.reshape(bikes, 2, bikes, 2)[0, 0].sum(axis=1)

    assert on_first.sum() == pytest.approx(1.0)
    assert on_first[1:] == pytest.approx(4.0 / MOVES_EVERY_D / (bikes - 1), rel=0.01)


def by_every_way(
    was_heard: list[bool | None],
    known: np.ndarray,
    gap_d: list[float],
    *,
    every_d: float,
    entered: list[bool],
) -> list[list[float]]:
    """What a sensor says of each ride by all the others: every way it may have gone, one after another.

    was_heard: None = that ride could not tell.  entered: of each ride, whether a rider said that the sensor
    sits on the second bike; from the first of these on.  A way: at each ride a bike, and whether it works.
    Its chance is that of each step times that of what the other rides heard.
    """
    stray = [0.003 if one else 0.012 for one in entered]
    sits = np.zeros((len(known), 2))
    whole = np.zeros(len(known))
    for way in itertools.product([(0, True), (0, False), (1, True), (1, False)], repeat=len(known)):
        chance = (0.9 if way[0][1] else 0.1) / 2
        heard_so = []
        for i, (on, works) in enumerate(way):
            if entered[i] and True not in entered[:i]:
                chance *= 0.003 / 4 + (0.997 if on == 1 and works else 0.0)
            elif i:
                moved = 1.0 - math.exp(-gap_d[i] / (every_d * 0.5))
                chance *= moved / 2 + (1.0 - moved if on == way[i - 1][0] else 0.0)
                # dead 25 days after every 400, in the long run; what was is forgotten at both rates
                forgotten = 1.0 - math.exp(-gap_d[i] * (1 / 400 + 1 / 25))
                dead = forgotten * 25 / 425 + (0.0 if way[i - 1][1] else 1.0 - forgotten)
                chance *= 1.0 - dead if works else dead
            hears = stray[i] + (0.9 - stray[i]) * known[i, on] * works
            heard_so.append({None: 1.0, True: hears, False: 1.0 - hears}[was_heard[i]])
        for i, (on, works) in enumerate(way):
            by_others = chance * math.prod(heard_so) / heard_so[i]
            whole[i] += by_others
            sits[i, on] += by_others * works
    says = []
    for one, places, out_of, off in zip(was_heard, sits, whole, stray, strict=True):
        gain = 0.9 - off
        loud = [math.log(1 + gain / off * at / out_of) for at in places]
        silent = [max(math.log(1 - gain / (1 - off) * at / out_of), -1.5) for at in places]
        says.append({None: [0.0, 0.0], True: loud, False: silent}[one])
    return says


@pytest.mark.parametrize(
    ("kind", "every_d", "from_ride", "until_ride"),
    [("power meter", 800.0, None, None), ("light", 60.0, None, None), ("other", 60.0, 2, 4)],
)
def test_what_a_sensor_says_is_what_all_the_ways_it_may_have_gone_say(kind, every_d, from_ride, until_ride):
    days = [0.0, 3.0, 45.0, 46.0, 90.0]
    known = np.array([[0.9, 0.1], [0.2, 0.7], [0.5, 0.5], [0.9, 0.05], [0.1, 0.9]])
    was_heard = [True, False, None, True, False]
    told = {True: {"sensors": heard("serial 71", kind=kind)}, False: {}, None: {}}
    rides = [
        ride(day, channels=None if one is None else "power", **told[one])
        for day, one in zip(days, was_heard, strict=True)
    ]
    spans, entered = [], [False] * 5
    if from_ride is not None:
        span = rides[from_ride].started_at, rides[until_ride].started_at
        spans = [Sensor(SensorId(1), kind, "serial 71", WHEATEAR, *span)]
        entered[from_ride:until_ride] = [True] * (until_ride - from_ride)
    places = SensorPlaces(rides, TWO, spans, np.array(days), ())

    expected = by_every_way(
        was_heard, known, np.diff(days, prepend=0.0).tolist(), every_d=every_d, entered=entered
    )

    assert places.messages(known[:, None, :])[:, 0] == pytest.approx(np.array(expected))
    assert places.vouched.tolist() == [
        heard_it is True and said for heard_it, said in zip(was_heard, entered, strict=True)
    ]


def test_which_rides_heard_a_sensor_and_which_could_have():
    """Named on a ride that it did not measure, a power meter stood near; unless most of its files are so."""
    power, cadence = heard("serial 71"), heard("serial 72", kind="cadence")
    rides = [ride(day, sensors=(*power, *cadence), channels="cadence and power") for day in range(4)]
    rides += [ride(4, sensors=(*power, *cadence), channels="cadence"), ride(5, channels="no sensor"), ride(6)]
    rides += [ride(day, sensors=cadence, channels="power") for day in range(7, 9)]
    a_fifth = SensorPlaces(rides, TWO, (), np.arange(9.0), [5])
    assert a_fifth.heard[:, 0].tolist() == [True] * 5 + [False] * 4
    assert a_fifth.heard[:, 1].tolist() == [True] * 5 + [False, False, True, True]

    rides[8] = replace(rides[8], sensors=(*power, *cadence))
    places = SensorPlaces(rides, TWO, (), np.arange(9.0), [5])

    assert places.names == ("serial 71", "serial 72")
    assert places.heard[:, 0].tolist() == [True] * 4 + [False] * 4 + [True]
    assert places.hears.tolist() == [True] * 6 + [False, True, True]
    assert places.in_company[:, 0].tolist() == [True] * 4 + [False] * 4 + [True]
    says = places.messages(np.full((9, 2, 2), 0.5))
    assert says[6].tolist() == [[0, 0], [0, 0]]
    assert (says[5] < 0).all(), "a silence that a rider was asked about still says what others know"


def test_what_two_sensors_say_at_once_counts_for_two_thirds_and_silences_share_a_cause():
    both = [ride(day, sensors=heard("serial 71", "serial 72"), channels="power") for day in range(3)]
    both[2] = replace(both[2], sensors=heard("serial 71"))
    lone = [replace(one, sensors=heard("serial 71")) for one in both]
    known = np.full((3, 1, 2), [0.9, 0.1])
    together = SensorPlaces(both, TWO, (), np.arange(3.0), ()).messages(np.repeat(known, 2, axis=1))
    alone = SensorPlaces(lone, TWO, (), np.arange(3.0), ()).messages(known)
    assert together[:, 0] == pytest.approx(alone[:, 0] * np.array([[0.65], [0.65], [1.0]]))

    table = [
        ([2.0, 1.0], 3.0),
        ([2.0, -1.2], 0.8),
        ([-1.5, -1.5, 1.0], -1.0),
        ([-0.9, -0.9], -1.8),
        ([0.0], 0.0),
    ]
    for says, in_all in table:
        assert bounded_silence(np.array(says)[None, :, None])[0, 0] == pytest.approx(in_all), says


def test_names_that_are_heard_together_nearly_always_are_one_device():
    """More than 19 of 20, and five times at least: the later name stands under the earlier."""
    for together, alone, names in ((20, 1, 1), (19, 1, 2), (5, 0, 1), (4, 0, 3)):
        rides = [ride(day, sensors=heard("serial 72", "serial 71", "serial 73")) for day in range(together)]
        rides += [ride(30 + day, sensors=heard("serial 72")) for day in range(alone)]
        found = SensorPlaces(rides, TWO, (), np.arange(float(len(rides))), ()).names
        assert len(found) == names, (together, alone)
        assert "serial 71" in found


def test_a_span_holds_from_its_start_until_before_its_end():
    rides = [ride(day, sensors=heard("serial 71"), channels="power") for day in range(4)]
    starts = [one.started_at for one in rides]
    table = [
        ((None, None), [True] * 4),
        ((starts[1], None), [False, True, True, True]),
        ((None, starts[2]), [True, True, False, False]),
        ((starts[1], starts[2]), [False, True, False, False]),
    ]
    for span, expected in table:
        entered = [Sensor(SensorId(1), "power meter", "serial 71", WHEATEAR, *span)]
        places = SensorPlaces(rides, TWO, entered, np.arange(4.0), ())
        assert places.vouched.tolist() == expected
        assert list(places._said) == [expected.index(True)]
    elsewhere = [Sensor(SensorId(1), "power meter", "serial 71", LARK)]
    assert SensorPlaces(rides, TWO, elsewhere, np.arange(4.0), ())._said == {}
    never = SensorPlaces([ride(0)], TWO, (), np.zeros(1), ())
    assert never.messages(np.zeros((1, 0, 2))).shape == (1, 0, 2)


def test_of_one_bike_alone_a_sensor_moves_to_no_other():
    rides = [ride(day, sensors=heard("serial 71"), channels="power") for day in (0, 400)]
    places = SensorPlaces(rides, TWO[:1], (), np.array([0.0, 400.0]), ())
    _, after = places._what_gaps_change(MOVES_EVERY_D)
    dead = 25 / 425 * (1.0 - math.exp(-400 * (1 / 400 + 1 / 25)))
    assert after == pytest.approx(np.array([[1 - dead, dead], [16 * dead, 1 - 16 * dead]]))


def test_no_belief_is_lost_to_rounding_over_years_of_rides():
    """Each ride halves what is believed of any way; a thousand and more would leave nothing of it."""
    days = np.arange(1500.0) / 4.0
    one = ride(0, sensors=heard("serial 71"), channels="power")
    says = SensorPlaces([one] * 1500, TWO, (), days, ()).messages(np.full((1500, 1, 2), 0.5))
    assert np.isfinite(says).all()
    assert says == pytest.approx(np.full((1500, 1, 2), says[0, 0, 0]), rel=0.05)
