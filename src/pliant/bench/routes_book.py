"""The book: what is in it, how prints went, and new versions of machines and spools."""

import re
from pathlib import Path

from starlette.requests import Request
from starlette.responses import Response

from pliant.bench.desk import desk_of, number_in
from pliant.bench.faults import Fault
from pliant.bench.pages import answer, go_to
from pliant.book.open_book import is_server
from pliant.records.book import OUTCOMES, Added, Listing
from pliant.workflows import book as pages_of
from pliant.workflows.outcomes import add_outcome
from pliant.workflows.shelf import keep_text

__all__ = [
    "BOOK_KINDS", "OUTCOME_LABELS", "book_compare", "book_correct", "book_history", "book_outcome", "book_page",
    "book_record", "book_text",
]  # fmt: skip

_UID = re.compile(r"[0-9a-f]{16}")
BOOK_KINDS = ("machine", "filament", "recipe", "program", "finding", "mended", "print", "coupon", "fit")
OUTCOME_LABELS = {"ok": "it went well", "jammed": "it jammed", "stopped": "it was ended early", "not-sure": "not sure"}


async def book_page(request: Request) -> Response:
    """The newest records, and a slip to say how a print went."""
    desk, asked = desk_of(request), request.query_params
    kind = asked.get("kind") or None
    if kind is not None and kind not in BOOK_KINDS:
        raise Fault(422, f"the kind is one of {', '.join(BOOK_KINDS)}")
    there = is_server(desk.book) or Path(desk.book).expanduser().exists()
    limit = int(number_in(asked.get("limit", ""), "how many", 1, 1000) or 40)
    found = (
        await desk.aside(lambda: pages_of.list_records(desk.book, kind, limit)) if there else Listing(desk.book, {}, ())
    )
    kept = await desk.shelf()
    return answer(
        request, "book.html", found, shelf=kept, picked=asked, kind=kind, kinds=BOOK_KINDS, outcomes=OUTCOME_LABELS,
        uploads=desk.store.programs(), more=limit < 1000,
        limit=limit,
    )  # fmt: skip


async def book_record(request: Request) -> Response:
    """One record in full."""
    uid = _uid(request.path_params["uid"])
    found = await desk_of(request).aside(lambda: pages_of.show(desk_of(request).book, uid))
    return answer(request, "record.html", found, outcomes=OUTCOME_LABELS)


async def book_history(request: Request) -> Response:
    """All that happened with a spool."""
    name = request.query_params.get("filament", "")
    if not name:
        raise Fault(422, "name the spool whose history you want")
    found = await desk_of(request).aside(lambda: pages_of.history(desk_of(request).book, name))
    return answer(request, "history.html", found, outcomes=OUTCOME_LABELS)


async def book_compare(request: Request) -> Response:
    """Two versions side by side."""
    asked = request.query_params
    first, second = _uid(asked.get("first", "")), asked.get("second") or None
    second = _uid(second) if second else None
    found = await desk_of(request).aside(lambda: pages_of.compare(desk_of(request).book, first, second))
    return answer(request, "compare.html", found)


async def book_outcome(request: Request) -> Response:
    """Write down how a print went."""
    desk = desk_of(request)
    form = await desk.form(request, 0)
    machine, filament = await desk.pair(form.text("machine"), form.text("filament"))
    outcome = _outcome(form.text("outcome"))
    line = number_in(form.text("at_line"), "the line", 1, 1e9)
    layer = number_in(form.text("at_layer"), "the layer", 1, 1e6)
    minutes = number_in(form.text("at_minutes"), "the minutes", 0, 1e5, "min")
    program = str(desk.store.upload(form.text("upload")).path) if form.text("upload") else None
    at_line, at_layer = (None if v is None else int(v) for v in (line, layer))
    note = form.text("note") or None

    def write() -> Added:
        if program is None:  # of a print whose program is not here only the outcome can be kept
            if at_layer is not None:
                raise Fault(422, "a layer is one of a program: choose which, or leave the layer out")
            at_time_s = None if minutes is None else 60 * minutes
            return pages_of.record_outcome(
                desk.book, outcome, machine.uid, filament.uid, at_line=at_line, at_time_s=at_time_s, note=note
            )[0]
        return add_outcome(
            desk.book, outcome, program, machine.uid, filament.uid, at_minute=minutes, at_line=at_line,
            at_layer=at_layer, note=note,
        )[0]  # fmt: skip

    made = await desk.aside(write)
    return go_to(request, f"/book/record/{made.uid}", made.to_json(), status=201)


async def book_correct(request: Request) -> Response:
    """Say anew how a print went."""
    desk, uid = desk_of(request), _uid(request.path_params["uid"])
    form = await desk.form(request, 0)
    outcome, note = _outcome(form.text("outcome")), form.text("note") or None
    made = await desk.aside(lambda: pages_of.correct_outcome(desk.book, uid, outcome, note=note))
    return go_to(request, f"/book/record/{uid}", made.to_json(), status=201)


async def book_text(request: Request) -> Response:
    """Keep a machine or a spool, as the next version of its name."""
    desk = desk_of(request)
    form = await desk.form(request, 1 << 20)
    kind, text = form.text("kind"), form.text("text")
    if kind not in ("machine", "filament"):
        raise Fault(422, "the kind is machine or filament")
    if "file" in form.files:
        text = form.files["file"].path.read_bytes().decode("utf-8", "replace")
    made = await desk.aside(lambda: keep_text(desk.book, kind, text.replace("\r\n", "\n") + "\n"))
    return go_to(request, f"/book/record/{made.uid}", made.to_json(), status=201)


def _uid(text: str) -> str:
    if not _UID.fullmatch(text):
        raise Fault(404, "there is no such record in the book")
    return text


def _outcome(text: str) -> str:
    if text not in OUTCOMES:
        raise Fault(422, f"say how it went: {', '.join(OUTCOMES)}")
    return text
