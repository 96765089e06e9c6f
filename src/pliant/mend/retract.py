"""Retraction: taken out where the travel stays over bead or the filament cannot follow, bounded and slowed elsewhere.

Pulling back further than the filament is pressed together only lifts it off the melt: the drive grinds, and the
recover has to push it in again. So a retraction is no longer than what the run's pressure stores between drive and
melt, and the same stretch of filament passes the drive only so often.
"""

import numpy as np
from numpy.typing import NDArray

from pliant.mend.leads import Lead
from pliant.program.write import Edits
from pliant.records.mending import Change
from pliant.records.program import Program

__all__ = ["MOST_PASSES", "NO_THREAD_MM", "SLOW_MM_PER_S", "mend_retraction"]

SLOW_MM_PER_S = 15.0  # common practice, no source: soft filament is moved gently
NO_THREAD_MM = 0.5  # [mm] the flat of the nozzle hides an opening this short; common practice, no source
MOST_PASSES = 8  # from memory: a stretch of filament that goes through the teeth more often is chewed


def mend_retraction(
    program: Program,
    edits: Edits,
    leads: list[Lead],
    open_mm: NDArray[np.float64],
    stored_mm: NDArray[np.float64],
) -> list[Change]:
    """Take out, bound and slow retractions, in place in `edits`.

    Parameters
    ----------
    program : Program
        The moves.
    edits : Edits
        Changed in place.
    leads : list of Lead
        Of the program.
    open_mm : ndarray, (n_leads,)
        Travel over air in each lead-in as it will be. [mm]
    stored_mm : ndarray, (n_leads,)
        Filament that the pressure at the end of the run before stores. [mm]

    Returns
    -------
    list of Change
    """
    changes: list[Change] = []
    passes = _Passes()
    for lead, air, stored in zip(leads, open_mm, stored_mm, strict=True):
        back = -float(program.filament_mm[list(lead.retracts)].sum())
        one = len(lead.retracts) == 1 and len(lead.recovers) == 1
        if not (lead.simple and one) or back <= 0:
            continue
        r, c = lead.retracts[0], lead.recovers[0]
        line, was = int(program.line[r]), f"{back:.2f} mm at {program.speed_mm_per_s[r]:.0f} mm/s"
        bounded = round(min(back, float(stored)), 3) if back > 1.1 * stored else back
        many = passes.would_be(r, program, bounded) > MOST_PASSES
        if air < NO_THREAD_MM or bounded < 0.05 or many:
            why = (
                "the travel stays over this layer's bead" if air < NO_THREAD_MM
                else f"the same filament would pass the drive more than {MOST_PASSES} times" if many
                else "the melt stores no pressure that pulling back could relieve"
            )  # fmt: skip
            edits.drop[[r, c]] = True
            changes.append(Change(line, "retract", "retraction", was, "none", why))
            continue
        slow_r, slow_c = (min(SLOW_MM_PER_S, float(program.speed_mm_per_s[i])) for i in (r, c))
        passes.add(r, program, bounded)
        if bounded < back - 1e-6 or slow_r < program.speed_mm_per_s[r] or slow_c < program.speed_mm_per_s[c]:
            if bounded < back - 1e-6:
                edits.filament_mm[r], edits.filament_mm[c] = -bounded, bounded
            edits.speed_mm_per_s[r], edits.speed_mm_per_s[c] = slow_r, slow_c
            why = "no longer than the stretch that pressure stores; gently, so that the teeth hold"
            changes.append(Change(line, "retract", "retraction", was, f"{bounded:.2f} mm at {slow_r:.0f} mm/s", why))
    return changes


class _Passes:
    """How often a stretch of filament has gone back and forth at the drive."""

    def __init__(self) -> None:
        self.at: list[tuple[float, float]] = []  # [low, high] of filament pulled back through the drive
        self.fed: NDArray[np.float64] | None = None

    def _span(self, move: int, program: Program, back: float) -> tuple[float, float]:
        if self.fed is None:
            self.fed = np.concatenate([[0.0], np.cumsum(program.filament_mm)])
        top = float(self.fed[move])
        return top - back, top

    def would_be(self, move: int, program: Program, back: float) -> int:
        """Passes of the most used stretch, were this retraction made: once forward, twice more for each."""
        low, high = self._span(move, program, back)
        self.at = [(a, b) for a, b in self.at if b > low]
        marks = sorted([(max(a, low), 1) for a, b in self.at] + [(min(b, high), -1) for a, b in self.at])
        most = depth = 0
        for _, step in marks:
            depth += step
            most = max(most, depth)
        return 1 + 2 * (most + 1)

    def add(self, move: int, program: Program, back: float) -> None:
        """Remember a retraction that is made."""
        self.at.append(self._span(move, program, back))
