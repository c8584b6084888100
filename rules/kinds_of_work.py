"""What hands are asked to do, by kind of reminder and by how a chain is lubricated: one table."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from rules.reminder import ReminderKind
from rules.vocabulary import Regime, TreatmentKind


@dataclass(frozen=True, slots=True)
class Work:
    """One kind of work on one kind of chain.

    limit: the key of its limit, without "limit.".
    verb, noun, need: what it is called: "Drip …", "no drip was noted", "… to a drip".
    past: what a press writes down that says it was done.
    answer: the treatment that is logged when it is done.
    """

    limit: str
    verb: str
    noun: str
    need: str
    past: str
    answer: TreatmentKind


WORKS: Mapping[tuple[ReminderKind, Regime], Work] = {
    (ReminderKind.WIPE_AND_DRIP, Regime.WAXED): Work(
        "wet_ride", "Wipe, dry and drip", "drip", "a drip", "Wiped and dripped", TreatmentKind.DRIP
    ),
    (ReminderKind.WIPE_AND_DRIP, Regime.WET_LUBE): Work(
        "wet_ride", "Wipe, dry and oil", "oiling", "oil", "Wiped and oiled", TreatmentKind.OIL
    ),
    (ReminderKind.DRIP, Regime.WAXED): Work("drip", "Drip", "drip", "a drip", "Dripped", TreatmentKind.DRIP),
    (ReminderKind.DRIP, Regime.WET_LUBE): Work("oil", "Oil", "oiling", "oil", "Oiled", TreatmentKind.OIL),
    (ReminderKind.IMMERSION, Regime.WAXED): Work(
        "immersion", "Re-immerse", "immersion", "re-immersion", "Immersed", TreatmentKind.IMMERSION
    ),
    (ReminderKind.IMMERSION, Regime.WET_LUBE): Work(
        "clean", "Clean", "cleaning", "a cleaning", "Cleaned", TreatmentKind.CLEAN
    ),
}


def work(kind: ReminderKind, regime: Regime) -> Work | None:
    """What is done when a reminder of this kind is answered; None = it is measured, or a chain replaced."""
    return WORKS.get((kind, regime))
