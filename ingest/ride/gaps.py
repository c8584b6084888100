"""How long a gap between samples may be: filled by a straight line, still in motion, or not known."""

from __future__ import annotations

import numpy as np

from ingest.ride.recording import Column

# Judgements, common practice, no source.
LONGEST_BRIDGE_S = 10.0  # a hole no longer is filled by a straight line; a longer one is not known
LONGEST_MOVING_GAP_S = 300.0  # a longer silence may hold anything, a train included


def bridged(time_s: Column, column: Column, longest_s: float = LONGEST_BRIDGE_S) -> Column:
    """The column with its short holes filled by a straight line.

    A hole is filled if the known samples around it are at most `longest_s` apart. time_s strictly ascending.
    """
    known = np.flatnonzero(np.isfinite(column))
    if len(known) == len(column) or len(known) < 2:
        return column
    holes = np.flatnonzero(~np.isfinite(column))
    after = np.searchsorted(known, holes)
    inside = (after > 0) & (after < len(known))
    holes, after = holes[inside], after[inside]
    left, right = known[after - 1], known[after]
    short = time_s[right] - time_s[left] <= longest_s
    holes, left, right = holes[short], left[short], right[short]
    share = (time_s[holes] - time_s[left]) / (time_s[right] - time_s[left])
    result = column.copy()
    result[holes] = column[left] + share * (column[right] - column[left])
    return result
