"""Coupons and their readings: which piece to print, its program and sheet, what was found, what that teaches."""

import re
from itertools import pairwise
from typing import Any

from starlette.requests import Request
from starlette.responses import FileResponse, Response

from pliant.bench.desk import desk_of, number_in
from pliant.bench.faults import Fault
from pliant.bench.intake import Form
from pliant.bench.pages import answer, answer_with_report, go_to
from pliant.bench.routes_check import recent, shelf_data, work_page
from pliant.bench.routes_files import made_program
from pliant.errors import BookError
from pliant.photo.picture import MOST_BYTES
from pliant.records.coupon import KINDS
from pliant.say import number
from pliant.workflows.book import list_records
from pliant.workflows.sheets import Sheet, empty_sheet

__all__ = [
    "coupon_form", "coupon_page", "coupon_program", "coupon_send", "learn_page", "next_page", "next_send",
    "readings_form", "readings_send",
]  # fmt: skip

PIECES = {
    "ladder": ("a wall, laid quicker at every step", "how much flow the feed path bears"),
    "temperature-ladder": ("a wall, laid cooler at every step", "how the melt thickens as it cools"),
    "gap-steps": ("strips of first layer, each closer to the bed", "when the nozzle dams the melt"),
    "free-run": ("lengths fed into the air", "what the drive really feeds"),
    "stop-start": ("a bead that stops and starts again", "how long the push takes to build and to fade"),
    "threads": ("pairs of posts with air between them", "what oozes on the way"),
}
ASKED = {
    "answer": "how it went",
    "tail_mm": "the tail behind the stop mark, mm",
    "lead_mm": "the lead behind the start mark, mm",
    "strings": "threads from post to post",
    "moved_mm": "how far the mark moved, mm",
}
ANSWERS = {"": "never reached", "held": "held", "failed": "failed", "not sure": "not sure"}
SETTINGS = {
    "flow_mm3_per_s": "mm³/s", "nozzle_c": "°C", "gap_mm": "mm gap", "speed_mm_per_s": "mm/s", "wait_s": "s wait",
    "distance_mm": "mm apart", "asked_mm": "mm asked", "crossings": "crossings",
}  # fmt: skip
_UID = re.compile(r"[0-9a-f]{16}")


async def coupon_form(request: Request) -> Response:
    """Choose a piece, or ask which one tells most."""
    desk = desk_of(request)
    kept = await desk.shelf()
    made: Any = ()
    if kept.machines:
        made = (await desk.aside(lambda: list_records(desk.book, "coupon", 12))).entries
    data = shelf_data(kept.machines, kept.filaments) | {"kinds": list(KINDS), "token": request.scope["bench_token"]}
    return answer(
        request, "coupon_form.html", data, shelf=kept, picked=await desk.picked(request, kept), words=PIECES, made=made,
        uploads=desk.store.programs(), recent=recent(request, "next"),
    )  # fmt: skip


async def coupon_send(request: Request) -> Response:
    """Make a piece."""
    desk = desk_of(request)
    form = await desk.form(request, 0)
    machine, filament = await desk.pair(form.text("machine"), form.text("filament"))
    kind = form.text("kind")
    if kind not in KINDS:
        raise Fault(422, f"choose a piece: {', '.join(KINDS)}")
    nozzle = number_in(form.text("nozzle_c"), "the nozzle temperature", 120, 350, "°C")
    gap = number_in(form.text("gap_mm"), "the height of a layer", 0.06, 2, "mm")
    about = _about(kind, machine, filament)
    asked = {
        "machine": machine.text, "filament": filament.text, "book": desk.book, "piece": kind, "nozzle_c": nozzle,
        "gap_mm": gap,
    }  # fmt: skip
    work = desk.lines.begin("coupon", asked, about=about)
    return go_to(request, f"/coupon/{work.uid}", work.to_json())


def _about(what: str, machine: Any, filament: Any) -> dict[str, Any]:
    return {
        "program": what, "machine": machine.name, "filament": filament.name, "machine_uid": machine.uid,
        "filament_uid": filament.uid,
    }  # fmt: skip


async def coupon_page(request: Request) -> Response:
    """A piece and its sheet."""
    work = desk_of(request).lines.find(request.path_params["uid"], "coupon")
    if work.state != "done":
        return await work_page(request, work)
    printed = await made_program(request, work, "coupon.gcode", f"{work.asked['piece']}.gcode")
    return await answer_with_report(request, "coupon.html", work, {"id": work.uid}, printed=printed)


async def coupon_program(request: Request) -> Response:
    """The program of a piece."""
    work = desk_of(request).lines.find(request.path_params["uid"], "coupon")
    if work.state != "done":
        raise Fault(404, "that piece is not ready yet")
    return FileResponse(
        work.folder / "coupon.gcode", filename=f"{work.asked['piece']}.gcode", media_type="application/octet-stream"
    )


async def next_send(request: Request) -> Response:
    """Ask which piece tells most."""
    desk = desk_of(request)
    form = await desk.form(request, 0)
    machine, filament = await desk.pair(form.text("machine"), form.text("filament"))
    upload = desk.store.upload(form.text("upload")) if form.text("upload") else None
    asked = {"machine": machine.text, "filament": filament.text, "program": str(upload.path) if upload else None}
    names = [(str(upload.path), upload.name)] if upload else []
    about = _about("every piece in thought", machine, filament) | ({"upload": upload.uid} if upload else {})
    work = desk.lines.begin("next", asked, about=about, names=names)
    return go_to(request, f"/next/{work.uid}", work.to_json())


async def next_page(request: Request) -> Response:
    """Which piece tells most."""
    work = desk_of(request).lines.find(request.path_params["uid"], "next")
    if work.state != "done":
        return await work_page(request, work)
    work.seen = True
    found = await desk_of(request).aside(work.result)
    return answer(request, "next.html", found | {"id": work.uid}, work=work, words=PIECES)


async def _sheet(request: Request) -> Sheet:
    uid = request.path_params["uid"]
    if not _UID.fullmatch(uid):
        raise Fault(404, "there is no such piece in the book")
    desk = desk_of(request)
    return await desk.aside(lambda: empty_sheet(desk.book, uid))


async def readings_form(request: Request) -> Response:
    """The sheet of a piece, to fill in."""
    sheet = await _sheet(request)
    again = request.query_params.get("again", "")
    said = desk_of(request).lines.find(again, "learn").asked.get("said", {}) if again else {}
    return answer(
        request, "readings.html", sheet, asked=ASKED, answers=ANSWERS, settings=SETTINGS, words=PIECES,
        uploads=desk_of(request).store.programs(),
        varying=_varying(sheet), said_before=said, rungs=_rungs(sheet),
    )  # fmt: skip


def _varying(sheet: Sheet) -> list[str]:
    """The settings that tell the steps of a piece apart."""
    steps = sheet.data["step"]
    found = [k for k in SETTINGS if k in steps[0] and len({s[k] for s in steps}) > 1]
    return found or [k for k in SETTINGS if k in steps[0]][:1]


def _rungs(sheet: Sheet) -> list[str]:
    """The steps of a piece that gets harder from one to the next, in words: of such one tells with one tap."""
    varying, steps = _varying(sheet), sheet.data["step"]
    if tuple(sheet.asked) != ("answer",) or len(steps) < 2:
        return []
    for setting in varying:
        values = [step[setting] for step in steps]
        if not (all(a < b for a, b in pairwise(values)) or all(a > b for a, b in pairwise(values))):
            return []
    return [f"{number(step[varying[-1]])} {SETTINGS[varying[-1]]}" for step in steps]


async def readings_send(request: Request) -> Response:
    """Learn from a filled-in sheet."""
    desk, sheet = desk_of(request), await _sheet(request)
    form = await desk.form(request, MOST_BYTES if sheet.kind == "stop-start" else 0)
    photo = form.files.get("photo")
    kept = await desk.shelf()
    try:  # learned into the newest versions, so that pieces printed one after the other add up
        machine = next(k for k in kept.machines if k.name == sheet.machine)
        filament = next(k for k in kept.filaments if k.name == sheet.filament)
    except StopIteration as error:
        raise BookError("the machine or the spool of this piece is no longer chosen in the book") from error
    upload = desk.store.upload(form.text("upload")) if form.text("upload") else None
    asked = {
        "machine": machine.text, "filament": filament.text, "book": desk.book, "sheet": _filled(sheet, form),
        "name": sheet.title, "coupon": sheet.uid, "program": str(upload.path) if upload else None,
        "photo": str(photo.path) if photo else None,
    }  # fmt: skip
    asked["said"] = {k: v[-1] for k, v in form.fields.items() if k != "token"}
    about = _about("the readings", machine, filament) | ({"upload": upload.uid} if upload else {})
    work = desk.lines.begin("learn", asked, about=about, names=[(str(upload.path), upload.name)] if upload else [])
    return go_to(request, f"/learn/{work.uid}", work.to_json())


def _filled(sheet: Sheet, form: Form) -> dict[str, Any]:
    data = sheet.data | {"step": [dict(step) for step in sheet.data["step"]], "notes": form.text("notes")[:4000]}
    mass = number_in(form.text("mass_g"), "the mass", 0.01, 50, "g")
    data["mass_g"] = "" if mass is None else mass
    tapped = _tapped(sheet, form)
    for k, step in enumerate(data["step"]):
        for key in sheet.asked:
            said = tapped[k] if tapped else form.text(f"{key}_{k}")
            if key == "answer" or said in ("", "not sure"):
                step[key] = said
                continue
            value = number_in(said, f"step {k + 1}, {ASKED[key]}", 0, 5000)
            step[key] = int(value) if key == "strings" and value is not None and value.is_integer() else value
    return data


def _tapped(sheet: Sheet, form: Form) -> list[str]:
    """What one tap on the first step that failed says of all; nothing where steps are answered one by one."""
    at, steps = form.text("failed_at"), len(sheet.data["step"])
    if not at or any(form.text(f"answer_{k}") for k in range(steps)):
        return []
    if at == "none":
        return ["held"] * steps
    failed = number_in(at, "the first step that failed", 1, steps)
    if failed is None or not failed.is_integer() or not _rungs(sheet):
        raise Fault(422, f"the first step that failed is a number from 1 to {steps}, or none")
    return ["held" if k + 1 < failed else "failed" if k + 1 == failed else "" for k in range(steps)]


async def learn_page(request: Request) -> Response:
    """What was learned."""
    work = desk_of(request).lines.find(request.path_params["uid"], "learn")
    if work.state != "done":
        return await work_page(request, work)
    return await answer_with_report(request, "learn.html", work, {"id": work.uid})
