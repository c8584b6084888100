"""The caution that stands where a step stands: what can hurt, and who knows better than this program."""

from __future__ import annotations

from collections.abc import Iterable

from rules.reminder import ReminderKind
from rules.units import marked
from rules.vocabulary import Regime

_BRAKES = (
    "Keep wax and lubricant off rims, discs and brake pads: a brake that was touched may not stop you; "
    "if in doubt, have a qualified mechanic look at it before you ride."
)
_FINGERS = "Keep fingers, hair and sleeves away from a turning chain and sprockets."
_DEFER = "The maker's instructions and local rules come first."

HOT_WAX = marked(
    "Hot wax burns skin and can catch fire. Use a thermostatic pot or a water bath, never an open "
    "flame; stay with it; work at 80–95 °C, stop at 120 °C; keep a lid at hand and the room aired. "
    "Never put water on burning wax: switch off, lid on, fire blanket or dry powder; get out and call "
    "for help if it does not go out at once. The chain must be bone dry, for a wet one makes hot wax "
    "spit. Cool a burn under running water, do not peel the wax off, and see a doctor if it is more "
    "than a small one."
)
SOLVENT = (
    "Solvents give off vapour that burns: outdoors or well aired, no flame or spark, never heated, with"
    " gloves and eye protection; let every trace dry before the chain meets hot wax. Hand used solvent "
    "in as hazardous waste, never down a drain. Dry rags flat and outdoors: a heap can smoulder."
)

LINK = (
    "A narrow quick link is often sold for a single use: follow its maker, use a new one when in doubt, and "
    "feel it snap shut before you ride. " + _BRAKES
)

_CAUTIONS = {
    (ReminderKind.WIPE_AND_DRIP, Regime.WAXED): (_FINGERS, _BRAKES, _DEFER),
    (ReminderKind.WIPE_AND_DRIP, Regime.WET_LUBE): (_FINGERS, _BRAKES, _DEFER),
    (ReminderKind.DRIP, Regime.WAXED): (_FINGERS, _BRAKES, _DEFER),
    (ReminderKind.DRIP, Regime.WET_LUBE): (_FINGERS, _BRAKES, _DEFER),
    (ReminderKind.IMMERSION, Regime.WAXED): (HOT_WAX, _BRAKES, _DEFER),
    (ReminderKind.IMMERSION, Regime.WET_LUBE): (SOLVENT, _BRAKES, _DEFER),
    (ReminderKind.INSPECTION, Regime.WAXED): (_FINGERS,),
    (ReminderKind.INSPECTION, Regime.WET_LUBE): (_FINGERS,),
}
_WORN = (
    "A worn chain can jump or snap when you push hard, and you can fall. Ride gently until it is "
    "replaced. A new chain on worn sprockets can jump too. Join it with a new quick link of its own "
    "width, and ride it in at low power; let a qualified mechanic do or check the work if you are not "
    "sure. " + _DEFER
)


def caution(kind: ReminderKind, regime: Regime = Regime.WAXED) -> str:
    """What can hurt while doing this, in plain words?

    Temperatures and fire advice: common practice and wax safety sheets, which differ; the strictest is said.
    """
    if kind is ReminderKind.REPLACEMENT:
        return _WORN
    return " ".join(_CAUTIONS[kind, regime])


# The same in a line, the worst first: of several steps a short message names what can hurt most.
_IN_A_LINE = {
    (
        ReminderKind.IMMERSION,
        Regime.WAXED,
    ): "hot wax burns and catches fire; no open flame, stay with it, chain dry.",
    (
        ReminderKind.IMMERSION,
        Regime.WET_LUBE,
    ): "solvent vapour burns; outdoors, no flame, gloves and goggles.",
    (
        ReminderKind.REPLACEMENT,
        Regime.WAXED,
    ): "a worn chain can snap; ride gently, and ask a mechanic if unsure.",
    (
        ReminderKind.REPLACEMENT,
        Regime.WET_LUBE,
    ): "a worn chain can snap; ride gently, and ask a mechanic if unsure.",
    (ReminderKind.WIPE_AND_DRIP, Regime.WAXED): "fingers off a turning chain, wax off brakes.",
    (ReminderKind.DRIP, Regime.WAXED): "fingers off a turning chain, wax off brakes.",
    (ReminderKind.WIPE_AND_DRIP, Regime.WET_LUBE): "fingers off a turning chain, oil off brakes.",
    (ReminderKind.DRIP, Regime.WET_LUBE): "fingers off a turning chain, oil off brakes.",
    (ReminderKind.INSPECTION, Regime.WAXED): "fingers and sleeves off a turning chain.",
    (ReminderKind.INSPECTION, Regime.WET_LUBE): "fingers and sleeves off a turning chain.",
}
LINK_IN_A_LINE = "use a new quick link if in doubt, feel it snap shut, wax off brakes."


def in_a_line(steps: Iterable[tuple[ReminderKind, Regime]]) -> str:
    """The worst that can hurt in these steps, in one line; `caution` says all of it. "" = no step."""
    asked = set(steps)
    return next((line for step, line in _IN_A_LINE.items() if step in asked), "")
