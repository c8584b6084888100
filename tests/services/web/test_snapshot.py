"""What pages show is never older than the last write, and is not read twice for nothing."""

from __future__ import annotations

import threading
import time
from datetime import timedelta

import pytest

from rules.vocabulary import TreatmentKind
from services.app import App, zone_of
from services.views.snapshot import Snapshot, Snapshots
from services.web.flash import MOST_KEPT, Flash
from services.web.forms import FormRefused, local_instant, number_in
from services.web.rendering import after_first_sentence, first_sentence, hours, linked
from services.web.serve import address_of, page_server
from tests.saying import log_treatment
from tests.services.web.small_household import NOW, with_page


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
    monkeypatch.setattr("services.views.snapshot.LOOK_EVERY_S", 0.02)
    snapshots, stop = Snapshots(shop), threading.Event()
    snapshots.now()
    reads = counted(monkeypatch)
    warmer = threading.Thread(target=snapshots.keep_warm, args=(stop, lambda: NOW))
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
    assert f"{local_instant('2026-05-01T18:00', zone):%Y-%m-%d %H:%M}" == "2026-05-01 22:00"
    assert f"{local_instant('2026-05-01', zone):%H:%M}" == "16:00"
    assert f"{local_instant('2026-05-01T18:00+02:00', zone):%H:%M}" == "16:00"
    for nonsense in ("", "soon", "2026-13-01T00:00", "9999-12-31T23:59"):
        with pytest.raises(FormRefused):
            local_instant(nonsense, zone)


@pytest.mark.parametrize("text", ["nan", "inf", "1e999", "ten", "11", "-1", "0x1"])
def test_numbers_are_numbers_within_their_bounds(text: str) -> None:
    with pytest.raises(FormRefused):
        number_in(text, low=0, high=10, what="Minutes")


def test_small_wordings() -> None:
    assert (hours(59), hours(5700)) == ("1 min", "1 h 35 min")
    assert first_sentence("Hot wax burns. Use a pot. Stay.") == "Hot wax burns."
    assert after_first_sentence("Hot wax burns. Use a pot. Stay.") == "Use a pot. Stay."
    assert first_sentence("One only") == "One only"
    assert "<script>" not in linked("<script> https://a.example/x.")


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
