"""What a rider reads: the sentence first, what can hurt, how to ask why, and nothing a name could forge."""

from __future__ import annotations

import html as html_module
import html.parser
import json
import re
import shlex
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from itertools import product
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.cautions import HOT_WAX, LINK_IN_A_LINE, in_a_line
from rules.kinds_of_work import work
from rules.ledger import Ledger
from rules.outlook import Outlook
from rules.reminder import RaisedReminder, Reason, Reminder, ReminderKind, ReminderStep, Step
from rules.salt_due import RINSE
from rules.units import SI, said
from rules.vocabulary import (
    Bike,
    BikeId,
    Chain,
    ChainId,
    Condition,
    Regime,
    ReminderId,
    RideId,
    Rider,
    RiderId,
)
from services.answer_links import GOOD_FOR, Act, Address, read_link
from services.messages.message import AskedRide, Message
from services.messages.reminder_text import announcement, compose, message_id
from services.messages.sample_letter import sample_letter
from services.messages.shortening import MOST_WORDS, words
from services.messages.told_reminder import ToldReminder
from services.messages.week_ahead import Coming, coming, week_ahead
from services.views.calendar_entries import calendar_entry

NOW = datetime(2025, 6, 3, 19, 4, tzinfo=UTC)
INES = Rider(RiderId(1), "Ines", "ines@plateau.example", "America/Denver")


HOME = Address("http://192.168.1.20:8765", everywhere=True, key=b"k" * 32, until=NOW + GOOD_FOR)
ASKED = AskedRide(
    RideId(7), "Tue 3 Jun 17:40, 34 km, dusty", ((BikeId(1), "Wren"), (BikeId(2), "Night Heron")), more=2
)


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
) -> ToldReminder:
    regime = changed.pop("regime", Regime.WAXED)
    return ToldReminder(ReminderId(number), reminder(**changed), chain_name, regime, "Wren", worse)


WET = telling(
    12,
    chain_name="Copper",
    kind=ReminderKind.WIPE_AND_DRIP,
    headline="Wipe, dry and drip the chain Copper on Plover",
    sentence="Copper came home wet at 12:52 on 3 June 2025 (Tuesday loop): 1.4 of 1.6 drive hours were wet.",
    urgency=1,
)


def test_one_reminder_is_its_headline_its_reason_its_caution_and_two_commands() -> None:
    message = compose([WET], INES)

    assert message.subject == "Wipe, dry and drip the chain Copper on Plover"
    assert message.text.startswith("Wipe, dry and drip the chain Copper on Plover\n\nCopper came home wet")
    flowing = " ".join(message.text.split())
    assert "Careful: fingers off a turning chain, wax off brakes." in flowing
    assert "Wiped and dripped: gritledger log drip Copper" in flowing
    assert "Why? gritledger why 12" in flowing
    assert "page.public_url" not in flowing  # there is no page to be reached
    assert message.short == WET.reminder.sentence
    assert message.reminders == (ReminderId(12),)


def test_hot_wax_is_never_asked_for_without_its_dangers() -> None:
    wax = telling(kind=ReminderKind.IMMERSION, headline="Re-immerse the chain Slate on Wren")

    for message in (compose([wax], INES), compose([telling(14), wax, WET], INES, address=HOME)):
        assert "Careful: hot wax burns and catches fire;" in message.text
        assert "hot wax burns" in message.html
    assert f"All of it:  {HOME.url}/careful" in message.text
    assert json.loads(compose([wax], INES).facts)["reminders"][0]["caution"].startswith(said(HOT_WAX, SI))


@pytest.mark.parametrize("kind", list(ReminderKind))
@pytest.mark.parametrize("regime", list(Regime))
def test_every_step_has_its_caution_and_a_command_that_says_done(kind: ReminderKind, regime: Regime) -> None:
    message = compose([telling(kind=kind, regime=regime)], INES)

    line = in_a_line([(kind, regime)])
    assert line
    assert f"Careful: {line}" in " ".join(message.text.split())
    assert ":  gritledger " in message.text


def test_several_chains_come_in_one_message_the_pressing_one_first() -> None:
    drips = [
        telling(14, headline="Drip the chain Slate on Wren"),
        telling(15, chain_name="Ochre", headline="Drip the chain Ochre on Dunlin"),
    ]

    message = compose([*drips, WET], INES, address=HOME)

    assert message.subject == "Wipe, dry and drip the chain Copper on Plover, and 2 more"
    places = [message.text.index(t.reminder.headline) for t in (WET, *drips)]
    assert places == sorted(places)
    assert message.reminders == (12, 14, 15)
    assert message.text.count("Careful:") == 1
    assert compose(drips, INES).subject == "Drip the chains Slate on Wren and Ochre on Dunlin"


def test_a_subject_of_many_chains_stays_readable() -> None:
    many = [telling(n, headline=f"Drip the chain number {n} on the bike Dunlin") for n in range(1, 9)]

    assert compose(many, INES).subject == "Drip the chain number 1 on the bike Dunlin, and 7 more"


def test_work_that_another_step_makes_needless_says_so() -> None:
    bath = telling(13, kind=ReminderKind.IMMERSION, key="bath", headline="Re-immerse the chain Slate on Wren")

    message = compose([telling(12, key="drip"), bath], INES, address=HOME)

    flowing = " ".join(message.text.split())
    assert flowing.count("“Re-immerse the chain Slate on Wren” takes care of this too.") == 1
    assert "takes care" not in compose([bath], INES).text


def test_a_reminder_that_grew_says_so() -> None:
    assert compose([telling(worse=True)], INES).subject == "Still waiting: Drip the chain Slate on Wren"


def test_what_the_grit_was_made_of_stands_beside_the_total() -> None:
    parts = ((Condition.DUSTY, 20.1), (Condition.DRY, 12.3), (Condition.DUSTY, 4.0), (Condition.WET, 4.6))
    reasons = tuple(Reason(NOW, "an hour", condition=word, grit_h=grit_h) for word, grit_h in parts)

    message = compose([telling(reasons=reasons, total=41.0)], INES)

    assert "Of it 24.1 dusty, 12.3 dry and 4.6 wet." in message.text
    wet_too = f"{telling().reminder.sentence} It came home wet. Wipe it dry each wet evening for 10 days."
    both = compose([telling(reasons=reasons, total=41.0, sentence=wet_too)], INES, address=HOME).text
    assert "the limit is 12. Of it 24.1 dusty" in " ".join(both.split())  # 'it' is the total, not the chain
    assert "Of it" not in compose([telling(reasons=reasons[:1])], INES).text


def test_hours_without_weather_are_said_not_hidden() -> None:
    message = compose([telling(unknown_h=2.5)], INES, asked=ASKED)

    assert "No weather is known for 2.5 drive hours of it." in message.text
    assert json.loads(message.facts)["reminders"][0]["hours_without_weather"] == 2.5


def test_a_page_is_linked_and_the_weather_is_credited() -> None:
    credit = "Weather data by Open-Meteo.com, https://open-meteo.com/ (CC BY 4.0). Contains modified facts."
    message = compose([WET], INES, address=HOME, attribution=[credit])

    assert f"Why?  {HOME.url}/why/12" in message.text
    assert "Weather data by Open-Meteo.com, https://open-meteo.com/ (CC BY 4.0)." in message.text
    assert "Contains modified" not in message.text
    assert f'href="{HOME.url}/why/12"' in message.html
    assert '<a class="soft" style="color:inherit" href="https://open-meteo.com/">' in message.html
    assert "http" not in compose([WET], INES).text


def test_answers_are_links_that_name_one_thing_each_and_work_where_they_say() -> None:
    message = compose([WET], INES, address=HOME, asked=ASKED)

    tokens = [line.rsplit("/a/", 1)[1] for line in message.text.splitlines() if "/a/" in line]
    said = [read_link(token, HOME.key, NOW) for token in tokens]
    assert [(one.act, one.number, one.bike) for one in said] == [
        (Act.DONE, 12, 0), (Act.PUT_OFF, 12, 0), (Act.IT_WAS, 7, 1), (Act.IT_WAS, 7, 2), (Act.IT_WAS, 7, 0),
    ]  # fmt: skip
    labels = re.findall(r"^  (.*?):?  http", message.text, re.MULTILINE)
    assert labels == [
        "Wiped and dripped", "Put off", "Why?", "Wren", "Night Heron", "None of ours", "2 more",
        "All of it",
    ]  # fmt: skip
    assert all(token in message.html for token in tokens)
    assert "page.public_url" not in message.text
    here_alone = compose([WET], INES, address=replace(HOME, everywhere=False))
    assert "To answer by phone, set page.public_url." in here_alone.text
    assert json.loads(message.facts)["reminders"][0]["done_link"].endswith(tokens[0])


def test_a_question_about_many_bikes_is_one_link() -> None:
    many = replace(ASKED, bikes=tuple((BikeId(n), f"Bike {n}") for n in range(1, 7)))

    message = compose([WET], INES, address=HOME, asked=many)

    token = re.search(r"Say which:  \S+/a/(\S+)", message.text)
    assert token is not None
    assert read_link(token[1], HOME.key, NOW).bike is None
    assert "Bike 3" not in message.text


def _read(message: Message) -> tuple[str, str]:
    """What is read of it, as text and as a page."""
    page = re.sub(r"<head>.*?</head>", "", message.html, flags=re.DOTALL)
    return message.text, html_module.unescape(re.sub(r"<[^>]+>", " ", page))


LONG = (
    "Quartz came home wet at 19:01 on 27 November 2026 (51 km): 5.8 mm of rain fell in the hour from "
    "17:00; 1.5 of 1.9 drive hours of the day were wet; the limit is 0.5 a "
    "day. Rinse and dry it each salted or wet evening for 10 days; probably road salt, which rusts it "
    "overnight."
)


def _of_a_kind(number: int, kind: ReminderKind, regime: Regime) -> ToldReminder:
    hands = work(kind, regime)
    headline = f"{hands.verb if hands else 'Measure'} the chain Quartz on Night Heron"
    # a worn chain wants no care
    sentence = LONG.partition(" Rinse")[0] if kind is ReminderKind.REPLACEMENT else LONG
    return telling(
        number, kind=kind, regime=regime, sentence=sentence, unknown_h=1.5,
        chain_name="Quartz", key=f"{number}", headline=headline, worse=bool(number % 2),
    )  # fmt: skip


EVERY_KIND = [_of_a_kind(n, *step) for n, step in enumerate(product(ReminderKind, Regime), start=20)]
MOVED = (
    "The limits are new: the drip from 9 to 12 grit-hours, the immersion from 16 to 40 grit-hours and a wet "
    "chain from 0.1 to 0.5 drive hours. A drip now puts the immersion off: what is ridden on a used-up film "
    "counts 2 times as dirt. By them, withdrawn: Drip the chain Slate on Wren; newly due: Measure the chain "
    "Ochre on Dunlin."
)
AHEAD = [
    Coming(f"Drip the chain Chain {n} on Night Heron", "…", NOW + timedelta(days=2 * n)) for n in range(1, 9)
]


@pytest.mark.parametrize("where", ["nowhere", "here", "everywhere"])
@pytest.mark.parametrize("asks", [False, True])
def test_every_kind_of_mail_has_at_most_sixty_words_and_one_line_of_caution(where: str, asks: bool) -> None:
    address = None if where == "nowhere" else replace(HOME, everywhere=where == "everywhere")
    asked = ASKED if asks else None
    mails = {one.reminder.kind + one.regime: compose([one], INES, address=address, asked=asked)
             for one in EVERY_KIND}  # fmt: skip
    for count in (2, 3, 10):
        mails[f"{count} chains"] = compose(EVERY_KIND[:count], INES, address=address, asked=asked)
    for name, waiting, ahead, advice in (
        ("a quiet week", (), [], ""),
        ("a busy week", (), AHEAD, "A thought for Wren: …"),
        ("a week with work left", EVERY_KIND[:3], AHEAD, "A thought for Wren: …"),
    ):
        mails[name] = week_ahead(ahead, INES, now=NOW, waiting=waiting, address=address, asked=asked,
                                 advice=advice)  # fmt: skip
    mails["new limits"] = announcement("New limits for your chains", MOVED, INES, address=address)
    mails["a swap"] = announcement("Swap the chains on Wren", MOVED, INES, address=address,
                                   careful=LINK_IN_A_LINE)  # fmt: skip

    counted = {name: max(map(words, _read(mail))) for name, mail in mails.items()}

    assert max(counted.values()) <= MOST_WORDS, counted
    assert all(mail.text.count("Careful:") <= 1 for mail in mails.values())
    for one in EVERY_KIND:
        mail = mails[one.reminder.kind + one.regime]
        assert "Quartz came home wet at 19:01" in " ".join(mail.text.split()), mail.text
        assert not asks or "hich bike" in mail.text
        # the silence on wet evenings to come rests on this, wherever there is a page
        asks_ahead = "each salted or wet evening for 10 days" in one.reminder.sentence
        assert not (address and asks_ahead) or "wet evening for 10 days" in " ".join(mail.text.split())
    assert words(sample_letter("email", "", now=NOW).text) <= MOST_WORDS


def test_what_found_no_room_is_counted_and_linked() -> None:
    message = compose(EVERY_KIND, INES, address=HOME)

    shown = sum(f"/why/{one.id}" in message.text for one in EVERY_KIND)
    assert 1 < shown < len(EVERY_KIND)
    assert f"And {len(EVERY_KIND) - shown} more" in message.text
    assert f"See them:  {HOME.url}/" in message.text
    assert len(message.reminders) == len(EVERY_KIND)


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
    plain = _tags(compose([telling()], INES).html)
    hostile = telling(chain_name=HOSTILE, headline=HOSTILE, sentence=HOSTILE, rulebook_version=HOSTILE)
    message = compose([hostile], INES)

    assert _tags(message.html).tags == plain.tags
    assert not [name for name, _ in _tags(message.html).attributes if name.startswith("on")]
    command = next(line for line in message.text.splitlines() if "gritledger log drip" in line)
    assert shlex.split(command.split(":  ")[1]) == ["gritledger", "log", "drip", HOSTILE]


@given(st.text(max_size=60), st.text(max_size=200))
def test_no_text_changes_the_shape_of_the_page_or_the_subjects_single_line(name: str, sentence: str) -> None:
    plain = _tags(compose([telling()], INES).html)
    message = compose([telling(chain_name=name, sentence=sentence)], INES)

    assert set(_tags(message.html).tags) <= set(plain.tags)  # paragraphs may find no room
    assert {name for name, _ in _tags(message.html).attributes} <= {name for name, _ in plain.attributes}
    json.loads(message.facts)


def test_a_page_address_that_is_no_address_makes_no_link() -> None:
    assert "href" not in compose([WET], INES, address=replace(HOME, url="javascript:alert(1)//")).html


def test_the_mail_loads_nothing_from_anywhere() -> None:
    page = compose([WET], INES, address=HOME, asked=ASKED).html

    assert not {"img", "script", "link", "iframe", "object"} & set(_tags(page).tags)
    assert "url(" not in page
    assert "@import" not in page


def test_a_message_id_is_the_same_for_the_same_telling_and_another_for_any_other() -> None:
    def made(
        *texts: ToldReminder,
        rider: Rider = INES,
        by: str = "email",
        occasion: str = "raised",
        household: str = "ours",
    ) -> str:
        return message_id(rider, by, texts or (WET, telling()), household=household, occasion=occasion)

    said = made()

    assert made(telling(), WET) == said
    others = {
        made(by="desktop"),
        made(rider=replace(INES, id=RiderId(2))),
        made(occasion="put off until 2025-06-05"),
        made(household="theirs"),
        made(WET),
        made(WET, telling(urgency=2)),
    }
    assert len(others | {said}) == 7
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

    assert due.subject == f"The week ahead: due already on {WET.bike_name or WET.chain_name}"
    many = [replace(WET, id=ReminderId(n), bike_name=f"Bicycle number {n}") for n in range(9)]
    assert week_ahead([], INES, now=NOW, waiting=many).subject == "The week ahead: 9 things due already"
    assert "Copper came home wet" in " ".join(due.text.split())
    assert due.reminders == (ReminderId(12),)
    assert "Careful: fingers off" in due.text
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


def test_a_ride_that_waits_for_its_bike_is_asked_about_in_every_message() -> None:
    alone = replace(ASKED, more=0)
    for message in (compose([telling()], INES, asked=alone), week_ahead([], INES, now=NOW, asked=alone)):
        assert "Which bike was it: Tue 3 Jun 17:40, 34 km, dusty?" in " ".join(message.text.split())
        assert "Answer:  gritledger assign 7 BIKE" in message.text
        assert "gritledger rides --unsure" not in message.text
        assert "Which bike was it" in message.html
    assert "2 more:  gritledger rides --unsure" in week_ahead([], INES, now=NOW, asked=ASKED).text
    assert "Which bike" not in compose([telling()], INES).text
    thought = week_ahead([], INES, now=NOW, advice="A thought for Wren: drip only.", address=HOME)
    assert "Another way looks better" in thought.text
    assert f"{HOME.url}/year" in thought.text


def test_a_wet_chain_that_waits_for_its_immersion_is_only_wiped() -> None:
    bath = telling(
        9, kind=ReminderKind.IMMERSION, headline="Re-immerse the chain Ochre on Dunlin", key="bath"
    )

    alone, beside = (
        " ".join(compose([WET], INES, address=HOME, beside=other).text.split())
        for other in ((), (replace(bath.reminder, chain=WET.reminder.chain),))
    )

    assert "“Re-immerse” does the rest" not in alone
    assert "tonight and each wet evening for 10 days; “Re-immerse” does the rest." in beside


def test_of_two_jobs_on_one_chain_the_wet_evenings_are_asked_for_all_the_same() -> None:
    salted = replace(WET.reminder, sentence=f"{WET.reminder.sentence} {RINSE}", key="wet")
    bath = replace(
        salted, kind=ReminderKind.IMMERSION, headline="Re-immerse the chain Copper on Plover", key="bath"
    )
    both = [replace(WET, reminder=salted), replace(WET, id=ReminderId(13), reminder=bath)]

    flowing = " ".join(compose(both, INES, address=HOME).text.split())

    assert "Rinse and dry it tonight and each wet evening for 10 days." in flowing
    assert flowing.count("/a/") == 4  # both can be said done, and put off
