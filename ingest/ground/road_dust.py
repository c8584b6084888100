"""What wheels raise from roads, as US EPA AP-42 publishes it: what our dust index takes from it.

Source: AP-42 section 13.2.2 "Unpaved Roads" (11/2006),
https://www.epa.gov/sites/default/files/2020-10/documents/13.2.2_unpaved_roads.pdf.
Fitted to cars and lorries: the index takes only ratios from here.
"""

from __future__ import annotations

from itertools import pairwise

GRAVEL_SILT_PCT = 6.4  # table 13.2.2-1, public gravel roads, mean (0.1-15); from memory
SPEED_POWER = 0.5  # equation 1b, public unpaved roads, PM10; table 13.2.2-2
WATERING_CURVE = ((0.0, 0.0), (1.0, 0.0), (2.0, 75.0), (5.0, 95.0))  # figure 13.2.2-2, vertices


def watering_efficiency_pct(moisture_ratio: float) -> float:
    """How much dust watering holds down, by surface moisture over its dry value. [%] Figure 13.2.2-2."""
    for (x0, y0), (x1, y1) in pairwise(WATERING_CURVE):
        if moisture_ratio <= x1:
            return y0 + (y1 - y0) * (max(moisture_ratio, x0) - x0) / (x1 - x0)
    return WATERING_CURVE[-1][1]
