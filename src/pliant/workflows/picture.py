"""`check --html`: the same findings, drawn, in one file.

The page is written beside its place and renamed, so that a reader never meets half a file.
"""

import os
from pathlib import Path

import numpy as np

from pliant.errors import PliantError
from pliant.feed.strip import build_strip
from pliant.feed.vessels import fill_vessels
from pliant.program.sheets import OpenSpans, draw_sheets, places_mm
from pliant.records.filament import Filament
from pliant.records.findings import Findings
from pliant.records.machine import Machine
from pliant.records.trace import Picture
from pliant.workflows.check import Examined, examine

__all__ = ["check_with_picture", "check_with_report", "draw", "save_whole"]


def draw(seen: Examined, *, open_spans: OpenSpans | None = None, layers: int = 6) -> Picture:
    """Draw what `examine` saw.

    Parameters
    ----------
    seen : Examined
        The arrays behind the findings.
    open_spans : tuple of ndarray, optional
        Open stretches of travel (moves, start and end as shares of the move); all travel is open when left out.
    layers : int, default 6
        Layers on the contact sheet. [-]

    Returns
    -------
    Picture
    """
    job, load = seen.job, seen.load
    least = np.min(np.vstack(list(load.margins.values())), axis=0)
    tied = np.flatnonzero(least == least.min())  # margins come from a table: the ties are one of its steps
    worst = int(tied[np.argmax(load.pressure_mpa[tied])])
    seconds = float(job.phase_s[worst])
    return Picture(
        program=Path(seen.program.path).name,
        machine=seen.machine.name,
        filament=seen.filament.name,
        nozzle_mm=seen.machine.nozzle_mm.value,
        strip=build_strip(
            job.phase_s,
            load.margins,
            load.capacities,
            line=seen.program.line,
            layer=seen.layering.layer,
            at_mm=places_mm(seen.program, seen.timing, np.arange(job.phase_s.size)),
        ),
        vessels=fill_vessels(
            seen.machine,
            seen.filament,
            pressure_mpa=float(load.pressure_mpa[worst]),
            flow_mm3_per_s=float(load.delivered_mm3[worst]) / seconds if seconds > 0 else 0.0,
            nozzle_c=float(job.nozzle_c[job.group[worst]]),
        ),
        sheets=draw_sheets(seen.program, seen.timing, seen.layering, least, open_spans=open_spans, count=layers),
        travel_judged=open_spans is not None,
    )


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
