"""The bead along the way: what was asked for, what the store between drive and nozzle makes of it, and what oozes.

The store's law S(q) = s1 q^n is the chain's own, at central values: compliance times pressure, at the push itself. A
nozzle's face levels what it lays, so that the bead is told over each millimetre of its length. Left out: one law for
the whole job (the temperature and the flow of most of its melt), friction along a guide. Start with `follow_bead`.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Floats, Number
from pliant.feed import chain
from pliant.feed.load import Course, bounded_gap_mm, fed_along
from pliant.kernels.bead import bead_along, count_cells
from pliant.records.filament import Filament
from pliant.records.machine import Machine
from pliant.sampling import weighted_median

__all__ = ["CELL_MM", "BeadAlong", "StoreLaw", "follow_bead", "law_through", "squeeze_of", "store_law"]

CELL_MM = 1.0  # over which the bead is told: about the face of a nozzle, which levels what lies under it
_APART = 1.5  # [-] from the flow of the job to those through which the law is laid


@dataclass(frozen=True)
class StoreLaw:
    """Volume stored at a flow in a place that asks for `ratio` times the pressure of air: ratio s1 q^n."""

    store_at_one_mm3: float  # in air, at 1 mm3/s
    flow_index: float
    late_share: float = 0.0  # of the store, that answers late: none by default, nothing is known of it
    late_s: float = 1.0  # how late

    def stored_mm3(self, flow_mm3_per_s: Floats | float, ratio: Floats | float = 1.0) -> Floats:
        """Volume stored. [mm3/s, - -> mm3]"""
        return np.asarray(ratio * self.store_at_one_mm3 * np.asarray(flow_mm3_per_s) ** self.flow_index)


@dataclass(frozen=True, eq=False)
class BeadAlong:
    """Cells of bead in the order they are laid, `(k,)`, and what goes elsewhere."""

    move: NDArray[np.int64]  # in which the cell ends
    share: NDArray[np.float32]  # of that move's length, where it ends
    length_mm: NDArray[np.float32]
    asked_mm3: Floats
    laid_mm3: Floats
    ooze_mm3: Floats  # (n_moves,) that flows while the nozzle goes elsewhere
    fed_mm3: float
    stored_mm3: float  # at the end

    @property
    def error(self) -> Floats:
        """Section laid over section asked, less one, of each cell. [-]"""
        return np.asarray(self.laid_mm3 / np.maximum(self.asked_mm3, 1e-12) - 1.0)

    @property
    def rms(self) -> float:
        """Root of the mean square of the error over the length of bead; 0 where nothing is laid. [-]"""
        total = float(self.length_mm.sum(dtype=np.float64))
        return float(np.sqrt(np.sum(self.length_mm * self.error**2) / total)) if total > 0 else 0.0

    @property
    def worst(self) -> int:
        """Cell with the largest error; -1 where nothing is laid."""
        return int(np.abs(self.error).argmax()) if self.move.size else -1

    @property
    def between_mm3(self) -> float:
        """Volume that oozes between the first bead and the last. [mm3]"""
        if not self.move.size:
            return 0.0
        return float(self.ooze_mm3[self.move[0] : self.move[-1] + 1].sum())


def squeeze_of(course: Course, theta: chain.Theta) -> Floats:
    """How much more than in air each place asks for, `(n_moves,)`. [-]"""
    return np.asarray(chain.dam_ratio(course.width_mm, bounded_gap_mm(course.gap_mm), theta), dtype=np.float64)


def store_law(
    course: Course, asked_mm: Floats, machine: Machine, filament: Filament, theta: chain.Theta | None = None,
    ratio: Floats | None = None,
) -> StoreLaw:  # fmt: skip
    """The law of the store at the flow, heat and squeeze of most of a job.

    Parameters
    ----------
    course : Course
        The program as the feed path sees it.
    asked_mm : ndarray
        Filament that each move should lay. [mm]
    machine, filament
        The records.
    theta : mapping of str to float, optional
        Values of the unknowns; central ones when left out.
    ratio : ndarray, optional
        `squeeze_of` the course, where the caller has it. [-]

    Returns
    -------
    StoreLaw
        Through the chain's store at that flow; the index from two thirds to one and a half times of it.
    """
    theta = chain.central(machine, filament) if theta is None else theta
    ratio = squeeze_of(course, theta) if ratio is None else ratio
    area = filament.section_mm2
    bead = np.flatnonzero((course.width_mm > 0) & (course.length_mm > 0) & (asked_mm > 0))
    if not bead.size:
        return StoreLaw(0.0, float(min(np.asarray(theta["flow_index"]).mean(), 1.0)))
    volume = asked_mm[bead] * area
    flow = volume / course.length_mm[bead] * course.peak_mm_per_s[bead]
    q, r = weighted_median(flow, volume), weighted_median(ratio[bead], volume)
    celsius = float(course.nozzle_c[np.bincount(course.heat[bead], volume).argmax()])

    def stored(at: float) -> float:
        pressure = r * chain.free_pressure_mpa(at, celsius, theta)
        return float(chain.compliance(machine, theta, pressure) * pressure)

    store, index = law_through(stored, q)
    return StoreLaw(float(store) / r, float(index))


def law_through(stored_mm3: Callable[[float], Number], flow_mm3_per_s: float) -> tuple[Number, Number]:
    """Law S(q) = s1 q^n through what is stored at a flow, at two thirds and at one and a half times of it.

    Parameters
    ----------
    stored_mm3 : callable
        Volume stored at a flow. [mm3/s -> mm3]
    flow_mm3_per_s : float
        Where the law holds best. [mm3/s]

    Returns
    -------
    store_at_one_mm3, flow_index : float or ndarray
        In the shape of what `stored_mm3` gives. [mm3, -]
    """
    low, high, at = (stored_mm3(flow_mm3_per_s * f) for f in (1 / _APART, _APART, 1.0))
    index = np.clip(np.log(high / low) / (2 * np.log(_APART)), 0.05, 1.0)
    return at / flow_mm3_per_s**index, index


def follow_bead(
    course: Course, asked_mm: Floats, goes: NDArray[np.bool_], law: StoreLaw, ratio: Floats, area_mm2: float,
    start_mm3: float = 0.0,
) -> BeadAlong:  # fmt: skip
    """Follow the bead through a job.

    Parameters
    ----------
    course : Course
        The program as the feed path sees it, `(n_moves,)`.
    asked_mm : ndarray
        Filament that each move should lay; 0 beside beads. [mm]
    goes : ndarray of bool
        Whether the nozzle goes anywhere in a move.
    law : StoreLaw
        What is stored at which flow.
    ratio : ndarray
        How much more than in air each place asks for. [-]
    area_mm2 : float
        Section of the filament. [mm2]
    start_mm3 : float, default 0
        Volume stored when it begins. [mm3]

    Returns
    -------
    BeadAlong
        Volume fed, laid, oozed and stored balance to rounding.
    """
    s1 = max(law.store_at_one_mm3, 1e-9)
    asked = np.ascontiguousarray(asked_mm * area_mm2, dtype=np.float64)
    room = count_cells(course.length_mm, asked, CELL_MM)
    where, share, way, want, got, ooze, fed, _, _, stored = bead_along(
        fed_along(course, area_mm2),
        goes,
        asked,
        ratio,
        s1,
        law.flow_index,
        law.late_share,
        law.late_s,
        start_mm3,
        CELL_MM,
        room,
    )
    return BeadAlong(where, share, way, want, got, ooze, fed, stored)
