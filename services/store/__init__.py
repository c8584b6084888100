"""The only package that speaks SQL. Facts go in dated and come out as the vocabulary's frozen nouns."""

from services.store.assignments import Decision, JudgedRide, MachineDecision
from services.store.changes import Change
from services.store.condition_tags import TagFlip, Word
from services.store.derived_chains import ChainState
from services.store.equipment import SensorSighting
from services.store.errors import (
    FactRefused,
    NeedsConfirmation,
    NewerDatabase,
    NotAllowed,
    NotFound,
    StoreBusy,
    StoreError,
    StoreUnusable,
)
from services.store.files import FileRecord, SoughtFiles
from services.store.outbox import Posted
from services.store.rides import RideDetails, RideSpan, RideSums, Sought
from services.store.store import Store, Transaction
from services.store.weather import WeatherBlock

__all__ = [
    "ChainState",
    "Change",
    "Decision",
    "FactRefused",
    "FileRecord",
    "JudgedRide",
    "MachineDecision",
    "NeedsConfirmation",
    "NewerDatabase",
    "NotAllowed",
    "NotFound",
    "Posted",
    "RideDetails",
    "RideSpan",
    "RideSums",
    "SensorSighting",
    "Sought",
    "SoughtFiles",
    "Store",
    "StoreBusy",
    "StoreError",
    "StoreUnusable",
    "TagFlip",
    "Transaction",
    "WeatherBlock",
    "Word",
]
