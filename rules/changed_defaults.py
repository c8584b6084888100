"""When the program's own limits change with a version: what moved, told once."""

from __future__ import annotations

from collections.abc import Sequence

from rules.dates_and_numbers import listed, number
from rules.reconcile import Change
from rules.reminder import Step
from rules.rulebook import Rulebook, default_rulebook

NEWEST = "2"
EARLIER = {  # of edition 1, where they differ; what a rider set is not in question
    "limit.drip": ("the drip", 9.0),
    "limit.immersion": ("the immersion", 16.0),
    "limit.wet_ride": ("a wet chain", 0.1),
}


def limits_moved(rulebook: Rulebook, edition: str | None, changes: Sequence[Change]) -> str:
    """What moved, before and after, in one sentence; empty where reminders were derived by these limits.

    edition: of the limits by which reminders were derived until now; None = the first.
    changes: what the new limits make of the reminders that stand.
    """
    if edition == NEWEST:
        return ""
    ours = default_rulebook()
    moved = [
        f"{name} from {number(before)} to {number(ours.judgement(key).value)} {ours.judgement(key).unit}"
        for key, (name, before) in EARLIER.items()
        if rulebook.judgement(key).value == ours.judgement(key).value
    ]
    kept = "" if len(moved) == len(EARLIER) else " What you set yourself stays."
    limits = f"The limits are new: {listed(moved)}. " if moved else "The limits are new. "
    withdrawn = [one.reminder.headline for one in changes if one.step and one.step.step is Step.WITHDRAWN]
    raised = [one.reminder.headline for one in changes if one.raised is None]
    became = [f"withdrawn: {listed(withdrawn)}"] if withdrawn else []
    became += [f"newly due: {listed(raised)}"] if raised else []
    said = f" By them, {'; '.join(became)}." if became else " No reminder changes by them."
    times = number(rulebook.judgement("weight.starved").value)
    return (
        f"{limits}A drip now puts the immersion off: what is ridden on a used-up film counts {times} times "
        f"as dirt.{kept}{said}"
    )
