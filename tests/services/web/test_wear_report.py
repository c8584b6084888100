"""The report of a household's wear: one file that needs nothing else, its data beside it, no place in it."""

from __future__ import annotations

import csv
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from fastapi.testclient import TestClient

from rules.ledger import Ledger
from rules.units import SI
from rules.vocabulary import BikeId, ChainId, Regime
from rules.wear.comparison import NOT_LOOKED_AT, ChainWear, Comparison, Span
from rules.wear.cost import Cost, PayBack
from services.app import App
from services.views.snapshot import Snapshot
from services.web.wear_report import COLUMNS, report_html, write_report
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


def compared(same_bike: bool, without_lot: int) -> Comparison:
    """One chain against one, over one of which or both nobody drew lots."""
    waxed, lubed = (
        ChainWear(ChainId(n), f"Chain {n}", regime, BikeId(n), 3, 90.0, (0.001, 0.002, 0.004), (0.0,) * 4)
        for n, regime in enumerate(Regime, start=1)
    )
    ratio, words = Span(0.6, 0.4, 0.9), ("As fast.", "More of them.")
    return Comparison(
        (waxed,),
        (lubed,),
        (ChainId(3),),
        ratio,
        None,
        same_bike,
        False,
        *words,
        (),
        NOT_LOOKED_AT,
        without_lot,
    )


@pytest.mark.parametrize(
    ("found", "lots", "doubt"),
    [
        (compared(False, 2), "Nobody drew lots over these chains.", "No bike has worn both kinds: "),
        (
            compared(True, 1),
            "Nobody drew lots over 1 of these 2 chains.",
            "That waxed chains wear less is not",
        ),
        (
            compared(True, 0),
            "A lot drew the turns of these chains, not which of them was waxed.",
            "That waxed chains wear less is not",
        ),
    ],
)
def test_what_seems_saved_is_told_no_surer_than_the_wear(
    look: TestClient,
    snapshot: Snapshot,
    monkeypatch: pytest.MonkeyPatch,
    found: Comparison,
    lots: str,
    doubt: str,
) -> None:
    back = PayBack(80.0, (1.0, 2.0, 3.0), 0.0, (), (None, None, None), "The pot is paid.")
    monkeypatch.setattr(Snapshot, "comparison", lambda self, now: found)
    monkeypatch.setattr(Snapshot, "pays_back", lambda self, now: back)
    report = report_html(snapshot, now=NOW, units=SI, data_name="wear.csv")
    for html in (look.get("/wear/compare").text, report):
        said = html.replace("&#39;", "'")
        assert f"The pot is paid. {doubt}" in said
        assert f"{lots} Nobody looked at who rides, and how hard, " in said
    costs = [
        Cost(one, 900.0, (1.0, 1.0, 1.0), None, 0.0, (1.0, 1.0, 1.0), 0.0, (), np.ones(3)) for one in Regime
    ]
    monkeypatch.setattr(Snapshot, "pays_back", lambda self, now: None)  # nobody said what setting up cost
    monkeypatch.setattr(Snapshot, "cost", lambda self, regime, now: costs[list(Regime).index(regime)])
    for html in (look.get("/wear/compare").text, report_html(snapshot, now=NOW, units=SI, data_name="")):
        assert doubt in html.replace("&#39;", "'")
    assert "1 chain has fewer than two readings and says nothing of wax and lube here." in report
    monkeypatch.setattr(Snapshot, "comparison", lambda self, now: replace(found, claimed=True))
    assert doubt not in look.get("/wear/compare").text.replace("&#39;", "'")


def test_what_was_not_noted_is_named_in_the_report(snapshot: Snapshot) -> None:
    report = report_html(snapshot, now=NOW, units=SI, data_name="wear.csv")
    assert "No prices were noted." in report
    bare = replace(Ledger(), riders=snapshot.ledger.riders)
    empty = replace(snapshot.whole, ledger=bare, held=None, _worked_out={})
    nothing = report_html(empty, now=NOW, units=SI, data_name="wear.csv")
    assert "No chain was measured yet." in nothing
    assert "Nothing was ridden on a chain yet." in nothing
    assert "No prices were noted." not in nothing
    priced = replace(snapshot.whole.ledger.chains[0], price=40.0)
    others = snapshot.whole.ledger.chains[1:]
    whole = replace(
        snapshot.whole, ledger=replace(snapshot.whole.ledger, chains=(priced, *others)), _worked_out={}
    )
    report = report_html(whole, now=NOW, units=SI, data_name="wear.csv")
    assert re.search(r"over \d+ km\. Not counted, because nobody noted it: ", report)
