"""The book: what is in it, how prints went, and new versions of machines and spools."""

import re
import tomllib
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import FileResponse, Response

from pliant.bench.desk import Desk, desk_of, number_in
from pliant.bench.faults import Fault
from pliant.bench.forms import called, rows_of
from pliant.bench.intake import Form
from pliant.bench.pages import answer, failed, go_to, wants_json
from pliant.bench.store import upload_uid
from pliant.book.open_book import is_server
from pliant.records.book import OUTCOMES, Added, Entry, Listing
from pliant.records.form import edited
from pliant.workflows import book as pages_of
from pliant.workflows.outcomes import add_outcome
from pliant.workflows.shelf import Kept, Shelf, keep_text, programs_of, side_by_side, version_of

__all__ = [
    "BOOK_KINDS", "OUTCOME_LABELS", "book_compare", "book_correct", "book_export", "book_form", "book_history",
    "book_outcome", "book_page", "book_record", "book_retire", "book_text",
]  # fmt: skip

_SPOOL = re.compile(r"(?m)^\s*shore\b")
_UID = re.compile(r"[0-9a-f]{16}")
BOOK_KINDS = ("machine", "filament", "recipe", "program", "finding", "mended", "print", "coupon", "fit")
KIND_WORDS = {
    "machine": "machine", "filament": "spool", "recipe": "recipe", "program": "program", "finding": "verdict",
    "mended": "mending", "print": "print", "coupon": "test piece", "fit": "what was learned",
    "course": "what its program asks", "retirement": "retired",
}  # fmt: skip
OUTCOME_LABELS = {"ok": "it went well", "jammed": "it jammed", "stopped": "it was ended early", "not-sure": "not sure"}


async def book_page(request: Request) -> Response:
    """The newest records, and a slip to say how a print went."""
    desk, asked = desk_of(request), request.query_params
    kind = asked.get("kind") or None
    if kind is not None and kind not in BOOK_KINDS:
        raise Fault(422, f"the kind is one of {', '.join(BOOK_KINDS)}")
    there = is_server(desk.book) or Path(desk.book).expanduser().exists()
    limit = int(number_in(asked.get("limit", ""), "how many", 1, 1000) or 40)
    sought, retired = asked.get("q", "").casefold().split(), asked.get("retired") == "shown"
    many = 1000 if sought else limit
    found = (
        await desk.aside(lambda: pages_of.list_records(desk.book, kind, many, retired))
        if there
        else Listing(desk.book, {}, ())
    )
    if sought:  # every word somewhere in the line: a name, an outcome, a day
        hits = [e for e in found.entries if all(w in _line(e).casefold() for w in sought)]
        found = replace(found, entries=tuple(hits[:limit]))
    kept = await desk.shelf()
    older = await desk.aside(lambda: _older(desk.book, kept, asked))
    programs = await desk.aside(lambda: _programs(desk, asked.get("upload", "")))
    return answer(
        request, "book.html", found, shelf=kept, picked=asked, kind=kind, kinds=BOOK_KINDS, outcomes=OUTCOME_LABELS,
        programs=programs, more=limit < 1000, limit=limit, older=older, kind_words=KIND_WORDS, retired=retired,
        people=await desk.aside(lambda: pages_of.people(desk.book)) if there else (),
    )  # fmt: skip


def _line(entry: Entry) -> str:
    """A record as its line in the list reads."""
    words = {"ok": OUTCOME_LABELS["ok"], "stopped": OUTCOME_LABELS["stopped"]}
    said = next((label for key, label in words.items() if entry.detail.startswith(key)), "")
    return f"{entry.made_at[:16]} {entry.kind} {KIND_WORDS.get(entry.kind, '')} {entry.title} {entry.detail} {said}"


async def book_export(request: Request) -> Response:
    """The whole book as one file of lines, to be saved."""
    desk = desk_of(request)
    _, folder = desk.store.work_folder(passing=True)
    place = folder / "book.jsonl"
    await desk.aside(lambda: pages_of.export(desk.book, place))
    return FileResponse(place, filename="pliant-book.jsonl", media_type="application/octet-stream")


def _older(book: str, kept: Shelf, asked: Any) -> dict[str, Kept]:
    """Versions that an address names and that are not the newest: a print belongs to the one it was made with."""
    found: dict[str, Kept] = {}
    for kind, shelved in (("machine", kept.machines), ("filament", kept.filaments)):
        uid = asked.get(kind, "")
        if shelved and _UID.fullmatch(uid) and not any(k.uid == uid for k in shelved):
            one = version_of(book, kind, uid)
            found |= {kind: one} if one is not None else {}
    return found


def _programs(desk: Desk, picked: str) -> list[dict[str, str]]:
    """The programs that a print can be one of: the file that is named, then those of the book, the newest first."""
    here = desk.store.uploads.get(picked)
    first = [] if here is None else [{"uid": here.uid, "name": here.name, "day": here.day}]
    kept = programs_of(desk.book)
    rows = [{"uid": r["uid"], "name": r["name"], "day": r["made_at"][:16]} for r in kept]
    known = {upload_uid("program", r["name"], r["sha256"]): r["uid"] for r in kept}
    return first + [r for r in rows if here is None or r["uid"] != known.get(here.uid)]


async def book_record(request: Request) -> Response:
    """One record in full."""
    uid = _uid(request.path_params["uid"])
    desk = desk_of(request)
    found = await desk.aside(lambda: pages_of.show(desk.book, uid))
    kind, text = found.record.kind, found.record.fields.get("text")
    rows = await desk.aside(lambda: rows_of(kind, text)) if kind in ("machine", "filament") and text else []
    return answer(
        request,
        "record.html",
        found,
        outcomes=OUTCOME_LABELS,
        made=desk.lines.of_record(uid),
        rows=rows,
        kind_words=KIND_WORDS,
    )


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
    machine, filament = await _printed_with(desk, form)
    outcome = _outcome(form.text("outcome"))
    line = number_in(form.text("at_line"), "the line", 1, 1e9)
    layer = number_in(form.text("at_layer"), "the layer", 1, 1e6)
    minutes = number_in(form.text("at_minutes"), "the minutes", 0, 1e5, "min")
    which = form.text("upload")
    program = which if _UID.fullmatch(which) else str(desk.store.upload(which).path) if which else None
    at_line, at_layer = (None if v is None else int(v) for v in (line, layer))
    note, by = form.text("note") or None, form.text("printed_by").strip() or None

    def write() -> Added:
        if program is None:  # of a print whose program is not here only the outcome can be kept
            if at_layer is not None:
                raise Fault(422, "a layer is one of a program: choose which, or leave the layer out")
            at_time_s = None if minutes is None else 60 * minutes
            return pages_of.record_outcome(
                desk.book, outcome, machine, filament, at_line=at_line, at_time_s=at_time_s, note=note, printed_by=by
            )[0]
        return add_outcome(
            desk.book, outcome, program, machine, filament, at_minute=minutes, at_line=at_line,
            at_layer=at_layer, note=note, printed_by=by,
        )[0]  # fmt: skip

    made = await desk.aside(write)
    return go_to(request, f"/book/record/{made.uid}", made.to_json(), status=201)


async def _printed_with(desk: Desk, form: Form) -> tuple[str, str]:
    """Machine and spool of a print, in the version it was made with; the newest where none is named."""
    kept = await desk.shelf()
    return tuple(  # type: ignore[return-value]
        form.text(kind) if _UID.fullmatch(form.text(kind)) else kept.chosen(kind, form.text(kind)).uid
        for kind in ("machine", "filament")
    )


async def book_correct(request: Request) -> Response:
    """Say anew how a print went."""
    desk, uid = desk_of(request), _uid(request.path_params["uid"])
    form = await desk.form(request, 0)
    outcome, note = _outcome(form.text("outcome")), form.text("note") or None
    made = await desk.aside(lambda: pages_of.correct_outcome(desk.book, uid, outcome, note=note))
    return go_to(request, f"/book/record/{uid}", made.to_json(), status=201)


async def book_retire(request: Request) -> Response:
    """Retire a machine, a spool or a print, or take it back into use."""
    desk, uid = desk_of(request), _uid(request.path_params["uid"])
    form = await desk.form(request, 0)
    again, note = form.text("undo") == "yes", form.text("note") or None
    made = await desk.aside(lambda: pages_of.retire(desk.book, uid, again=again, note=note))
    return go_to(request, f"/book/record/{uid}", made.to_json(), status=201)


async def book_text(request: Request) -> Response:
    """Keep a machine or a spool, as the next version of its name."""
    desk = desk_of(request)
    form = await desk.form(request, 1 << 20)
    kind, text = form.text("kind"), form.text("text")
    if "file" in form.files:
        text = form.files["file"].path.read_bytes().decode("utf-8", "replace")
        kind = kind or ("filament" if _SPOOL.search(text) else "machine")
    if kind not in ("machine", "filament"):
        raise Fault(422, "the kind is machine or filament")
    return await _keep(request, kind, text.replace("\r\n", "\n") + "\n", form.text("seen"))


async def book_form(request: Request) -> Response:
    """Keep the numbers of a form as the next version of the record that they were read from."""
    desk, uid = desk_of(request), _uid(request.path_params["uid"])
    form = await desk.form(request, 0)
    typed = {name.removeprefix("v."): values[-1] for name, values in form.fields.items() if name.startswith("v.")}

    def change() -> tuple[str, str, str]:
        for kind in ("machine", "filament"):
            if (was := version_of(desk.book, kind, uid)) is not None:
                return kind, was.text, edited(kind, was.text, typed, partial(called, kind, was.text))
        raise Fault(404, "there is no machine and no spool like that in the book")

    kind, was, text = await desk.aside(change)
    if text == was:
        raise Fault(422, "nothing was changed: write what you have measured over what stands there")
    return await _keep(request, kind, text, uid)


async def _keep(request: Request, kind: str, text: str, seen: str) -> Response:
    """Keep a record as the next version of its name, unless somebody else has kept one since."""
    desk = desk_of(request)
    if seen and (theirs := await _meanwhile(desk, kind, text, seen)) is not None:
        said = f"{theirs.name} was changed meanwhile: its version {theirs.version} is not the one you began from"
        if wants_json(request):
            return failed(request, 409, said + "; look at both and choose")
        rows = side_by_side(theirs.text, text)
        return answer(
            request, "meanwhile.html", {"error": said}, status=409, theirs=theirs, mine=text, rows=rows, kind=kind
        )
    made = await desk.aside(lambda: keep_text(desk.book, kind, text))
    return go_to(request, f"/book/record/{made.uid}", made.to_json(), status=201)


async def _meanwhile(desk: Desk, kind: str, text: str, seen: str) -> Kept | None:
    """A version that somebody else has kept since the one that an edit began from."""
    kept = await desk.shelf()
    try:
        name = tomllib.loads(text).get("name")
    except tomllib.TOMLDecodeError:
        return None  # it is refused in words when it is kept
    shelved = kept.of(kind)
    newest = next((k for k in shelved if k.name == name), None)
    return None if newest is None or newest.uid == seen or newest.text.strip() == text.strip() else newest


def _uid(text: str) -> str:
    if not _UID.fullmatch(text):
        raise Fault(404, "there is no such record in the book")
    return text


def _outcome(text: str) -> str:
    if text not in OUTCOMES:
        raise Fault(422, f"say how it went: {', '.join(OUTCOMES)}")
    return text
