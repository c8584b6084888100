"""Looks at gears under combs as sold: a density, the right comb first, and what is kept of it."""

from __future__ import annotations

import base64
import itertools
import math
import os
from pathlib import Path

import numpy as np
import pytest

from ingest.bikes.gear_samples import MOST_LOOKS, GearLooks, gear_looks
from ingest.bikes.sold_gears import (
    MOVES,
    SOLD,
    Comb,
    SoldTable,
    _AtWidth,
    _bytes_of,
    _moved_a_little,
    entered_table,
    sold_table,
)
from tests.ingest.bikes.made_rides import BROAD, MOUNTAIN, ROAD, looks_at
from tests.read_one import read

CORPUS = Path(os.environ.get("GRITLEDGER_CORPUS", "no corpus"))


@pytest.mark.parametrize("gears", [ROAD, BROAD, MOUNTAIN])
@pytest.mark.parametrize("noise_mps", [0.03, 0.12])
def test_the_right_comb_is_the_likeliest_or_nearly(gears, noise_mps):
    table = sold_table(looks_at(gears, 2.12, seed=5, noise_mps=noise_mps)).unpacked()

    right = table[SOLD.index(Comb(*gears))].max()

    assert right > 0.3
    assert (table.max(axis=1) > right + 1.0).sum() <= len(SOLD) // 10


def test_what_was_packed_is_read_back_byte_by_byte():
    for length in range(64):
        whole = os.urandom(length)
        assert _bytes_of(base64.b85encode(whole).decode()) == whole
    for broken in ("~~~~~", "a b", "Pløver"):
        with pytest.raises(ValueError, match="base 85"):
            _bytes_of(broken)


def test_the_wheel_is_found_where_it_is():
    table = sold_table(looks_at(MOUNTAIN, 2.25, seed=3)).unpacked()

    found = MOVES[int(table[SOLD.index(Comb(*MOUNTAIN))].argmax())]

    assert found == pytest.approx(math.log(2.25 / 2.14), abs=0.012)


def test_a_comb_in_no_list_is_weighed_like_one_that_is():
    looks = looks_at(ROAD, 2.12, seed=8)
    sold = sold_table(looks)

    again = entered_table(looks, sold, (Comb(*ROAD),))[0]

    kept = sold.unpacked()[SOLD.index(Comb(*ROAD))]
    assert np.abs(again - kept)[kept > kept.max() - 20].max() < 0.2  # four steps to a nat


def test_all_combs_together_are_a_bike_as_sold():
    table = sold_table(looks_at(BROAD, 2.12, seed=1)).unpacked()

    assert np.exp(table, dtype=np.float64).mean() == pytest.approx(1.0, abs=1e-3)


def test_a_table_of_another_list_is_refused():
    import base64
    import zlib

    other = base64.b85encode(zlib.compress(bytes(7))).decode()
    with pytest.raises(ValueError, match="another list"):
        SoldTable(1.0, 0.0, other).unpacked()


def test_looks_survive_being_packed():
    looks = looks_at(ROAD, 2.12, seed=2)

    assert GearLooks.unpacked(looks.packed()) == looks
    with pytest.raises(ValueError, match="pairs"):
        GearLooks.unpacked([0.1, 3.0])


@pytest.mark.parametrize(
    "name", ["road-ride-cadence-temperature-heart.fit", "road-ride-big-endian-ant-ids-power-battery.fit"]
)
def test_a_real_road_ride_is_no_mountain_bikes(name):
    """Real files from the test folders of fitdecode and python-fitparse (MIT); their bikes are not known."""
    file = CORPUS / "fit" / name
    if not file.exists():
        pytest.skip(f"GRITLEDGER_CORPUS has no {name}")
    looks = gear_looks(read(file.read_bytes(), name))
    assert looks is not None
    assert len(looks.speed_mps) <= MOST_LOOKS

    table = sold_table(looks).unpacked()

    assert table[SOLD.index(Comb(*ROAD))].max() > table[SOLD.index(Comb(*MOUNTAIN))].max() + 5.0


FEW = GearLooks((1700, 1752, 1690, 1610, 1401), (62, 70, 60, 58, 41), 0.3)


def by_hand(comb: Comb, move: float, factor: float) -> float:
    """ln likelihood of FEW under a comb on a wheel so much larger, look by look and gear by gear.

    A gear is ridden for what lies nearer to it than to its neighbours, and as much as its developments were.
    """
    developments, speeds = (one.tolist() for one in FEW.columns())

    def ridden(line: float) -> float:
        return (
            sum(math.exp(-0.5 * ((line - one) / 0.16) ** 2) for one in developments) / len(developments)
            + 1e-3
        )

    logs = [math.log(cog) for cog in comb.cogs]
    gaps = [after - before for before, after in itertools.pairwise(logs)] or [0.1]
    spacing = [(left + right) / 2 for left, right in zip([gaps[0], *gaps], [*gaps, gaps[-1]], strict=True)]
    ways = []
    for rings in (*((one,) for one in comb.rings), *((comb.rings,) if len(comb.rings) > 1 else ())):
        gears = [
            (math.log(ring * 2.14 / cog) + move, space)
            for ring in rings
            for cog, space in zip(comb.cogs, spacing, strict=False)
        ]
        mass = sum(space * ridden(line) for line, space in gears)
        total = 0.0
        for seen, speed in zip(developments, speeds, strict=True):
            width = math.hypot(factor * 0.3 / speed, 0.005)
            density = 0.0
            for line, space in gears:
                off = (line - seen) / width
                bell = 0.9 * math.exp(-0.5 * off**2) + 0.1 / 3.0 * math.exp(-0.5 * (off / 3.0) ** 2)
                density += space * ridden(line) * bell / (width * math.sqrt(2.0 * math.pi))
            total += math.log(0.92 * density / mass + 0.08 / 1.2)
        ways.append(math.exp(total) / (len(comb.rings) + (len(comb.rings) > 1)))
    return math.log(sum(ways))


def test_the_likelihood_of_looks_is_that_of_every_gear_of_every_ring():
    three, one_cog = Comb((44, 32, 22), (11, 14, 18, 24, 32)), Comb((44,), (16,))
    combs = (Comb((50, 34), ROAD[1]), Comb((32,), MOUNTAIN[1]), three, one_cog)
    table = _AtWidth(FEW, 1.2, combs).table(combs)
    assert table.shape == (4, len(MOVES))
    assert (MOVES[0], MOVES[-1]) == (pytest.approx(-0.06), pytest.approx(0.09))
    for row, comb in enumerate(combs):
        for place in (0, 9, 30):
            # lines stand on a grid of five thousandths
            assert table[row, place] == pytest.approx(by_hand(comb, MOVES[place], 1.2), abs=0.12), (
                comb,
                place,
            )


def test_a_ride_of_its_own_moves_the_wheel_by_a_bell_and_what_is_kept_is_within_an_eighth_of_a_nat():
    table = np.random.default_rng(2).normal(0.0, 3.0, (3, 12)).astype(np.float32)
    bell = [math.exp(-0.5 * (n * 0.005 / 0.008) ** 2) for n in range(-3, 4)]
    expected = [
        [
            math.log(
                sum(
                    weight / sum(bell) * math.exp(table[row, min(max(place + n, 0), 11)])
                    for n, weight in zip(range(-3, 4), bell, strict=True)
                )
            )
            for place in range(12)
        ]
        for row in range(3)
    ]
    assert _moved_a_little(table) == pytest.approx(np.array(expected), abs=1e-4)

    kept = sold_table(FEW)
    best = {factor: _AtWidth(FEW, factor, SOLD).table(SOLD) for factor in (0.5, 0.8, 1.2, 1.8, 2.6)}
    assert kept.noise_factor == max(best, key=lambda one: best[one][::7].max())
    whole = _moved_a_little(best[kept.noise_factor] * np.float32(0.35)).astype(float)
    usual = math.log(np.exp(whole).mean())
    assert kept.usual == pytest.approx(usual, abs=6e-4)
    assert kept.unpacked() == pytest.approx(np.maximum(whole, whole.max() - 40.0) - usual, abs=0.15)
    own = Comb((43,), (13, 15, 17, 20))
    entered = entered_table(FEW, kept, (own,))
    alone = _moved_a_little(_AtWidth(FEW, kept.noise_factor, (own,)).table((own,)) * np.float32(0.35))
    assert entered == pytest.approx(alone - kept.usual, abs=1e-4)
