"""Words for rain, as the glossary has them."""

from __future__ import annotations

import pytest

from ingest.ground.thresholds import RainClass, rain_class


@pytest.mark.parametrize(
    ("rain_mm", "word"),
    [(0, "no"), (0.2, "light"), (2.5, "light"), (2.6, "moderate"), (7.6, "moderate"), (7.7, "heavy")],
)
def test_rain_classes_as_the_glossary_has_them(rain_mm, word):
    # AMS Glossary of Meteorology, "Rain", glossary.ametsoc.org
    assert rain_class(rain_mm) is RainClass(word)


def test_the_lowest_two_lines_of_the_world_meteorological_classes_agree_with_ours():
    # WMO-No. 8 (from memory; secondary: rainsimulator.com): slight < 2.5, moderate 2.5 to < 10, heavy 10 to <
    # 50
    assert rain_class(2.4) is RainClass.LIGHT
    assert rain_class(5.0) is RainClass.MODERATE
    assert rain_class(20.0) is RainClass.HEAVY
