"""The steps of each job at the bench, short enough for greasy hands. Common practice, no source."""

from __future__ import annotations

from collections.abc import Mapping

from rules.reminder import ReminderKind
from rules.units import marked
from rules.vocabulary import Regime

_WIPE = "Wipe with a dry rag until it stays clean, and let it dry."
_RINSE = "Rinse it today with a little clean warm water, wipe it dry, and let it dry through: salt rusts it."
_DRIP = "One drop of drip wax a roller, once around; wipe off what stands outside; leave it overnight."
_OIL = "One drop of lube a roller, once around; turn it through; wipe off all that stands outside."

STEPS: Mapping[tuple[ReminderKind, Regime], tuple[str, ...]] = {
    (ReminderKind.WIPE_AND_DRIP, Regime.WAXED): (_WIPE, _DRIP),
    (ReminderKind.WIPE_AND_DRIP, Regime.WET_LUBE): (_WIPE, _OIL),
    (ReminderKind.DRIP, Regime.WAXED): (_WIPE, _DRIP),
    (ReminderKind.DRIP, Regime.WET_LUBE): (_WIPE, _OIL),
    (ReminderKind.IMMERSION, Regime.WAXED): (
        "Open the quick link, take the chain off, wipe it, and let it dry through.",
        marked(
            "Into the wax, as warm as its maker says (often 80–95 °C), until no bubbles rise; let it cool to "
            "65–80 °C, lift, hang until cool."
        ),
        "Flex each link, fit, close the quick link; ride the first minutes gently.",
    ),
    (ReminderKind.IMMERSION, Regime.WET_LUBE): (
        "Wipe, then degrease link by link; let every trace dry.",
        _OIL,
    ),
    **{
        (ReminderKind.INSPECTION, regime): (
            "Pull the chain straight. With a gauge: which is the largest step that drops in?",
            "With a ruler or caliper: from pin to like pin, 24 pitches are 304.8 mm when new.",
        )
        for regime in Regime
    },
    **{
        (ReminderKind.REPLACEMENT, regime): (
            "Old chain off at the quick link. The new one gets as many links, and runs as its marks say.",
            "Measure the new one before its first ride. If it skips under load, the sprockets are worn too.",
        )
        for regime in Regime
    },
}


def steps_of(kind: ReminderKind, regime: Regime, *, salted: bool = False) -> tuple[str, ...]:
    """What hands do, in order. salted: the chain came home with road salt in it."""
    wipe, *rest = STEPS[kind, regime]
    return (_RINSE if salted else wipe, *rest)
