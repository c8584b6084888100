"""What a rider reads: the sentence first, what can hurt, how to ask why, and nothing a name could forge."""

from __future__ import annotations

import html.parser
import json
import shlex
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.cautions import HOT_WAX, caution
from rules.ledger import Ledger
from rules.outlook import Outlook
from rules.reminder import RaisedReminder, Reason, Reminder, ReminderKind, ReminderStep, Step
from rules.vocabulary import Bike, BikeId, Chain, ChainId, Condition, Regime, ReminderId, Rider, RiderId
from services.messages.words import (
    Coming,
    ReminderText,
    calendar_entry,
    coming,
    compose,
    message_id,
    week_ahead,
)

NOW = datetime(2025, 6, 3, 19, 4, tzinfo=UTC)
INES = Rider(RiderId(1), "Ines", "ines@plateau.example", "America/Denver")


def reminder(kind: ReminderKind = ReminderKind.DRIP, **changed: Any) -> Reminder:
    return Reminder(
        **{
            "key": f"{kind}:1:treatment 4",
            "kind": kind,
            "chain": ChainId(1),
            "rider": RiderId(1),
            "bike": BikeId(1),
            "cause_at": NOW,
            "headline": "Drip the chain Slate on Wren",
            "sentence": "Slate has 12.4 grit-hours since the drip of 20 May 2025; the limit is 12.",
            "total": 12.4,
            "limit": 12.0,
            "unit": "grit-hours",
            "unknown_h": 0.0,
            "reasons": (),
            "rulebook_version": "2025.1",
            **changed,
        }
    )


def telling(
    number: int = 12, /, *, chain_name: str = "Slate", worse: bool = False, **changed: Any
) -> ReminderText:
    regime = changed.pop("regime", Regime.WAXED)
    return ReminderText(ReminderId(number), reminder(**changed), chain_name, regime, "Wren", worse)


WET = telling(
    12,
    chain_name="Copper",
    kind=ReminderKind.WIPE_AND_DRIP,
    headline="Wipe, dry and drip the chain Copper on Plover",
    sentence="Copper came home wet at 12:52 on 3 June 2025: 1.4 of 1.6 drive hours were wet (Tuesday loop).",
    urgency=1,
)


def test_one_reminder_is_its_headline_its_sentence_its_caution_and_two_commands() -> None:
    message = compose([WET], INES, now=NOW)

    assert message.subject == "Wipe, dry and drip the chain Copper on Plover"
    assert message.text.startswith("Wipe, dry and drip the chain Copper on Plover\n\nCopper came home wet")
    flowing = " ".join(message.text.split())
    assert f"Careful: {caution(ReminderKind.WIPE_AND_DRIP)}" in flowing
    assert "When it is done: gritledger drip Copper" in flowing
    assert "Why: gritledger why 12" in flowing
    assert "Judged on 3 June 2025 at 13:04 by rulebook 2025.1." in flowing  # the rider's own clock: UTC-6
    assert message.short == WET.reminder.sentence
    assert message.reminders == (ReminderId(12),)


def test_hot_wax_is_never_asked_for_without_its_dangers() -> None:
    wax = telling(kind=ReminderKind.IMMERSION, headline="Re-immerse the chain Slate on Wren")

    message = compose([wax], INES, now=NOW)

    assert " ".join(HOT_WAX.split()) in " ".join(message.text.split())
    assert json.loads(message.facts)["reminders"][0]["caution"].startswith(HOT_WAX)


@pytest.mark.parametrize("kind", list(ReminderKind))
@pytest.mark.parametrize("regime", list(Regime))
def test_every_step_has_its_caution_and_a_command_that_says_done(kind: ReminderKind, regime: Regime) -> None:
    message = compose([telling(kind=kind, regime=regime)], INES, now=NOW)

    assert " ".join(f"Careful: {caution(kind, regime)}".split()) in " ".join(message.text.split())
    assert "When it is done:  gritledger " in message.text


def test_several_chains_come_in_one_message_the_pressing_one_first() -> None:
    drips = [
        telling(14, headline="Drip the chain Slate on Wren"),
        telling(15, chain_name="Ochre", headline="Drip the chain Ochre on Dunlin"),
    ]

    message = compose([*drips, WET], INES, now=NOW)

    assert message.subject == "Wipe, dry and drip the chain Copper on Plover, and 2 more"
    places = [message.text.index(t.reminder.headline) for t in (WET, *drips)]
    assert places == sorted(places)
    assert message.reminders == (12, 14, 15)
    # The same caution is written out once, where the first of these steps stands, and referred to after that.
    assert message.text.count("Keep fingers") == 1
    assert message.text.count("Careful: The same as above.") == 2
    assert compose(drips, INES, now=NOW).subject == "Drip the chains Slate on Wren and Ochre on Dunlin"


def test_a_subject_of_many_chains_stays_readable() -> None:
    many = [telling(n, headline=f"Drip the chain number {n} on the bike Dunlin") for n in range(1, 9)]

    assert compose(many, INES, now=NOW).subject == "Drip the chain number 1 on the bike Dunlin, and 7 more"


def test_work_that_another_step_makes_needless_says_so() -> None:
    bath = telling(13, kind=ReminderKind.IMMERSION, key="bath", headline="Re-immerse the chain Slate on Wren")

    message = compose([telling(12, key="drip"), bath], INES, now=NOW)

    flowing = " ".join(message.text.split())
    assert flowing.count("“Re-immerse the chain Slate on Wren” takes care of this too.") == 1
    assert "takes care" not in compose([bath], INES, now=NOW).text


def test_a_reminder_that_grew_says_so() -> None:
    message = compose([telling(worse=True)], INES, now=NOW)

    assert message.subject == "Still waiting: Drip the chain Slate on Wren"
    assert "You were told before; it has grown since." in message.text


def test_what_the_grit_was_made_of_stands_beside_the_total() -> None:
    parts = ((Condition.DUSTY, 20.1), (Condition.DRY, 12.3), (Condition.DUSTY, 4.0), (Condition.WET, 4.6))
    reasons = tuple(Reason(NOW, "an hour", condition=word, grit_h=grit_h) for word, grit_h in parts)

    message = compose([telling(reasons=reasons, total=41.0)], INES, now=NOW)

    assert "Of it 24.1 dusty, 12.3 dry and 4.6 wet." in message.text
    assert "Of it" not in compose([telling(reasons=reasons[:1])], INES, now=NOW).text


def test_hours_without_weather_are_said_not_hidden() -> None:
    message = compose([telling(unknown_h=2.5)], INES, now=NOW)

    assert "No weather is known for 2.5 drive hours of it; they count as plain hours." in message.text
    assert json.loads(message.facts)["reminders"][0]["hours_without_weather"] == 2.5


def test_a_page_is_linked_and_the_weather_is_credited() -> None:
    credit = "Weather data by Open-Meteo.com (https://open-meteo.com/)"
    message = compose([WET], INES, now=NOW, page_url="http://127.0.0.1:8765/", attribution=[credit])

    assert "http://127.0.0.1:8765/why/12" in message.text
    assert credit in message.text
    assert 'href="http://127.0.0.1:8765/why/12"' in message.html
    assert '<a class="soft" style="color:inherit" href="https://open-meteo.com/">' in message.html
    assert "http" not in compose([WET], INES, now=NOW).text


class _Tags(html.parser.HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs


def _tags(page: str) -> _Tags:
    reader = _Tags()
    reader.feed(page)
    return reader


HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=y>&amp;"


def test_a_chain_named_like_markup_or_a_shell_command_stays_a_name() -> None:
    plain = _tags(compose([telling()], INES, now=NOW).html)
    hostile = telling(chain_name=HOSTILE, headline=HOSTILE, sentence=HOSTILE, rulebook_version=HOSTILE)
    message = compose([hostile], INES, now=NOW)

    assert _tags(message.html).tags == plain.tags
    assert not [name for name, _ in _tags(message.html).attributes if name.startswith("on")]
    command = next(line for line in message.text.splitlines() if "gritledger drip" in line)
    assert shlex.split(command.split(":  ")[1]) == ["gritledger", "drip", HOSTILE]


@given(st.text(max_size=60), st.text(max_size=200))
def test_no_text_changes_the_shape_of_the_page_or_the_subjects_single_line(name: str, sentence: str) -> None:
    plain = _tags(compose([telling()], INES, now=NOW).html)
    message = compose([telling(chain_name=name, sentence=sentence)], INES, now=NOW)

    assert _tags(message.html).tags == plain.tags
    json.loads(message.facts)


def test_a_page_address_that_is_no_address_makes_no_link() -> None:
    assert "href" not in compose([WET], INES, now=NOW, page_url="javascript:alert(1)//").html


def test_the_mail_loads_nothing_from_anywhere() -> None:
    page = compose([WET], INES, now=NOW, page_url="http://127.0.0.1:8765").html

    assert not {"img", "script", "link", "iframe", "object"} & set(_tags(page).tags)
    assert "url(" not in page
    assert "@import" not in page


def test_a_message_id_is_the_same_for_the_same_telling_and_another_for_any_other() -> None:
    said = message_id(INES, "email", [WET, telling()], occasion="raised")

    assert message_id(INES, "email", [telling(), WET], occasion="raised") == said
    others = {
        message_id(INES, "desktop", [WET, telling()], occasion="raised"),
        message_id(replace(INES, id=RiderId(2)), "email", [WET, telling()], occasion="raised"),
        message_id(INES, "email", [WET, telling()], occasion="put off until 2025-06-05"),
        message_id(INES, "email", [WET], occasion="raised"),
        message_id(INES, "email", [WET, telling(urgency=2)], occasion="raised"),
    }
    assert len(others | {said}) == 6
    assert said.startswith("<")
    assert said.endswith("@gritledger.invalid>")


def test_the_week_ahead_says_what_is_coming_and_leaves_the_far_away_out() -> None:
    soon = Coming("Drip the chain Slate on Wren", "Slate on Wren: 9.4 of 12 …", NOW + timedelta(days=4))
    later = Coming(
        "Re-immerse the chain Slate on Wren", "Slate on Wren: 20 of 40 …", NOW + timedelta(days=21)
    )
    far = Coming("Measure the chain Ochre on Dunlin", "Ochre: 4 of 60 …", NOW + timedelta(days=90))
    never = Coming("Drip the chain Rust on Heron", "Rust: not ridden lately.", None)

    message = week_ahead([far, later, never, soon], INES, now=NOW)

    assert message.subject == "The week ahead: drip the chain Slate on Wren"
    assert message.text.index("Drip the chain Slate") < message.text.index("Re-immerse the chain Slate")
    assert "Ochre" not in message.text
    assert "Rust" not in message.text
    assert "Every other limit is more than 4 weeks away or not in sight." in " ".join(message.text.split())
    assert json.loads(message.facts)["outlook"][0]["headline"] == far.headline


def test_the_week_ahead_puts_what_is_due_first_and_is_glad_of_nothing() -> None:
    due = week_ahead([], INES, now=NOW, waiting=[WET])
    nothing = week_ahead([], INES, now=NOW)

    assert due.subject == "The week ahead: 1 thing due already"
    assert "Due now. Copper came home wet" in " ".join(due.text.split())
    assert due.reminders == (ReminderId(12),)
    assert "Careful: Keep fingers" in due.text
    assert nothing.subject == "The week ahead: nothing for your hands"
    assert nothing.reminders == ()


def test_a_limit_becomes_a_line_of_the_week() -> None:
    ledger = Ledger(
        riders=(INES,),
        bikes=(Bike(BikeId(1), "Wren", RiderId(1)),),
        sensors=(),
        chains=(Chain(ChainId(1), "Slate", Regime.WET_LUBE),),
        fittings=(),
        rides=(),
        treatments=(),
        readings=(),
        wipe_tests=(),
    )
    limit = Outlook(
        chain=ChainId(1),
        bike=BikeId(1),
        rider=RiderId(1),
        kind=ReminderKind.IMMERSION,
        used=20.0,
        limit=40.0,
        unit="grit-hours",
        unknown_h=0.0,
        pace_per_day=1.0,
        by=NOW + timedelta(days=20),
        sentence="Slate on Wren: 20 of 40 grit-hours to a cleaning.",
    )

    assert coming(limit, ledger) == Coming("Clean the chain Slate on Wren", limit.sentence, limit.by)


def test_an_open_reminder_stands_in_the_calendar_on_the_riders_own_day() -> None:
    late = datetime(2025, 6, 4, 2, 0, tzinfo=UTC)  # 20:00 on 3 June on the plateau
    raised = RaisedReminder(ReminderId(12), WET.reminder, (ReminderStep(Step.RAISED, late, "the round"),))
    entry = calendar_entry(raised, INES, regime=Regime.WAXED, page_url="http://127.0.0.1:8765")

    assert (entry.day, entry.revision, entry.changed_at) == (date(2025, 6, 3), 0, late)
    assert entry.headline == WET.reminder.headline
    assert entry.link == "http://127.0.0.1:8765/why/12"
    assert "Careful:" in entry.text

    put_off = ReminderStep(Step.PUT_OFF, late, "Ines", until=datetime(2025, 6, 7, 6, 0, tzinfo=UTC))
    told = ReminderStep(Step.TOLD, late + timedelta(hours=1), "email")
    moved = calendar_entry(replace(raised, steps=(*raised.steps, put_off, told)), INES, regime=Regime.WAXED)

    assert (moved.day, moved.revision, moved.key) == (date(2025, 6, 7), 2, entry.key)


@pytest.mark.parametrize(
    ("asking", "page_url", "said"),
    [
        (1, None, "1 ride asks which bike it was, and counts on no chain until you say: "
         "gritledger rides --unsure"),
        (4, "http://127.0.0.1:8765/", "4 rides ask which bike it was, and count on no chain until you say: "
         "http://127.0.0.1:8765/rides/answer"),
    ],
)  # fmt: skip
def test_rides_that_wait_for_their_bike_are_said_in_every_message(
    asking: int, page_url: str | None, said: str
) -> None:
    told = compose([telling()], INES, now=NOW, page_url=page_url, asking=asking)
    ahead = week_ahead([], INES, now=NOW, page_url=page_url, asking=asking)
    for message in (told, ahead):
        assert said in " ".join(message.text.split())
        assert "until you say" in message.html
    thought = week_ahead([], INES, now=NOW, advice="A thought for Wren: drip only.")
    assert "A thought for Wren: drip only." in " ".join(thought.text.split())
    silent = compose([telling()], INES, now=NOW, page_url=page_url)
    assert "which bike it was" not in silent.text
