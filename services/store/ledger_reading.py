"""The whole household as one ledger, for the rules."""

from __future__ import annotations

from sqlalchemy import Connection

from rules.ledger import Ledger
from services.store.care import Care
from services.store.equipment import Equipment
from services.store.ride_rows import load_rides


def read_ledger(connection: Connection) -> Ledger:
    """Every fact in force: what was taken back or linked as a second recording is left out."""
    garage, care = Equipment(connection), Care(connection)
    return Ledger(
        riders=garage.riders(),
        bikes=garage.bikes(),
        sensors=garage.sensors(),
        chains=garage.chains(),
        fittings=garage.fittings(),
        rides=load_rides(connection),
        treatments=care.treatments(),
        readings=care.readings(),
        wipe_tests=care.wipe_tests(),
        trials=care.trials(),
    )
