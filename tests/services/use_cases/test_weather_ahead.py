"""Tomorrow by a forecast over HTTP: one request an evening if wanted, a letter only if it matters."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from ingest.weather.hourly import BlockRefused, Cell
from ingest.weather.open_meteo import OpenMeteoAhead
from rules.commands import AddChain, FitChain
from rules.vocabulary import BikeId, ChainId, Regime, TreatmentKind
from services.settings import SETTINGS_FILE
from services.store.bookkeeping import AHEAD, TOMORROW_TOLD, WET_CHANCES
from services.use_cases.record_change import record
from services.use_cases.weather_ahead import ask_ahead
from services.views.export_rows import Look
from services.views.tomorrow import advice, days_ahead
from services.wiring import open_app
from tests.archive_stand_in import ArchiveStandIn, StoppedClock
from tests.saying import log_treatment
from tests.services.wet_week import DAY, Letterbox, Week
from tests.wet_household import FIRST_DAY, household

EVENING, MORNING = timedelta(hours=19), timedelta(hours=7, minutes=30)
LAST = 27  # four weeks of riding, every day at 16:10 on Plover


def rain_at(chance, mm):
    """It may rain all afternoon of every day to come."""
    return lambda latitude, longitude, at: (
        {"rain_chance": chance, "rain_mm": mm}
        if at >= FIRST_DAY + (LAST + 1) * DAY and 12 <= at.hour < 20
        else {}
    )


@pytest.fixture(scope="module")
def ridden(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A household that rode for four weeks: Plover is waxed, Harrier is oiled."""
    home = tmp_path_factory.mktemp("ridden") / "home"
    shop = household(home, LAST + 1, None)
    lubed = record(shop, AddChain("Galena", Regime.WET_LUBE, 11), now=FIRST_DAY)
    record(shop, FitChain(ChainId(lubed.made), BikeId(2), FIRST_DAY), now=FIRST_DAY)
    week = Week(shop, Letterbox())
    for day in range(LAST + 1):
        week.ride(day)
    week.round(LAST, EVENING)
    evening = FIRST_DAY + LAST * DAY + EVENING
    log_treatment(shop, "Plover", TreatmentKind.IMMERSION, evening, now=evening)
    log_treatment(shop, "Galena", TreatmentKind.CLEAN, evening, now=evening)
    shop.store.close()
    return home


def opened(ridden: Path, tmp_path: Path, server: ArchiveStandIn | None, tell: str = "evening") -> Week:
    from shutil import copytree

    home = tmp_path / "home"
    copytree(ridden, home)
    settings = (home / SETTINGS_FILE).read_text().replace(str(ridden), str(home))
    if server is not None:
        settings = settings.replace("[weather]\n", f'[weather]\nforecast_url = "{server.forecast_url}"\n')
        settings += f'[tomorrow]\nforecast = true\ntell = "{tell}"\n'
    (home / SETTINGS_FILE).write_text(settings)
    box = Letterbox()
    return Week(replace(open_app(home), equip=lambda _: {"email": box}), box)


def clock(day: int = LAST, at: timedelta = EVENING) -> StoppedClock:
    return StoppedClock(FIRST_DAY + day * DAY + at)


def told(week: Week) -> list[str]:
    return [one.subject for one in week.box.taken if "take" in one.subject]


def test_nothing_is_asked_unless_a_rider_wants_it(ridden: Path, tmp_path: Path) -> None:
    week = opened(ridden, tmp_path, None)
    week.round(LAST)
    with week.shop.store.reading() as tx:
        assert tx.notes.get(AHEAD) is None
    (said,) = days_ahead(week.shop, now=FIRST_DAY + LAST * DAY + EVENING)
    assert "set tomorrow.forecast = true, or say rain, dust or salt" in said.sentence
    looked = Look(week.shop, FIRST_DAY + LAST * DAY + EVENING)
    assert advice(week.shop, looked.snapshot, looked.now) == {}
    (typed,) = days_ahead(week.shop, now=FIRST_DAY + LAST * DAY + EVENING, weather="rain")
    assert typed.sentence.startswith("Wednesday: Harrier rather than Plover")
    assert not typed.matters  # typed weather is never told unasked


def test_one_request_an_evening_and_a_letter_with_reason_and_runner_up(ridden: Path, tmp_path: Path) -> None:
    ticking = clock()
    with ArchiveStandIn(rain_at(0.9, 4.0), clock=ticking) as server:
        week = opened(ridden, tmp_path, server)
        week.round(LAST, timedelta(hours=15))
        assert server.asked == []  # not evening yet
        week.round(LAST, EVENING)
        week.round(LAST, EVENING + timedelta(minutes=30))
        (asked,) = server.asked
        assert (asked.parameters["latitude"], asked.parameters["longitude"]) == ("-31.0", "21.0")
        assert asked.parameters["forecast_days"] == "3"
        assert "precipitation_probability" in asked.parameters["hourly"]
    (subject,) = told(week)
    assert subject == "Tomorrow: take Harrier"
    (text,) = (" ".join(one.text.split()) for one in week.box.taken if one.subject == subject)
    assert "Harrier rather than Plover, for it is likely wet (90%)" in text
    assert "Next best: Plover" in text
    (shown,) = days_ahead(week.shop, now=FIRST_DAY + LAST * DAY + EVENING)
    assert shown.matters
    looked = Look(week.shop, FIRST_DAY + LAST * DAY + EVENING)
    assert list(advice(week.shop, looked.snapshot, looked.now).values()) == [shown.sentence]
    assert any("Forecast of Tuesday 19:00" in doubt for doubt in shown.doubts)
    with week.shop.store.reading() as tx:
        kept = tx.notes.get(f"{WET_CHANCES}2025-01")
    assert len(kept) == 24
    assert kept["2025-01-29T16:00:00+00:00"] == pytest.approx(0.9)
    assert kept["2025-01-29T08:00:00+00:00"] == 0.0


def test_a_dry_forecast_says_nothing_and_the_morning_waits_for_the_morning(
    ridden: Path, tmp_path: Path
) -> None:
    ticking = clock()
    with ArchiveStandIn(rain_at(0.02, 0.0), clock=ticking) as server:
        week = opened(ridden, tmp_path, server)
        week.round(LAST, EVENING)
        assert len(server.asked) == 1
        assert told(week) == []
    with ArchiveStandIn(rain_at(0.9, 4.0), clock=ticking) as server:
        week = opened(ridden, tmp_path / "morning", server, "morning")
        week.round(LAST, EVENING)
        assert told(week) == []
        week.round(LAST + 1, timedelta(hours=6))  # quiet hours
        assert told(week) == []
        week.round(LAST + 1, MORNING)
        week.round(LAST + 1, MORNING + timedelta(hours=1))
        assert told(week) == ["Today: take Harrier"]


def test_twice_a_week_at_most(ridden: Path, tmp_path: Path) -> None:
    ticking = clock()
    with ArchiveStandIn(rain_at(0.9, 4.0), clock=ticking) as server:
        week = opened(ridden, tmp_path, server)
        for day in range(LAST, LAST + 5):
            ticking.now = FIRST_DAY + day * DAY + EVENING
            week.round(day, EVENING)
        assert len(server.asked) == 5
    assert len(told(week)) == 2
    with week.shop.store.reading() as tx:
        assert len(tx.notes.get(f"{TOMORROW_TOLD}1")) == 2


@pytest.mark.parametrize("trustworthy", [True, False])
def test_a_forecast_speaks_only_while_it_beats_the_month(
    ridden: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, trustworthy: bool
) -> None:
    """An earlier forecast of all 28 rides was always right, or always wrong; 28 are made enough here."""
    monkeypatch.setattr("rules.forecast_score.ENOUGH_RIDES", LAST + 1)
    ticking = clock()
    with ArchiveStandIn(rain_at(0.9, 4.0), clock=ticking) as server:
        week = opened(ridden, tmp_path, server)
        with week.shop.store.reading() as tx:
            tags = [(hour.hour_start, hour.tag) for ride in tx.ledger().rides for hour in ride.hours]
        earlier = {
            at.isoformat(): float(((tag.paved_water or 0.0) >= 0.45) == trustworthy)
            for at, tag in tags
            if tag
        }
        with week.shop.store.writing() as tx:
            tx.notes.put(f"{WET_CHANCES}2025-01", earlier, at=ticking.now)
        week.round(LAST, EVENING)
        assert told(week) == (["Tomorrow: take Harrier"] if trustworthy else [])
        (shown,) = days_ahead(week.shop, now=ticking.now)
        assert shown.matters == trustworthy
        assert shown.choices  # who asks is answered
        doubts = " ".join(shown.doubts)
        assert "Held against the final tags of 28 rides" in doubts
        assert ("nothing is said unasked" in doubts) != trustworthy


def test_a_forecast_that_is_down_waits_and_says_so(ridden: Path, tmp_path: Path) -> None:
    ticking = clock()
    with ArchiveStandIn(clock=ticking, down=True) as server:
        week = opened(ridden, tmp_path, server)
        said = ask_ahead(week.shop, now=ticking.now, patience=timedelta(0))
        assert said.startswith("Tomorrow's weather is waiting: the open-meteo forecast")
        asked = len(server.asked)
        assert ask_ahead(week.shop, now=ticking.now, patience=timedelta(0)) == ""
        assert len(server.asked) == asked
        server.down = False
        assert ask_ahead(week.shop, now=ticking.now + timedelta(hours=1), patience=timedelta(0)) == ""
        assert len(server.asked) == asked + 1


def test_an_answer_without_chances_is_refused() -> None:
    ticking = clock()
    with ArchiveStandIn(clock=ticking) as server:
        provider = OpenMeteoAhead(server.forecast_url)
        first, last = provider.reach(now=ticking.now)
        assert provider.cost(first, last, now=ticking.now) > 1
        server.spoil = lambda answer: {
            **answer,
            "hourly": {**answer["hourly"], "precipitation_probability": [1]},
        }
        with pytest.raises(BlockRefused, match="how likely rain is"):
            provider.fetch(Cell(-31.0, 21.0), last - 3 * DAY, last, now=ticking.now)
        provider.close()
