"""First layer: a wider gap under the nozzle where the bed dams it, paid for with a stated growth of the part.

All heights rise by one lift, so only the first layer grows thicker; its beads get as much more filament as it is
thicker, so that it is as full as before. Slowing down is the flow pass's work. The lift is the whole tolerance or
nothing: a first layer that is already thicker than the layers above has been opened, by its maker or by this pass.
"""

import numpy as np
from numpy.typing import NDArray

from pliant.language.edit import set_word, word_value
from pliant.program.layers import Layering
from pliant.program.splicing import line_texts
from pliant.program.write import Edits, sole_moves
from pliant.records.mending import Change
from pliant.records.program import BEAD, Program

__all__ = ["mend_first_layer"]

_SAME_MM = 0.01
_LEAST_LIFT_MM = 0.015  # smaller would not tell the opened layer from one as it was written


def mend_first_layer(
    program: Program, edits: Edits, layering: Layering, height_mm: float, why: str
) -> tuple[list[Change], float, str]:
    """Raise the part by a lift and fill the thicker first layer, in place in `edits`.

    Parameters
    ----------
    program : Program
        The moves.
    edits : Edits
        Changed in place: Z words by line, filament of the first layer's beads.
    layering : Layering
        Of the program.
    height_mm : float
        How much taller the part may become. [mm]
    why : str
        The reason given with the change.

    Returns
    -------
    list of Change; filament of the first layer over what it was; why nothing was done, empty if something was.
    """
    gap = layering.gap_mm
    if gap.size < 2:
        return [], 1.0, "a single layer: nothing above it to compare its height with"
    first, above = float(gap[0]), float(np.median(gap[1:]))
    if first > above + _SAME_MM:
        return [], 1.0, f"the first layer is {first:.2f} mm thick, the layers above {above:.2f} mm: it is open already"
    if above > 3 * first:
        return [], 1.0, "the program climbs in one layer: no height to compare the first one with"
    need = max(above - first, 0.0) + _LEAST_LIFT_MM
    if height_mm < need:
        return [], 1.0, f"a lift of {height_mm:g} mm is too small to tell; allow {need:.3f} mm or more"
    start = _first_height(program)
    if start < 0:
        return [], 1.0, "the program never sets the height of its first bead"
    beads = np.flatnonzero((program.kind == BEAD) & (layering.layer == 0))
    if not sole_moves(program)[beads].all():
        return [], 1.0, "a line of the first layer holds several commands"
    if not _lift(program, edits, start, height_mm):
        return [], 1.0, "heights are written relative to one another"
    factor = 1 + height_mm / first
    edits.filament_mm[beads] *= factor
    change = Change(
        int(program.line[start]), "first layer", "gap under the nozzle", f"{first:.2f} mm",
        f"{first + height_mm:.2f} mm, filled with {100 * (factor - 1):.0f} % more filament", why,
    )  # fmt: skip
    return [change], factor, ""


def _first_height(program: Program) -> int:
    """The move that brings the nozzle to the height of the first bead; -1 if there is none."""
    bead = int(np.argmax(program.kind == BEAD))
    z = program.point_mm[:, 2]
    other = np.flatnonzero(np.abs(z[: bead + 1] - z[bead + 1]) > 1e-9)
    return int(other[-1]) if other.size else -1


def _lift(program: Program, edits: Edits, start: int, lift_mm: float) -> bool:
    """Raise every absolute height from move `start` on; a park far above stays. False where that is not enough."""
    z = program.point_mm[:, 2]
    last = int(np.flatnonzero(program.kind == BEAD)[-1])
    state = program.states[program.state]
    n = program.kind.size
    near = (np.arange(n) <= last) | (z[1:] <= z[last + 1] + 1.0)
    moves = np.flatnonzero((np.arange(n) >= start) & near)
    absolute = state["absolute"][moves]
    changed = np.abs(z[moves + 1] - z[moves]) > 1e-9
    if not absolute[0] or np.any(~absolute & changed & (program.kind[moves] == BEAD)):
        return False
    lines: NDArray[np.int64] = program.line[moves[absolute]]
    unit = dict(zip(lines.tolist(), state["unit"][moves[absolute]].tolist(), strict=True))
    for line, text in line_texts(program.path, np.unique(lines)).items():
        value = word_value(text, "Z")
        if value is not None:
            edits.words[line] = set_word(text, "Z", value + lift_mm / unit[line], 4)
    return True
