"""One question to an archive over HTTP, and its answer or the reason why there is none."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from ingest.weather.hourly import ArchiveUnavailable, BlockRefused, LimitReached

if TYPE_CHECKING:
    import httpx

TIMEOUT_S = 30.0
LONGEST_REASON = 200
LONGEST_WAIT = timedelta(days=2)  # the longest window of any archive here is a day
USER_AGENT = "gritledger (weather for bicycle chains; one request at a time)"


def window_end(reason: str, now: datetime) -> datetime | None:
    """When the limit that an archive names in its refusal opens again; None = it names none.

    The free service counts in fixed windows of a minute, an hour and a UTC day, as its refusals say.
    """
    minute = now.replace(second=0, microsecond=0)
    words = reason.lower()
    if "minutely" in words:
        return minute + timedelta(minutes=1)
    if "hourly" in words:
        return minute.replace(minute=0) + timedelta(hours=1)
    if "daily" in words:
        return minute.replace(minute=0, hour=0) + timedelta(days=1)
    return None


class Asker:
    """Asks one address, one question at a time, over one connection that is opened when first needed."""

    def __init__(self, archive: str, *, timeout_s: float = TIMEOUT_S) -> None:
        """archive: its name in sentences."""
        self._archive, self._timeout_s = archive, timeout_s
        self._client: httpx.Client | None = None

    def ask(self, url: str, parameters: Mapping[str, str | int | float], *, now: datetime) -> Any:
        """The JSON document that answers.

        Raises BlockRefused when the archive calls the question wrong, LimitReached when it asks to wait
        (retry_at = when its window ends), ArchiveUnavailable for anything else that may pass: no network, an
        overload, an answer cut short.
        """
        import httpx

        if self._client is None:
            self._client = httpx.Client(
                timeout=self._timeout_s, headers={"User-Agent": USER_AGENT}, follow_redirects=False
            )
        try:
            # What an address asks for of its own, such as a paid service's key, stays in it.
            answer = self._client.get(httpx.URL(url).copy_merge_params(dict(parameters)))
        except httpx.TimeoutException as error:
            raise ArchiveUnavailable(
                f"{self._archive} did not answer within {self._timeout_s:.0f} s"
            ) from error
        except httpx.InvalidURL as error:
            raise BlockRefused(f"{self._archive}: {url!r} is no web address ({error})") from error
        except httpx.HTTPError as error:
            raise ArchiveUnavailable(f"{self._archive} cannot be reached ({error})") from error
        try:
            document = json.loads(answer.content)
        except (ValueError, RecursionError):
            document = None
        if answer.status_code == httpx.codes.OK and document is not None:
            return document
        reason = _reason(document) or f"status {answer.status_code}"
        if answer.status_code == httpx.codes.TOO_MANY_REQUESTS:
            raise LimitReached(
                f"{self._archive} asks to wait ({reason})", retry_at=_named_wait(answer, reason, now)
            )
        if httpx.codes.is_client_error(answer.status_code) and document is not None:
            raise BlockRefused(f"{self._archive} refuses the question ({reason})")
        if document is None:
            reason = f"status {answer.status_code}, no JSON"
        raise ArchiveUnavailable(f"{self._archive} gives no answer ({reason})")

    def close(self) -> None:
        """Lets the connection go."""
        if self._client is not None:
            self._client.close()
            self._client = None


def _named_wait(answer: httpx.Response, reason: str, now: datetime) -> datetime | None:
    seconds = answer.headers.get("Retry-After", "")
    if seconds.isdecimal():
        return now + min(timedelta(seconds=int(seconds[:9])), LONGEST_WAIT)
    return window_end(reason, now)


def _reason(document: object) -> str | None:
    """What the archive says is wrong: "reason" at one service, "messages" at another."""
    if not isinstance(document, dict):
        return None
    said = document.get("reason") or document.get("messages") or document.get("detail")
    if isinstance(said, list):
        said = "; ".join(str(part) for part in said)
    return " ".join(str(said).split())[:LONGEST_REASON] if said else None
