"""Take a form in as it arrives: small fields in memory, files straight to the disk, nothing held twice.

The token has to come before the first file, so that a form that is not ours is refused before its files are written.
A sender who stops, or who is slower than a kilobyte a second, is cut off; what had arrived is removed.
"""

import asyncio
import hashlib
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from typing import Any, BinaryIO
from urllib.parse import parse_qsl

from python_multipart.exceptions import FormParserError
from python_multipart.multipart import MultipartParser, parse_options_header
from starlette.requests import ClientDisconnect, Request

from pliant.bench.faults import Fault
from pliant.bench.store import Store, Upload

__all__ = ["Form", "Limits", "take_form"]

_STALE = "this page is from before the bench was started anew; load it again and send the form once more"


@dataclass(frozen=True)
class Limits:
    """How much may come, and how slowly."""

    file_bytes: int = 2 << 30
    field_bytes: int = 256 << 10  # all small fields together
    fields: int = 200
    pause_s: float = 30.0  # between two pieces of a body
    least_bytes_per_s: float = 1024.0  # counted once `pause_s` have gone by


@dataclass
class Form:
    """The fields and files of one form."""

    fields: dict[str, list[str]] = field(default_factory=dict)
    files: dict[str, Upload] = field(default_factory=dict)

    def text(self, name: str, default: str = "") -> str:
        """The last value of a field, without spaces around it."""
        return self.fields.get(name, [default])[-1].strip()

    def texts(self, name: str) -> list[str]:
        """All values of a field."""
        return self.fields.get(name, [])


async def take_form(
    request: Request, store: Store, limits: Limits, trusted: Callable[[str], bool], file_bytes: int | None = None
) -> Form:
    """Read the body of a request.

    Parameters
    ----------
    request : Request
        A POST with a form.
    store : Store
        Where files go.
    limits : Limits
        Caps on size and slowness.
    trusted : callable
        Whether a token is ours.
    file_bytes : int, optional
        A smaller cap on the files of this form. [bytes]

    Returns
    -------
    Form

    Raises
    ------
    Fault
        With the status to answer; nothing of the form is kept then.
    """
    most = limits.file_bytes if file_bytes is None else min(file_bytes, limits.file_bytes)
    declared = request.headers.get("content-length", "")
    if declared.isdigit() and int(declared) > most + limits.field_bytes + 65536:
        raise Fault(413, _too_large(most))
    kind, options = parse_options_header(request.headers.get("content-type", ""))
    token = request.headers.get("x-bench-token", "")
    if token and not trusted(token):
        raise Fault(403, _STALE)
    if kind == b"application/x-www-form-urlencoded":
        form = await _urlencoded(request, limits)
        if not token and not trusted(form.text("token")):
            raise Fault(403, _STALE)
        return form
    if kind != b"multipart/form-data" or not options.get(b"boundary"):
        raise Fault(415, "send a form: multipart/form-data or application/x-www-form-urlencoded")
    taker = _Taker(store, limits, most, trusted, bool(token))
    try:
        parser = MultipartParser(options[b"boundary"], taker.callbacks())
        async for chunk in _paced(request, limits):
            parser.write(chunk)
        parser.finalize()
    except FormParserError as error:
        taker.abandon()
        raise Fault(400, "the form does not read as multipart/form-data; send it again") from error
    except ClientDisconnect as error:
        taker.abandon()
        raise Fault(400, "the sender went away") from error
    except BaseException:
        taker.abandon()
        raise
    if not taker.ended:
        taker.abandon()
        raise Fault(400, "the form ends in the middle; send it again")
    if not taker.known:
        taker.abandon()
        raise Fault(403, _STALE)
    return taker.settle()


class _Taker:
    """Callbacks of the parser."""

    def __init__(self, store: Store, limits: Limits, most: int, trusted: Callable[[str], bool], known: bool):
        self.store, self.limits, self.most, self.trusted, self.known = store, limits, most, trusted, known
        self.form, self.ended = Form(), False
        self._header, self._value, self._disposition = bytearray(), bytearray(), b""
        self._name, self._file_name = "", ""
        self._part = bytearray()
        self._open: tuple[str, BinaryIO] | None = None
        self._hash = hashlib.sha256()
        self._whole: dict[str, tuple[str, str, str]] = {}  # by field: where it lies, its name, and its hash
        self._small = self._big = self._count = 0

    def callbacks(self) -> Any:
        return {
            "on_part_begin": self._begin,
            "on_part_data": self._data,
            "on_part_end": self._end,
            "on_header_field": lambda d, a, b: self._grow(self._header, d[a:b]),
            "on_header_value": lambda d, a, b: self._grow(self._value, d[a:b]),
            "on_header_end": self._header_end,
            "on_headers_finished": self._headers_finished,
            "on_end": self._all,
        }

    def abandon(self) -> None:
        if self._open is not None:
            self._open[1].close()
            self.store.drop_upload(self._open[0])
            self._open = None
        for uid, *_ in self._whole.values():
            self.store.drop_upload(uid)

    def settle(self) -> Form:
        """The form, now that all of it is there and ours: its files are kept."""
        for name, (uid, file_name, sha256) in self._whole.items():
            self.form.files[name] = self.store.finish_upload(uid, file_name, name, sha256)
        return self.form

    def _grow(self, into: bytearray, data: bytes) -> None:
        into += data
        if len(into) > 8192:
            raise Fault(400, "a line in the form is too long")

    def _begin(self) -> None:
        self._count += 1
        if self._count > self.limits.fields:
            raise Fault(413, f"more than {self.limits.fields} fields in one form")
        self._header.clear()
        self._value.clear()
        self._part.clear()
        self._disposition = b""

    def _header_end(self) -> None:
        if bytes(self._header).lower() == b"content-disposition":
            self._disposition = bytes(self._value)
        self._header.clear()
        self._value.clear()

    def _headers_finished(self) -> None:
        _, options = parse_options_header(self._disposition)
        if b"name" not in options:
            raise Fault(400, "a part of the form has no name")
        self._name = options[b"name"].decode("utf-8", "replace")
        if b"filename" not in options:
            return
        self._file_name = options[b"filename"].decode("utf-8", "replace")
        if not self.known:  # refused before anything of the file is written
            raise Fault(403, _STALE)
        if self._name in self._whole:
            raise Fault(400, f"the form holds two files called {self._name[:40]!r}; send one")
        self._open, self._hash = self.store.begin_upload(), hashlib.sha256()

    def _data(self, data: bytes, start: int, end: int) -> None:
        if self._open is None:
            self._small += end - start
            if self._small > self.limits.field_bytes:
                raise Fault(413, f"the fields of the form are larger than {self.limits.field_bytes >> 10} kB")
            self._part += data[start:end]
            return
        self._big += end - start
        if self._big > self.most:
            raise Fault(413, _too_large(self.most))
        try:
            self._open[1].write(data[start:end])
            self._hash.update(data[start:end])
        except OSError as error:
            raise Fault(507, f"the file cannot be kept ({error.strerror}); free some space") from error

    def _end(self) -> None:
        if self._open is None:
            text = self._part.decode("utf-8", "replace")
            self.form.fields.setdefault(self._name, []).append(text)
            if self._name == "token" and not self.known:
                self.known = self.trusted(text.strip())
                if not self.known:
                    raise Fault(403, _STALE)
            return
        uid, file = self._open
        size = file.tell()
        file.close()
        self._open = None
        if self._file_name and size:
            self._whole[self._name] = (uid, self._file_name, self._hash.hexdigest())
        else:  # a file field that was left empty
            self.store.drop_upload(uid)
            if self._file_name:
                raise Fault(422, f"{self._file_name[:80]}: the file is empty; choose another")

    def _all(self) -> None:
        self.ended = True


async def _urlencoded(request: Request, limits: Limits) -> Form:
    body = bytearray()
    async for chunk in _paced(request, limits):
        body += chunk
        if len(body) > limits.field_bytes:
            raise Fault(413, f"the fields of the form are larger than {limits.field_bytes >> 10} kB")
    form = Form()
    try:
        pairs = parse_qsl(
            body.decode("ascii", "replace"), keep_blank_values=True, max_num_fields=limits.fields, errors="replace"
        )
    except ValueError as error:
        raise Fault(413, f"more than {limits.fields} fields in one form") from error
    for name, value in pairs:
        form.fields.setdefault(name, []).append(value)
    return form


async def _paced(request: Request, limits: Limits) -> AsyncIterator[bytes]:
    begun, seen = time.monotonic(), 0
    stream = request.stream().__aiter__()
    while True:
        try:
            chunk = await asyncio.wait_for(stream.__anext__(), limits.pause_s)
        except StopAsyncIteration:
            return
        except TimeoutError as error:
            raise Fault(408, "nothing more arrived; send the form again") from error
        except ClientDisconnect as error:
            raise Fault(400, "the sender went away") from error
        seen += len(chunk)
        gone = time.monotonic() - begun
        if chunk and gone > limits.pause_s and seen < gone * limits.least_bytes_per_s:
            raise Fault(408, "the form arrives too slowly; send it again")
        yield chunk


def _too_large(most: int) -> str:
    if most == 0:
        return "this form takes no file"
    size = f"{most >> 30} GB" if most >= 1 << 30 else f"{most >> 20} MB"
    return f"the file is larger than the {size} that the bench takes; check it with `pliant` on the command line"
