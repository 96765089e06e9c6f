"""`feel`, `dry` and `plan`: questions that take no file of the machine's."""

from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from pliant.bench.desk import desk_of, number_in
from pliant.bench.faults import Fault
from pliant.bench.intake import Form
from pliant.bench.pages import answer, answer_with_report, go_to
from pliant.bench.routes_check import recent, shelf_data, work_page
from pliant.records.baseline import BEAD_WORDS
from pliant.records.starters import starter

__all__ = [
    "PATTERNS", "PIECES", "dry_page", "feel_page", "plan_form", "plan_page", "plan_send", "plan_sheet", "plan_window",
]  # fmt: skip

PIECES = {
    "pad": ("width", "depth", "height"),
    "ring": ("outer diameter", "inner diameter", "height"),
    "column": ("outer diameter", "inner diameter", "height"),
}
PATTERNS = ("hexagon", "square", "triangle", "foam", "solid")


async def feel_page(request: Request) -> Response:
    """How soft a piece will be, or what to choose for a wanted softness."""
    desk, asked = desk_of(request), request.query_params
    kept = await desk.shelf()
    shown: dict[str, Any] = {"pieces": PIECES, "patterns": PATTERNS, "asked": asked, "shelf": kept}
    if "piece" not in asked:
        return answer(request, "feel.html", {"pieces": {k: list(v) for k, v in PIECES.items()}}, report=None, **shown)
    piece = asked["piece"]
    if piece not in PIECES:
        raise Fault(422, f"the piece is one of {', '.join(PIECES)}")
    size = [number_in(asked.get(f"size_{k}", ""), what, 0.5, 2000, "mm") for k, what in enumerate(PIECES[piece], 1)]
    deflection = number_in(asked.get("deflection_mm", ""), "how far it is pressed together", 0.01, 1000, "mm")
    if None in size or deflection is None:
        raise Fault(422, "give three sizes and how far the piece is pressed together, in mm")
    more: dict[str, Any] = {
        "wanted_n": number_in(asked.get("force_n", ""), "the force", 0.001, 1e6, "N"),
        "measured_n": number_in(asked.get("measured_n", ""), "the measured force", 0.001, 1e6, "N"),
        "factor": number_in(asked.get("factor", ""), "the factor", 0.01, 100),
        "shore_a": number_in(asked.get("hardness", "").upper().rstrip("A "), "the hardness", 20, 98),
        "density": (number_in(asked.get("infill_percent", ""), "the infill", 2, 100, "%") or 20.0) / 100,
        "walls": int(number_in(asked.get("walls", ""), "the walls", 0, 50) or 2),
        "pattern": asked.get("pattern") or "hexagon",
    }
    if more["pattern"] not in PATTERNS:
        raise Fault(422, f"the pattern is one of {', '.join(PATTERNS)}")
    # the slip always sends the fields of the one choice: as it was set they say nothing, changed they would be ignored
    for key, plain in (("pattern", "hexagon"), ("density", 0.2), ("walls", 2)):
        if more[key] == plain:
            more[key] = None
    work = await desk.at_once(
        "feel", {"piece": piece, "size_mm": size, "deflection_mm": deflection, "more": more}, {"program": piece}
    )
    return await answer_with_report(request, "feel.html", work, **shown)


async def dry_page(request: Request) -> Response:
    """How long a spool takes to dry."""
    desk, asked = desk_of(request), request.query_params
    kept = await desk.shelf()
    shown: dict[str, Any] = {"asked": asked, "shelf": kept}
    if "filament" not in asked:
        return answer(request, "dry.html", shelf_data((), kept.filaments), report=None, **shown)
    spool = kept.chosen("filament", asked["filament"])
    more = {
        "temperature_c": number_in(asked.get("temperature_c", ""), "the temperature of the box", 20, 150, "°C"),
        "water_percent": number_in(asked.get("water_percent", ""), "the water now", 0.0001, 5, "%"),
        "target_percent": number_in(asked.get("target_percent", ""), "the water wanted", 0.0001, 5, "%"),
        "room_humidity_percent": number_in(asked.get("room_humidity_percent", ""), "the room's humidity", 0, 100, "%")
        or 0.0,
    }
    work = await desk.at_once("dry", {"filament": spool.text, "more": more}, {"program": spool.name})
    return await answer_with_report(request, "dry.html", work, **shown)


async def plan_form(request: Request) -> Response:
    """Tell your own rigid recipe."""
    desk = desk_of(request)
    kept = await desk.shelf()
    again = request.query_params.get("again", "")
    slip = desk.lines.find(again, "plan").asked.get("slip", {}) if again else {}
    data = shelf_data(kept.machines, kept.filaments) | {
        "example": starter("recipe"), "token": request.scope["bench_token"],
    }  # fmt: skip
    return answer(
        request, "plan_form.html", data, shelf=kept, picked=await desk.picked(request, kept), slip=slip,
        speeds=BEAD_WORDS, recent=recent(request, "plan"),
    )  # fmt: skip


async def plan_send(request: Request) -> Response:
    """Derive a soft recipe."""
    desk = desk_of(request)
    form = await desk.form(request, 1 << 20)
    machine, filament = await desk.pair(form.text("machine"), form.text("filament"))
    if "baseline" in form.files:
        upload = form.files["baseline"]
        text = await desk.aside(lambda: upload.path.read_bytes().decode("utf-8", "replace"))
    else:
        text = _baseline_text(form)
    target = number_in(form.text("target_percent"), "the chance of a jam to stay under", 0.1, 50, "%") or 2.0
    about = {
        "program": "your recipe", "machine": machine.name, "filament": filament.name, "machine_uid": machine.uid,
        "filament_uid": filament.uid,
    }  # fmt: skip
    asked = {
        "machine": machine.text, "filament": filament.text, "baseline": text, "target": target / 100,
        "book": desk.book,
        "slip": {k: v[-1] for k, v in form.fields.items() if k != "token"},
    }  # fmt: skip
    work = desk.lines.begin("plan", asked, about=about)
    return go_to(request, f"/plan/{work.uid}", work.to_json())


def _baseline_text(form: Form) -> str:
    """The slip of the page as a baseline record; what was left empty is left out, and then listed as assumed."""
    nozzle = number_in(form.text("nozzle_c"), "the nozzle temperature", 120, 450, "°C")
    layer = number_in(form.text("layer_height_mm"), "the layer height", 0.03, 2, "mm")
    speeds = {k: number_in(form.text(k), f"the speed of {w}", 0.5, 1000, "mm/s") for k, w in BEAD_WORDS.items()}
    if nozzle is None or layer is None or not any(speeds.values()):
        raise Fault(422, "give at least the nozzle temperature, the layer height and one speed of your rigid recipe")
    top = ['name = "Rigid, from the bench"', f"nozzle_c = {nozzle:g}", f"layer_height_mm = {layer:g}"]
    for field, key, what, low, high, unit in (
        ("first_speed", "first_layer.speed_mm_per_s", "the speed of the first layer", 0.5, 1000, "mm/s"),
        ("retract_mm", "stops.retraction_mm", "the retraction", 0, 20, "mm"),
        ("travel_speed", "stops.travel_mm_per_s", "the travel speed", 5, 1000, "mm/s"),
        ("bed_c", "part.bed_c", "the bed temperature", 0, 200, "°C"),
        ("fan_percent", "part.fan_percent", "the fan", 0, 100, "%"),
    ):
        value = number_in(form.text(field), what, low, high, unit)
        top += [f"{key} = {value:g}"] if value is not None else []
    return "\n".join([*top, *(f"bead_speed_mm_per_s.{k} = {v:g}" for k, v in speeds.items() if v)]) + "\n"


async def plan_page(request: Request) -> Response:
    """The ledger, and the window map."""
    work = desk_of(request).lines.find(request.path_params["uid"], "plan")
    if work.state != "done":
        return await work_page(request, work)
    return await answer_with_report(request, "plan.html", work, {"id": work.uid})


async def plan_sheet(request: Request) -> Response:
    """The settings on one sheet of paper."""
    desk = desk_of(request)
    work = desk.lines.find(request.path_params["uid"], "plan")
    if work.state != "done":
        raise Fault(404, "that recipe is not ready yet")
    found, report = await desk.aside(lambda: (work.result(), work.report("sheet")))
    return answer(request, "sheet.html", {"values": found["values"], "name": found["name"]}, report=report)


async def plan_window(request: Request) -> Response:
    """The window map for other handles."""
    desk, asked = desk_of(request), request.query_params
    work = desk.lines.find(request.path_params["uid"], "plan")
    if work.state != "done":
        raise Fault(404, "that recipe is not ready yet")
    limits = {
        "layer_height_mm": ("the layer height", 0.03, 2, "mm"),
        "width_mm": ("the bead width", 0.05, 8, "mm"),
        "speed_mm_per_s": ("the speed", 0.1, 1000, "mm/s"),
        "nozzle_c": ("the temperature", 120, 350, "°C"),
    }
    handles = {key: number_in(asked.get(key, ""), *rest) for key, rest in limits.items()}
    missing = [key for key, value in handles.items() if value is None]
    if missing:
        raise Fault(422, f"{missing[0]} is missing; give {', '.join(limits)}")
    records = {key: work.asked[key] for key in ("machine", "filament", "baseline", "target", "book")} | {"of": work.uid}
    done = await desk.at_once("window", records | handles)
    try:
        return JSONResponse(await desk.aside(done.result))
    finally:
        desk.lines.forget(done)
