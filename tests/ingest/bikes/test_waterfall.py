"""A ride's clues as steps: they end where the stated odds stand, and each is in the picture."""

from __future__ import annotations

import math

import pytest

from ingest.bikes.judge import Household, judge
from tests.benchmarks.which_bike_waterfall import picture, steps
from tests.ingest.bikes.made_rides import MOUNTAIN, PLOVER, ROAD, WHEATEAR, bike, geared, heard

TWO = (bike(PLOVER, "Plover", gears=ROAD), bike(WHEATEAR, "Wheatear", gears=MOUNTAIN))


def judged(bikes=TWO):
    rides = [geared(day, ROAD, sensors=heard("serial 71"), sub_sport="road") for day in range(6)]
    return judge(rides, Household(bikes), {0: PLOVER, 2: PLOVER})


@pytest.mark.parametrize("other", [WHEATEAR, None])
def test_the_steps_add_up_to_the_stated_odds_and_the_loudest_comes_first(other):
    said = judged().assignment(4).probabilities

    found = steps(judged(), 4, PLOVER, other)

    assert sum(one.weight for one in found) == pytest.approx(math.log(said[PLOVER] / said[other]))
    of_clues = [abs(one.weight) for one in found if one.clue != "all others"]
    assert of_clues == sorted(of_clues, reverse=True)
    assert any("The power meter on this ride (serial 71) sits on Plover" in one.sentence for one in found)


def test_the_picture_shows_every_step_and_where_they_end():
    found = steps(judged(), 4, PLOVER, WHEATEAR)

    drawn = picture(("ride 4 < 5",), found)

    assert "ride 4 &lt; 5" in drawn
    assert drawn.count("<rect x=") == len(found) + 1
    assert f"{sum(one.weight for one in found):+.2f}" in drawn
    assert all(one.clue in drawn for one in found)


def test_a_bike_that_cannot_have_been_is_no_step():
    came = bike(WHEATEAR, "Wheatear", from_at=judged().fit.rides[5].ended_at)

    with pytest.raises(AssertionError, match="cannot have been"):
        steps(judged((TWO[0], came)), 4, PLOVER, WHEATEAR)
