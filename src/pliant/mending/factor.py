"""Factor: ask for as much more filament as the drive loses to stretch, slip and the bite of its teeth.

The spool's pull stretches the filament that the wheel meters; push makes it creep back at the teeth; and soft filament
sits deeper in them, so that the wheel meters at a smaller radius than with the rigid filament that it was set up for.
Left out: heat at the drive, worn teeth, and filament that is not round.
"""

import numpy as np
from numpy.typing import NDArray

from pliant.feed import chain
from pliant.feed.metered import Losses, losses_at
from pliant.program.write import Edits
from pliant.records.filament import Filament
from pliant.records.machine import Machine
from pliant.records.mending import Change
from pliant.records.program import BEAD, HOME, Program

__all__ = ["MOST", "left_out", "mean_push_n", "mend_factor", "metering_losses"]

MOST = 1.25  # [-] our bound: beyond it the wheel grinds, and asking for more does not help
_WORDS = {"stretch": "stretch by the spool's pull", "slip": "slip at the teeth", "bite": "teeth that sink in"}
_LEAST = 0.01  # [-] less is not worth a word


def metering_losses(machine: Machine, filament: Filament, push_n: float) -> Losses:
    """Losses at a push, from the records' central values. [N]"""
    return losses_at(
        machine, chain.central(machine, filament), push_n, pull_n=machine.spool_pull_n.value,
        wheel_radius_mm=machine.wheel_radius_mm.value,
    )  # fmt: skip


def mean_push_n(program: Program, push_n: NDArray[np.floating]) -> float:
    """Push while beads are laid, by the filament that they take, from the push in each move `(n_moves,)`. [N]"""
    laid = (program.kind == BEAD) & np.isfinite(push_n)
    return float(np.average(push_n[laid], weights=program.filament_mm[laid])) if laid.any() else 0.0


def left_out(program: Program, losses: Losses) -> tuple[float, str]:
    """The factor that `mend_factor` would set, 1 if none, and a sentence for where it is not asked for."""
    _, factor, _ = mend_factor(program, Edits.none(program), losses)
    if factor == 1.0:
        return 1.0, ""
    return factor, (
        f"the drive delivers about {100 * (1 - 1 / factor):.0f} % less soft filament than the program asks for, most "
        f"of it lost to {_WORDS[losses.dominant]}: a flow factor of {factor:g} would make it up; it alters what is "
        "asked for, so it is set only where you ask for the pass factor"
    )


def mend_factor(program: Program, edits: Edits, losses: Losses) -> tuple[list[Change], float, str]:
    """Set a flow factor before the first move after homing and take it back after the last bead, in `edits`.

    Parameters
    ----------
    program : Program
        The moves.
    edits : Edits
        Changed in place.
    losses : Losses
        At the push of the job.

    Returns
    -------
    list of Change; the factor, in whole percent; why nothing was done, empty if something was.
    """
    if np.any(program.states["flow_factor"] != 1.0):
        return [], 1.0, "the program sets its own flow factor (M221)"
    whole = float(losses.factor)
    factor = round(100 * min(whole, MOST)) / 100
    if factor < 1 + _LEAST:
        return [], 1.0, f"the drive loses {100 * (whole - 1):.1f} %: not worth a word"
    fed = np.flatnonzero(program.filament_mm > 0)
    if fed.size == 0:
        return [], 1.0, "the program feeds nothing"
    first, last = int(fed[0]), int(fed[-1])
    homes = np.flatnonzero(program.kind[:first] == HOME)
    start = int(homes[-1]) + 1 if homes.size else 0
    start = min(start, int(np.flatnonzero(program.filament_mm)[0]))  # what is drawn back before it is given back after
    line = int(program.line[start])
    edits.before_line.setdefault(line, []).append(b"M221 S%d" % round(100 * factor))
    edits.before_line.setdefault(int(program.line[last]) + 1, []).append(b"M221 S100")
    parts = ", ".join(f"{name} {100 * getattr(losses, name):.1f} %" for name in ("stretch", "slip", "bite"))
    bound = f"; bounded, the losses call for {whole:.2f}" if whole > MOST else ""
    why = f"the drive loses {parts}; most of it to {_WORDS[losses.dominant]}{bound}"
    return [Change(line, "factor", "flow factor", "1", f"{factor:g}", why)], factor, ""
