"""`mend` and `part`: what is done to a file somebody sends."""

import tomllib

from starlette.requests import Request
from starlette.responses import FileResponse, Response

from pliant.bench.desk import desk_of, number_in
from pliant.bench.faults import Fault
from pliant.bench.lines import Work
from pliant.bench.pages import answer, answer_with_report, go_to
from pliant.bench.routes_check import origin_in, reach_in, recent, sent_program, shelf_data, work_page
from pliant.bench.store import plain_name
from pliant.mesh.mesh_read import MAX_FILE_BYTES
from pliant.workflows.mend import ADDED, AIMS, PASSES
from pliant.workflows.outcomes import add_outcome
from pliant.workflows.shelf import Kept, kept_as, with_reach

__all__ = [
    "made_program", "mend_form", "mend_pad", "mend_page", "mend_program", "mend_reach", "mend_send", "part_form",
    "part_page", "part_send",
]  # fmt: skip

PASS_WORDS = {
    "order": "lay the islands of a layer in a better order",
    "route": "keep travel over what is printed",
    "retract": "leave out or shorten retractions the filament cannot take",
    "flow": "slow down where the push gets too much",
    "heat": "set the nozzle temperature within the data sheet",
    "prime": "add a priming run beside the part, where there is none",
    "first-layer": "open the gap under the nozzle in the first layer",
    "factor": "feed a little more where soft filament is metered short",
    "coast": "stop feeding before the end of a run",
    "shape": "feed in time, so that runs start and stop right",
    "proof": "lay a small pad beside the part first, fed harder than the part ever is",
}


async def mend_form(request: Request) -> Response:
    """Choose a program, and which passes may work on it."""
    desk = desk_of(request)
    kept = await desk.shelf()
    data = shelf_data(kept.machines, kept.filaments) | {
        "passes": list(PASSES), "added": list(ADDED), "token": request.scope["bench_token"],
    }  # fmt: skip
    return answer(
        request, "mend_form.html", data, shelf=kept, picked=await desk.picked(request, kept), words=PASS_WORDS,
        recent=recent(request, "mend"),
    )  # fmt: skip


async def mend_send(request: Request) -> Response:
    """Mend a program."""
    desk = desk_of(request)
    form = await desk.form(request)
    machine, filament = await desk.pair(form.text("machine"), form.text("filament"))
    chosen = form.texts("pass") if form.text("chosen") else list(PASSES)
    unknown = [name for name in chosen if name not in PASS_WORDS]
    if unknown:
        raise Fault(422, f"unknown pass {unknown[0][:40]!r}; choose from {', '.join(PASS_WORDS)}")
    target = number_in(form.text("target_percent"), "the chance of a jam to stay under", 0.1, 50, "%") or 2.0
    aim = form.text("aim") or "quickest"
    if aim not in AIMS:
        raise Fault(422, f"choose what to aim for: {' or '.join(AIMS)}")
    upload = sent_program(request, form)
    stem, dot, ending = upload.name.rpartition(".")
    output = plain_name(f"{stem or upload.name}-mended{dot}{ending if stem else ''}")
    passes = [name for name in PASS_WORDS if name in chosen]
    height = number_in(form.text("height_mm"), "how much taller the first layer may make the part", 0.01, 0.5, "mm")
    if "first-layer" in passes and height is None:
        raise Fault(422, "say how much taller the pass first-layer may make the part, such as 0.1 mm")
    work = desk.begin(
        "mend", upload, machine, filament, passes=passes, target=target / 100, output=output, aim=aim,
        height_mm=height if "first-layer" in passes and height is not None else 0.0,
    )  # fmt: skip
    return go_to(request, f"/mend/{work.uid}", work.to_json())


async def mend_page(request: Request) -> Response:
    """Before and after, and the certificate."""
    work = desk_of(request).lines.find(request.path_params["uid"], "mend")
    if work.state != "done":
        return await work_page(request, work)
    printed = await made_program(request, work, work.asked["output"], work.asked["output"])
    return await answer_with_report(
        request, "mend.html", work, {"id": work.uid}, printed=printed, no_room=_no_room(work)
    )


def _no_room(work: Work) -> bool:
    """Whether a proof was left out since nobody has said how far the nozzle reaches."""
    data = work.result()
    return "volume_mm" not in tomllib.loads(work.asked["machine"]).get("motion", {}) and any(
        note.startswith("proof: no room") for note in data.get("notes", ())
    )


async def mend_pad(request: Request) -> Response:
    """The pad did not come out whole: write it down, and mend the same program for the next try."""
    desk = desk_of(request)
    await desk.form(request, 0)
    work = desk.lines.find(request.path_params["uid"], "mend")
    if work.state != "done" or not work.result().get("proof"):
        raise Fault(404, "that program has no pad")
    made, minutes = work.folder / work.asked["output"], work.result()["proof"]["minutes"]
    machine, filament = await desk.pair(work.about["machine_uid"], work.about["filament_uid"])
    await desk.aside(
        lambda: add_outcome(
            desk.book, "jammed", str(made), machine.uid, filament.uid, at_minute=minutes,
            note="the pad beside the part did not come out whole",
        )
    )  # fmt: skip
    return _again(request, work, machine, filament)


async def mend_reach(request: Request) -> Response:
    """Keep how far the nozzle reaches in the machine's record, and mend again."""
    desk = desk_of(request)
    form = await desk.form(request, 0)
    work = desk.lines.find(request.path_params["uid"], "mend")
    reach, origin = reach_in(form), origin_in(form)
    if reach is None:
        raise Fault(422, "say how far the nozzle reaches: wide, deep and high")
    old, filament = await desk.pair(work.about["machine_uid"], work.about["filament_uid"])
    text = with_reach(old.text, reach, origin)
    return _again(request, work, await desk.aside(lambda: kept_as(desk.book, "machine", text)), filament)


def _again(request: Request, work: Work, machine: Kept, filament: Kept) -> Response:
    """Mend the same program as it was asked for, with what is known now."""
    desk, same = desk_of(request), ("passes", "target", "output", "aim", "height_mm")
    again = desk.begin(
        "mend", desk.store.upload(work.about["upload"]), machine, filament, **{key: work.asked[key] for key in same}
    )
    return go_to(request, f"/mend/{again.uid}", again.to_json())


async def made_program(request: Request, work: Work, made: str, name: str) -> str:
    """A program that work has made, among those that can be checked and spoken of: its number there."""
    desk = desk_of(request)
    uid = str(work.about.get("printed", ""))
    if uid not in desk.store.uploads:
        uid = (await desk.aside(lambda: desk.store.adopt(work.folder / made, name))).uid
        work.about = work.about | {"printed": uid}
        work.save()
    return uid


async def mend_program(request: Request) -> Response:
    """The mended program itself."""
    work = desk_of(request).lines.find(request.path_params["uid"], "mend")
    if work.state != "done":
        raise Fault(404, "that program is not mended yet")
    name = work.asked["output"]
    return FileResponse(work.folder / name, filename=name, media_type="application/octet-stream")


async def part_form(request: Request) -> Response:
    """Choose a mesh."""
    desk = desk_of(request)
    kept = await desk.shelf()
    data = shelf_data(kept.machines, kept.filaments) | {"token": request.scope["bench_token"]}
    picked = await desk.picked(request, kept)
    return answer(request, "part_form.html", data, shelf=kept, picked=picked, recent=recent(request, "part"))


async def part_send(request: Request) -> Response:
    """Look at a part."""
    desk = desk_of(request)
    form = await desk.form(request, MAX_FILE_BYTES)
    machine, filament = await desk.pair(form.text("machine"), form.text("filament"))
    if "mesh" not in form.files and not form.text("upload"):
        raise Fault(422, "no mesh was sent; choose an STL, OBJ or 3MF file")
    mesh = form.files.get("mesh") or desk.store.upload(form.text("upload"))
    work = desk.begin("part", mesh, machine, filament, holes=form.text("holes") == "yes")
    return go_to(request, f"/part/{work.uid}", work.to_json())


async def part_page(request: Request) -> Response:
    """Whether the part is a good idea, and how it should stand."""
    work = desk_of(request).lines.find(request.path_params["uid"], "part")
    if work.state != "done":
        return await work_page(request, work)
    return await answer_with_report(request, "part.html", work, {"id": work.uid})
