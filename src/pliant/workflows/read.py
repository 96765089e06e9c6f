"""`read`: the facts of a program."""

from collections.abc import Callable
from pathlib import Path

import numpy as np

from pliant.program.coverage import Coverage, find_coverage
from pliant.program.layers import Layering, find_layers
from pliant.program.read import read_program
from pliant.program.sections import bead_sections
from pliant.program.timing import Motion, Timing, time_program
from pliant.records.findings import Facts
from pliant.records.program import BEAD, RETRACT, TRAVEL, Program

__all__ = ["STRING_MM", "Progress", "facts_of", "part_of", "read", "told"]

STRING_MM = 1.0  # [mm] a gap no wider than the flat of a usual nozzle leaves no thread; common practice, no source


Progress = Callable[[str, float], None]


def told(progress: Progress | None, what: str) -> Callable[[float], None] | None:
    """Progress of one thing among several."""
    return None if progress is None else lambda share: progress(what, share)


def part_of(progress: Progress | None, start: float, share: float) -> Progress | None:
    """Progress of a stretch of a longer work: its own share runs from `start` over `share` of the whole."""
    if progress is None:
        return None
    return lambda what, done: progress(what, start + share * done)


def facts_of(
    program: Program,
    timing: Timing,
    layering: Layering,
    coverage: Coverage,
    diameter_mm: float,
    assumed: tuple[str, ...],
    warned: tuple[str, ...] = (),
) -> Facts:
    """Sum up a program that has been read, timed, layered and whose travels have been compared with its beads."""
    strings = layering.layer[coverage.strings(STRING_MM)]
    bead, filament = program.kind == BEAD, program.filament_mm
    retract = program.kind == RETRACT
    told = [*program.warnings, *warned]
    if timing.too_fast_line.size:
        told.append(
            f"line {timing.too_fast_line[0]}: asks for more speed than the machine has "
            f"({timing.too_fast_line.size} moves in all); timed at the machine's limit"
        )
    end = program.point_mm[-1]
    return Facts(
        time_s=float(timing.move_s.sum()),
        layers=int(layering.top_mm.size),
        runs=int(layering.run.max(initial=-1) + 1),
        bead_mm=float(program.length_mm[bead].sum()),
        bead_mm3=float(filament[bead].sum() * np.pi * diameter_mm**2 / 4),
        filament_forward_mm=float(filament[filament > 0].sum()),
        filament_back_mm=abs(float(filament[filament < 0].sum())),
        travel_mm=float(program.length_mm[program.kind == TRAVEL].sum()),
        open_travel_mm=float(coverage.open_mm.sum()),
        strings=int(strings.size),
        strings_by_layer=tuple(np.bincount(strings, minlength=layering.top_mm.size).tolist()),
        retractions=int((retract & ~np.concatenate([[False], retract[:-1]])).sum()),
        end={"x": float(end[0]), "y": float(end[1]), "z": float(end[2])},
        dialect=program.dialect,
        dialect_questions=program.questions,
        assumed=assumed,
        warnings=tuple(told),
    )


def read(
    path: str | Path, *, dialect: str = "auto", diameter_mm: float = 1.75, progress: Progress | None = None
) -> Facts:
    """Read a program and return its facts.

    Parameters
    ----------
    path : str or Path
        The motion program.
    dialect : str, default "auto"
        How the controller reads the words that differ between controllers.
    diameter_mm : float, default 1.75
        Filament diameter, for volumes. [mm]
    progress : callable, optional
        Told what is being done, and the share of it that is done.

    Returns
    -------
    Facts
        Lengths, volumes, time, layers, runs, and what the file leaves open.

    Raises
    ------
    ProgramError
        If the file cannot be read or its meaning is not settled by the file alone.
    """
    program = read_program(path, dialect, told(progress, "reading"))
    assumed = (
        f"filament diameter {diameter_mm:g} mm",
        "acceleration 1000 mm/s2, corner deviation 0.02 mm, axis limits 150/150/12 mm/s (generic machine)",
    )
    layering = find_layers(program)
    coverage = find_coverage(program, layering, bead_sections(program, layering, diameter_mm).width_mm)
    return facts_of(program, time_program(program, Motion()), layering, coverage, diameter_mm, assumed)
