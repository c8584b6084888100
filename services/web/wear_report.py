"""A household's wear to keep or publish: one HTML file with everything in it, its data as CSV beside it."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime
from pathlib import Path

from markupsafe import Markup

from rules.contamination import history
from rules.units import Units
from rules.vocabulary import Regime
from rules.wear.forecast import Measure, wear_points
from services.atomic_write import write_whole
from services.views import accuracy as measured_before
from services.views.snapshot import Snapshot
from services.web.drawing_inputs import comparison_picture, wear_picture
from services.web.rendering import Rendering

COLUMNS = (
    "chain",
    "regime",
    "taken_at",
    "tool",
    "over_pct",
    "under_pct",
    "exact_pct",
    "drive_h",
    "grit_h",
    "km",
)


def readings_csv(snapshot: Snapshot, now: datetime) -> str:
    """Every reading, with what the chain had behind it. A cell that a spreadsheet might run begins with '."""
    sheet = io.StringIO()
    rows = csv.writer(sheet, lineterminator="\n")
    rows.writerow(COLUMNS)
    for chain in snapshot.ledger.chains:
        past = history(snapshot.ledger, chain.id, snapshot.rulebook).until(now)
        kilometres = [point.x for point in wear_points(past, Measure.KILOMETRES)]
        for point, km in zip(wear_points(past, Measure.DRIVE_HOURS), kilometres, strict=True):
            reading = point.reading
            grit_h = past.until(reading.taken_at).over_life.grit_h
            name = f"'{chain.name}" if chain.name[:1] in "=+-@\t\r" else chain.name
            rows.writerow(
                (
                    name,
                    chain.regime.value,
                    f"{reading.taken_at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}",
                    reading.tool.value,
                    reading.over_pct,
                    reading.under_pct,
                    reading.exact_pct,
                    round(point.x, 3),
                    round(grit_h, 3),
                    round(km, 1),
                )
            )
    return sheet.getvalue()


def write_report(snapshot: Snapshot, file: Path, *, now: datetime, units: Units) -> tuple[Path, Path]:
    """The report and its data. file: of the HTML; the CSV gets its name. Raises OSError."""
    data = file.with_suffix(".csv")
    write_whole(data, readings_csv(snapshot.whole, now).encode())
    write_whole(file, report_html(snapshot, now=now, units=units, data_name=data.name).encode())
    return file, data


def report_html(snapshot: Snapshot, *, now: datetime, units: Units, data_name: str) -> str:
    """The report, whole in one page. data_name: of the CSV beside it."""
    rendering, snapshot = Rendering(), snapshot.whole
    styles = "".join(rendering.files[name].decode() for name in ("drawings.css", "page.css"))
    measured = [one for one in snapshot.ledger.chains if snapshot.ledger.readings_of(one.id)]
    comparison = snapshot.comparison(now)
    return rendering.render(
        "report.html",
        units=units,
        styles_inside=Markup(styles),  # noqa: S704 - our own files
        now=now,
        zone=snapshot.zone,
        snapshot=snapshot,
        chains=[(one, snapshot.wear(one.id, now), wear_picture(snapshot, one, now)) for one in measured],
        comparison=comparison,
        rates=comparison_picture(comparison),
        learned=snapshot.learned(now),
        trials=snapshot.trials(now),
        found=snapshot.found_by_trials(now) if snapshot.ledger.trials else None,
        costs=[snapshot.cost(regime, now) for regime in Regime],
        prices=snapshot.app.prices,
        pays_back=snapshot.pays_back(now),
        data_name=data_name,
        held=measured_before.WEAR,
        held_weights=measured_before.WEIGHTS,
        held_claims=measured_before.CLAIMS,
    )
