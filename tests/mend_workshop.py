"""Records and short programs of the (invented) workshop, for the tests of mending."""

import tempfile
from functools import cache
from pathlib import Path

import numpy as np

from pliant.job.job import Job, motion_of
from pliant.job.laying import Laying
from pliant.mending.leads import find_leads
from pliant.program.read import read_program
from pliant.records.filament import read_filament
from pliant.records.machine import read_machine
from pliant.workflows import workshop

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
        laying = Laying(program, self.filament.diameter_mm.value, motion_of(self.machine))
        self.job = Job(laying, self.machine, self.filament)
        self.layering, self.sections, self.coverage = laying.layering, laying.sections, laying.coverage
        self.leads = find_leads(program, self.layering)

    @property
    def air(self):
        return np.array([self.coverage.open_mm[lead.first : lead.last].sum() for lead in self.leads])

    def course_at(self, speed):
        return self.job.at(speed).course

    def seconds(self, speed):
        return self.job.at(speed).laying.timing.move_s.sum()
