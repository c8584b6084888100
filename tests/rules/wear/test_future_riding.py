"""Weeks to come, as weeks were: walked by hand through given dice."""

from __future__ import annotations

import numpy as np
import pytest

from rules.rulebook import default_rulebook
from rules.wear.future_riding import (
    BLOCK_DRIVE_H,
    ENOUGH_BLOCKS,
    MOST_BLOCKS,
    blocks_of,
    ridden,
    ridden_alike,
)
from tests.rules.notation import at, ledger_of

WEIGHTS = np.array([[1.0, 2.0, 5.0, 1.0, 1.0]])
#                 hours water mud dust salt km: 16 grit-hours in 10 h and 200 km, 6 in 5 h and 50 km
WEEKS = np.array([[10.0, 3.0, 0.0, 0.0, 0.0, 200.0], [5.0, 0.5, 0.0, 0.0, 0.0, 50.0]])


class Dice:
    """Gives the first week a quarter of the weight, and picks the weeks it was told, over and over."""

    def __init__(self, *picks: int) -> None:
        self.picks = picks

    def exponential(self, size: tuple[int, int]) -> np.ndarray:
        return np.tile([1.0, 3.0], (size[0], 1))

    def random(self, size: tuple[int, int, int]) -> np.ndarray:
        told = np.resize([0.9 if pick else 0.1 for pick in self.picks], size[1])
        return np.broadcast_to(told[None, :, None], size)


def test_so_many_grit_hours_are_ridden_week_by_week() -> None:
    mean = 0.25 * WEEKS[0] + 0.75 * WEEKS[1]
    per_h = (mean[0] + 2.0 * mean[1]) / mean[0]
    table = [
        ((0, 1), 19.0, 10.0 + 2.5, 200.0 + 25.0),  # one week of 16 and half of one of 6
        ((1,), 6.0, 5.0, 50.0),
        (
            (1,),
            306.0,
            250.0 + 6.0 / per_h,
            2500.0 + 6.0 / per_h * mean[5] / mean[0],
        ),  # fifty weeks, then the mean
        ((0,), -8.0, -8.0 / per_h, -8.0 / per_h * mean[5] / mean[0]),  # so long ago
        ((0,), 0.0, 0.0, 0.0),
    ]
    for picks, grit_h, hours, km in table:
        found = ridden(np.array([grit_h]), WEIGHTS, WEEKS, Dice(*picks))  # type: ignore[arg-type]
        assert [one[0] for one in found] == pytest.approx([hours, km, per_h]), (picks, grit_h)
    never = ridden(np.array([5.0]), WEIGHTS, np.zeros((0, 6)), Dice(0))  # type: ignore[arg-type]
    assert [one.tolist() for one in never] == [[5.0], [0.0], [1.0]]
    stood = ridden(np.array([5.0]), WEIGHTS, np.zeros((2, 6)), Dice(0))  # type: ignore[arg-type]
    assert [one.tolist() for one in stood] == [[5.0], [0.0], [1.0]]


def test_weeks_are_of_so_many_drive_hours_the_rest_counts_while_there_are_few_and_the_latest_stay() -> None:
    def blocks(rides: int, ride_h: float = 1.0) -> np.ndarray:
        text = "2025-01-01 fitted Copper on Plover\n"
        text += "".join(
            f"2025-{1 + day // 28:02}-{1 + day % 28:02} 13:00 rode {ride_h} h on Plover dry\n"
            for day in range(rides)
        )
        ledger = ledger_of(text)
        return blocks_of(ledger, default_rulebook(), ledger.chains[0], at("2026-01-01"), (0.0, 0.0, 0.0, 0.0))

    whole = int(BLOCK_DRIVE_H)
    assert whole == BLOCK_DRIVE_H
    assert blocks(2 * whole + 1)[:, 0].tolist() == [whole, whole, 1.0]
    assert blocks(2 * whole)[:, 5].tolist() == [25.0 * whole] * 2
    many = ENOUGH_BLOCKS * whole
    assert len(blocks(many + 1)) == ENOUGH_BLOCKS
    assert blocks(0).shape == (0, 6)
    longest = [len(blocks(weeks, 8.0)) for weeks in (MOST_BLOCKS, MOST_BLOCKS + 1)]
    assert longest == [MOST_BLOCKS, MOST_BLOCKS]


def test_a_chain_is_ridden_as_the_last_four_on_its_bike() -> None:
    text = "".join(
        f"2025-0{month}-01 fitted {name} on Plover\n2025-0{month}-20 removed {name}\n"
        for month, name in enumerate(("Tin", "Zinc", "Slate", "Onyx", "Copper"), start=1)
    )
    ledger = ledger_of(text + "2025-01-01 fitted Jade on Curlew\n2025-06-01 fitted Opal on Plover\n")
    names = {one.id: one.name for one in ledger.chains}

    def alike(chain: str, now: str) -> list[str]:
        mine = next(key for key, name in names.items() if name == chain)
        return [names[one] for one in ridden_alike(ledger, mine, at(now))]

    assert alike("Copper", "2025-05-25") == ["Copper", "Onyx", "Slate", "Zinc"]
    assert alike("Copper", "2025-06-01") == ["Opal", "Copper", "Onyx", "Slate"]
    assert alike("Tin", "2025-01-02") == ["Tin"]
    assert alike("Jade", "2025-05-25") == ["Jade"]
    assert alike("Opal", "2025-05-25") == []
