"""Chooses the reader for a file by its content, never by its name; whatever goes wrong becomes one error."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from ingest.errors import UnreadableFile

if TYPE_CHECKING:
    from collections.abc import Callable

    from ingest.ride.recording import Recording

# Given another name, what was refused before is read once more: a later version may know better.
WAY_OF_READING: Final = "2026-11-27"
LARGEST_FIT_BYTES: Final = 32 * 2**20  # a day at one sample a second has about four
LARGEST_GPX_BYTES: Final = 64 * 2**20  # the same day, written out with every extension, about thirty


def recordings_in(data: bytes, file_name: str) -> tuple[Recording, ...]:
    """Which recordings do these bytes hold, the longest first? Most files hold one.

    file_name: for messages only.  Archives are not opened here.
    Raises UnreadableFile when no ride can be had from the bytes, NotARide when they are sound but no ride.
    """
    kind = _kind(data)
    if kind == "FIT":
        _refuse_larger(data, LARGEST_FIT_BYTES, file_name)
        return _read_fit(data, file_name)
    if kind == "XML":
        _refuse_larger(data, LARGEST_GPX_BYTES, file_name)
        return _read_gpx(data, file_name)
    why = "is empty" if not data else "is neither FIT nor GPX"
    raise UnreadableFile(file_name, why, "export the ride as FIT or GPX")


def _kind(data: bytes) -> str | None:
    """FIT by its mark, XML by its first bracket, in whatever encoding."""
    if data[8:12] == b".FIT":
        return "FIT"
    start = data[:256].removeprefix(b"\xef\xbb\xbf").lstrip()
    if start.startswith((b"<", b"\xff\xfe<\0", b"\xfe\xff\0<", b"<\0", b"\0<")):
        return "XML"
    return None


def _refuse_larger(data: bytes, most_bytes: int, file_name: str) -> None:
    if len(data) > most_bytes:
        size, most = len(data) / 2**20, most_bytes / 2**20
        why = f"has {size:.0f} MB, more than the {most:.0f} MB that a ride may have"
        raise UnreadableFile(file_name, why, "export the ride alone")


def _read_fit(data: bytes, file_name: str) -> tuple[Recording, ...]:
    from ingest.fit.fast_reader import fit_contents  # numpy, only once a file is there to read
    from ingest.fit.recording import recordings

    try:
        return recordings(fit_contents(data, file_name), file_name, "fit columns")
    except (UnreadableFile, MemoryError):
        raise
    except Exception:  # Declined, or a fault of ours: the slow reader gets its turn
        from ingest.fit.reference import fit_contents as reference_contents

        return _last_try(
            lambda: recordings(reference_contents(data, file_name), file_name, "fitdecode"), file_name
        )


def _read_gpx(data: bytes, file_name: str) -> tuple[Recording, ...]:
    from ingest.gpx.contents import recordings
    from ingest.gpx.stream import gpx_contents

    try:
        return recordings(gpx_contents(data, file_name), file_name, "gpx stream")
    except (UnreadableFile, MemoryError):
        raise
    except Exception:  # a fault of ours: the slow reader gets its turn
        from ingest.gpx.reference import gpx_contents as reference_contents

        return _last_try(
            lambda: recordings(reference_contents(data, file_name), file_name, "gpxpy"), file_name
        )


def _last_try(attempt: Callable[[], tuple[Recording, ...]], file_name: str) -> tuple[Recording, ...]:
    """The slow reader's recording; whatever goes wrong in it is the file's fault now."""
    try:
        return attempt()
    except (UnreadableFile, MemoryError):
        raise
    except Exception as error:
        why = f"cannot be understood ({type(error).__name__})"
        raise UnreadableFile(file_name, why, "copy it from the device again") from error
