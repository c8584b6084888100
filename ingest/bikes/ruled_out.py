"""Which bikes cannot have been ridden at a time, whatever the clues say, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from ingest.bikes.ride_clues import RideClues
from rules.vocabulary import Bike, BikeId, Fitting


def not_here(ride: RideClues, bikes: Sequence[Bike]) -> dict[BikeId, str]:
    """Bikes that were not in the household at the time, each with the sentence saying so."""
    ruled_out = {}
    for bike in bikes:
        if bike.from_at is not None and ride.ended_at <= bike.from_at:
            ruled_out[bike.id] = f"{bike.name} was not in the household yet."
        elif bike.until_at is not None and ride.started_at >= bike.until_at:
            ruled_out[bike.id] = f"{bike.name} was no longer in the household."
    return ruled_out


def had_no_chain(
    started_at: datetime, spans: Mapping[BikeId, Sequence[Fitting]], names: Mapping[BikeId, str]
) -> dict[BikeId, str]:
    """Bikes whose chain was off at the time, each with the sentence saying so; one never fitted is not."""
    ruled_out = {}
    for bike, of_bike in spans.items():
        begun = (f for f in reversed(of_bike) if f.fitted_at <= started_at)  # the newest is mostly the one
        worn = any(f.removed_at is None or f.removed_at > started_at for f in begun)
        if not worn and any(f.fitted_at <= started_at for f in of_bike):
            ruled_out[bike] = f"{names.get(bike, 'That bike')} had no chain on that day."
    return ruled_out
