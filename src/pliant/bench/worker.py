"""The process beside the server: it takes one piece of work at a time, tells how far it is, and leaves files behind.

A piece of work is named; its inputs are plain data and paths inside the work folder. What comes of it is written to the
folder of the work: `result.json`, and for a report its sections, the rules that they set, and the whole as one file to
be saved by the user. Nothing else passes.
"""

import json
import math
import os
import threading
import time
import traceback
import warnings
from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from multiprocessing import parent_process
from multiprocessing.connection import Connection
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pliant.bench.faults import in_fields, with_names
from pliant.errors import PliantError
from pliant.files import Text, save_whole

if TYPE_CHECKING:
    from pliant.report.sections import Report

__all__ = ["TASKS", "plain", "run_worker"]

Tell = Callable[[str, float], None]
_INTO = "Onto the page of readings, which the bench shows under this sheet and keeps in the book."


def plain(value: Any) -> Any:
    """Data that JSON can hold: what a computation left without bound becomes null."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    return value


def _keep(folder: Path, result: Any, report: "Report | None" = None, record: str | None = None) -> None:
    if record is not None:  # of the book, so that its page leads here
        save_whole(folder / "kept.json", json.dumps({"record": record}))
    data = result if isinstance(result, dict) else result.to_json()
    if report is not None:
        from pliant.report.sections import whole_page

        report = report.worded(in_fields)
        save_whole(folder / "report.html", whole_page(report))
        save_whole(folder / "rules.css", "".join(report.rules))
        save_whole(folder / "report.json", json.dumps(report.to_json()))
    save_whole(folder / "result.json", json.dumps(plain(data), allow_nan=False))


def _check(folder: Path, asked: dict[str, Any], tell: Tell) -> None:
    from pliant.job.kept import kept_course
    from pliant.report.check_page import check_page
    from pliant.workflows.any_layer import keep_layers
    from pliant.workflows.book import remember_and_tell
    from pliant.workflows.check import examine
    from pliant.workflows.past_prints import kept_of
    from pliant.workflows.picture import draw

    machine, filament = _records(asked)
    seen = examine(asked["program"], machine, filament, progress=tell, book=asked["book"])
    tell("drawing", 0)
    report = check_page(seen.findings, draw(seen.job, weighed=seen.weighed, speeds=seen.findings.limit_speed_mm_per_s))
    tell("writing it into the book", 0)
    alone = seen.job.proof is None
    course = kept_course(seen.job) if alone else kept_of(asked["program"], seen.job.machine, seen.job.filament)
    past, kept = remember_and_tell(asked["book"], seen.findings, asked["program"], machine, filament, course.to_json())
    _keep(folder, seen.findings.to_json() | {"past": past.to_json()}, report, kept.uid)
    keep_layers(seen.job, folder / "layers")
    told = {"record": kept.uid, "verdict": seen.findings.verdict, "chance": seen.findings.jam_probability}
    save_whole(folder / "kept.json", json.dumps(told))


def _warm(folder: Path, asked: dict[str, Any], tell: Tell) -> None:
    if asked["line"] == "quick":  # nothing there needs the kernels
        import pliant.report.feel_page
        import pliant.workflows.dry
        import pliant.workflows.feel
        import pliant.workflows.handles  # noqa: F401

        return
    from pliant.ahead import compile_ahead
    from pliant.records.starters import starter
    from pliant.workflows.check import check

    compile_ahead(tell)
    program = "G28\nG1 Z0.2 F600\nM83\nM109 S220\nG1 X10 F1200\nG1 X60 E1.7\n"  # enough to load what `check` needs
    check(Text("program", program), Text("machine", starter("machine")), Text("filament", starter("filament")))


def _mend(folder: Path, asked: dict[str, Any], tell: Tell) -> None:
    from pliant.report.mend_page import mend_page
    from pliant.workflows.book import remember_mended
    from pliant.workflows.mend_picture import mend_with_picture

    machine, filament = _records(asked)
    result = folder / asked["output"]
    mended, remake = mend_with_picture(
        asked["program"], machine, filament, output=result, passes=tuple(asked["passes"]),
        # the quickest is what is done without a word, and it says why where it is not
        target=asked["target"] if asked["aim"] == "surest" else None,
        height_mm=asked["height_mm"], progress=tell, book=asked["book"],
    )  # fmt: skip
    tell("writing it into the book", 0.98)
    kept = remember_mended(asked["book"], mended, asked["program"], result, machine, filament)

    data = mended.to_json() | {"output": result.name, "kept": kept.uid}
    _keep(folder, data, mend_page(mended, remake), kept.uid)


def _part(folder: Path, asked: dict[str, Any], tell: Tell) -> None:
    from pliant.report.part_page import part_page
    from pliant.workflows.part import part

    machine, filament = _records(asked)
    tell("trying directions to stand in, and laying beads in thought", 0)
    findings = part(asked["program"], machine, filament, holes=asked["holes"])
    _keep(folder, findings, part_page(findings))


def _feel(folder: Path, asked: dict[str, Any], tell: Tell) -> None:
    from pliant.report.feel_page import feel_page
    from pliant.workflows.feel import feel

    found = feel(asked["piece"], asked["size_mm"], asked["deflection_mm"], **asked["more"])
    _keep(folder, found, feel_page(found))


def _dry(folder: Path, asked: dict[str, Any], tell: Tell) -> None:
    from pliant.report.dry_page import dry_page
    from pliant.workflows.dry import dry

    found = dry(Text("filament.toml", asked["filament"]), **asked["more"])
    _keep(folder, found, dry_page(found))


def _plan(folder: Path, asked: dict[str, Any], tell: Tell) -> None:
    from pliant.report.plan_page import plan_page, sheet_page, sheet_stamp
    from pliant.workflows.book import keep_recipe
    from pliant.workflows.plan import plan

    machine, filament = _records(asked)
    baseline = Text("your recipe", asked["baseline"])
    tell("weighing speeds and temperatures", 0)
    recipe = plan(machine, filament, baseline, target=asked["target"], book=asked["book"])
    kept = keep_recipe(asked["book"], recipe) if recipe.works else None
    sheet = sheet_page(recipe, sheet_stamp(kept.version if kept else None))
    save_whole(folder / "sheet.json", json.dumps(sheet.to_json()))
    uid = kept.uid if kept else None
    _keep(folder, recipe.to_json() | {"kept": uid}, plan_page(recipe), uid)


def _window(folder: Path, asked: dict[str, Any], tell: Tell) -> None:
    """The map under a hand that moves its handles."""
    from pliant.report.window_chart import window_svg

    window, here = _handles(asked["of"], asked["machine"], asked["filament"], asked["baseline"], asked["book"]).map_at(
        asked["layer_height_mm"], asked["width_mm"], asked["speed_mm_per_s"], asked["nozzle_c"]
    )
    data = {
        "jam_probability": here,
        "speed_mm_per_s": asked["speed_mm_per_s"],
        "nozzle_c": asked["nozzle_c"],
        "layer_height_mm": asked["layer_height_mm"],
        "width_mm": asked["width_mm"],
        "drawing_wide": str(window_svg(window, asked["target"], width=760, height=430)),
        "drawing_narrow": str(window_svg(window, asked["target"], width=358, height=360)),
    }
    _keep(folder, data)


@lru_cache(maxsize=4)
def _handles(of: str, machine: str, filament: str, baseline: str, book: str) -> Any:
    """Ready for one page, with the prints of the book as they were when it was first touched."""
    from pliant.workflows.handles import Handles

    return Handles.of(machine, filament, baseline, book)


def _coupon(folder: Path, asked: dict[str, Any], tell: Tell) -> None:
    from pliant.report.coupon_page import coupon_page
    from pliant.workflows.coupon import coupon
    from pliant.workflows.sheets import keep_coupon

    machine, filament = _records(asked)
    tell("choosing its steps, and checking the piece", 0)
    made, _ = coupon(
        asked["piece"], machine, filament, folder / "coupon.gcode", nozzle_c=asked["nozzle_c"], gap_mm=asked["gap_mm"]
    )
    kept = keep_coupon(asked["book"], made, machine, filament)
    _keep(folder, made.to_json() | {"kept": kept.uid}, coupon_page(made, _INTO), kept.uid)


def _next(folder: Path, asked: dict[str, Any], tell: Tell) -> None:
    from pliant.workflows.next_coupon import next_coupon

    machine, filament = _records(asked)
    found = next_coupon(
        machine, filament, program=asked["program"], progress=lambda share: tell("weighing the pieces", share)
    )
    _keep(folder, found)


def _learn(folder: Path, asked: dict[str, Any], tell: Tell) -> None:
    from pliant.workflows.sheets import learn_and_keep

    machine, filament = _records(asked)
    learned, kept = learn_and_keep(
        asked["book"], asked["sheet"], asked["name"], machine, filament, folder=folder / "new",
        coupon=asked["coupon"], program=asked["program"], photo=asked.get("photo"),
        progress=lambda share: tell("learning", share),
    )  # fmt: skip
    from pliant.records.filament import read_filament
    from pliant.records.machine import read_machine
    from pliant.report.learn_page import learn_page

    report = learn_page(
        replace(learned, machine_file=None, filament_file=None), read_machine(machine).name,
        read_filament(filament).name,
    )  # fmt: skip
    names = {"machine": kept[0].uid, "filament": kept[1].uid, "fit": kept[2].uid}
    data = learned.to_json() | {"machine_file": None, "filament_file": None, "kept": names}
    _keep(folder, data, report, kept[2].uid)


def _records(asked: dict[str, Any]) -> tuple[Text, Text]:
    return Text("machine.toml", asked["machine"]), Text("filament.toml", asked["filament"])


TASKS: dict[str, Callable[[Path, dict[str, Any], Tell], None]] = {
    "check": _check, "mend": _mend, "part": _part, "feel": _feel, "dry": _dry, "plan": _plan, "window": _window,
    "coupon": _coupon, "next": _next, "learn": _learn, "warm": _warm,
}  # fmt: skip


def run_worker(connection: Connection) -> None:
    """Serve one parent until it goes away."""
    threading.Thread(target=_leave_with_parent, daemon=True).start()
    warnings.simplefilter("ignore")
    while True:
        try:
            name, folder, asked, names = connection.recv()
        except (EOFError, OSError):
            return
        last = [0.0, ""]

        def tell(what: str, share: float, last: list = last) -> None:
            now = time.monotonic()
            if what != last[1] or now - last[0] > 0.15:
                last[0], last[1] = now, what
                connection.send(("progress", what, float(share)))

        try:
            TASKS[name](Path(folder), asked, tell)
            told: tuple[str, str, float] = ("done", "", 1.0)
        except PliantError as error:
            told = ("refused", with_names(in_fields(str(error)), *names), 0.0)
        except MemoryError:
            told = ("refused", "this computer has too little memory for that file", 0.0)
        except Exception as error:
            traceback.print_exc()
            told = ("fault", f"{type(error).__name__}", 0.0)
        try:
            connection.send(told)
        except (BrokenPipeError, OSError):
            return


def _leave_with_parent() -> None:
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(0)
