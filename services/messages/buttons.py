"""How a reminder's message is answered: what each press is called, and which command does the same."""

from __future__ import annotations

import shlex
from collections.abc import Iterable

from rules.kinds_of_work import work
from rules.reminder import ReminderKind
from rules.vocabulary import ReminderId
from services.answer_links import Address
from services.channels import one_line
from services.messages.html import Link
from services.messages.told_reminder import ToldReminder

WHY_COMMAND = "gritledger why {id}"
MEASURE_COMMAND = "gritledger measure {chain} --over STEP --under STEP"
REPLACE_COMMAND = "gritledger take-off {chain}"
PAGE_PATH = "/why/{id}"
PUT_OFF = "Put off"


def answers_of(telling: ToldReminder, address: Address) -> tuple[Link, ...]:
    """Each press is named by what it writes down; what needs a figure or a choice leads to its form."""
    reminder = telling.reminder
    hands = work(reminder.kind, telling.regime)
    if hands is not None:
        first = Link(hands.past, address.done(telling.id), writes=True, main=True)
    elif reminder.kind is ReminderKind.REPLACEMENT:
        form = address.page(f"/settings/chains?chain={reminder.chain}#fit")
        first = Link("Enter the new chain", form, writes=True)
    else:
        first = Link("Enter a reading", address.page(f"/care/reading?chain={reminder.chain}"), writes=True)
    later = Link(PUT_OFF, address.put_off(telling.id), writes=True)
    return first, later, Link("Why?", address.page(PAGE_PATH.format(id=telling.id)))


def done_words(texts: Iterable[ToldReminder]) -> str:
    """What one press for all of these writes down; "" where one of them needs a figure or a choice."""
    pasts = {hands.past if (hands := work(t.reminder.kind, t.regime)) else "" for t in texts}
    return "" if "" in pasts else pasts.pop() if len(pasts) == 1 else "All done"


def commands_of(telling: ToldReminder) -> tuple[tuple[str, str], ...]:
    hands = work(telling.reminder.kind, telling.regime)
    if hands is not None:
        done = f"gritledger log {hands.answer} {{chain}}"
    else:
        worn = telling.reminder.kind is ReminderKind.REPLACEMENT
        done = REPLACE_COMMAND if worn else MEASURE_COMMAND
    return (
        (hands.past if hands else "Done", done.format(chain=shlex.quote(one_line(telling.chain_name)))),
        ("Why?", WHY_COMMAND.format(id=telling.id)),
    )


def why_link(page_url: str | None, reminder_id: ReminderId) -> str | None:
    return page_url.rstrip("/") + PAGE_PATH.format(id=reminder_id) if page_url else None
