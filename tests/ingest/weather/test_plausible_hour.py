"""The last gate before an archive's numbers become weather."""

from __future__ import annotations

import pytest

from ingest.weather.hourly import BlockRefused
from ingest.weather.plausible_hour import believed


@pytest.mark.parametrize(
    ("field", "given", "taken"),
    [
        ("rain_mm", -0.1, 0.0),
        ("rain_mm", -0.004, 0.0),
        ("humidity_pct", -0.005, 0.0),
        ("et0_mm", -0.02, -0.02),
    ],
)
def test_a_step_under_nought_is_nought_and_dew_is_kept(field, given, taken):
    assert believed("the archive", field, given, when="noon") == taken


@pytest.mark.parametrize(("field", "given"), [("rain_mm", -0.11), ("rain_mm", -99.0), ("humidity_pct", -0.1)])
def test_what_cannot_be_refuses_its_block(field, given):
    with pytest.raises(BlockRefused, match=f"{field} is {given:g} at noon"):
        believed("the archive", field, given, when="noon")
