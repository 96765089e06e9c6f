"""`check`, drawn: the same findings in one file."""

from dataclasses import replace
from pathlib import Path

import numpy as np

from pliant.feed.limit import carried_between, limit_speed
from pliant.feed.strip import build_strip
from pliant.feed.vessels import fill_vessels
from pliant.files import Source, require_place, save_whole
from pliant.job.job import Job
from pliant.job.laying import STRING_MM
from pliant.job.tonight import Weighed, curves_of
from pliant.program.sheets import draw_sheets
from pliant.progress import Progress
from pliant.records.filament import Filament
from pliant.records.findings import Findings
from pliant.records.machine import Machine
from pliant.records.trace import Picture
from pliant.workflows.check import examine

__all__ = ["check_with_report", "draw"]


def draw(
    job: Job, *, layers: int = 6, weighed: Weighed | None = None, speeds: dict[str, float] | None = None
) -> Picture:
    """Draw a job.

    Parameters
    ----------
    job : Job
        As it was judged.
    layers : int, default 6
        Layers on the contact sheet, at most. [-]
    weighed : Weighed, optional
        What each speed costs, where that is to be drawn.
    speeds : dict of str to float, optional
        Between which the widest bead gives, as `judge` found it; found anew where left out. [mm/s]

    Returns
    -------
    Picture
    """
    load, course, laying = job.load, job.course, job.laying
    tied = np.flatnonzero(load.margin == load.margin.min())  # margins come from a table: ties are one step of it
    worst = int(tied[np.argmax(load.pressure_mpa[tied])])
    strip = build_strip(
        load,
        move_s=laying.timing.move_s,
        line=job.program.line,
        layer=laying.layering.layer,
        at_mm=job.program.point_mm[1:, :2],
    )
    speeds = limit_speed(job.groups, job.machine, job.filament) if speeds is None else speeds
    if speeds is not None and strip.mechanism != "none":
        between = carried_between(job.groups, job.machine, job.filament, speeds, strip.mechanism, strip.capacity)
        strip = replace(strip, between=between)
    return Picture(
        program=Path(job.program.path).name,
        machine=job.machine.name,
        filament=job.filament.name,
        nozzle_mm=job.machine.nozzle_mm.value,
        strip=strip,
        vessels=fill_vessels(
            job.machine,
            job.filament,
            pressure_mpa=float(load.pressure_mpa[worst]),
            flow_mm3_per_s=float(load.flow_mm3_per_s[worst]),
            nozzle_c=float(course.nozzle_c[course.heat[worst]]),
            after_s=float(laying.timing.move_s[: worst + 1].sum()),
        ),
        sheets=draw_sheets(
            job.program,
            laying.layering,
            laying.coverage,
            laying.sight,
            load.margin,
            string_mm=STRING_MM,
            count=layers,
        ),
        curves=() if weighed is None else curves_of(weighed, job.machine.tries.restart_min),
    )


def check_with_report(
    program: str | Path,
    machine: Source | Machine,
    filament: Source | Filament,
    output: str | Path,
    *,
    dialect: str | None = None,
    progress: Progress | None = None,
    mesh: str | Path | None = None,
    book: str | Path | None = None,
    practice: bool = False,
) -> Findings:
    """Do what `check` does, and write a self-contained page.

    Parameters
    ----------
    program : str or Path
        The motion program.
    machine, filament : str, Path or record
        The user's records.
    output : str or Path
        The page; an existing one is replaced in one step.
    dialect : str, optional
        Overrides the machine's own.
    progress : callable, optional
        Told what is being done, and the share of it that is done.
    mesh : str or Path, optional
        The part that the program lays.
    book : str or Path, optional
        Whose prints of this pair count; it is only read.
    practice : bool, default False
        Whether what practitioners report counts too.

    Returns
    -------
    Findings

    Raises
    ------
    PliantError
        If the page cannot be written, or would replace one of the inputs; nothing is written then.
    """
    from pliant.report.check_page import check_page
    from pliant.report.sections import whole_page

    place = require_place(output, (program, machine, filament), "the report")
    seen = examine(
        program, machine, filament, dialect=dialect, progress=progress, mesh=mesh, book=book, practice=practice
    )
    save_whole(
        place,
        whole_page(
            check_page(seen.findings, draw(seen.job, weighed=seen.weighed, speeds=seen.findings.limit_speed_mm_per_s))
        ),
    )
    return seen.findings
