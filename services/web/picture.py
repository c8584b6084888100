"""The ledger's facts handed to the drawings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo

from markupsafe import Markup

from ingest.track import TrackPoint
from rules.contamination import Exposure
from rules.reminder import RaisedReminder
from rules.vocabulary import Chain, Regime, Ride
from rules.wear import Forecast, Refusal
from services.web.chain_life import Life
from services.web.chain_state import ChainState
from services.web.drawings import chain_strip, film_line
from services.web.snapshot import Snapshot


def _ours(drawn: str) -> Markup:
    """Drawings escape every word they are given."""
    return Markup(drawn)  # noqa: S704


@dataclass(frozen=True, slots=True)
class Clue:
    """One clue for or against a bike, in log-odds. weight: None = it cannot have been this bike."""

    bike: str
    clue: str
    weight: float | None
    sentence: str
    chance: float


def strip(state: ChainState) -> Markup:
    """The links of a chain, filled with what it went through since its last bath."""
    return _ours(
        chain_strip(
            state.past, state.bath_limit, uid=f"strip-{state.chain.id}", name=state.chain.name, zone=state.zone
        )
    )


def film(state: ChainState) -> Markup:
    """How much of its film is used."""
    return _ours(
        film_line(state.film_used, state.film_limit, uid=f"film-{state.chain.id}", what=state.film_word)
    )


def trace(raised: RaisedReminder) -> Markup:
    """The lines of a reminder as links that fill to the limit."""
    return Markup("")


def life_picture(life: Life) -> Markup:
    """A chain's life on one line."""
    return Markup("")


def clue_rows(clues: Sequence[Clue]) -> Markup:
    """The clues as a waterfall."""
    return Markup("")


def hours_picture(ride: Ride, puts: Sequence[Exposure], zone: tzinfo) -> Markup:
    """What each hour put in."""
    return Markup("")


def track_picture(ride: Ride, points: Sequence[TrackPoint], puts: Sequence[Exposure], zone: tzinfo) -> Markup:
    """The way with its ground."""
    return Markup("")


def speeds_picture(ride: Ride, points: Sequence[TrackPoint], zone: tzinfo) -> Markup:
    """Speed and cadence."""
    return Markup("")


def wear_picture(snapshot: Snapshot, chain: Chain, answer: Forecast | Refusal, now: datetime) -> Markup:
    """Readings and forecast."""
    return Markup("")


def rate_picture(slope: tuple[float, float, float], most: float, name: str, regime: Regime) -> Markup:
    """A wear rate on a shared scale."""
    return Markup("")
