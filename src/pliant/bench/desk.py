"""What every route needs at hand: the book, the work folder, the work in progress, and how forms are taken in."""

import asyncio
import math
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, TypeVar

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request

from pliant.bench.faults import Fault
from pliant.bench.intake import Form, Limits, take_form
from pliant.bench.lines import Work, WorkLines
from pliant.bench.security import Keeper
from pliant.bench.store import Store, Upload
from pliant.workflows.shelf import Kept, Shelf, shelf, version_of

__all__ = ["Desk", "desk_of", "number_in"]

_T = TypeVar("_T")
_RECORD = re.compile(r"[0-9a-f]{16}")
_PATIENCE_S = 90.0  # [s] the first question may wait for the compiler


@dataclass
class Desk:
    """One run of the bench."""

    book: str
    store: Store
    lines: WorkLines
    keeper: Keeper
    limits: Limits = field(default_factory=Limits)

    async def form(self, request: Request, file_bytes: int | None = None) -> Form:
        """Take the form of a request in."""
        session = request.scope["bench_session"]
        return await take_form(
            request, self.store, self.limits, lambda token: self.keeper.holds(session, token), file_bytes
        )

    async def shelf(self) -> Shelf:
        """The machines and spools of the book."""
        return await self.aside(lambda: shelf(self.book))

    async def pair(self, machine: str, filament: str) -> tuple[Kept, Kept]:
        """The machine and the spool of a form."""
        kept = await self.shelf()
        machine = await self.newest("machine", machine, kept)
        filament = await self.newest("filament", filament, kept)
        return kept.chosen("machine", machine), kept.chosen("filament", filament)

    async def newest(self, kind: str, uid: str, kept: Shelf) -> str:
        """The newest version of what a page names, which may be from before it was learned or edited."""
        shelved = kept.of(kind)
        if not shelved or not _RECORD.fullmatch(uid) or any(k.uid == uid for k in shelved):
            return uid
        older = await self.aside(lambda: version_of(self.book, kind, uid))
        return next((k.uid for k in shelved if older is not None and k.name == older.name), uid)

    async def picked(self, request: Request, kept: Shelf) -> dict[str, Any]:
        """What an address chooses beforehand, in the newest versions; a file that is still here as `kept`."""
        asked: dict[str, Any] = dict(request.query_params)
        for kind in ("machine", "filament"):
            if kind in asked:
                asked[kind] = await self.newest(kind, asked[kind], kept)
        asked["kept"] = self.store.uploads.get(asked.get("upload", ""))
        return asked

    async def aside(self, work: Callable[[], _T]) -> _T:
        """Do something that waits for the disk without holding up anybody else."""
        return await run_in_threadpool(work)

    async def at_once(self, kind: str, asked: dict[str, Any], about: dict[str, Any] | None = None) -> Work:
        """Work that somebody waits for; its refusal is the answer."""
        work = self.lines.begin(kind, asked, about=about, quick=True)
        for _ in range(int(_PATIENCE_S / 0.01)):
            if work.ended:
                break
            await asyncio.sleep(0.01)
        else:
            self.lines.stop(work)
            raise Fault(503, "that took too long; wait for other work to end, and ask again")
        if work.state != "done":
            raise Fault(422 if work.state == "refused" else 500, work.error)
        return work

    def begin(self, kind: str, upload: Upload, machine: Kept, filament: Kept, **more: object) -> Work:
        """Put work on an uploaded file in line."""
        about: dict[str, Any] = {
            "program": upload.name, "machine": machine.name, "filament": filament.name,
            "upload": upload.uid, "size_bytes": upload.size_bytes,
            "machine_uid": machine.uid, "filament_uid": filament.uid,
        }  # fmt: skip
        asked = {"program": str(upload.path), "machine": machine.text, "filament": filament.text, "book": self.book}
        names = [(str(upload.path), upload.name)]
        return self.lines.begin(kind, asked | more, about=about, names=names)


def desk_of(request: Request) -> Desk:
    """The desk of this run."""
    desk: Desk = request.app.state.desk
    return desk


def number_in(text: str, what: str, low: float, high: float, unit: str = "") -> float | None:
    """A number that somebody typed; nothing typed is nothing known.

    Parameters
    ----------
    text : str
        As typed; a decimal comma is as good as a point.
    what : str
        For the message.
    low, high : float
        Allowed range.
    unit : str
        For the message.

    Returns
    -------
    float or None

    Raises
    ------
    Fault
        With the words for the page.

    Examples
    --------
    >>> number_in("6,5", "gap", 0.5, 60)
    6.5
    """
    clean = text.strip().removesuffix(unit).strip().replace(",", ".")
    if not clean:
        return None
    try:
        value = float(clean) if len(clean) < 20 and "_" not in clean else math.nan
    except ValueError:
        value = math.nan
    if not low <= value <= high:
        raise Fault(
            422, f"{what}: write a number between {low:g} and {high:g} {unit}".rstrip() + f", got {text[:20]!r}"
        )
    return value
