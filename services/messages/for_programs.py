"""What a message says as JSON, for programs that are handed it."""

from __future__ import annotations

import json
from collections.abc import Sequence

from rules.cautions import caution
from rules.kinds_of_work import work
from rules.vocabulary import Rider
from services.answer_links import Address
from services.messages.buttons import PUT_OFF, done_words, why_link
from services.messages.told_reminder import ToldReminder


def facts_for_programs(
    ordered: Sequence[ToldReminder], rider: Rider, address: Address | None, attribution: Sequence[str]
) -> str:
    return json.dumps(
        {
            "rider": rider.name,
            "reminders": [
                {
                    "id": t.id,
                    "kind": t.reminder.kind,
                    "headline": t.reminder.headline,
                    "sentence": t.reminder.sentence,
                    "chain": t.chain_name,
                    "bike": t.bike_name,
                    "total": round(t.reminder.total, 3),
                    "limit": t.reminder.limit,
                    "unit": t.reminder.unit,
                    "hours_without_weather": round(t.reminder.unknown_h, 3),
                    "urgency": t.reminder.urgency,
                    "worse": t.worse,
                    "cause_at": t.reminder.cause_at.isoformat(),
                    "caution": caution(t.reminder.kind, t.regime),
                    "rulebook": t.reminder.rulebook_version,
                    "link": why_link(address.url if address else None, t.id),
                    "done_link": address.done(t.id) if address and work(t.reminder.kind, t.regime) else None,
                    "put_off_link": address.put_off(t.id) if address else None,
                }
                for t in ordered
            ],
            "done": done_words(ordered),
            "put_off": PUT_OFF,
            "weather": list(attribution),
        },
        ensure_ascii=False,
    )
