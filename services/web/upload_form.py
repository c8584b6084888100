"""A form with files, taken as it comes: fields in memory, files straight to where they arrive."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from email.message import Message
from pathlib import Path
from typing import IO

from fastapi import Request
from python_multipart.exceptions import FormParserError
from python_multipart.multipart import MultipartParser, parse_options_header

from services.use_cases.upload_files import Arriving, Tray
from services.web.forms import FormRefused

MOST_FIELD_BYTES = 4_000
DAMAGED = "This form did not arrive whole. Files that did are kept; send the others again."


class StreamedForm:
    """What a form with files holds; files are kept one by one, as each ends.

    admit: called with the fields so far before the first file's first byte is kept; it returns whose the
    files are, or raises what refuses the form.
    """

    def __init__(self, tray: Tray, admit: Callable[[dict[str, str]], str]) -> None:
        self.fields: dict[str, str] = {}
        self.kept: list[Path] = []
        self.left_alone = 0
        self._tray, self._admit = tray, admit
        self._whose: str | None = None
        self._headers: dict[str, str] = {}
        self._header, self._value = b"", b""
        self._field, self._name = "", ""
        self._text = b""
        self._out: IO[bytes] | None = None
        self._part: Path | None = None
        self._size = 0
        self._ended = False

    async def take(self, request: Request) -> None:
        """Read the form to its end. Raises FormRefused, FactRefused, and what `admit` raises."""
        kind, options = parse_options_header(request.headers.get("content-type", ""))
        if kind != b"multipart/form-data" or b"boundary" not in options:
            raise FormRefused("This form carries no files.", status=403)
        parser = MultipartParser(
            options[b"boundary"],
            {
                "on_part_begin": self._begin,
                "on_header_field": lambda data, start, end: self._add_header(data[start:end]),
                "on_header_value": lambda data, start, end: self._add_value(data[start:end]),
                "on_header_end": self._end_header,
                "on_headers_finished": self._headers_finished,
                "on_part_data": lambda data, start, end: self._data(data[start:end]),
                "on_part_end": self._end,
                "on_end": self._all_came,
            },
        )
        try:
            async for piece in request.stream():
                parser.write(piece)
            parser.finalize()
        except FormParserError as error:
            raise FormRefused(DAMAGED) from error
        finally:
            self._drop_part()
        if not self._ended:
            raise FormRefused(DAMAGED)

    def _begin(self) -> None:
        self._headers, self._header, self._value, self._text = {}, b"", b"", b""

    def _add_header(self, piece: bytes) -> None:
        self._header += piece

    def _add_value(self, piece: bytes) -> None:
        self._value += piece

    def _end_header(self) -> None:
        self._headers[self._header.decode("latin-1").lower()] = self._value.decode("utf-8", "replace")
        self._header, self._value = b"", b""

    def _headers_finished(self) -> None:
        said = Message()
        said["content-disposition"] = self._headers.get("content-disposition", "")
        self._field = str(said.get_param("name", "", "content-disposition"))
        self._name = str(said.get_param("filename", "", "content-disposition"))
        if not self._name:
            return
        if self._whose is None:
            self._whose = self._admit(self.fields)
        if not Arriving(self._name, 0).is_ours:
            self.left_alone += 1
            return
        self._part, self._size = self._tray.open_part(), 0
        self._out = self._part.open("wb")

    def _data(self, piece: bytes) -> None:
        if self._out is not None:
            self._size += len(piece)
            self._tray.refuse(self._name, self._size)
            self._out.write(piece)
        elif not self._name:
            self._text += piece
            if len(self._text) > MOST_FIELD_BYTES or len(self.fields) > 50:
                raise FormRefused(DAMAGED)

    def _end(self) -> None:
        if self._out is not None:
            self._out.close()
            self._out = None
            assert self._part is not None
            part, self._part = self._part, None
            self.kept.append(self._tray.keep(part, self._name, whose=self._whose or ""))
        elif not self._name:
            self.fields[self._field] = self._text.decode("utf-8", "replace")

    def _all_came(self) -> None:
        self._ended = True

    def _drop_part(self) -> None:
        """A file that broke off is not kept: nobody can go on with it."""
        if self._out is not None:
            self._out.close()
        if self._part is not None:
            with suppress(FileNotFoundError):
                self._part.unlink()
