"""Settings: its parts, and where everything is."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter
from fastapi.responses import HTMLResponse

from services.settings import SETTINGS_FILE
from services.web.context import AContext, RequestContext

router = APIRouter(prefix="/settings")

PARTS = (
    ("riders", "Riders"),
    ("bikes", "Bikes"),
    ("chains", "Chains"),
    ("sensors", "Sensors"),
    ("limits", "Limits"),
    ("channels", "Channels"),
    ("quiet", "Quiet hours"),
    ("folders", "Folders"),
    ("more", "Units and more"),
)


def show_part(context: RequestContext, part: str, **figures: Any) -> HTMLResponse:
    """One part of the settings."""
    parts = [one for one in PARTS if context.may(f"/settings/{one[0]}")]
    return context.show(f"settings_{part}.html", here="settings", part=part, parts=parts, **figures)


@router.get("")
def overview(context: AContext) -> HTMLResponse:
    """Where everything is, and a way to each part."""
    chosen = context.app.settings
    return show_part(
        context,
        "overview",
        file=str(chosen.home / SETTINGS_FILE),
        database=context.app.store.where,
        folders=[str(one.folder) for one in chosen.watch],
        archives=[(one.name, one.tier.value) for one in context.app.providers],
        quiet_hours=chosen.quiet_hours,
        channels=list(context.app.channels),
    )
