"""Bikes that cannot have been ridden: not in the household, or without a chain."""

from __future__ import annotations

from datetime import timedelta

import pytest

from ingest.bikes.household_model import Household, _Fitting
from ingest.bikes.ruled_out import had_no_chain, not_here
from rules.vocabulary import ChainId, Fitting, FittingId
from tests.ingest.bikes.made_rides import DAY, LARK, MORNING, PLOVER, WHEATEAR, bike, ride

TWO = (bike(PLOVER, "Plover"), bike(WHEATEAR, "Wheatear"))
SECOND, ENDS = timedelta(seconds=1), MORNING + timedelta(hours=2)


@pytest.mark.parametrize(
    ("span", "why"),
    [
        ({"from_at": ENDS}, "Lark was not in the household yet."),
        ({"from_at": ENDS - SECOND}, None),
        ({"until_at": MORNING}, "Lark was no longer in the household."),
        ({"until_at": MORNING + SECOND}, None),
        ({}, None),
    ],
)
def test_a_bike_was_in_the_household_from_its_first_instant_until_before_its_last(span, why):
    """A ride of two hours, from seven to nine."""
    here, lark = ride(0), bike(LARK, "Lark", **span)
    assert not_here(here, (lark,)) == ({} if why is None else {LARK: why})
    cannot = _Fitting([here], Household((*TWO, lark)), {}, {}).possible[0, 2]
    assert cannot == (0.0 if why is None else -60.0)


def test_a_bike_is_here_from_its_first_moment_up_to_but_not_at_its_last():
    one = ride()

    def gone(**span):
        return list(not_here(one, [bike(PLOVER, "Plover", **span)]))

    assert gone(until_at=one.started_at) == [PLOVER] == gone(from_at=one.ended_at)
    assert gone(until_at=one.ended_at) == [] == gone(from_at=one.started_at)


def test_a_tracked_bike_without_its_chain_was_not_ridden():
    off = Fitting(FittingId(1), ChainId(1), PLOVER, MORNING - 9 * DAY, MORNING - 2 * DAY)
    on = Fitting(FittingId(2), ChainId(1), WHEATEAR, MORNING - timedelta(hours=1), None)

    ruled_out = had_no_chain(MORNING, {PLOVER: [off], WHEATEAR: [on]}, {PLOVER: "Plover"})

    assert ruled_out == {PLOVER: "Plover had no chain on that day."}
