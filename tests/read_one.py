"""The one recording that most files hold."""

from __future__ import annotations

from ingest.files.reader import recordings_in
from ingest.ride.recording import Recording


def read(data: bytes, file_name: str) -> Recording:
    """The recording in these bytes; there must be one and no more."""
    (only,) = recordings_in(data, file_name)
    return only
