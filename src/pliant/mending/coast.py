"""Coast: stop pushing before the end of a run and let the lag finish it, where the nozzle then crosses air.

What the filament stores under pressure leaves the nozzle anyway: on the last stretch of the run it makes bead, over
air it makes a thread. The stretch is as long as the lag still fills it well enough on average, and short against the
run; what was held back is fed before the next run, so that it starts as it did. Left out: the pressure that a
retraction relieves at once, and the time that braking adds (both leave the seam fuller than planned).
"""

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pliant.constants import GENTLE_MM_PER_S
from pliant.mending.leads import Leads
from pliant.mending.retract import NO_THREAD_MM
from pliant.mending.shape_write import point_along
from pliant.models.lag import ooze_mm3
from pliant.program.write import Edits, Insert, own_retractions, sole_moves
from pliant.records.mending import Change
from pliant.records.program import BEAD, Program

__all__ = ["LEAST_FILL", "MOST_OF_RUN", "Melt", "coast_mm", "mend_coast"]

LEAST_FILL = 0.8  # [-] of the filament asked that the lag still delivers over the stretch: our choice, not physics
MOST_OF_RUN = 0.1  # [-] of a run's filament: our choice
_LEAST_MM = 0.2  # [mm] of way: shorter is not worth two lines
_WORD_MM = 2e-4  # [mm] of filament: what rounding may add to a coast


@dataclass(frozen=True)
class Melt:
    """State of the melt at the end of each lead-in's run before, `(n_leads,)`, and two numbers of the path."""

    pressure_mpa: NDArray[np.float64]
    flow_mm3_per_s: NDArray[np.float64]
    compliance_mm3_per_mpa: float
    flow_index: float
    area_mm2: float  # of the filament


def coast_mm(asked_mm_per_s: float, run_mm: float, pressure_mpa: float, flow_mm3_per_s: float, melt: Melt) -> float:
    """Filament that the end of a run can do without.

    Parameters
    ----------
    asked_mm_per_s : float
        Filament speed at the end of the run. [mm/s]
    run_mm : float
        Filament of the whole run. [mm]
    pressure_mpa, flow_mm3_per_s : float
        Where the run ends. [MPa, mm3/s]
    melt : Melt
        For compliance, flow index and filament area.

    Returns
    -------
    float
        At most `MOST_OF_RUN` of the run and what the pressure stores; 0 where the pressure has not built up. [mm]
    """
    if min(asked_mm_per_s, run_mm, pressure_mpa, flow_mm3_per_s) <= 0:
        return 0.0
    store = melt.compliance_mm3_per_mpa * pressure_mpa
    asked = asked_mm_per_s * melt.area_mm2

    def fill(seconds: float) -> Any:
        gone = ooze_mm3(seconds, pressure_mpa, flow_mm3_per_s, melt.compliance_mm3_per_mpa, melt.flow_index)
        return gone / (asked * seconds)

    low, high = 0.0, store / asked  # by then nothing stored is left to make up for what is asked
    if flow_mm3_per_s < LEAST_FILL * asked:
        return 0.0
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if fill(middle) >= LEAST_FILL else (low, middle)
    return float(min(low * asked_mm_per_s, MOST_OF_RUN * run_mm, store / melt.area_mm2))


def mend_coast(
    program: Program, edits: Edits, leads: Leads, open_mm: NDArray[np.float64], melt: Melt, fed_mm_per_s: float
) -> tuple[list[Change], float, str]:
    """End runs before open travel early, in place in `edits`.

    Parameters
    ----------
    program : Program
        The moves.
    edits : Edits
        Changed in place.
    leads : Leads
        Of the program; one whose filament does not balance is left alone: it coasts or primes already.
    open_mm : ndarray, (n_leads,)
        Travel over air in each lead-in. [mm]
    melt : Melt
        Where each run ends.
    fed_mm_per_s : float
        Speed of the filament where what was held back is fed by a move of its own; 0 if the input has no such move
        whose speed could be kept to. [mm/s]

    Returns
    -------
    list of Change; the most held back by a run, rounding included [mm]; why nothing was done, empty if something was.
    """
    changes: list[Change] = []
    most, why = 0.0, "no run ends before open travel with pressure to spare"
    sole = sole_moves(program)
    absolute = program.states["absolute"][program.state]
    begin = int(np.argmax(program.kind == BEAD))
    own = own_retractions(program)
    for k, lead in enumerate(leads):
        run, begin = np.arange(begin, lead.first), lead.last
        if open_mm[k] < NO_THREAD_MM or not lead.simple:
            continue
        if fed_mm_per_s <= 0 and not lead.recovers:
            why = "the input never feeds filament alone, so there is no speed to give it back at"
            continue
        last = int(run[-1])
        density = program.filament_mm[last] / max(program.length_mm[last], 1e-9)
        asked = density * program.speed_mm_per_s[last]
        held = coast_mm(
            float(asked), float(program.filament_mm[run].sum()), float(melt.pressure_mpa[k]),
            float(melt.flow_mm3_per_s[k]), melt,
        )  # fmt: skip
        cut = _cut(program, run, held, sole & absolute)
        if cut is None or not sole[lead.last]:
            continue
        held = cut.held_mm
        _dry(program, edits, cut, last)
        if lead.recovers and not own[lead.recovers[-1]]:
            edits.filament_mm[lead.recovers[-1]] += held
        else:
            speed = min(GENTLE_MM_PER_S, fed_mm_per_s)
            edits.inserts.setdefault(lead.last, []).append(Insert(speed, filament_mm=held))
        most = max(most, held)
        changes.append(
            Change(
                int(program.line[last]), "coast", "end of the run", "fed to the end",
                f"the last {cut.way_mm:.1f} mm ({held:.3f} mm of filament) left to the lag",
                f"{open_mm[k]:.1f} mm of air follow; what is stored fills at least {100 * LEAST_FILL:.0f} % of it, and "
                "it is given back before the next run",
            )
        )  # fmt: skip
    return changes, (most + _WORD_MM if changes else 0.0), "" if changes else why


class _Cut(NamedTuple):
    """Where a run stops being fed."""

    move: int
    xy_mm: tuple[float, float] | None  # inside the move; None: at its start
    wet_mm: float  # filament of the piece of the move that is still fed
    held_mm: float  # filament held back
    way_mm: float  # left without feed


def _cut(program: Program, run: NDArray[np.int64], held_mm: float, safe: NDArray[np.bool_]) -> _Cut | None:
    """Walk back from the end of a run until so much filament is held back; None where that cannot be written."""
    way, left = 0.0, held_mm
    z = program.point_mm[:, 2]
    for i in run[::-1].tolist():
        if not safe[i] or z[i + 1] != z[i] or program.kind[i] != BEAD or program.length_mm[i] <= 0:
            return None
        filament, length = float(program.filament_mm[i]), float(program.length_mm[i])
        # the wet piece is written with five decimals: what is held back is the rest of just that number
        wet = round(max(filament - left, 0.0), 5)
        way += (1 - wet / filament) * length
        if wet > 0:
            xy = point_along(program, i, wet / filament)
            return _Cut(i, xy, wet, held_mm - left + filament - wet, way) if way >= _LEAST_MM else None
        left -= filament
        if left <= 1e-5 and way >= _LEAST_MM and i != run[0]:
            return _Cut(i, None, 0.0, held_mm - left, way)
    return None


def _dry(program: Program, edits: Edits, cut: _Cut, last: int) -> None:
    """Take the filament out of the end of a run."""
    i = cut.move
    if cut.xy_mm is not None:
        arc = bool(program.sweep_rad[i])
        centre = (float(program.centre_mm[i, 0]), float(program.centre_mm[i, 1])) if arc else None
        piece = Insert(float(edits.speed_mm_per_s[i]), cut.xy_mm, cut.wet_mm, centre, bool(program.sweep_rad[i] > 0))
        edits.inserts.setdefault(i, []).append(piece)
        if arc:
            edits.arcs[i] = cut.xy_mm
    edits.filament_mm[i : last + 1] = 0.0
