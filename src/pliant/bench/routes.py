"""All addresses of the bench in one table; the routes and their OpenAPI description are two views of it."""

import re
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from pliant import __version__
from pliant.bench import routes_ask, routes_book, routes_check, routes_coupon, routes_files, routes_work

__all__ = ["TABLE", "Way", "description", "starlette_routes"]


@dataclass(frozen=True)
class Way:
    """One address: how it is asked, who answers, what it is for."""

    method: str
    path: str
    handler: Callable[[Request], Awaitable[Response]]
    summary: str
    fields: tuple[str, ...] = ()  # of the form, or of the query
    file: str = ""  # the field that carries a file
    kind: str = "application/json"
    good: int = 200


TABLE = (
    Way("GET", "/", routes_check.home, "The way in: the first visit, or check"),
    Way("GET", "/first", routes_check.first_form, "The first visit"),
    Way("POST", "/first", routes_check.first_send, "Keep a first machine and spool, and check a program",
        ("kind", "machine_name", "gap_mm", "guide_mm", "nozzle_mm", "hardness", "spool_name", "nozzle_low_c",
         "nozzle_high_c", "program_later"), "program", good=202),
    Way("GET", "/check", routes_check.check_form, "What can be checked with what", ("machine", "filament")),
    Way("POST", "/check", routes_check.check_send, "Check a program", ("machine", "filament", "upload"), "program",
        good=202),
    Way("GET", "/check/{uid}", routes_check.check_page, "What a check found"),
    Way("GET", "/mend", routes_files.mend_form, "What can be mended with what", ("machine", "filament", "upload")),
    Way("POST", "/mend", routes_files.mend_send, "Mend a program",
        ("machine", "filament", "upload", "chosen", "pass", "target_percent"), "program", good=202),
    Way("GET", "/mend/{uid}", routes_files.mend_page, "Before, after, and the certificate"),
    Way("GET", "/mend/{uid}/program", routes_files.mend_program, "The mended program", kind="application/octet-stream"),
    Way("GET", "/plan", routes_ask.plan_form, "What can be planned from", ("machine", "filament")),
    Way("POST", "/plan", routes_ask.plan_send, "Derive a soft recipe",
        ("machine", "filament", "target_percent", "nozzle_c", "layer_height_mm", "bed_c", "fan_percent", "outer_walls",
         "inner_walls", "infill", "skins", "over_air", "first_speed", "retract_mm", "travel_speed"), "baseline",
        good=202),
    Way("GET", "/plan/{uid}", routes_ask.plan_page, "The ledger and the window map"),
    Way("GET", "/plan/{uid}/sheet", routes_ask.plan_sheet, "The settings on one sheet"),
    Way("GET", "/plan/{uid}/window", routes_ask.plan_window, "The window map for other handles",
        ("layer_height_mm", "width_mm", "speed_mm_per_s", "nozzle_c")),
    Way("GET", "/part", routes_files.part_form, "What parts can be looked at with", ("machine", "filament")),
    Way("POST", "/part", routes_files.part_send, "Look at a part", ("machine", "filament"), "mesh", good=202),
    Way("GET", "/part/{uid}", routes_files.part_page, "Whether a part is a good idea"),
    Way("GET", "/feel", routes_ask.feel_page, "How soft a piece will be",
        ("piece", "size_1", "size_2", "size_3", "deflection_mm", "force_n", "measured_n", "hardness", "infill_percent",
         "walls", "pattern")),
    Way("GET", "/dry", routes_ask.dry_page, "How long a spool takes to dry",
        ("filament", "temperature_c", "water_percent", "target_percent", "room_humidity_percent")),
    Way("GET", "/coupon", routes_coupon.coupon_form, "What pieces there are", ("machine", "filament")),
    Way("POST", "/coupon", routes_coupon.coupon_send, "Make a test piece", ("machine", "filament", "kind", "nozzle_c"),
        good=202),
    Way("GET", "/coupon/{uid}", routes_coupon.coupon_page, "A test piece and its sheet"),
    Way("GET", "/coupon/{uid}/program", routes_coupon.coupon_program, "The program of a test piece",
        kind="application/octet-stream"),
    Way("POST", "/next", routes_coupon.next_send, "Ask which piece tells most", ("machine", "filament", "upload"),
        good=202),
    Way("GET", "/next/{uid}", routes_coupon.next_page, "Which piece tells most"),
    Way("GET", "/readings/{uid}", routes_coupon.readings_form, "The sheet of a piece in the book"),
    Way("POST", "/readings/{uid}", routes_coupon.readings_send, "Learn from a filled-in sheet",
        ("upload", "mass_g", "notes"), good=202),
    Way("GET", "/learn/{uid}", routes_coupon.learn_page, "What was learned"),
    Way("GET", "/book", routes_book.book_page, "The newest records", ("kind", "limit", "machine", "filament",
        "upload")),
    Way("GET", "/book/record/{uid}", routes_book.book_record, "One record in full"),
    Way("GET", "/book/history", routes_book.book_history, "All that happened with a spool", ("filament",)),
    Way("GET", "/book/compare", routes_book.book_compare, "Two versions side by side", ("first", "second")),
    Way("POST", "/book/outcome", routes_book.book_outcome, "Write down how a print went",
        ("machine", "filament", "outcome", "upload", "at_line", "at_minutes", "note"), good=201),
    Way("POST", "/book/outcome/{uid}", routes_book.book_correct, "Say anew how a print went", ("outcome", "note"),
        good=201),
    Way("POST", "/book/text", routes_book.book_text, "Keep a machine or a spool", ("kind", "text"), "file", good=201),
    Way("GET", "/work/{uid}", routes_work.work_news, "How far a piece of work is", ("since",)),
    Way("POST", "/work/{uid}/stop", routes_work.work_stop, "Stop a piece of work", good=202),
    Way("GET", "/work/{uid}/report.html", routes_work.work_report, "A result as one page to save", kind="text/html"),
    Way("GET", "/work/{uid}/{part}.css", routes_work.work_sheet, "Style of a drawing", kind="text/css"),
    Way("GET", "/static/{name}", routes_work.static, "A file that pages load", kind="text/css"),
    Way("GET", "/openapi.json", routes_work.openapi, "This description"),
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
        "properties": {"error": {"type": "string"}},
        "additionalProperties": True,
    }
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "pliant bench",
            "version": __version__,
            "description": "Ask with `Accept: application/json` or `?json`. A form carries the token that any page "
            "gives, with the cookie that came with it.",
        },
        "paths": paths,
        "components": {"schemas": {"Error": error}},
    }


def _operation(way: Way) -> dict[str, Any]:
    body = {"schema": {"type": "string" if way.kind != "application/json" else "object"}}
    refused = {"description": "refused", "content": {"application/json": {"schema": _ERROR}}}
    done = {"description": way.summary, "content": {way.kind: body}}
    made: dict[str, Any] = {
        "summary": way.summary,
        "operationId": f"{way.method.lower()}_{re.sub(r'[^a-z]+', '_', way.path).strip('_') or 'home'}",
        "parameters": [
            {"name": name, "in": "path", "required": True, "schema": {"type": "string"}}
            for name in re.findall(r"{(\w+)}", way.path)
        ],
        "responses": {str(way.good): done, "4XX": refused, "5XX": refused},
    }
    if way.good == 200 and "{uid}" in way.path:
        made["responses"]["202"] = {"description": "not yet", "content": {"application/json": body}}
    if way.method == "GET":
        names = way.fields
        made["parameters"] += [{"name": n, "in": "query", "schema": {"type": "string"}} for n in names]
        return made
    fields: dict[str, Any] = {name: {"type": "string"} for name in ("token", *way.fields)}
    if way.file:
        fields[way.file] = {"type": "string", "format": "binary"}
    schema = {"type": "object", "properties": fields, "required": ["token"]}
    content = {"multipart/form-data": {"schema": schema}}
    if not way.file:
        content["application/x-www-form-urlencoded"] = {"schema": schema}
    made["requestBody"] = {"required": True, "content": content}
    return made


_ERROR = {"$ref": "#/components/schemas/Error"}
