"""A margin that wanders along a job: the jam is the first time that it passes below one.

Four kinds of scatter. What is fixed for a machine and a spool is drawn once, in `feed.draws`, and the bed's error with
each levelling. What differs from job to job, and what wanders within one (diameter, friction, the pull of the spool),
is put on top here. The spool's turn is the length over which it wanders: 0.6 m of filament, one stretch, one draw.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pliant.arrays import Number
from pliant.kernels.even import read_even

__all__ = ["BINS", "JOB_SCATTER", "NODE", "NODE_WEIGHT", "ONE", "STRETCH_MM", "WANDER", "Passage", "passage_of"]

JOB_SCATTER = 1.1  # [-] multiplicative spread of one stretch of one job that no measurement removes; from memory
WANDER = 1.05  # [-] the part of it that wanders within a job; from memory
STRETCH_MM = 600.0  # [mm] of filament: a turn of the spool; from memory

_LEAST, _MOST, _STEP = -2.0, 2.0, 0.005  # [-] of the table: beyond it a job jams, or does not
BINS = np.arange(0.0, 0.5 + 1e-9, 0.02)  # [-] of excess: what lies further above the least margin adds nothing
NODE, _weight = np.polynomial.hermite_e.hermegauss(24)  # [-] of what one job shares
NODE_WEIGHT = _weight / _weight.sum()


@dataclass(frozen=True)
class Passage:
    """A job as stretches of filament: how far the margin of each lies above the job's least, and how many there are."""

    excess: tuple[float, ...] = (0.0,)  # [-] of the logarithm
    stretches: tuple[float, ...] = (1.0,)
    wander: float = WANDER

    def chance(self, log_margin: Number) -> NDArray[np.float64]:
        """Chance of a jam from the logarithm of the job's least margin, any shape. [- -> -]"""
        return _read(log_margin, self._table[1])

    def needed(self, chance: float) -> float:
        """Logarithm of the least margin at which a job jams with this chance. [- -> -]"""
        least, jams = self._table
        return float(np.interp(chance, jams[::-1], least[::-1]))

    def jams_at(self, log_margin: Number) -> NDArray[np.float64]:
        """Chance of a jam where what the job shares lies in the margin already: it only wanders. [- -> -]"""
        from scipy.special import ndtr

        if len(self.stretches) == 1 and self.stretches[0] == 1.0:
            return np.asarray(ndtr(-log_margin / self._own))
        return _read(log_margin, self._fails)

    @property
    def shared(self) -> float:
        """Standard deviation of the logarithm of what is the same all along one job. [-]"""
        return float(np.sqrt(max(np.log(JOB_SCATTER) ** 2 - self._own**2, 0.0)))

    @property
    def _own(self) -> float:
        return max(float(np.log(self.wander)), 1e-9)

    @cached_property
    def _fails(self) -> NDArray[np.float64]:
        return 1.0 - np.exp(self._log_held(self._table[0]))

    @cached_property
    def _table(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        from scipy.special import ndtr

        least = np.arange(_LEAST, _MOST + _STEP / 2, _STEP)
        if self.excess == (0.0,) and self.stretches == (1.0,):
            return least, np.asarray(ndtr(-least / np.log(JOB_SCATTER)))
        held = np.exp(self._log_held(least[:, None] - self.shared * NODE)) @ NODE_WEIGHT
        return least, np.clip(1.0 - held, 0.0, 1.0)

    def _log_held(self, log_margin: NDArray[np.float64]) -> NDArray[np.float64]:
        """Logarithm of the chance that no stretch passes below one, by the margin of the least; any shape."""
        from scipy.special import log_ndtr

        total = np.zeros_like(log_margin)
        for above, count in zip(self.excess, self.stretches, strict=True):
            total += count * log_ndtr((log_margin + above) / self._own)
        return total


def _read(log_margin: Number, values: NDArray[np.float64]) -> NDArray[np.float64]:
    """What a table over log margins says, any shape: many draws are read often."""
    x = np.asarray(log_margin, dtype=float)
    return np.asarray(read_even(x.flatten(), _LEAST, _STEP, values).reshape(x.shape))


ONE = Passage()


def passage_of(log_margin: ArrayLike, filament_mm: ArrayLike) -> Passage:
    """See a job as stretches, from its margins at the central values.

    How the margin runs along the job is taken to be alike for all values of the unknowns: each shifts it as a whole.

    Parameters
    ----------
    log_margin, filament_mm : array_like, (n_moves,)
        Logarithm of the margin, and filament fed; moves that feed none count for nothing. [-, mm]

    Returns
    -------
    Passage
        Moves close to the least margin together count as one stretch at least: it is passed at least once.

    Examples
    --------
    >>> passage_of([0.3, 0.3, 0.31], [600.0, 600.0, 600.0]).stretches
    (3.0,)
    """
    margin, fed = np.asarray(log_margin, dtype=float), np.asarray(filament_mm, dtype=float)
    here = (fed > 0) & np.isfinite(margin)
    if not here.any():
        return ONE
    above = margin[here] - margin[here].min()
    count, _ = np.histogram(above, np.append(BINS, BINS[-1] + 0.02), weights=fed[here] / STRETCH_MM)
    count[0] = max(count[0], 1.0)
    kept = count > 0
    return Passage(tuple(BINS[kept].tolist()), tuple(count[kept].tolist()))
