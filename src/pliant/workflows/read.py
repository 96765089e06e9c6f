"""`read`: the facts of a program."""

from pathlib import Path

from pliant.job.laying import Laying
from pliant.program.read import read_program
from pliant.progress import Progress, told
from pliant.records.findings import Facts

__all__ = ["read"]


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
    return Laying(program, diameter_mm).facts(assumed)
