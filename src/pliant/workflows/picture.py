"""`check --html`: the same findings, drawn, in one file.

The page is written beside its place and renamed, so that a reader never meets half a file.
"""

import os
from pathlib import Path

import numpy as np

from pliant.errors import PliantError
from pliant.feed import chain
from pliant.feed.strip import build_strip
from pliant.feed.vessels import fill_vessels
from pliant.program.coverage import Coverage
from pliant.program.sheets import OpenSpans, draw_sheets
from pliant.records.filament import Filament
from pliant.records.findings import Findings
from pliant.records.machine import Machine
from pliant.records.program import Program
from pliant.records.trace import Picture
from pliant.workflows.check import Examined, examine

__all__ = ["check_with_picture", "check_with_report", "draw", "save_whole"]


def draw(seen: Examined, *, layers: int = 6) -> Picture:
    """Draw what `examine` saw.

    Parameters
    ----------
    seen : Examined
        The arrays behind the findings.
    layers : int, default 6
        Layers on the contact sheet. [-]

    Returns
    -------
    Picture
    """
    job, load, program = seen.job, seen.load, seen.program
    worst = int(load.margin.argmin())
    starve = chain.MECHANISMS.index("starve")
    governing = int(load.mechanism[worst])
    if governing == starve:
        demand, capacity = load.flow_mm3_per_s, load.flow_mm3_per_s * load.margin
    else:
        demand, capacity = load.push_n, load.capacity_n
    finite = capacity[np.isfinite(capacity)]
    capacity = np.nan_to_num(capacity, nan=float(finite.min(initial=np.inf) if finite.size else 0.0))
    return Picture(
        program=Path(program.path).name,
        machine=seen.machine.name,
        filament=seen.filament.name,
        nozzle_mm=seen.machine.nozzle_mm.value,
        strip=build_strip(
            seen.timing.move_s, demand, capacity, load.margin, load.mechanism, chain.MECHANISMS, governing,
            line=program.line, layer=seen.layering.layer, at_mm=program.point_mm[1:, :2],
        ),
        vessels=fill_vessels(
            seen.machine,
            seen.filament,
            pressure_mpa=float(load.pressure_mpa[worst]),
            flow_mm3_per_s=float(load.flow_mm3_per_s[worst]),
            nozzle_c=float(job.nozzle_c[job.heat[worst]]),
        ),
        sheets=draw_sheets(
            program, seen.layering, load.margin, open_spans=_open_spans(program, seen.coverage), count=layers
        ),
        travel_judged=True,
    )  # fmt: skip


def _open_spans(program: Program, coverage: Coverage) -> OpenSpans:
    """Open stretches as shares of their (straight) travels."""
    move, ends = coverage.move, coverage.stretch_mm
    start = program.point_mm[move, :2]
    length = np.hypot(*(program.point_mm[move + 1, :2] - start).T)
    length = np.where(length > 0, length, 1.0)
    return move, *(np.clip(np.hypot(*(ends[:, k : k + 2] - start).T) / length, 0, 1) for k in (0, 2))


def check_with_picture(
    program: str | Path, machine: str | Path | Machine, filament: str | Path | Filament, *, dialect: str | None = None
) -> tuple[Findings, Picture]:
    """Do what `check` does, and draw it."""
    seen = examine(program, machine, filament, dialect=dialect)
    return seen.findings, draw(seen)


def check_with_report(
    program: str | Path,
    machine: str | Path | Machine,
    filament: str | Path | Filament,
    output: str | Path,
    *,
    dialect: str | None = None,
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

    Returns
    -------
    Findings

    Raises
    ------
    PliantError
        If the page cannot be written, or would replace one of the inputs; nothing is written then.
    """
    from pliant.report.html import report_html

    place = Path(output)
    for source in (program, machine, filament):
        if isinstance(source, str | Path) and place.exists() and Path(source).exists() and place.samefile(source):
            raise PliantError(f"{place}: the report would replace an input; choose another name")
    findings, picture = check_with_picture(program, machine, filament, dialect=dialect)
    save_whole(place, report_html(findings, picture))
    return findings


def save_whole(place: Path, text: str) -> None:
    """Write a text file beside its place, flush it to the disk and rename it; all or nothing."""
    if place.exists() and not place.is_file():
        raise PliantError(f"{place}: is not an ordinary file; choose another name")
    beside = place.with_name(f".{place.name}.{os.getpid()}.part")
    try:
        with beside.open("x", encoding="utf-8", newline="\n") as out:
            out.write(text)
            out.flush()
            os.fsync(out.fileno())
        beside.replace(place)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise PliantError(f"{place}: cannot be written ({error.strerror}); choose another folder or name") from error
