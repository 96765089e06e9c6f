"""Readings: what the user wrote down, from a TOML file or a form, refused key by key where it makes no sense.

The file that comes with a coupon already holds its settings; the user fills in what happened. `readings_text` writes
it, `read_readings` reads it, `readings_from` takes the same keys from a form.
"""

import hashlib
import json
import math
from pathlib import Path
from typing import Any

from pliant.errors import RecordError
from pliant.records.coupon import ANSWERS, KINDS, NOT_SURE, Coupon, Readings, Result, Step
from pliant.records.machine import load_toml, reject_unknown

__all__ = ["read_readings", "readings_from", "readings_text", "settings_from"]

_MOST_STEPS = 40
# setting: least, most
_SETTINGS = {
    "flow_mm3_per_s": (0.001, 200.0),
    "nozzle_c": (100.0, 400.0),
    "width_mm": (0.05, 10.0),
    "gap_mm": (0.01, 10.0),
    "speed_mm_per_s": (0.01, 1000.0),
    "wait_s": (0.0, 600.0),
    "distance_mm": (0.1, 500.0),
    "asked_mm": (0.1, 5000.0),
    "crossings": (1, 1000),
}
_HEADS = {
    "ladder": ("flow_mm3_per_s", "nozzle_c", "width_mm", "gap_mm", "speed_mm_per_s"),
    "temperature-ladder": ("flow_mm3_per_s", "nozzle_c", "width_mm", "gap_mm", "speed_mm_per_s"),
    "gap-steps": ("flow_mm3_per_s", "nozzle_c", "width_mm", "gap_mm", "speed_mm_per_s"),
    "stop-start": ("flow_mm3_per_s", "nozzle_c", "width_mm", "gap_mm", "speed_mm_per_s", "wait_s"),
    "threads": (
        "flow_mm3_per_s", "nozzle_c", "width_mm", "gap_mm", "speed_mm_per_s", "wait_s", "distance_mm", "crossings",
    ),
    "free-run": ("flow_mm3_per_s", "nozzle_c", "asked_mm"),
}  # fmt: skip
_FINDINGS = {
    "ladder": ("answer",),
    "temperature-ladder": ("answer",),
    "gap-steps": ("answer",),
    "stop-start": ("tail_mm", "lead_mm"),
    "threads": ("strings",),
    "free-run": ("answer", "moved_mm"),
}
_MORE = ("back_mm", "before_mm", "after_mm", "tail_spread_mm", "lead_spread_mm")  # of a stop-start piece, where there
_MOST_MM = {"tail_mm": 2000.0, "lead_mm": 2000.0, "moved_mm": 5000.0}
_HELP = {
    "answer": 'answer: "held", "failed", "not sure", or "" if it was never reached',
    "tail_mm": 'tail_mm: how far past the first tooth until the bead is half as wide, in mm; or "not sure"',
    "lead_mm": 'lead_mm: how far past the start until the bead is half as wide as in full, in mm; or "not sure"',
    "strings": 'strings: how many of the crossings left a thread; or "not sure"',
    "moved_mm": 'moved_mm: how far the mark on the filament really moved, in mm; or "not sure"',
}


def readings_text(coupon: Coupon) -> str:
    """The file to fill in, settings already there."""
    lines = [
        f"# Readings of: {coupon.title}, {coupon.filament!r} on {coupon.machine!r}".replace("\n", " "),
        "# Fill in what happened; leave the settings as they are. Then learn from this file.",
        *(f"# {_HELP[name]}" for name in _FINDINGS[coupon.kind]),
        '# mass_g: all that came out of the nozzle, weighed; "" if not weighed',
        f'coupon = "{coupon.kind}"',
        f"machine = {json.dumps(coupon.machine)}",
        f"filament = {json.dumps(coupon.filament)}",
        f"asked_mm = {coupon.asked_mm:.2f}",
        'mass_g = ""',
        'notes = ""',
    ]
    for k, step in enumerate(coupon.steps):
        lines += ["", f"[[step]]  # {k + 1}" + (f": {coupon.hints[k]}" if coupon.hints else "")]
        lines += [f"{name} = {_toml(getattr(step, name))}" for name in _HEADS[coupon.kind]]
        if step.first_layer:
            lines.append("first_layer = true")
        if step.back_mm:
            lines.append(f"back_mm = {_toml(step.back_mm)}")
        if step.before_mm:
            lines += [f"before_mm = {step.before_mm:.3f}", f"after_mm = {step.after_mm:.3f}"]
        lines += [f'{name} = ""' for name in _FINDINGS[coupon.kind]]
    return "\n".join(lines) + "\n"


def read_readings(path: str | Path) -> Readings:
    """Read a filled-in file.

    Parameters
    ----------
    path : str or Path
        TOML, as `readings_text` wrote it and the user filled it in.

    Returns
    -------
    Readings

    Raises
    ------
    RecordError
        One line that names the file, the key, what is allowed and the way out.
    """
    return readings_from(load_toml(path, "`coupon()` writes a file to fill in"), str(path))


def settings_from(data: dict[str, Any], name: str = "readings") -> tuple[Step, ...]:
    """The settings alone, of a sheet that may still be empty; errors as `read_readings`."""
    return _taken(data, name)[0]


def readings_from(data: dict[str, Any], name: str = "readings") -> Readings:
    """Take readings from plain data, as the file or the form of the bench has them; errors as `read_readings`."""
    steps, results = _taken(data, name)
    kind, raw = data["coupon"], data["step"]
    notes = data.get("notes", "")
    if not isinstance(notes, str) or len(notes) > 4000:
        raise RecordError(f"{name}: notes must be a text of at most 4000 characters")
    mass = data.get("mass_g", "")
    if kind in ("ladder", "temperature-ladder", "free-run", "gap-steps"):
        _require_order(results, name)
    told = any(r != Result() and r != Result(NOT_SURE) for r in results)
    mass_g = None if mass in ("", NOT_SURE) else _number(mass, 0.01, 50.0, f"{name}: mass_g")
    if mass_g is not None and "asked_mm" not in data:
        raise RecordError(
            f"{name}: asked_mm is missing, so mass_g says nothing; take the file that came with the coupon"
        )
    if not told and mass_g is None:
        raise RecordError(f"{name}: nothing filled in; write down at least one step, or leave the file out")
    if any("tail_spread_mm" in table or "lead_spread_mm" in table for table in raw):
        # two pictures of one print never read alike: what was set, and the notes, say which print it is
        raw = [{k: v for k, v in table.items() if not k.startswith(("tail_", "lead_"))} for table in raw]
    marked = json.dumps([data.get("coupon"), mass, notes, raw], sort_keys=True, default=str)
    return Readings(
        kind=kind,
        steps=steps,
        results=tuple(results),
        asked_mm=_number(data.get("asked_mm", 1.0), 1.0, 1e5, f"{name}: asked_mm"),
        mass_g=mass_g,
        notes=notes,
        name=Path(name).name,
        machine=_name(data, "machine", name),
        filament=_name(data, "filament", name),
        mark=hashlib.sha256(marked.encode()).hexdigest()[:12],
    )


def _taken(data: dict[str, Any], name: str) -> tuple[tuple[Step, ...], list[Result]]:
    """Settings and findings of every step."""
    kind = data.get("coupon")
    if kind is None and ("hot_end" in data or "shore" in data):
        raise RecordError(f"{name}: is a record, not readings; give the file that `coupon()` wrote beside its program")
    reject_unknown(data, {"coupon", "machine", "filament", "asked_mm", "mass_g", "notes", "step"}, name, "the readings")
    if kind not in KINDS:
        raise RecordError(f"{name}: coupon must be one of {', '.join(KINDS)}, got {kind!r}")
    raw = data.get("step")
    if not isinstance(raw, list) or not 1 <= len(raw) <= _MOST_STEPS:
        raise RecordError(
            f"{name}: [[step]] must appear 1 to {_MOST_STEPS} times; take the file that came with the coupon"
        )
    steps, results = [], []
    for k, table in enumerate(raw):
        where = f"[[step]] number {k + 1}"
        reject_unknown(
            table,
            {*_HEADS[kind], *_FINDINGS[kind], "first_layer", *(_MORE if kind == "stop-start" else ())},
            name,
            where,
        )
        steps.append(_step(table, kind, f"{name}: {where}"))
        results.append(_result(table, kind, steps[-1], f"{name}: {where}"))
    return tuple(steps), results


def _name(data: dict[str, Any], key: str, name: str) -> str:
    raw = data.get(key, "")
    if not isinstance(raw, str):
        raise RecordError(f"{name}: {key} must be the name of the record in quotes, got {raw!r}")
    return raw


def _toml(value: float) -> str:
    return f"{value:d}" if isinstance(value, int) else f"{value:.6g}"


def _number(raw: Any, least: float, most: float, where: str) -> float:
    if isinstance(raw, bool) or not isinstance(raw, int | float) or not math.isfinite(raw) or not least <= raw <= most:
        raise RecordError(f'{where} must be a number from {least:g} to {most:g}, or "not sure", got {raw!r}')
    return float(raw)


def _step(table: dict[str, Any], kind: str, where: str) -> Step:
    values: dict[str, Any] = {}
    for key in _HEADS[kind]:
        if key not in table:
            raise RecordError(f"{where}: {key} is missing; take the file that came with the coupon")
        least, most = _SETTINGS[key]
        values[key] = _number(table[key], least, most, f"{where}: {key}")
    if "crossings" in values:
        values["crossings"] = int(values["crossings"])
    first = table.get("first_layer", False)
    if not isinstance(first, bool):
        raise RecordError(f"{where}: first_layer must be true or false, got {first!r}")
    back = _number(table.get("back_mm", 0.0), 0.0, 50.0, f"{where}: back_mm")
    for key in ("before_mm", "after_mm"):
        values[key] = _number(table.get(key, 0.0), 0.0, 2000.0, f"{where}: {key}")
    return Step(**values, first_layer=first, back_mm=back)


def _result(table: dict[str, Any], kind: str, step: Step, where: str) -> Result:
    found: dict[str, Any] = {}
    for key in _FINDINGS[kind]:
        raw = table.get(key, "")
        if key == "answer":
            if raw not in ANSWERS:
                raise RecordError(
                    f'{where}: answer must be "held", "failed", "not sure" or "" (not reached), got {raw!r}'
                )
            found[key] = raw
        elif raw in ("", NOT_SURE):
            continue
        elif key == "strings":
            found[key] = int(_number(raw, 0, step.crossings, f"{where}: strings"))
            if found[key] != raw:
                raise RecordError(f"{where}: strings must be a whole number, got {raw!r}")
        else:
            found[key] = _number(raw, 0.0, _MOST_MM[key], f"{where}: {key}")
    for key in ("tail_mm", "lead_mm"):
        spread = key.replace("_mm", "_spread_mm")
        if key in found and spread in table:
            found[spread] = _number(table[spread], 0.01, 100.0, f"{where}: {spread}")
    moved = found.get("moved_mm")
    if moved is not None and moved > 1.5 * step.asked_mm:
        raise RecordError(
            f"{where}: moved_mm is over one and a half times what was asked ({step.asked_mm:g}), got {moved:g}"
        )
    return Result(**found)


def _require_order(results: list[Result], name: str) -> None:
    """What failed at one step cannot have held at a harder one of the same piece: then the sheet was misread."""
    failed = [k for k, r in enumerate(results) if r.answer == "failed"]
    held = [k for k, r in enumerate(results) if r.answer == "held"]
    if failed and held and max(held) > min(failed):
        raise RecordError(
            f'{name}: answer of step {max(held) + 1} is "held" though step {min(failed) + 1}, an easier one, "failed"; '
            'write "not sure" for the step you doubt'
        )
