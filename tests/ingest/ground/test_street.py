"""Tags against a street's own road sensor, where its record is at hand: see tests/benchmarks/street.py."""

from __future__ import annotations

import pytest

from ingest.ground.forcing import ROAD_KEEPS, ROAD_LOSES_C
from tests.benchmarks.street import RECORD, judged, reliability, road_warmth, score


@pytest.fixture(scope="module")
def found():
    if not (RECORD / "meteorology.txt").exists():
        pytest.skip("GRITLEDGER_CORPUS has no road-state: nothing was held against a measured road")
    return judged(RECORD)


def test_wet_and_dry_hours_of_a_salted_street_are_found(found):
    wet_found, wet, dry_found, dry = score(found)
    assert (wet, dry) > (2000, 2000)
    assert wet_found > 0.92
    assert dry_found > 0.95


def test_its_autumn_too(found):
    wet_found, _, dry_found, _ = score(one for one in found if one.month in (10, 11))
    assert wet_found > 0.91
    assert dry_found > 0.98


def test_what_is_said_is_as_sure_as_it_was_right(found):
    right = sum((one.said.paved_water > 0) == one.wet for one in found) / len(found)
    said = sum(one.said.confidence for one in found) / len(found)
    assert said == pytest.approx(right, abs=0.03)


def test_what_is_said_was_found_in_months_that_were_left_out_of_the_count(found):
    for low, high, said, was, hours in reliability(found):
        assert hours < 300 or abs(said - was) < 0.06, (low, high, said, was, hours)


def test_how_warm_a_road_is_was_fitted_to_road_temperatures(found):
    _, keeps, loses = road_warmth(RECORD, None)
    assert (keeps, loses) == (pytest.approx(ROAD_KEEPS, abs=0.01), pytest.approx(ROAD_LOSES_C, abs=0.01))
