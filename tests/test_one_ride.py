"""The whole story in one place: a ride file is dropped into a folder, and a mail arrives that says why.

Real FIT bytes, a real folder and database, an archive over real HTTP, a real mail server with TLS.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from fixtures.fit_writer import fit_bytes
from ingest.ride.recording import Recording
from rules.reminder import Step
from rules.vocabulary import RideId, TreatmentKind
from services.app import App
from services.running.round import Watching, one_round
from services.settings import SETTINGS_FILE
from services.use_cases.preview import preview_rides_on
from services.use_cases.undo import undo
from services.views.terminal_text import why
from services.wiring import open_app
from tests.archive_stand_in import ArchiveStandIn, StoppedClock
from tests.mail_server import MailServer, mail_server
from tests.put_into import into
from tests.saying import log_treatment, put_rides_on
from tests.straight_ride import straight_ride

# A Wednesday afternoon; the archive is five days late, so tonight's storm is known from its forecast service.
STORM_HOUR = datetime(2026, 6, 10, 16, tzinfo=UTC)
RIDE_START = STORM_HOUR - timedelta(minutes=50)
HOME = STORM_HOUR + timedelta(minutes=40)
HOUR = timedelta(hours=1)
EVENING = STORM_HOUR + HOUR + timedelta(minutes=1)  # the storm's hour is over: its weather can be had


def storm(_latitude: float, _longitude: float, hour_start: datetime) -> dict[str, float | None]:
    """Dry for days, 4.1 mm in one hour."""
    return {"rain_mm": 4.1 if hour_start == STORM_HOUR else 0.0}


def a_ride(start: datetime, end: datetime, *, sensor: int | None) -> Recording:
    return straight_ride(start, (end - start).total_seconds(), sensor=sensor)


@dataclass
class House:
    """One rider, two bikes with a chain each, one power meter on Plover."""

    app: App
    rides: Path
    archive: ArchiveStandIn
    mail: MailServer
    watching: Watching

    def drop(self, name: str, recording: Recording) -> None:
        (self.rides / name).write_bytes(fit_bytes(recording))

    def rounds(self, at: datetime) -> list[str]:
        """Two rounds, ten seconds apart: the first sees a new file, the second finds it still."""
        said = []
        for moment in (at, at + timedelta(seconds=10)):
            report = one_round(self.app, now=moment, watching=self.watching, patience=timedelta(0))
            said += report.sentences()
        return said


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    rides = tmp_path / "rides"
    rides.mkdir()
    clock = StoppedClock(now=EVENING)
    with (
        ArchiveStandIn(weather=storm, clock=clock) as archive,
        mail_server(security="starttls", folder=tmp_path) as mail,
    ):
        home = tmp_path / "home"
        home.mkdir()
        (home / SETTINGS_FILE).write_text(
            f"""
            [[watch]]
            folder = "{rides}"
            [weather]
            archive_url = "{archive.archive_url}"
            forecast_url = "{archive.forecast_url}"
            [channels.mail]
            host = "localhost"
            port = {mail.port}
            sender = "gritledger <bench@plateau.example>"
            authority_file = "{mail.authority_file}"
            """,
            encoding="utf-8",
        )
        app = open_app(home)
        with app.store.writing() as tx:
            rider = into(tx).add_rider("Iva", "iva@plateau.example", "Africa/Johannesburg")
            for name in ("Plover", "Harrier"):
                bike = into(tx).add_bike(name=name, owner=rider.id)
                chain = into(tx).add_chain(f"{name}'s chain", speeds=11)
                into(tx).fit_chain(chain.id, bike.id, RIDE_START - timedelta(days=60))
            into(tx).add_sensor("power meter", "serial 4711", tx.equipment.find_bike("Plover").id)
        yield House(app, rides, archive, mail, Watching())


def test_a_file_dropped_into_the_folder_ends_as_a_mail_that_says_why(house: House) -> None:
    house.drop("evening.fit", a_ride(RIDE_START, HOME, sensor=4711))

    said = house.rounds(EVENING)

    assert "1 new ride." in said
    (mail,) = house.mail.received
    assert mail.encrypted
    body = mail.message.get_body(("plain",))
    assert body is not None
    text = " ".join(body.get_content().split())
    assert mail.message["Subject"] == "Wipe, dry and drip the chain Plover's chain on Plover"
    # the ride, the hour (18:00 in the rider's own zone), the rain; `why` has the rest
    assert "came home wet at 18:40 on 10 June 2026" in text
    assert "4.1 mm of rain fell in the hour from 18:00" in text
    assert "Open-Meteo" in text  # the credit the archive's licence asks for


def test_why_can_be_followed_by_hand_to_the_number(house: House) -> None:
    house.drop("evening.fit", a_ride(RIDE_START, HOME, sensor=4711))
    house.rounds(EVENING)

    with house.app.store.reading() as tx:
        (raised,) = tx.reminders.standing()
    lines = list(why(house.app, raised.id))

    assert "the limit is 0.5 a day" in raised.reminder.sentence
    wet_h = (HOME - STORM_HOUR) / HOUR
    assert raised.reminder.total == pytest.approx(wet_h, abs=0.01)
    assert sum(reason.drive_h or 0.0 for reason in raised.reminder.reasons) == pytest.approx(wet_h, abs=0.01)
    assert any("4.1 mm" in line and "open-meteo forecast" in line and "preliminary" in line for line in lines)
    assert any(house.app.rulebook.version in line for line in lines)


def test_no_weather_is_unknown_and_the_round_tags_it_later(house: House) -> None:
    house.archive.down = True
    house.drop("evening.fit", a_ride(RIDE_START, HOME, sensor=4711))

    said = house.rounds(EVENING)

    assert any(sentence.startswith("Weather is waiting") for sentence in said)
    assert house.mail.received == []
    with house.app.store.reading() as tx:
        (ride,) = tx.rides.rides()
    assert all(hour.tag is None or not hour.tag.known for hour in ride.hours)

    house.archive.down = False
    house.rounds(EVENING + HOUR)

    assert len(house.mail.received) == 1


def test_a_corrected_bike_moves_its_grit_hours_and_its_reminder_and_undo_moves_them_back(
    house: House,
) -> None:
    house.drop("evening.fit", a_ride(RIDE_START, HOME, sensor=4711))
    house.rounds(EVENING)
    later = EVENING + timedelta(minutes=30)
    with house.app.store.reading() as tx:
        (ride,) = tx.rides.rides()
        harrier = tx.equipment.find_bike("Harrier")
        (before,) = tx.reminders.standing()

    seen_before_doing = preview_rides_on(house.app, [ride.id], harrier.id, now=later)
    done = put_rides_on(house.app, [ride.id], harrier.id, now=later)

    moved = {one.chain: one.grit_h for one in seen_before_doing.moved}
    assert len(moved) == 2
    assert sum(moved.values()) == pytest.approx(0.0)
    with house.app.store.reading() as tx:
        withdrawn, raised = tx.reminders.get(before.id), tx.reminders.standing()
    assert withdrawn.state is Step.WITHDRAWN
    assert "is now on Harrier" in withdrawn.steps[-1].why
    assert [one.reminder.headline for one in raised] == [
        "Wipe, dry and drip the chain Harrier's chain on Harrier"
    ]

    undo(house.app, done.number, now=later)

    with house.app.store.reading() as tx:
        assert tx.rides.ride(ride.id).bike == ride.bike
        assert [one.id for one in tx.reminders.standing()] == [before.id]


def test_a_drip_closes_the_reminder_and_nothing_more_is_sent(house: House) -> None:
    house.drop("evening.fit", a_ride(RIDE_START, HOME, sensor=4711))
    house.rounds(EVENING)

    log_treatment(
        house.app,
        "Plover",
        TreatmentKind.DRIP,
        EVENING + timedelta(minutes=20),
        now=EVENING + timedelta(minutes=21),
    )
    house.rounds(EVENING + 2 * HOUR)

    with house.app.store.reading() as tx:
        assert tx.reminders.standing() == ()
        assert tx.reminders.all_()[0].state is Step.DONE
    assert len(house.mail.received) == 1


def test_a_ride_that_names_no_bike_is_a_question_until_its_rider_speaks(house: House) -> None:
    house.drop("evening.fit", a_ride(RIDE_START, HOME, sensor=None))

    house.rounds(EVENING)

    with house.app.store.reading() as tx:
        (question,) = tx.rides.confirm_list()
        plover = tx.equipment.find_bike("Plover")
    assert house.mail.received == []

    put_rides_on(house.app, [RideId(question.id)], plover.id, now=EVENING + timedelta(minutes=2))
    house.rounds(EVENING + timedelta(minutes=3))

    assert len(house.mail.received) == 1


def test_a_file_still_being_written_is_left_until_it_is_still(house: House) -> None:
    whole = fit_bytes(a_ride(RIDE_START, HOME, sensor=4711))
    file = house.rides / "evening.fit"
    moment = EVENING
    for share in (0.3, 0.6, 1.0):
        file.write_bytes(whole[: int(len(whole) * share)])
        one_round(house.app, now=moment, watching=house.watching)
        moment += timedelta(seconds=10)
        with house.app.store.reading() as tx:
            assert tx.files.outcomes() == ()

    one_round(house.app, now=moment, watching=house.watching)

    with house.app.store.reading() as tx:
        (record,) = tx.files.outcomes()
    assert record.outcome == "new ride"


def test_a_ride_home_before_its_hour_is_over_is_told_when_it_is(house: House) -> None:
    house.archive.clock.now = HOME + timedelta(minutes=5)  # type: ignore[attr-defined]
    house.drop("evening.fit", a_ride(RIDE_START, HOME, sensor=4711))

    house.rounds(HOME + timedelta(minutes=5))
    assert house.mail.received == []

    house.archive.clock.now = EVENING  # type: ignore[attr-defined]
    house.rounds(EVENING)

    assert len(house.mail.received) == 1
