"""`check`: will this job feed on this machine with this spool?"""

from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pliant.files import Source, Text
from pliant.job.job import Job, job_of, read_job
from pliant.job.verdict import Examined, judge
from pliant.progress import Progress, silent, told
from pliant.records.filament import Filament, read_filament
from pliant.records.findings import Findings
from pliant.records.limits import require_fit
from pliant.records.machine import Machine, read_machine
from pliant.records.program import Program
from pliant.workflows.evidence import with_witnesses
from pliant.workflows.part import told_of_part
from pliant.workflows.tonight import tonight

__all__ = ["check", "examine"]


def check(
    program: Source,
    machine: Source | Machine,
    filament: Source | Filament,
    *,
    dialect: str | None = None,
    progress: Progress | None = None,
    mesh: str | Path | None = None,
    book: str | Path | None = None,
    practice: bool = False,
) -> Findings:
    """Say whether a program feeds.

    Parameters
    ----------
    program : str or Path
        The motion program.
    machine, filament : str, Path or record
        The user's records.
    dialect : str, optional
        Overrides the machine's own.
    progress : callable, optional
        Told what is being done, and the share of it that is done.
    mesh : str or Path, optional
        The part that the program lays, so that what is special about it is said too.
    book : str or Path, optional
        Whose prints of this pair count; it is only read.
    practice : bool, default False
        Whether what practitioners report counts too.

    Returns
    -------
    Findings
        Verdict, chance of a jam with its 90 % band, worst moments, what is assumed, what would help.

    Raises
    ------
    ProgramError, RecordError
        If one of the inputs cannot be used; the text names file, line or key and the way out.
    """
    return examine(
        program, machine, filament, dialect=dialect, progress=progress, mesh=mesh, book=book, practice=practice
    ).findings


def examine(
    program: Source | Program | Job,
    machine: Source | Machine,
    filament: Source | Filament,
    *,
    dialect: str | None = None,
    progress: Progress | None = None,
    mesh: str | Path | None = None,
    book: str | Path | None = None,
    practice: bool = False,
    asked_mm: NDArray[np.float64] | None = None,
) -> Examined:
    """Do what `check` does, of a file, of what was read from one or of a job of these records, and keep the job.

    A filament that carries its witnesses already is taken with them. `asked_mm` is what each move is to lay where the
    feed was shaped, `(n_moves,)`. [mm]
    """
    machine = machine if isinstance(machine, Machine) else read_machine(machine)
    filament = filament if isinstance(filament, Filament) else read_filament(filament)
    require_fit(machine, filament)  # before a long file is read
    if filament.evidence is None:
        near = program.path if isinstance(program, Program) else None if isinstance(program, Text | Job) else program
        filament = with_witnesses(machine, filament, book, practice=practice, near=near)
    if isinstance(program, Job):
        job = program
    elif isinstance(program, Program):
        job = job_of(program, machine, filament, asked_mm)
    else:
        job = read_job(program, machine, filament, dialect, told(progress, "reading"))
    findings = judge(job, progress)
    if mesh is not None:
        findings = replace(findings, part=told_of_part(mesh, machine, filament))
    tell = progress or silent
    tell("weighing what a try costs", 0)
    todo, weighed = tonight(job, findings)
    return Examined(job, replace(findings, tonight=todo), weighed)
