"""Tags against a street's own road sensor, where its record is at hand: see tests/benchmarks/street.py."""

from __future__ import annotations

import pytest

from tests.benchmarks.street import RECORD, judged, score


@pytest.fixture(scope="module")
def found():
    if not (RECORD / "meteorology.txt").exists():
        pytest.skip("GRITLEDGER_CORPUS has no road-state: nothing was held against a measured road")
    return judged(RECORD)


def test_wet_and_dry_hours_of_a_salted_street_are_found(found):
    wet_found, wet, dry_found, dry = score(found)
    assert (wet, dry) > (2000, 2000)
    assert wet_found > 0.92
    assert dry_found > 0.93


def test_its_autumn_too(found):
    wet_found, _, dry_found, _ = score(one for one in found if one.month in (10, 11))
    assert wet_found > 0.91
    assert dry_found > 0.96


def test_what_is_said_is_as_sure_as_it_was_right(found):
    right = sum((one.said.paved_water > 0) == one.wet for one in found) / len(found)
    said = sum(one.said.confidence for one in found) / len(found)
    assert said == pytest.approx(right, abs=0.03)
