"""What pages show is never older than the last write, and is not read twice for nothing."""

from __future__ import annotations

import re
import threading
import time
from dataclasses import replace
from datetime import UTC, timedelta

import pytest
from starlette.testclient import TestClient

from rules.commands import BeginSupply, FitChain, PutRidesOn, Retire
from rules.dates_and_numbers import day
from rules.vocabulary import BikeId, RiderId, SupplyKind, TreatmentKind
from services.app import App, zone_of
from services.running.round import one_round
from services.use_cases.judge_bikes import HouseholdJudgement, OpenQuestion
from services.use_cases.record_change import record
from services.views.snapshot import Snapshot
from services.views.snapshot_refresh import Snapshots
from services.web.app import create_app
from services.web.flash import MOST_KEPT, Flash
from services.web.forms import FormRefused, local_time, midnight, number_in
from services.web.rendering import day_or_month, linked
from services.web.serve import address_of, page_server
from tests.saying import log_treatment
from tests.services.store.household import ride_summary
from tests.services.web.small_household import NOW, with_page
from tests.services.web.test_pages import PAGES


def counted(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How often everything is read from the store."""
    reads: list[int] = []
    whole = Snapshot.read.__func__  # type: ignore[attr-defined]

    def counting(cls: type[Snapshot], *args: object) -> Snapshot:
        reads.append(1)
        found: Snapshot = whole(cls, *args)
        return found

    monkeypatch.setattr(Snapshot, "read", classmethod(counting))
    return reads


def test_a_snapshot_stands_until_something_is_written(shop: App, monkeypatch: pytest.MonkeyPatch) -> None:
    reads, snapshots = counted(monkeypatch), Snapshots(shop)
    first = snapshots.now()
    assert snapshots.now() is first
    log_treatment(shop, "Plover", TreatmentKind.DRIP, NOW, now=NOW)
    second = snapshots.now()
    assert len(second.ledger.treatments) == len(first.ledger.treatments) + 1
    assert len(reads) == 2


def test_many_who_come_at_once_share_one_reading(shop: App, monkeypatch: pytest.MonkeyPatch) -> None:
    reads, snapshots = counted(monkeypatch), Snapshots(shop)
    threads = [threading.Thread(target=snapshots.now) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(reads) == 1


def test_what_hangs_on_the_time_is_worked_out_anew_and_only_the_newest_is_kept(shop: App) -> None:
    snapshot = Snapshots(shop).now()
    now = snapshot.outlook(NOW)
    kept = len(snapshot._worked_out)
    assert snapshot.outlook(NOW + timedelta(seconds=20)) is now
    later = snapshot.outlook(NOW + timedelta(days=3))
    assert later is not now
    assert len(snapshot._worked_out) == kept


def test_the_warmer_reads_what_somebody_else_wrote_before_anybody_asks(
    shop: App, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("services.views.snapshot_refresh.LOOK_EVERY_S", 0.02)
    snapshots, stop = Snapshots(shop, lambda: NOW), threading.Event()
    snapshots.now()
    reads = counted(monkeypatch)
    warmer = threading.Thread(target=snapshots.keep_warm, args=(stop,))
    warmer.start()
    try:
        log_treatment(shop, "Plover", TreatmentKind.DRIP, NOW, now=NOW)
        deadline = time.monotonic() + 10
        while not reads and time.monotonic() < deadline:
            time.sleep(0.02)
    finally:
        stop.set()
        warmer.join(10)
    assert reads
    before = len(reads)
    snapshots.now()
    assert len(reads) == before


def test_what_was_said_is_remembered_for_a_while_and_no_longer() -> None:
    told = Flash()
    first = told.keep(["Noted."], undo=7)
    said = told.of(first)
    assert said is not None
    assert (said.sentences, said.undo) == (("Noted.",), 7)
    for _ in range(MOST_KEPT):
        told.keep(["More."])
    assert told.of(first) is None
    assert told.of("never") is None


def test_times_typed_are_of_the_households_wall_clock() -> None:
    zone = zone_of("America/La_Paz")  # four hours behind UTC all year
    assert f"{local_time('2026-05-01T18:00', zone, now=NOW).at:%Y-%m-%d %H:%M}" == "2026-05-01 22:00"
    for nonsense in ("", "soon", "2026-13-01T00:00", "9999-12-31T23:59"):
        with pytest.raises(FormRefused):
            local_time(nonsense, zone, now=NOW)
    for odd, why in (("2025-03-30T02:30", "No clock in"), ("2025-10-26T02:30", "02:30 came twice in")):
        with pytest.raises(FormRefused, match=why):
            local_time(odd, zone_of("Europe/Madrid"), now=NOW)


def test_a_day_begins_at_the_first_time_its_clock_shows() -> None:
    """Chile's clocks are put on at midnight (IANA time zone database, America/Santiago, 2025)."""
    zone = zone_of("America/Santiago")
    assert f"{midnight('2025-09-07', zone):%d %H:%M}" == "07 04:00"  # 00:00 was never shown: 01:00 -03
    assert f"{midnight('2025-09-07', zone, days_later=1):%d %H:%M}" == "08 03:00"
    for nonsense in ("", "today", "2025-02-29"):
        with pytest.raises(FormRefused):
            midnight(nonsense, zone)
    with pytest.raises(FormRefused):
        midnight("9999-12-31", zone, days_later=1)


@pytest.mark.parametrize("text", ["nan", "inf", "1e999", "ten", "11", "-1", "0x1"])
def test_numbers_are_numbers_within_their_bounds(text: str) -> None:
    with pytest.raises(FormRefused):
        number_in(text, low=0, high=10, what="Minutes")


def test_small_wordings() -> None:
    assert "<script>" not in linked("<script> https://a.example/x.")
    begin, soon, late = NOW, NOW + timedelta(days=59), NOW + timedelta(days=60)
    assert day_or_month(begin, UTC, soon) == day(begin, UTC)
    assert day_or_month(late, UTC, begin) == f"{late:%B %Y}"
    assert day_or_month(begin, UTC, late) == f"{begin:%B %Y}"


def test_the_page_is_found_where_it_says(shop: App) -> None:
    assert address_of(with_page(shop, host="::1", port=80).settings.page) == "http://[::1]:80"
    server = page_server(with_page(shop, port=18765))
    assert (server.config.host, server.config.port, server.config.access_log) == ("127.0.0.1", 18765, False)


def test_a_taken_port_is_said_in_a_sentence(shop: App) -> None:
    import socket

    from services.settings import SettingsError

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with pytest.raises(SettingsError, match="choose another with --port"):
            page_server(with_page(shop, port=taken.getsockname()[1]))


def test_every_page_shows_of_the_little_it_reads_what_it_would_show_of_everything(
    shop: App, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On the last day Plover's chain is retired, and the one from the shelf goes on."""
    with shop.store.reading() as tx:
        worn = tx.ledger().chain_on(tx.equipment.find_bike("Plover").id, NOW)
        spare = next(one for one in tx.equipment.chains() if one.name == "Shelf & Son")
        plover = tx.equipment.find_bike("Plover").id
    assert worn is not None
    that_day = NOW - timedelta(hours=16)
    record(shop, Retire(worn.id, that_day), now=NOW, confirmed=True)
    record(shop, FitChain(spare.id, plover, that_day + timedelta(hours=1)), now=NOW, confirmed=True)
    record(shop, BeginSupply(SupplyKind.BATH, 500, NOW - timedelta(days=12)), now=NOW)
    one_round(shop, now=NOW)
    more = (
        f"/chains/{worn.id}",
        "/chains?where=retired",
        "/rides?text=WHOSE",
        "/rides?like=wet&page=1",
        "/rides?bike=open",
        "/rides?bike=none",
        "/rides?bike=1&from=2026-05-03",
        "/rides?rider=x",
        "/rides/3?bike=2",
        "/rides/3?word=wet",
        "/why?now=withdrawn&text=PLOVER",
        "/why/1?limit=20",
        "/why/1?ride=1&on=2&word=dry",
        f"/care/log?chain={worn.id}",
        "/care/log?what=drip",
        "/care/log?what=reading",
        "/files?only=trouble",
        "/files?text=WHOSE",
        "/corrections?text=FIT",
        "/api/chains",
        f"/api/chains/{worn.id}",
        "/api/rides?limit=3&offset=2",
        "/api/rides/2",
        "/api/suppose/bike?ride=2&bike=2",
        "/export/bikes.json",
        "/export/chains.json",
        "/export/wear.json",
        "/chains.ics",
    )

    def shown() -> dict[str, str]:
        page = TestClient(create_app(shop, clock=lambda: NOW), base_url="http://127.0.0.1:8765")
        return {
            path: re.sub(r'(name="form" )?value="[^"]{30,}"', "", page.get(path).text)
            for path in (*PAGES, *more)
        }

    little = shown()
    read = Snapshot.read.__func__  # type: ignore[attr-defined]

    def whole(cls: type[Snapshot], *args: object) -> Snapshot:
        found: Snapshot = read(cls, *args)
        return replace(found, ledger=found.whole.ledger, held=None)

    monkeypatch.setattr(Snapshot, "read", classmethod(whole))
    everything = shown()
    assert {path for path in little if little[path] != everything[path]} == set()


def test_questions_are_weighed_beside_the_pages(shop: App, monkeypatch: pytest.MonkeyPatch) -> None:
    snapshots = Snapshots(shop, lambda: NOW)
    snapshots.aside = True
    asked = snapshots.asked()  # nothing was known before: this one waits
    first, answered = asked[0], asked[0].rides[0]
    weighs, go_on, fit = threading.Event(), threading.Event(), HouseholdJudgement.questions

    def slowly(judged: HouseholdJudgement) -> tuple[OpenQuestion, ...]:
        weighs.set()
        assert go_on.wait(20)
        return fit(judged)

    monkeypatch.setattr(HouseholdJudgement, "questions", slowly)
    log_treatment(shop, "Plover", TreatmentKind.DRIP, NOW, now=NOW)
    assert snapshots.asked() == asked
    assert not weighs.is_set(), "a drip moves no bike"

    record(shop, PutRidesOn(((answered, BikeId(1)),)), now=NOW)
    still = snapshots.asked()
    assert weighs.wait(20)
    assert answered not in {ride for one in still for ride in one.rides}
    assert {ride for one in still for ride in one.rides} >= set(first.rides) - {answered}
    open_now = set(snapshots.now().questions)
    assert open_now <= {ride for one in still for ride in one.rides}
    begun = time.perf_counter()
    assert snapshots.asked() == still  # and again, while it is weighed
    assert time.perf_counter() - begun < 5
    go_on.set()
    fresh = Snapshots(shop, lambda: NOW).asked()
    deadline = time.monotonic() + 20
    while snapshots.asked() != fresh and time.monotonic() < deadline:
        time.sleep(0.02)
    assert snapshots.asked() == fresh


def test_a_ride_that_nobody_weighed_yet_is_asked_by_itself(shop: App) -> None:
    snapshots = Snapshots(shop, lambda: NOW)
    snapshots.aside = True
    snapshots.asked()
    with snapshots._weighing:  # somebody is at it
        with shop.store.writing() as tx:
            new = tx.rides.add(ride_summary(NOW - timedelta(days=40), 2, title="New"), RiderId(1))
        assert snapshots.asked()[-1] == OpenQuestion((new,), (new,), "", is_check=False)


def test_who_works_something_out_keeps_nobody_from_something_else(shop: App) -> None:
    snapshot, begun, go_on = Snapshots(shop).now(), threading.Event(), threading.Event()

    def slowly() -> int:
        begun.set()
        assert go_on.wait(20)
        return 1

    slow = threading.Thread(target=snapshot.once, args=("slow", slowly))
    slow.start()
    assert begun.wait(20)
    assert snapshot.once("quick", lambda: 2) == 2
    go_on.set()
    slow.join(20)
    assert snapshot.once("slow", lambda: 3) == 1


def test_who_wrote_sees_it_while_others_are_shown_the_last_snapshot(shop: App) -> None:
    snapshots = Snapshots(shop, lambda: NOW)
    first = snapshots.now()
    log_treatment(shop, "Plover", TreatmentKind.DRIP, NOW, now=NOW)
    with snapshots._reading:  # somebody is reading the next one
        assert snapshots.now() is first
    snapshots.wrote()
    waiting: list[Snapshot] = []
    with snapshots._reading:
        thread = threading.Thread(target=lambda: waiting.append(snapshots.now()))
        thread.start()
        thread.join(0.2)
        assert not waiting
    thread.join(10)
    assert waiting[0].writes > first.writes
