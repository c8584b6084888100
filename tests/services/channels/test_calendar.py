"""The calendar feed, read back by an independent reading of RFC 5545 and by icalendar."""

from __future__ import annotations

import threading
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import icalendar
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.vocabulary import RiderId
from services.channels import ChannelError
from services.channels.calendar import CalendarChannel, Entry, feed
from services.messages.sample_letter import sample_letter

CHANGED = datetime(2025, 6, 3, 18, 52, tzinfo=UTC)
WAX = Entry(
    key="re-immersion/3/t17",
    day=date(2025, 6, 5),
    headline="Re-immerse chain 3, on Harrier",
    text="41 of 40 grit-hours since immersion; 24 of them dust.\nWhy: gritledger why 12",
    changed_at=CHANGED,
    link="http://127.0.0.1:8765/why/12",
)
DRIP = Entry("drip/1/t20", date(2025, 6, 9), "Drip chain 1", "At the recent pace.", CHANGED, expected=True)


def events(content: bytes) -> list[icalendar.Event]:
    return list(icalendar.Calendar.from_ical(content).walk("VEVENT"))


def test_what_is_due_is_a_whole_day_with_an_alarm_in_the_evening() -> None:
    (event,) = events(feed([WAX]))

    assert str(event["SUMMARY"]) == "Re-immerse chain 3, on Harrier"
    assert str(event["DESCRIPTION"]) == WAX.text
    assert (event["DTSTART"].dt, event["DTEND"].dt) == (date(2025, 6, 5), date(2025, 6, 6))
    assert event["DTSTAMP"].dt == CHANGED
    assert (str(event["STATUS"]), str(event["TRANSP"])) == ("CONFIRMED", "TRANSPARENT")
    assert str(event["URL"]) == "http://127.0.0.1:8765/why/12"
    (alarm,) = event.walk("VALARM")
    assert alarm["TRIGGER"].dt == timedelta(hours=18)


def test_what_is_only_expected_says_so_and_rings_nothing() -> None:
    (event,) = events(feed([DRIP]))

    assert str(event["SUMMARY"]) == "Expected: Drip chain 1"
    assert str(event["STATUS"]) == "TENTATIVE"
    assert event.walk("VALARM") == []


def test_an_entry_that_moves_keeps_its_uid_and_counts_its_revision() -> None:
    (before,) = events(feed([WAX]))
    (after,) = events(feed([replace(WAX, day=date(2025, 6, 7), revision=1)]))

    assert before["UID"] == after["UID"]
    assert after["SEQUENCE"] == 1
    assert events(feed([DRIP]))[0]["UID"] != before["UID"]


def test_the_feed_is_a_calendar_by_the_letter_of_the_standard() -> None:
    content = feed([WAX, DRIP])

    # RFC 5545 §3.1: lines end in CRLF and are at most 75 octets; §3.6: VERSION and PRODID once each.
    assert content.endswith(b"END:VCALENDAR\r\n")
    assert all(len(line) <= 75 for line in content.split(b"\r\n"))
    assert b"\n" not in content.replace(b"\r\n", b"")
    assert content.count(b"\r\nVERSION:2.0\r\n") == content.count(b"\r\nPRODID:") == 1
    # §3.6.1: UID and DTSTAMP in each event.
    assert content.count(b"BEGIN:VEVENT") == content.count(b"\r\nUID:") == content.count(b"\r\nDTSTAMP:") == 2


def test_the_same_entries_give_the_same_bytes_in_any_order() -> None:
    assert feed([WAX, DRIP]) == feed([DRIP, WAX])
    assert events(feed([])) == []


@given(st.text(max_size=300), st.text(max_size=80))
def test_no_text_from_a_file_breaks_out_of_its_line(text: str, headline: str) -> None:
    content = feed([replace(WAX, text=text, headline=headline), DRIP])

    found = events(content)
    assert len(found) == 2
    assert {str(e["SUMMARY"]) for e in found} >= {"Expected: Drip chain 1"}
    assert content.count(b"\r\nBEGIN:") == 3  # two events and one alarm, whatever the text says


def test_the_file_is_rewritten_whole_and_what_is_done_disappears(tmp_path: Path) -> None:
    due = [WAX, DRIP]
    path = tmp_path / "shared" / "chains.ics"
    channel = CalendarChannel(path, lambda: due)
    assert channel.check() == []

    channel.send(sample_letter("calendar", "", now=CHANGED))
    assert len(events(path.read_bytes())) == 2
    assert path.stat().st_mode & 0o777 == 0o644

    due.remove(WAX)
    channel.refresh()
    assert [str(e["SUMMARY"]) for e in events(path.read_bytes())] == ["Expected: Drip chain 1"]
    assert [p.name for p in path.parent.iterdir()] == ["chains.ics"]


def test_a_reader_never_meets_half_a_calendar(tmp_path: Path) -> None:
    path = tmp_path / "chains.ics"
    channel = CalendarChannel(path, lambda: [replace(WAX, key=str(n)) for n in range(200)])
    channel.refresh()
    over = threading.Event()
    lengths: set[int] = set()

    def read() -> None:
        while not over.is_set():
            lengths.add(len(path.read_bytes()))

    reader = threading.Thread(target=read)
    reader.start()
    for _ in range(10):
        channel.refresh()
    over.set()
    reader.join()

    assert lengths == {len(path.read_bytes())}


def test_a_place_that_cannot_be_written_is_a_passing_failure_in_words(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    channel = CalendarChannel(tmp_path / "file" / "chains.ics", lambda: [WAX])

    with pytest.raises(ChannelError, match=r"chains\.ics cannot be written") as trouble:
        channel.send(sample_letter("calendar", "", now=CHANGED))

    assert not trouble.value.permanent
    assert "cannot be written" in channel.check()[0]
    assert "is a folder" in CalendarChannel(tmp_path, list).check()[0]
    assert RiderId(0) == sample_letter("calendar", "", now=CHANGED).rider
