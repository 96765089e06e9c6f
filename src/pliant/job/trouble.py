"""Where a program asks what the sheet, the liner or the axes do not allow."""

import numpy as np

from pliant.errors import ProgramError
from pliant.records.filament import Filament
from pliant.records.limits import allowed_c
from pliant.records.machine import Machine
from pliant.records.program import HOME, Program
from pliant.say import count, number

__all__ = ["heat_warnings", "reach_warnings"]

_COLD_C = 60.0  # [degC] a nozzle set below this is not hot at all: no soft filament melts there
_WITHIN_MM = 0.01  # [mm] of rounding beyond the machine's reach


def heat_warnings(program: Program, machine: Machine, filament: Filament) -> tuple[str, ...]:
    """Where the program feeds at a temperature that the data sheet or the liner does not allow, or with no heat."""
    fed = np.flatnonzero(program.filament_mm > 0)
    if not fed.size:
        return ()
    nozzle = program.states["nozzle_c"][program.state[fed]]
    lines = program.line[fed]
    off, set_ = nozzle == 0, nozzle > 0  # not a number where the program sets none, which is said under `assumed`
    if (cold := set_ & (nozzle < _COLD_C)).any():
        at = int(cold.argmax())
        raise ProgramError(
            f"{program.path} line {lines[at]}: feeds with the nozzle set to {nozzle[at]:g} °C; filament melts from "
            f"about {filament.soften_c.value:.0f} °C: heat the nozzle first (M109)"
        )
    low, high = allowed_c(machine, filament)
    whose = "data sheet allows" if high == filament.nozzle_c[1] else "data sheet and the liner allow"
    told = []
    for wrong, word in ((set_ & (nozzle > high), "above"), (set_ & (nozzle < low), "below")):
        if wrong.any():
            at = int(wrong.argmax())
            allowed = f"{low:g} to {high:g} °C that the {whose}"
            told.append(f"line {lines[at]}: feeds at {nozzle[at]:g} °C, {word} the {allowed}")
    if off.any():
        told.append(f"line {lines[int(off.argmax())]}: feeds after the heater was switched off; taken as still hot")
    return tuple(told)


def reach_warnings(program: Program, machine: Machine) -> tuple[str, ...]:
    """Where the program sends the nozzle out of the machine, if the record says how far it reaches."""
    if machine.reach_mm is None:
        return ()
    low, high = (np.array(v) for v in machine.reach_mm)
    ends = program.point_mm[1:]
    beyond = np.where(ends < low - _WITHIN_MM, low - ends, np.where(ends > high + _WITHIN_MM, ends - high, 0.0))
    beyond[program.kind == HOME] = 0.0
    out = np.flatnonzero((beyond > 0).any(axis=1))
    if not out.size:
        return ()
    axis = int(beyond[out[0]].argmax())
    return (
        f"line {program.line[out[0]]}: goes to {'XYZ'[axis]}{number(ends[out[0], axis], 4)}, outside the "
        f"{low[axis]:g} to {high[axis]:g} mm that motion.volume_mm allows; "
        f"{count(out.size, 'such move')}",
    )
