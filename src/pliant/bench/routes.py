"""All addresses of the bench in one table; the routes and their OpenAPI description are two views of it."""

import re
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from pliant.bench import (
    glossary,
    routes_ask,
    routes_book,
    routes_check,
    routes_coupon,
    routes_example,
    routes_files,
    routes_kept,
    routes_work,
)
from pliant.records.baseline import BEAD_WORDS
from pliant.records.book import OUTCOMES
from pliant.records.coupon import KINDS as COUPONS
from pliant.records.machine import ORIGINS
from pliant.records.starters import MACHINES
from pliant.version import __version__
from pliant.workflows.mend import ADDED, PASSES

__all__ = ["TABLE", "Call", "description", "starlette_routes"]


async def _openapi(request: Request) -> Response:
    """The description of the bench for programs."""
    return JSONResponse(description())


@dataclass(frozen=True)
class Call:
    """One call: by which address and how it is asked, who answers, what it is for."""

    method: str
    path: str
    handler: Callable[[Request], Awaitable[Response]]
    summary: str
    fields: tuple[str, ...] = ()  # of the form, or of the query
    file: str = ""  # the field that carries a file
    kind: str = "application/json"  # or several, with commas between
    good: int = 200
    keys: tuple[str, ...] = ()  # that the answer always has
    also: int = 0  # another status that is no refusal


_SAME = ("same_machine", "same_filament", "other_machine", "other_filament")
_SHELF = ("machines", "filaments", "token")

TABLE = (
    Call("GET", "/", routes_check.home, "The way in: the first visit, or check"),
    Call("GET", "/first", routes_check.first_form, "The first visit", keys=("token", "machine_kinds")),
    Call("POST", "/first", routes_check.first_send, "Keep a first machine and spool, and check a program",
        ("machine", "filament", "kind", "machine_name", "gap_mm", "guide_mm", "nozzle_mm", "reach_x", "reach_y",
         "reach_z", "origin", "hardness", "spool_name", "nozzle_low_c", "nozzle_high_c", "program_later", "upload",
         *_SAME), "program", good=202, also=201),
    Call("POST", "/example", routes_example.example_send, "Check an invented job", good=202),
    Call("GET", "/first/known", routes_check.first_known, "Which shall count where a name is known",
        ("machine", "filament", "kind", "machine_name", "hardness", "spool_name"), keys=("known",)),
    Call("GET", "/check", routes_check.check_form, "What can be checked with what", ("machine", "filament", "upload"),
        keys=_SHELF),
    Call("POST", "/check", routes_check.check_send, "Check a program", ("machine", "filament", "upload"), "program",
        good=202),
    Call("GET", "/check/{uid}", routes_check.check_page, "What a check found", also=202,
        keys=("verdict", "jam_probability", "jam_probability_error", "limit_speed_mm_per_s", "validity", "mechanism",
              "worst", "past", "id")),
    Call("GET", "/check/{uid}/layer/{layer}", routes_check.check_layer, "One layer from above",
        keys=("layer", "view", "beads")),
    Call("POST", "/check/{uid}/answer", routes_check.check_answer, "Say what the controller does, and check again",
        ("dialect",), good=202),
    Call("GET", "/mend", routes_files.mend_form, "What can be mended with what", ("machine", "filament", "upload"),
        keys=_SHELF),
    Call("POST", "/mend", routes_files.mend_send, "Mend a program",
        ("machine", "filament", "upload", "chosen", "pass", "target_percent", "height_mm", "aim"), "program", good=202),
    Call("GET", "/mend/{uid}", routes_files.mend_page, "Before, after, and the certificate", also=202,
        keys=("before", "after", "changes", "certificate", "certified", "output", "id")),
    Call("GET", "/mend/{uid}/program", routes_files.mend_program, "The mended program",
        kind="application/octet-stream"),
    Call("POST", "/mend/{uid}/pad", routes_files.mend_pad, "Say that the pad did not come out whole, and mend again",
        good=202),
    Call("POST", "/mend/{uid}/reach", routes_files.mend_reach, "Say how far the nozzle reaches, and mend again",
        ("reach_x", "reach_y", "reach_z", "origin"), good=202),
    Call("GET", "/plan", routes_ask.plan_form, "What can be planned from", ("machine", "filament", "again"),
        keys=_SHELF),
    Call("POST", "/plan", routes_ask.plan_send, "Derive a soft recipe",
        ("machine", "filament", "target_percent", "nozzle_c", "layer_height_mm", *BEAD_WORDS, "first_speed",
         "retract_mm", "travel_speed", "bed_c", "fan_percent"), "baseline", good=202),
    Call("GET", "/plan/{uid}", routes_ask.plan_page, "The ledger and the window map", also=202,
        keys=("works", "verdict", "values", "settings", "window", "helps", "id")),
    Call("GET", "/plan/{uid}/sheet", routes_ask.plan_sheet, "The settings on one sheet"),
    Call("GET", "/plan/{uid}/window", routes_ask.plan_window, "The window map for other handles",
        ("layer_height_mm", "width_mm", "speed_mm_per_s", "nozzle_c")),
    Call("GET", "/part", routes_files.part_form, "What parts can be looked at with", ("machine", "filament", "upload"),
        keys=_SHELF),
    Call("POST", "/part", routes_files.part_send, "Look at a part", ("machine", "filament", "holes", "upload"),
        "mesh", good=202),
    Call("GET", "/part/{uid}", routes_files.part_page, "Whether a part is a good idea", also=202,
        keys=("verdict", "orientations", "reasons", "id")),
    Call("GET", "/feel", routes_ask.feel_page, "How soft a piece will be",
        ("piece", "size_1", "size_2", "size_3", "deflection_mm", "force_n", "measured_n", "factor",
         "hardness", "infill_percent",
         "walls", "pattern")),
    Call("GET", "/dry", routes_ask.dry_page, "How long a spool takes to dry",
        ("filament", "temperature_c", "water_percent", "target_percent", "room_humidity_percent")),
    Call("GET", "/coupon", routes_coupon.coupon_form, "What pieces there are", ("machine", "filament", "upload"),
        keys=_SHELF),
    Call("POST", "/coupon", routes_coupon.coupon_send, "Make a test piece",
        ("machine", "filament", "kind", "nozzle_c", "gap_mm"), good=202),
    Call("GET", "/coupon/{uid}", routes_coupon.coupon_page, "A test piece and its sheet", also=202,
        keys=("title", "steps", "kept", "id")),
    Call("GET", "/coupon/{uid}/program", routes_coupon.coupon_program, "The program of a test piece",
        kind="application/octet-stream"),
    Call("POST", "/next", routes_coupon.next_send, "Ask which piece tells most", ("machine", "filament", "upload"),
        good=202),
    Call("GET", "/next/{uid}", routes_coupon.next_page, "Which piece tells most", also=202,
        keys=("ranked", "answer", "id")),
    Call("GET", "/readings/{uid}", routes_coupon.readings_form, "The sheet of a piece in the book", ("again",),
        keys=("uid", "kind", "asked", "sheet")),
    Call("POST", "/readings/{uid}", routes_coupon.readings_send, "Learn from a filled-in sheet",
        ("upload", "mass_g", "notes", "failed_at"), "photo", good=202),
    Call("GET", "/learn/{uid}", routes_coupon.learn_page, "What was learned", also=202,
        keys=("changed", "suspects", "kept", "id")),
    Call("GET", "/book", routes_book.book_page, "The newest records", ("kind", "limit", "machine", "filament",
        "upload", "q", "retired"), keys=("entries", "counts", "book")),
    Call("GET", "/book/record/{uid}", routes_book.book_record, "One record in full",
        keys=("record", "refers_to", "referred_by")),
    Call("GET", "/book/history", routes_book.book_history, "All that happened with a spool", ("filament",),
        keys=("filament", "versions", "by_machine", "entries")),
    Call("GET", "/book/compare", routes_book.book_compare, "Two versions side by side", ("first", "second"),
        keys=("first", "second", "differences", "rows")),
    Call("GET", "/book/export", routes_book.book_export, "The whole book as lines", kind="application/octet-stream"),
    Call("POST", "/book/outcome", routes_book.book_outcome, "Write down how a print went",
        ("machine", "filament", "outcome", "upload", "at_line", "at_minutes", "note",
         "printed_by"), good=201),
    Call("POST", "/book/outcome/{uid}", routes_book.book_correct, "Say anew how a print went", ("outcome", "note"),
        good=201),
    Call("POST", "/book/retire/{uid}", routes_book.book_retire, "Retire a machine, a spool or a print, or take it back",
        ("undo", "note"), good=201),
    Call("POST", "/book/form/{uid}", routes_book.book_form, "Keep changed numbers of a machine or a spool", good=201),
    Call("POST", "/book/text", routes_book.book_text, "Keep a machine or a spool", ("kind", "text", "seen"), "file",
        good=201),
    Call("GET", "/kept", routes_kept.kept_page, "What is kept of what was made", ("older_days",),
        keys=("bytes", "bound_bytes", "would_go", "removed")),
    Call("POST", "/kept", routes_kept.kept_tidy, "Remove what is older than so many days", ("older_days",)),
    Call("GET", "/words", glossary.words_page, "What our words mean", keys=("words",)),
    Call("GET", "/work", routes_work.work_list, "What is at work", keys=("works",)),
    Call("GET", "/work/{uid}", routes_work.work_news, "How far a piece of work is", ("since",),
        keys=("id", "kind", "state", "share", "version", "location")),
    Call("POST", "/work/{uid}/again", routes_work.work_again, "Begin stopped work anew", good=202),
    Call("POST", "/work/{uid}/stop", routes_work.work_stop, "Stop a piece of work", good=202),
    Call("GET", "/work/{uid}/report.html", routes_work.work_report, "A result as one page to save", kind="text/html"),
    Call("GET", "/work/{uid}/rules.css", routes_work.work_rules, "Lengths that a result sets", kind="text/css"),
    Call("GET", "/static/{name}", routes_work.static, "A file that pages load",
        kind="text/css,text/javascript,image/svg+xml"),
    Call("GET", "/openapi.json", _openapi, "This description", keys=("openapi", "paths")),
)  # fmt: skip


def starlette_routes() -> list[Route]:
    """The table as routes."""
    return [Route(way.path, way.handler, methods=[way.method]) for way in TABLE]


def description() -> dict[str, Any]:
    """The table as an OpenAPI description."""
    paths: dict[str, dict[str, Any]] = {}
    for way in TABLE:
        paths.setdefault(way.path, {})[way.method.lower()] = _operation(way)
    error = {
        "type": "object",
        "required": ["error"],
        "properties": {"error": {"type": "string", "minLength": 1}},
        "additionalProperties": False,
    }
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "pliant bench",
            "version": __version__,
            "description": "Ask with `Accept: application/json` or `?json`. A form carries the token that any page "
            "gives, with the cookie that came with it. A `layer` counts from 0; the pages count from 1.",
        },
        "paths": paths,
        "components": {"schemas": {"Error": error}},
    }


def _operation(way: Call) -> dict[str, Any]:
    keys = way.keys or (("location",) if way.method == "POST" else ())
    told = {"schema": {"type": "object", "required": list(keys), "properties": {key: {} for key in keys}}}
    read = {"schema": {"type": "string"}}
    content = {kind: told if kind == "application/json" else read for kind in way.kind.split(",")}
    done = {"description": way.summary, "content": content}
    made: dict[str, Any] = {
        "summary": way.summary,
        "operationId": f"{way.method.lower()}_{re.sub(r'[^a-z]+', '_', way.path).strip('_') or 'home'}",
        "parameters": [
            {"name": name, "in": "path", "required": True, "schema": _IN_PATH[name]}
            for name in re.findall(r"{(\w+)}", way.path)
        ],
        "responses": {str(way.good): done, **{str(status): _refused(status) for status in _refusals(way)}},
    }
    if way.method == "POST":
        made["responses"] |= {"303": {"description": "a page goes on to where the answer is"}}
    if way.also:
        made["responses"][str(way.also)] = {"description": _ALSO[way.also], "content": content}
    if way.method == "GET":
        names = way.fields
        made["parameters"] += [{"name": n, "in": "query", "schema": _field(way, n)} for n in names]
        return made
    fields: dict[str, Any] = {name: _field(way, name) for name in ("token", *way.fields)}
    if way.file:
        fields[way.file] = {"type": "string", "format": "binary"}
    schema = {"type": "object", "properties": fields, "required": ["token"]}
    form = {"multipart/form-data": {"schema": schema}}
    if not way.file:
        form["application/x-www-form-urlencoded"] = {"schema": schema}
    made["requestBody"] = {"required": True, "content": form}
    return made


def _field(way: Call, name: str) -> dict[str, Any]:
    """What a field takes: one of a few words, a number, or text; a number that is not known is left empty."""
    if (words := _ONE_OF.get(f"{way.path} {name}") or _ONE_OF.get(name)) is not None:
        return {"type": "string", "enum": list(words)}
    if name in _NUMBERS or name.endswith(("_mm", "_c", "_n", "_percent", "_per_s")):
        return {"type": "string", "pattern": "^([0-9]{1,6}([.,][0-9]{1,6})?)?$"}
    return {"type": "string"}


def _refusals(way: Call) -> list[int]:
    """The statuses that an address may refuse with."""
    found = {421, 500}
    if way.method == "POST":
        found |= {400, 403, 405, 408, 413, 415, 422, 503, 507}
    if way.fields or "{layer}" in way.path:
        found |= {422}
    if "{" in way.path or {"upload", "first", "again"} & set(way.fields) or way.path.startswith("/book/"):
        found |= {404}
    if way.path in _ENDED:  # work that came to nothing says so where its answer would stand
        found |= {410, 422, 500, 503}
    if way.path in ("/first", "/book/text", "/book/form/{uid}"):
        found |= {409}
    if way.path in _AT_ONCE:
        found |= {503}
    return sorted(found)


def _refused(status: int) -> dict[str, Any]:
    return {"description": _WHY[status], "content": {"application/json": {"schema": _ERROR}}}


_ERROR = {"$ref": "#/components/schemas/Error"}
_IN_PATH: dict[str, dict[str, Any]] = {
    "uid": {"type": "string", "pattern": "^[0-9a-f]{16}([0-9a-f]{8})?$"},
    "layer": {"type": "string", "pattern": "^[0-9]{1,6}$"},
    "name": {"type": "string", "enum": list(routes_work.FILES)},
}
_ONE_OF: dict[str, tuple[str, ...]] = {
    "/first kind": tuple(MACHINES), "/first/known kind": tuple(MACHINES),
    "dialect": tuple(routes_check.CONTROLLERS), "same_machine": ("", *routes_check.SAME),
    "same_filament": ("", *routes_check.SAME),
    "/coupon kind": COUPONS, "/book kind": ("", *routes_book.BOOK_KINDS),
    "retired": ("", "shown"), "undo": ("", "yes"),
    "/book/text kind": ("", "machine", "filament"), "piece": tuple(routes_ask.PIECES), "pattern": routes_ask.PATTERNS,
    "origin": ("", *ORIGINS), "outcome": OUTCOMES, "pass": PASSES + ADDED,
}  # fmt: skip
_NUMBERS = {
    "factor", "size_1", "size_2", "size_3", "walls", "limit", "since", "at_line", "at_minutes", "mass_g", "first_speed",
    "travel_speed", "older_days", "reach_x", "reach_y", "reach_z", *BEAD_WORDS,
}  # fmt: skip
_ENDED = {way.path for way in TABLE if way.also == 202}
_AT_ONCE = {"/feel", "/dry", "/plan/{uid}/window"}
_ALSO = {202: "not yet: how far the work is", 201: "kept; the program may come later"}
_WHY = {
    400: "the form cannot be read", 403: "not a form of this page", 404: "not there, or no longer",
    405: "read with GET, sent with POST", 408: "too slow", 409: "the book knows it otherwise",
    410: "stopped", 413: "too large", 415: "not a form",
    421: "asked under another name", 422: "a value that cannot be used; the words say which and what is allowed",
    500: "a fault of the bench", 503: "busy", 507: "no room on the disk",
}  # fmt: skip
