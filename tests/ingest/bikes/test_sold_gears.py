"""Looks at gears under combs as sold: a density, the right comb first, and what is kept of it."""

from __future__ import annotations

import base64
import math
import os
from pathlib import Path

import numpy as np
import pytest

from ingest.bikes.gear_samples import MOST_LOOKS, GearLooks, gear_looks
from ingest.bikes.sold_gears import MOVES, SOLD, Comb, SoldTable, _bytes_of, entered_table, sold_table
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
