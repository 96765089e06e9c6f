"""Records and short programs of the (invented) workshop, for the tests of mending."""

import tempfile
from functools import cache
from pathlib import Path

import numpy as np

from pliant.mend.leads import find_leads
from pliant.program.coverage import find_coverage
from pliant.program.layers import find_layers
from pliant.program.read import read_program
from pliant.program.sections import bead_sections
from pliant.program.timing import time_program
from pliant.records.filament import read_filament
from pliant.records.machine import read_machine
from pliant.workflows import workshop
from pliant.workflows.check import job_of, motion_of

__all__ = ["PROGRAMS", "filament", "judged", "machine", "program_of"]

_FOLDER = tempfile.TemporaryDirectory(prefix="pliant-tests-")
PROGRAMS = {
    "feet": lambda: workshop.feet_program(layers=2),
    "gasket": lambda: workshop.gasket_program(layers=2),
    "strain-relief": lambda: workshop.strain_relief_program(layers=3),
    "bellows": lambda: workshop.bellows_program(turns=6),
}


@cache
def machine(name="bench-2"):
    path = Path(_FOLDER.name) / f"{name}.machine.toml"
    path.write_text(workshop.RECORDS[path.name])
    return read_machine(path)


@cache
def filament(name="95A"):
    path = Path(_FOLDER.name) / f"{name}.filament.toml"
    path.write_text(workshop.RECORDS[path.name])
    return read_filament(path)


def program_of(folder, text, name="in.gcode", dialect="auto"):
    path = Path(folder) / name
    path.write_text(text if isinstance(text, str) else "\n".join(text) + "\n", newline="")
    return read_program(path, dialect)


class judged:
    """A program with everything that passes ask of it."""

    def __init__(self, program, spool="95A", on="bench-2"):
        self.program, self.machine, self.filament = program, machine(on), filament(spool)
        self.layering = find_layers(program)
        self.sections = bead_sections(program, self.layering, self.filament.diameter_mm.value)
        self.coverage = find_coverage(program, self.layering, self.sections.width_mm)
        self.leads = find_leads(program, self.layering)

    @property
    def air(self):
        return np.array([self.coverage.open_mm[lead.first : lead.last].sum() for lead in self.leads])

    def job_at(self, speed):
        from dataclasses import replace

        program = replace(self.program, speed_mm_per_s=speed)
        timing = time_program(program, motion_of(self.machine))
        return job_of(program, timing, self.layering, self.sections, self.filament)[0]

    def seconds(self, speed):
        from dataclasses import replace

        return time_program(replace(self.program, speed_mm_per_s=speed), motion_of(self.machine)).move_s.sum()
