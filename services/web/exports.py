"""Any list as CSV for a spreadsheet and as JSON for a program: the same columns, units in their names."""

from __future__ import annotations

import csv
import io
import json
from typing import Any

from fastapi import APIRouter
from fastapi.responses import Response

from rules.units import SI, said
from services.views.export_rows import Look, Rows, ride_rows, rows_of
from services.views.json_values import plain
from services.web.context import AContext, RequestContext
from services.web.pages.rides import AWanted, Wanted, found
from services.web.wear_report import readings_csv, report_html

router = APIRouter(prefix="/export")
REPORT = "wear-report"


@router.get(f"/{REPORT}.html")
def as_report(context: AContext) -> Response:
    """The household's wear in one file, to keep or publish."""
    html = report_html(
        context.snapshot, now=context.now, units=context.app.units, data_name=f"gritledger-{REPORT}.csv"
    )
    return _file(html, "text/html; charset=utf-8", f"{REPORT}.html")


@router.get(f"/{REPORT}.csv")
def as_report_data(context: AContext) -> Response:
    """The readings that the report rests on."""
    data = readings_csv(context.snapshot.whole, context.now)
    return _file(data, "text/csv; charset=utf-8", f"{REPORT}.csv")


@router.get("/{name}.csv")
def as_csv(name: str, context: AContext, want: AWanted) -> Response:
    """A list as CSV (RFC 4180), UTF-8."""
    rows = list(_rows(name, context, want))
    out = io.StringIO(newline="")
    columns = list(rows[0]) if rows else []
    writer = csv.DictWriter(out, columns)
    writer.writeheader()
    writer.writerows({key: _cell(value) for key, value in plain(row, context.zone).items()} for row in rows)
    return _file(out.getvalue(), "text/csv; charset=utf-8", f"{name}.csv")


@router.get("/{name}.json")
def as_json(name: str, context: AContext, want: AWanted) -> Response:
    """A list as JSON, one object a row."""
    text = json.dumps(
        [plain(row, context.zone) for row in _rows(name, context, want)], ensure_ascii=False, indent=1
    )
    return _file(text, "application/json; charset=utf-8", f"{name}.json")


def _file(text: str, media_type: str, name: str) -> Response:
    return Response(
        said(text, SI).encode("utf-8", "backslashreplace"),
        media_type=media_type,
        headers={"Content-Disposition": f'attachment; filename="gritledger-{name}"'},
    )


def _cell(value: Any) -> Any:
    """A cell that no spreadsheet takes for a formula, whatever a file called its ride."""
    if isinstance(value, list):
        return "-".join(map(str, value))
    if isinstance(value, str) and value.startswith(("=", "+", "-", "@", "\t", "\r")):
        return "'" + value
    return value


def _rows(name: str, context: RequestContext, want: Wanted) -> Rows:
    look = Look(context.app, context.now, context.snapshot)
    if name == "rides":
        return ride_rows(look, found(context.snapshot, want, context.zone).rides)
    return rows_of(name, look)
