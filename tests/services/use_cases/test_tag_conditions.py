"""Who is asked for a ride's weather: the archive, the forecast for what it lacks, else the stand-by."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from fixtures.fit_writer import fit_bytes
from rules.vocabulary import ConditionTag, Tier
from services.app import App
from services.running.round import one_round
from services.settings import SETTINGS_FILE
from services.store.bookkeeping import CONDITIONS_TAGGED_BY
from services.store.rides import Rides
from services.use_cases.fetch_weather import WAITS_UNTIL
from services.use_cases.tag_conditions import TagReport, tag_conditions
from services.wiring import open_app
from tests.archive_stand_in import ArchiveStandIn, StoppedClock
from tests.put_into import into
from tests.straight_ride import straight_ride
from tests.wet_household import a_ride

HOUR, DAY = timedelta(hours=1), timedelta(days=1)
RIDDEN = datetime(2025, 6, 10, 16, tzinfo=UTC)  # the hour of the ride, whole
NOW = RIDDEN + 12 * DAY  # old enough for the archive and for the stand-by
RAIN = {RIDDEN: {"rain_mm": 4.1}}


@dataclass
class Scene:
    """One rider's home, an open archive with its forecast service, and another archive to stand by."""

    shop: App
    clock: StoppedClock
    archive: ArchiveStandIn
    forecast: ArchiveStandIn
    power: ArchiveStandIn

    def ride(self, at: datetime) -> None:
        (self.shop.settings.home / "rides" / f"{at:%Y%m%d%H}.fit").write_bytes(
            a_ride(at + timedelta(minutes=5), 4711, 0.0)
        )

    def round(self, at: datetime) -> TagReport:
        self.clock.now = at
        return one_round(self.shop, now=at, patience=timedelta(0)).tags

    def tag_of(self, at: datetime) -> ConditionTag | None:
        with self.shop.store.reading() as tx:
            return next(h.tag for ride in tx.rides.rides() for h in ride.hours if h.hour_start == at)

    def days_asked(self, server: ArchiveStandIn, path: str) -> list[tuple[str, str]]:
        begin, end = ("start", "end") if path.startswith("/api") else ("start_date", "end_date")
        return [(a.parameters[begin], a.parameters[end]) for a in server.asked if a.path == path]


def settings(scene_home: Path, urls: tuple[str, str, str], *, stand_by: bool = True) -> None:
    archive, forecast, power = urls
    (scene_home / "rides").mkdir(parents=True, exist_ok=True)
    (scene_home / SETTINGS_FILE).write_text(
        f'[[watch]]\nfolder = "rides"\n[weather]\narchive_url = "{archive}"\nforecast_url = "{forecast}"\n'
        f'power_url = "{power}"\nstand_by = {str(stand_by).lower()}\n'
    )


@pytest.fixture
def scene(tmp_path: Path) -> Iterator[Scene]:
    clock = StoppedClock(now=NOW)
    with (
        ArchiveStandIn(RAIN, clock=clock) as archive,
        ArchiveStandIn(RAIN, clock=clock) as forecast,
        ArchiveStandIn(RAIN, clock=clock) as power,
    ):
        settings(tmp_path, (archive.archive_url, forecast.forecast_url, power.power_url))
        shop = open_app(tmp_path)
        with shop.store.writing() as tx:
            into(tx).add_rider("Ines", "ines@plateau.example", "UTC")
        yield Scene(shop, clock, archive, forecast, power)


def test_the_forecast_is_asked_only_from_the_day_after_the_archives_last(scene: Scene) -> None:
    scene.ride(RIDDEN)
    scene.ride(NOW - DAY)

    scene.round(NOW)

    (asked,) = [a for a in scene.forecast.asked if a.path == "/v1/forecast"]
    archive_last = (scene.archive.data_end - DAY).date()
    assert asked.parameters["past_days"] == str((NOW.date() - archive_last).days - 1)
    assert scene.power.asked == []


def test_a_ride_that_the_archive_holds_whole_asks_no_forecast(scene: Scene) -> None:
    scene.ride(RIDDEN)
    report = scene.round(NOW)
    assert report.waiting == ""
    tag = scene.tag_of(RIDDEN)
    assert tag is not None
    assert (tag.tier, tag.paved_water, tag.source) == (Tier.FINAL, 1, "open-meteo archive (era5)")
    assert scene.forecast.asked == []


def test_while_the_archive_is_down_the_stand_by_answers_and_the_archive_then_replaces_it(
    scene: Scene,
) -> None:
    scene.archive.down = True
    scene.power.weather = lambda *_: {"rain_mm": 0.0}
    scene.ride(RIDDEN)

    first = scene.round(NOW)

    stood_in = scene.tag_of(RIDDEN)
    assert stood_in is not None
    assert (stood_in.tier, stood_in.paved_water) == (Tier.PRELIMINARY, 0)
    assert stood_in.source == "nasa power (merra2)"
    assert stood_in.confidence < 0.9
    assert "gives no answer" in first.waiting
    assert first.flips == ()
    assert scene.forecast.asked == []  # the stand-by reaches that day
    assert scene.days_asked(scene.power, "/api/temporal/hourly/point") == [
        ("20250601", "20250614"),
        ("20250516", "20250531"),
        ("20250501", "20250515"),  # a month before: it is winter there
    ]

    scene.archive.down = False
    later = scene.round(NOW + 2 * HOUR)

    settled = scene.tag_of(RIDDEN)
    assert settled is not None
    assert (settled.tier, settled.paved_water) == (Tier.FINAL, 0.46)  # half believed, and never called dry
    assert settled.source == "open-meteo archive (era5)"
    (flip,) = later.flips
    assert (flip.hour_start, flip.before.paved_water, flip.after.paved_water) == (RIDDEN, 0, 0.46)
    assert "another archive (nasa power) saw no rain in this hour" in settled.because
    assert settled.confidence == pytest.approx(0.46)
    assert any("is judged anew" in sentence for sentence in later.sentences())


def test_the_stand_by_is_not_asked_again_for_what_it_gave(scene: Scene) -> None:
    scene.archive.down = True
    scene.ride(RIDDEN)
    scene.round(NOW)
    scene.power.asked.clear()
    scene.round(NOW + 2 * HOUR)
    assert scene.power.asked == []
    assert scene.archive.asked


def test_days_that_the_stand_by_lacks_come_from_the_forecast_while_the_archive_is_down(scene: Scene) -> None:
    scene.archive.down = True
    at = NOW - 6 * DAY
    scene.archive.weather = scene.forecast.weather = lambda *_: {"rain_mm": 3.0}
    scene.ride(at)

    scene.round(NOW)

    tag = scene.tag_of(at)
    assert tag is not None
    assert (tag.tier, tag.source) == (Tier.PRELIMINARY, "open-meteo forecast (best_match)")
    (asked,) = [a for a in scene.forecast.asked if a.path == "/v1/forecast"]
    assert asked.parameters["past_days"] == "7"  # from the day after the stand-by's last, eight days ago


def test_an_archive_that_asks_to_wait_is_waited_for_and_nobody_else_is_asked(scene: Scene) -> None:
    scene.archive.limits = (600, 5_000, 0)
    scene.ride(RIDDEN)

    report = scene.round(NOW)

    assert "Daily API request limit exceeded" in report.waiting
    assert (scene.power.asked, scene.forecast.asked) == ([], [])
    tag = scene.tag_of(RIDDEN)
    assert tag is None or not tag.known


def test_with_both_down_both_are_named_and_the_hour_is_unknown(scene: Scene) -> None:
    for server in (scene.archive, scene.forecast, scene.power):
        server.down = True
    scene.ride(RIDDEN)

    report = scene.round(NOW)

    assert "open-meteo archive" in report.waiting
    assert "nasa power" in report.waiting
    assert report.unknown_rides == 1


def test_without_a_stand_by_the_forecast_gives_what_its_past_days_hold(tmp_path: Path, scene: Scene) -> None:
    urls = (scene.archive.archive_url, scene.forecast.forecast_url, scene.power.power_url)
    settings(tmp_path, urls, stand_by=False)
    scene.shop = open_app(tmp_path)
    assert scene.shop.stand_by is None
    scene.archive.down = True
    scene.ride(RIDDEN)

    scene.round(NOW)

    assert scene.power.asked == []
    tag = scene.tag_of(RIDDEN)
    assert tag is not None
    assert (tag.tier, tag.paved_water) == (Tier.PRELIMINARY, 1)


def test_a_ride_over_borders_has_each_hour_from_its_own_cell_and_from_what_lay_there(scene: Scene) -> None:
    # northwards from -31.0: an hour later in the next cell, another hour later in the one after
    def weather(latitude_deg: float, _: float, at: datetime) -> dict[str, float]:
        here_now = latitude_deg == -31.0 and at == RIDDEN
        there_before = latitude_deg == -30.5 and at in (RIDDEN, RIDDEN + HOUR)
        return {"rain_mm": 4.1 if here_now or there_before else 0.0}

    scene.archive.weather = weather
    ride = straight_ride(RIDDEN + timedelta(minutes=5), 2.9 * 3600)
    (scene.shop.settings.home / "rides" / "north.fit").write_bytes(fit_bytes(ride))

    scene.round(NOW)

    tags = [scene.tag_of(RIDDEN + n * HOUR) for n in range(3)]
    assert [tag and (tag.rain_mm, tag.rain_before_mm) for tag in tags] == [(4.1, 0), (0, 0), (0, 8.2)]
    start, between, end = (tag for tag in tags if tag)
    assert (start.paved_water, between.paved_water, between.unpaved_water) == (1, 0, 0)
    assert end.unpaved_water == 1
    assert "ended" not in between.because
    assert len({a.parameters["latitude"] for a in scene.archive.asked if "latitude" in a.parameters}) == 3


def test_a_down_archive_does_not_keep_tonights_storm_from_counting(scene: Scene) -> None:
    storm = NOW.replace(minute=0) - 2 * HOUR
    scene.archive.down = True
    scene.forecast.weather = lambda _latitude, _longitude, at: {"rain_mm": 6.0 if at == storm else 0.0}
    scene.ride(storm)
    scene.round(NOW)
    tag = scene.tag_of(storm)
    assert tag is not None
    assert tag.paved_water == 1


def test_a_long_outage_asks_the_stand_by_for_a_bounded_number_of_half_months(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("services.use_cases.fetch_weather.MOST_STAND_BY_BLOCKS", 2)
    scene.archive.down = True
    for months_ago in range(4):
        scene.ride(RIDDEN - months_ago * 31 * DAY)

    scene.round(NOW)

    assert scene.days_asked(scene.power, "/api/temporal/hourly/point") == [
        ("20250601", "20250614"),
        ("20250516", "20250531"),
    ]
    scene.power.asked.clear()
    tag_conditions(scene.shop, now=NOW + 2 * HOUR, patience=timedelta(0))
    assert len(scene.power.asked) == 2


def test_both_credits_stand_beside_the_weather_and_a_local_file_has_no_stand_by(
    tmp_path: Path, scene: Scene
) -> None:
    assert [credit.split()[2] for credit in scene.shop.attribution] == [
        "by",
        "from",
    ]  # the forecast's is in the archive's
    assert any("NASA" in credit for credit in scene.shop.attribution)
    home = tmp_path / "other"
    home.mkdir()
    (home / SETTINGS_FILE).write_text('[weather]\narchive = "none"\n')
    assert open_app(home).stand_by is None


def test_what_the_forecast_said_is_judged_anew_by_the_archive_and_the_flip_is_told(scene: Scene) -> None:
    yesterday = (NOW - DAY).replace(hour=16, minute=0)
    scene.forecast.weather = lambda *_: {"rain_mm": 0.0}
    scene.ride(yesterday)
    scene.round(NOW)
    before = scene.tag_of(yesterday)
    assert before is not None
    assert (before.tier, before.rain_mm) == (Tier.PRELIMINARY, 0.0)

    scene.archive.weather = lambda _lat, _lon, at: {"rain_mm": 4.1 if at == yesterday else 0.0}
    report = scene.round(NOW + 8 * DAY)

    after = scene.tag_of(yesterday)
    assert after is not None
    assert (after.tier, after.rain_mm) == (Tier.FINAL, 4.1)
    (flip,) = (one for one in report.flips if one.hour_start == yesterday)
    assert (flip.before.paved_water, flip.after.paved_water) != (1, 1)
    assert any("is judged anew" in said and "4.1 mm" in said for said in report.sentences())


def test_an_hour_without_a_value_stays_unknown_and_is_asked_again_on_schedule(scene: Scene) -> None:
    scene.archive.nulls = lambda _lat, _lon, at: at == RIDDEN
    scene.ride(RIDDEN)
    scene.round(NOW)
    tag = scene.tag_of(RIDDEN)
    assert tag is None or not tag.known
    asked = scene.days_asked(scene.archive, "/v1/archive")

    scene.round(NOW + 2 * HOUR)
    assert scene.days_asked(scene.archive, "/v1/archive") == asked

    scene.archive.nulls = None
    report = scene.round(NOW + DAY + HOUR)
    (again,) = scene.days_asked(scene.archive, "/v1/archive")[len(asked) :]
    assert again[0] == f"{RIDDEN:%Y-%m-%d}"
    tag = scene.tag_of(RIDDEN)
    assert tag is not None
    assert tag.rain_mm == 4.1
    assert report.unknown_rides == 0


def test_an_archive_that_answers_nonsense_leaves_hours_unknown_and_says_what_is_waiting(scene: Scene) -> None:
    settings_without = (scene.archive.archive_url, scene.forecast.forecast_url, scene.power.power_url)
    settings(scene.shop.settings.home, settings_without, stand_by=False)
    shop = open_app(scene.shop.settings.home)
    for server in (scene.archive, scene.forecast):
        server.spoil = lambda _: {"hourly": "blue"}
    scene.ride(RIDDEN)

    report = one_round(shop, now=NOW, patience=timedelta(0)).tags

    assert "asked again tomorrow" in report.waiting
    assert report.unknown_rides == 1
    tag = scene.tag_of(RIDDEN)
    assert tag is None or not tag.known
    for server in (scene.archive, scene.forecast):
        server.spoil = lambda answer: answer
    one_round(shop, now=NOW + DAY + HOUR, patience=timedelta(0))
    tag = scene.tag_of(RIDDEN)
    assert tag is not None
    assert tag.rain_mm == 4.1


def test_only_the_centres_of_cells_leave_the_house(scene: Scene) -> None:
    scene.ride(RIDDEN)
    scene.ride(NOW - DAY)
    scene.round(NOW)

    grid = scene.shop.providers[0]
    with scene.shop.store.reading() as tx:
        places = {(hour.latitude_deg, hour.longitude_deg) for ride in tx.rides.rides() for hour in ride.hours}
    centres = {
        (cell.latitude_deg, cell.longitude_deg)
        for latitude, longitude in places
        if latitude is not None and longitude is not None
        for cell in (grid.cell_of(latitude, longitude),)
    }
    asked = {
        (float(latitude), float(longitude))
        for server in (scene.archive, scene.forecast)
        for request in server.asked
        if "latitude" in request.parameters
        for latitude, longitude in zip(
            request.parameters["latitude"].split(","), request.parameters["longitude"].split(","), strict=True
        )
    }
    assert asked
    assert asked <= centres
    assert not asked & places


def as_an_older_version_left_it(scene: Scene) -> None:
    """Every hour dry, by another way of tagging."""
    with scene.shop.store.writing() as tx:
        (ride,) = tx.rides.rides()
        old = [
            (
                hour.hour_start,
                replace(hour.tag, paved_water=0.0, mud=0.0, because="As an older version saw it."),
            )
            for hour in ride.hours
            if hour.tag is not None
        ]
        tx.rides.add_tags(ride.id, old, NOW)
        tx.notes.put(CONDITIONS_TAGGED_BY, "an older way", at=NOW)


def test_a_ledger_tagged_another_way_is_tagged_anew_once_and_told_in_one_sentence(scene: Scene) -> None:
    scene.ride(RIDDEN)
    scene.round(NOW)
    as_an_older_version_left_it(scene)

    report = scene.round(NOW + HOUR)

    assert report.anew
    tag = scene.tag_of(RIDDEN)
    assert tag is not None
    assert tag.paved_water == 1
    (told,) = [said for said in report.sentences() if "judged anew" in said]
    assert "of these 0 were wet on paved road, 1 are; " in told
    assert told.endswith("0 were muddy on unpaved ground, 1 are.")
    again = scene.round(NOW + 2 * HOUR)
    assert not again.anew
    assert again.flips == ()


def test_an_archive_that_is_down_puts_off_tagging_anew_and_nothing_moves_until_then(scene: Scene) -> None:
    scene.ride(RIDDEN)
    scene.round(NOW)
    as_an_older_version_left_it(scene)
    scene.ride(RIDDEN - 200 * DAY)  # whose weather is not held
    scene.archive.down = scene.forecast.down = scene.power.down = True

    for later in (2 * HOUR, 2 * HOUR + timedelta(minutes=1)):  # asked in vain; left alone
        report = scene.round(NOW + later)
        assert not report.anew
        tag = scene.tag_of(RIDDEN)
        assert tag is not None
        assert tag.because == "As an older version saw it."

    scene.archive.down = scene.forecast.down = scene.power.down = False
    assert scene.round(NOW + DAY).anew
    tag = scene.tag_of(RIDDEN)
    assert tag is not None
    assert tag.paved_water == 1


def test_while_no_archive_may_be_asked_no_ride_is_read_to_be_tagged_anew(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    scene.ride(RIDDEN)
    scene.round(NOW)
    as_an_older_version_left_it(scene)
    read: list[str] = []
    every = Rides.rides
    monkeypatch.setattr(Rides, "rides", lambda *said: read.append("all rides") or every(*said))

    monkeypatch.setenv("GRITLEDGER_WEATHER__ARCHIVE", "none")
    tag_conditions(open_app(scene.shop.settings.home), now=NOW + HOUR)
    assert read == []
    with scene.shop.store.writing() as tx:
        tx.notes.put(WAITS_UNTIL, (NOW + 3 * HOUR).isoformat(), at=NOW)
    scene.round(NOW + HOUR)
    assert read == []
    assert scene.round(NOW + 4 * HOUR).anew
    assert read


@pytest.mark.parametrize(("word", "share"), [("always", 1.0), ("usually", 0.5), ("never", 0.0)])
def test_which_roads_are_salted_is_the_riders_to_say(tmp_path: Path, word: str, share: float) -> None:
    (tmp_path / SETTINGS_FILE).write_text(f'[surface]\nsalted_roads = "{word}"\n')
    assert open_app(tmp_path).salted_share == share
