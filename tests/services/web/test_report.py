"""The report of a household's wear: one file that needs nothing else, its data beside it, no place in it."""

from __future__ import annotations

import csv
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from rules.units import SI
from services.app import App
from services.views.snapshot import Snapshot
from services.web.report import COLUMNS, write_report
from tests.services.web.small_household import NOW


@pytest.fixture
def snapshot(shared_shop: App) -> Snapshot:
    with shared_shop.store.reading() as tx:
        return Snapshot.read(tx, shared_shop, NOW)


def test_the_report_is_whole_in_itself(snapshot: Snapshot, tmp_path: Path) -> None:
    page, data = write_report(snapshot, tmp_path / "wear.html", now=NOW, units=SI)
    html = page.read_text(encoding="utf-8")
    HTMLParser().feed(html)
    assert data == tmp_path / "wear.csv"
    for asks_for in (
        "src=",
        "href=",
        r"url\((?!#)",
        "@import",
        "<script",
    ):  # a texture of its own is no request
        assert re.search(asks_for, html) is None
    for said in ("How it was reckoned", "Doubts", "held against simulated chains", "wear.csv"):
        assert said in html
    assert "Plover&#39;s chain" in html
    assert "<script>alert" not in html


def test_its_data_are_the_readings_with_what_lay_behind_them(snapshot: Snapshot, tmp_path: Path) -> None:
    _, data = write_report(snapshot, tmp_path / "wear.html", now=NOW, units=SI)
    rows = list(csv.DictReader(data.read_text(encoding="utf-8").splitlines()))
    assert tuple(rows[0]) == COLUMNS
    assert len(rows) == len(snapshot.ledger.readings)
    exact = [row for row in rows if row["exact_pct"]]
    assert [float(row["exact_pct"]) for row in exact] == [0.05, 0.12, 0.19]
    hours = [float(row["drive_h"]) for row in exact]
    assert hours == sorted(hours)
    assert all(float(row["grit_h"]) >= float(row["drive_h"]) for row in exact)
    assert all(re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", row["taken_at"]) for row in rows)


def test_it_names_no_place(snapshot: Snapshot, tmp_path: Path) -> None:
    page, data = write_report(snapshot, tmp_path / "wear.html", now=NOW, units=SI)
    for text in (page.read_text(), data.read_text()):
        assert "-31." not in text


def test_the_page_saves_the_report_and_its_data(look: TestClient, snapshot: Snapshot, tmp_path: Path) -> None:
    for page in ("/wear", "/wear/compare"):
        html = look.get(page).text
        assert 'href="/export/wear-report.html"' in html
        assert 'href="/export/wear-report.csv"' in html
    written, data = write_report(snapshot, tmp_path / "gritledger-wear-report.html", now=NOW, units=SI)
    report, readings = look.get("/export/wear-report.html"), look.get("/export/wear-report.csv")
    assert report.text == written.read_text(encoding="utf-8")
    assert readings.text == data.read_text(encoding="utf-8")
    for answer, name in ((report, "html"), (readings, "csv")):
        saved = answer.headers["content-disposition"]
        assert saved == f'attachment; filename="gritledger-wear-report.{name}"'
