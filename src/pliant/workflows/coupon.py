"""`coupon`: a test piece for this machine and this spool, read back and checked before it is given out."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from pliant.coupons.free_run import free_run
from pliant.coupons.gap_steps import gap_steps
from pliant.coupons.ladder import ladder
from pliant.coupons.readings import readings_text
from pliant.coupons.stop_start import stop_start
from pliant.coupons.temperature_ladder import temperature_ladder
from pliant.coupons.threads import threads
from pliant.coupons.writer import shift_mm
from pliant.errors import PliantError
from pliant.feed.warmth import cold_words
from pliant.files import Source, Text, require_place, save_whole, write_new
from pliant.job.job import read_job
from pliant.job.verdict import judge
from pliant.records.coupon import KINDS, Coupon
from pliant.records.filament import Filament, read_filament
from pliant.records.machine import Machine, read_machine

__all__ = ["LONGEST_S", "MAKERS", "MOST_G", "coupon", "make_coupon"]

LONGEST_S, MOST_G = 900.0, 5.0  # [s, g] design, issue 7: what a test piece may cost
MAKERS: dict[str, Callable[..., Coupon]] = {
    "ladder": ladder,
    "stop-start": stop_start,
    "gap-steps": gap_steps,
    "threads": threads,
    "free-run": free_run,
    "temperature-ladder": temperature_ladder,
}


def make_coupon(
    kind: str, machine: Machine, filament: Filament, *, nozzle_c: float | None = None, gap_mm: float | None = None,
    draw_back: bool = False,
) -> Coupon:  # fmt: skip
    """Make a coupon, read its program back and check it.

    Parameters
    ----------
    kind : str
        One of `records.coupon.KINDS`.
    machine, filament : Machine, Filament
        The records.
    nozzle_c : float, optional
        For a ladder: the nozzle, within the data sheet. [degC]
    gap_mm : float, optional
        For a ladder: the height of its layers, which is the gap under the nozzle. [mm]
    draw_back : bool, default False
        For a stop-start piece: whether filament is drawn back at each stop.

    Returns
    -------
    Coupon
        With the time and mass that the reader finds, and the cautions of the check.

    Raises
    ------
    PliantError
        If the kind is unknown, or no piece within the bounds tells anything on this machine.
    """
    if kind not in MAKERS:
        raise PliantError(f"unknown coupon {kind!r}; choose from {', '.join(KINDS)}")
    if nozzle_c is not None and kind != "ladder":
        raise PliantError(f"the nozzle of a {kind} is its own choice; `nozzle_c` goes with a ladder")
    if gap_mm is not None and kind != "ladder":
        raise PliantError(f"the gaps of a {kind} are its own choice; `gap_mm` goes with a ladder")
    if draw_back and kind != "stop-start":
        raise PliantError(f"a {kind} has no stops to draw back at; `draw_back` goes with a stop-start piece")
    own: dict[str, Any] = {"nozzle_c": nozzle_c, "gap_mm": gap_mm} if kind == "ladder" else {}
    own |= {"draw_back": True} if draw_back else {}
    made = MAKERS[kind](machine, filament, **own)
    found = judge(read_job(Text("coupon.gcode", made.program), machine, filament), remedies=False)
    facts = found.facts
    grams = facts.filament_forward_mm * filament.section_mm2
    grams *= filament.density_kg_per_m3.value * 1e-6
    wrong = [*facts.dialect_questions, *facts.warnings]
    if wrong:
        raise PliantError(
            f"the {kind} for this machine does not read back cleanly ({wrong[0]}); this is a fault of ours"
        )
    if facts.time_s > LONGEST_S or grams > MOST_G:
        raise PliantError(
            f"a {kind} for this machine and spool would take {facts.time_s / 60:.0f} min and {grams:.1f} g, over "
            f"{LONGEST_S / 60:.0f} min or {MOST_G:g} g; print another kind, or narrow the records first"
            + "".join(f". {cold}" for cold in cold_words(machine, filament, min(s.nozzle_c for s in made.steps)))
        )
    dx, dy = shift_mm(machine)
    return replace(
        made,
        time_s=facts.time_s,
        mass_g=float(grams),
        cautions=found.cautions,
        marks_mm=tuple((x + dx, y + dy) for x, y in made.marks_mm),
        outline_mm=tuple(tuple((x + dx, y + dy) for x, y in stroke) for stroke in made.outline_mm),
        unfed_mm=tuple(tuple((x + dx, y + dy) for x, y in stroke) for stroke in made.unfed_mm),
        place="needs a bed of 110 by 110 mm with its origin in a corner"
        if machine.volume_mm is None
        else "lies in the middle of the bed",
    )


def coupon(
    kind: str,
    machine: Source,
    filament: Source,
    output: str | Path,
    *,
    sheet: Callable[[Coupon, str], str] | None = None,
    sheet_path: str | Path | None = None,
    nozzle_c: float | None = None,
    gap_mm: float | None = None,
    draw_back: bool = False,
) -> tuple[Coupon, Path]:
    """Make a coupon and write its program, its sheet and the file for its readings.

    Parameters
    ----------
    kind : str
        One of `records.coupon.KINDS`.
    machine, filament : str or Path
        The records.
    output : str or Path
        The motion program; the readings file goes beside it and is never overwritten.
    sheet : callable, optional
        Renders the page from the coupon and the name of the readings file.
    sheet_path : str or Path, optional
        Where the page goes.
    nozzle_c : float, optional
        For a ladder: the nozzle, within the data sheet. [degC]
    gap_mm : float, optional
        For a ladder: the height of its layers, which is the gap under the nozzle. [mm]
    draw_back : bool, default False
        For a stop-start piece: whether filament is drawn back at each stop.

    Returns
    -------
    coupon : Coupon
    readings : Path
        The file to fill in.
    """
    path = Path(output)
    readings = path.with_name(path.name.removesuffix(path.suffix) + ".readings.toml")
    if readings.exists():
        raise PliantError(f"{readings}: exists already and may hold your readings; choose another `output`")
    for place in (path, *([Path(sheet_path)] if sheet_path is not None else [])):
        require_place(place, (machine, filament), "the piece")
    made = make_coupon(
        kind, read_machine(machine), read_filament(filament), nozzle_c=nozzle_c, gap_mm=gap_mm, draw_back=draw_back
    )
    if sheet is not None and sheet_path is not None:
        save_whole(Path(sheet_path), sheet(made, readings.name))
    save_whole(path, made.program)
    write_new(readings, readings_text(made))  # last: they are what a second try must not meet
    return made, readings
