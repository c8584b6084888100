"""A year walked evening by evening on days made by hand; what is asked for is done at once, or days later."""

from __future__ import annotations

import pytest

from rules.year.simulation import Hour, Way, walk

OWN = Way("as now", film_h=10.0, dirt_h=40.0, wet_h=1.0, spell_days=3.0, starved=2.0)


class Late:
    """Whoever sees to the chains is always so many days late."""

    def __init__(self, days: int = 0) -> None:
        self.days = days

    def integers(self, low: int, high: int) -> int:
        assert (low, high) == (0, 3)
        return self.days


def days(*grit_h: float, wet: tuple[int, ...] = ()) -> list[Hour]:
    """An hour a day."""
    return [Hour(day, (1.0,) * 5, one, 1.0 if day in wet else 0.0) for day, one in enumerate(grit_h)]


def done(hours: list[Hour], late: int = 0, **way: object) -> list[tuple[int, str]]:
    return list(walk(hours, Way(**{**{f: getattr(OWN, f) for f in OWN.__slots__}, **way}), Late(late)).done)  # type: ignore[arg-type]


def test_a_drip_a_bath_and_a_wipe_are_asked_for_at_their_limits() -> None:
    assert done(days(5.0, 5.0, 5.0)) == [(1, "drip")]
    assert done(days(5.0, 4.9, 5.0)) == [(2, "drip")]
    assert done(days(*[5.0] * 8)) == [(1, "drip"), (3, "drip"), (5, "drip"), (7, "immersion")]
    assert done(days(*[5.0] * 8), late=2) == [(3, "drip"), (7, "immersion")], (
        "twice beyond the film: 40 by day 5"
    )
    assert done(days(*[5.0] * 8), oiled=True)[-2:] == [(5, "oil"), (7, "clean")]
    assert done(days(*[5.0] * 4), drips=False) == [], "5 + 5 + 10 + 10 is less than 40"
    assert done(days(*[5.0] * 5), drips=False) == [(4, "immersion")]
    assert done(days(*[5.0] * 9), baths=False) == [(day, "drip") for day in (1, 3, 5, 7)]
    assert done(days(1.0, 1.0, wet=(0, 1))) == [(0, "wipe"), (0, "drip")], "one spell"
    assert done(days(*[0.1] * 6, wet=(0, 3, 4))) == [(0, "wipe"), (0, "drip")]
    assert done(days(*[0.1] * 6, wet=(0, 4))) == [(0, "wipe"), (0, "drip"), (4, "wipe"), (4, "drip")]
    told_again = done(days(*[0.1] * 10, wet=tuple(range(10))))
    assert told_again == [(0, "wipe"), (0, "drip"), (7, "wipe"), (7, "drip")]
    assert done(days(1.0, wet=(0,)), drips=False) == [(0, "wipe")]
    assert done(days(1.0, wet=(0,)), wet_h=1.1) == []


def test_several_chains_take_turns_until_none_is_clean() -> None:
    found = done(days(*[10.0] * 4), chains=2, drips=False)
    pot = [(1, "immersion"), (1, "another chain in the pot")]
    again = [(day + 2, what) for day, what in [*pot, (1, "swap")]]
    assert found == [(0, "swap"), *pot, (1, "swap"), (2, "swap"), *again]
    three = done(days(*[10.0] * 3), chains=3, drips=False)
    assert [what for _, what in three].count("another chain in the pot") == 2


def test_what_is_on_the_chain_is_told_in_the_middle_of_every_hour() -> None:
    two = [Hour(0, (1.0,) * 5, 8.0, 0.0), Hour(0, (1.0,) * 5, 6.0, 0.0), Hour(1, (1.0,) * 5, 4.0, 0.0)]
    found = walk(two, OWN, Late())  # type: ignore[arg-type]
    assert found.film_h.tolist() == pytest.approx([4.0, 11.0, 2.0])
    assert found.dirt_h.tolist() == pytest.approx([4.0, 11.0, 8.0 + 6.0 + 4.0 + 2.0])
    assert (found.end_film_h, found.end_dirt_h) == pytest.approx((4.0, 22.0))
    assert found.deeds == {"drip": 1}
    wet = [Hour(0, (1.0,) * 5, 0.1, 0.5), Hour(0, (1.0,) * 5, 0.1, 0.5), Hour(1, (1.0,) * 5, 0.1, 0.9)]
    assert walk(wet, OWN, Late()).done == ((0, "wipe"), (0, "drip"))  # type: ignore[arg-type]
    oiled = walk(two[:2], Way("oil", 10.0, 40.0, 1.0, 3.0, 2.0, oiled=True, drips=False), Late())  # type: ignore[arg-type]
    assert oiled.end_dirt_h == pytest.approx(14.0)
