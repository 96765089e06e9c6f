"""Heat: nozzle temperature kept within the maker's data sheet and under the liner's ceiling."""

import re
from pathlib import Path

import numpy as np

from pliant.program.write import Edits
from pliant.records.filament import Filament
from pliant.records.limits import PTFE_CEILING_C, allowed_c
from pliant.records.machine import Machine
from pliant.records.mending import Change
from pliant.records.program import Program

__all__ = ["PTFE_CEILING_C", "allowed_c", "mend_heat"]

_SET = re.compile(rb"^([ \t]*(?:[Nn][0-9]+[ \t]*)?[Mm]0*10[49]\b[^;(*]*?[SsRr][ \t]*)([0-9]+(?:\.[0-9]*)?)")


def mend_heat(program: Program, edits: Edits, machine: Machine, filament: Filament) -> list[Change]:
    """Bring nozzle settings into the allowed range, in place in `edits.words`; switching off stays as it is.

    Parameters
    ----------
    program : Program
        The moves; its file is read for the lines that set the nozzle.
    edits : Edits
        Changed in place.
    machine, filament
        The records.

    Returns
    -------
    list of Change
    """
    set_c = program.states["nozzle_c"]
    low, high = allowed_c(machine, filament)
    printing = set_c[~np.isnan(set_c) & (set_c > 0)]
    if printing.size == 0 or ((printing >= low) & (printing <= high)).all():
        return []
    changes = []
    for number, line in enumerate(Path(program.path).read_bytes().splitlines(), 1):
        found = _SET.match(line)
        if not found or b"*" in line:
            continue
        asked = float(found[2])
        if asked < 150 or low <= asked <= high:  # 150: a setting for waiting or for cooling down, not for printing
            continue
        new = low if asked < low else high
        edits.words[number] = found[1] + f"{new:g}".encode() + line[found.end() :]
        why = (
            "the maker's data sheet" if asked < low or machine.liner != "ptfe" else "the sheet and the liner's ceiling"
        )
        changes.append(Change(number, "heat", "nozzle", f"{asked:g} °C", f"{new:g} °C", f"within {why}"))
    return changes
