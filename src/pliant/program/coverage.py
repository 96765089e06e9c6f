"""Covered and open travel of a program: where the nozzle crosses air between two beads, a string can hang.

A move without deposition that shifts the nozzle in x and y counts, be it plain travel or a wipe that retracts on the
way. It belongs to the layer laid before it and is compared with every bead of that layer, laid before or after it: a
thread over ground that this layer still fills is buried. Lift makes no difference, only the way in x and y counts.
Nothing can hang before the first bead or after the last one, and the way of a homing move is unknown: these have
neither covered nor open length.

Beads are capsules as wide as the caller says; neighbours laid side by side with a hair of air between them
leave an open hair here too. `strings` therefore counts only openings longer than a length of the caller's choice.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.checks import require_positive
from pliant.errors import DomainError
from pliant.kernels.cover import open_intervals
from pliant.models.bead import bead_width_mm, strand_diameter_mm
from pliant.program.layers import Layering
from pliant.records.program import BEAD, RETRACT, TRAVEL, Program
from pliant.sampling import weighted_median

__all__ = ["Coverage", "bead_widths_mm", "chords_of", "find_coverage"]

_SAGITTA_MM = 0.005  # [mm] an arc and its chords differ by no more: a hundredth of a bead
_MAX_CHORDS = 720  # a full turn in half degrees: keeps a hostile radius from filling the memory
_BATCH_CHORDS = 1_000_000  # layers are worked through in batches of about this many chords
_WIDEST = 5.0  # a bead wider than so many typical beads is a blob at a standstill, not a bead of that width


@dataclass(frozen=True)
class Coverage:
    """Covered and open length of each move, and where the open stretches lie.

    Attributes
    ----------
    covered_mm, open_mm : ndarray, (n_moves,)
        Length in x and y over bead of the move's own layer, and over air; 0 for moves that are not travel. [mm]
    move : ndarray, (k,)
        Index of the move that each open stretch belongs to, ascending.
    stretch_mm : ndarray, (k, 4)
        The stretch: x, y of its start and of its end. [mm]
    thread : ndarray, (k,)
        Stretches that follow each other without bead under them share a thread number, ascending from 0.
    """

    covered_mm: NDArray[np.float64]
    open_mm: NDArray[np.float64]
    move: NDArray[np.int64]
    stretch_mm: NDArray[np.float64]
    thread: NDArray[np.int64]

    def thread_mm(self) -> NDArray[np.float64]:
        """Length of each thread, `(n_threads,)`. [mm]"""
        s = self.stretch_mm
        length = np.hypot(s[:, 2] - s[:, 0], s[:, 3] - s[:, 1])
        return np.bincount(self.thread, length).astype(np.float64)

    def strings(self, longer_than_mm: float = 0.0) -> NDArray[np.int64]:
        """Move at which each thread longer than a given length starts, `(n_strings,)`. [mm]"""
        first = self.move[np.flatnonzero(np.diff(self.thread, prepend=-1))]
        return first[self.thread_mm() > longer_than_mm]


def bead_widths_mm(program: Program, layering: Layering, filament_diameter_mm: float = 1.75) -> NDArray[np.float64]:
    """Width of each bead from its volume per length and the gap it was laid in.

    Parameters
    ----------
    program : Program
        The moves, `(n_moves,)`.
    layering : Layering
        Its layers.
    filament_diameter_mm : float, default 1.75
        Diameter of the filament as the program assumes it. [mm]

    Returns
    -------
    ndarray, (n_moves,)
        Width; 0 for moves that are not beads. A bead thinner than its gap is a round strand; one wider than five
        times the median (by length) is cut there, since it is a blob. [mm]
    """
    require_positive(filament_diameter_mm=filament_diameter_mm)
    width = np.zeros(program.kind.size)
    index = np.flatnonzero((program.kind == BEAD) & (program.length_mm > 0) & (program.filament_mm > 0))
    if index.size == 0:
        return width
    length = program.length_mm[index]
    area = math.pi * filament_diameter_mm**2 / 4 * program.filament_mm[index] / length
    strand = np.asarray(strand_diameter_mm(area))
    gap = np.maximum(layering.gap_mm[layering.layer[index]], 0.0)
    squeezed = (gap > 0) & (gap < strand)
    wide = strand.copy()
    wide[squeezed] = bead_width_mm(area[squeezed], gap[squeezed])
    width[index] = np.minimum(wide, _WIDEST * weighted_median(wide, length))
    return width


def chords_of(program: Program, index: NDArray[np.int64]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Straight pieces in x and y of some moves; arcs become chords no further than `_SAGITTA_MM` from them.

    Parameters
    ----------
    program : Program
        The moves.
    index : ndarray, (k,)
        Which of them.

    Returns
    -------
    chord_mm : ndarray, (c, 4)
        x, y of the start and of the end of each chord. [mm]
    move : ndarray, (c,)
        The move it belongs to; ascending if `index` is.
    """
    count = _chord_counts(program, index)
    if count.size == 0 or count.max() == 1:
        return np.hstack([program.point_mm[index, :2], program.point_mm[index + 1, :2]]), index
    move = np.repeat(index, count)
    step = np.arange(move.size) - np.repeat(np.cumsum(count) - count, count)
    pieces = np.repeat(count, count)
    start, end = program.point_mm[move, :2], program.point_mm[move + 1, :2]
    chord = np.empty((move.size, 4))
    for side, share in ((0, step / pieces), (2, (step + 1) / pieces)):
        chord[:, side : side + 2] = start + share[:, None] * (end - start)
    arc = program.sweep_rad[move] != 0
    if arc.any():
        centre = program.centre_mm[move[arc]]
        a, b, sweep = start[arc] - centre, end[arc] - centre, program.sweep_rad[move[arc]]
        radius, final = np.hypot(a[:, 0], a[:, 1]), np.hypot(b[:, 0], b[:, 1])
        angle = np.arctan2(a[:, 1], a[:, 0])
        for side, at in ((0, step), (2, step + 1)):
            share = (at / pieces)[arc]
            r = radius + share * (final - radius)  # the ends of a written arc differ by rounding
            turned = angle + share * sweep
            chord[arc, side : side + 2] = centre + np.column_stack([r * np.cos(turned), r * np.sin(turned)])
        # the ends exactly as written, so that moves join
        chord[step == 0, :2] = start[step == 0]
        chord[step == pieces - 1, 2:] = end[step == pieces - 1]
    return chord, move


def _chord_counts(program: Program, index: NDArray[np.int64]) -> NDArray[np.int64]:
    sweep = np.abs(program.sweep_rad[index])
    if not sweep.any():
        return np.ones(index.size, dtype=np.int64)
    out = program.point_mm[index, :2] - program.centre_mm[index]
    radius = np.where(sweep > 0, np.hypot(out[:, 0], out[:, 1]), 0.0)
    flat = 1 - _SAGITTA_MM / np.maximum(radius, _SAGITTA_MM)
    return np.clip(np.ceil(sweep / (2 * np.arccos(flat))), 1, _MAX_CHORDS).astype(np.int64)


def find_coverage(program: Program, layering: Layering, width_mm: Any, *, laid_before_only: bool = False) -> Coverage:
    """Tell for each travel how much of it lies over bead of its own layer.

    Parameters
    ----------
    program : Program
        The moves, `(n_moves,)`.
    layering : Layering
        Its layers, from `find_layers`.
    width_mm : float or ndarray, (n_moves,)
        Width of the beads, for example from `bead_widths_mm`; ignored for other moves. [mm]
    laid_before_only : bool, default False
        Count only beads already there when the travel passes, not those that this layer still brings.

    Returns
    -------
    Coverage

    Raises
    ------
    DomainError
        If a bead has a width that is not finite or is below 0.

    Notes
    -----
    Exact up to rounding for straight moves; arcs are taken as chords within 0.005 mm (for radii above 130 m, which no
    machine has, as 720 chords a turn).
    """
    n = program.kind.size
    width = np.broadcast_to(np.asarray(width_mm, dtype=np.float64), (n,))
    bead = np.flatnonzero((program.kind == BEAD) & (layering.layer >= 0))
    if not np.all(np.isfinite(width[bead]) & (width[bead] >= 0)):
        raise DomainError("width_mm of a bead must be finite and >= 0; bead_widths_mm gives such widths")
    covered, open_ = np.zeros(n), np.zeros(n)
    found: list[tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.bool_], NDArray[np.bool_]]] = []
    if bead.size:
        moves = np.arange(n)
        counted = ((program.kind == TRAVEL) | (program.kind == RETRACT)) & (moves > bead[0]) & (moves < bead[-1])
        for first, last in _batches(program, layering, bead, np.flatnonzero(counted)):
            inside = np.arange(first, last)
            travel_xy, travel_move = chords_of(program, inside[counted[first:last]])
            bead_xy, bead_move = chords_of(program, bead[(bead >= first) & (bead < last)])
            offset, t0, t1 = open_intervals(
                travel_xy,
                layering.layer[travel_move],
                bead_xy,
                width[bead_move] / 2,
                layering.layer[bead_move],
                travel_move if laid_before_only else np.ones(travel_move.size, dtype=np.int64),
                bead_move if laid_before_only else np.zeros(bead_move.size, dtype=np.int64),
            )
            way = travel_xy[:, 2:] - travel_xy[:, :2]
            length = np.hypot(way[:, 0], way[:, 1])
            owner = np.repeat(np.arange(travel_move.size), np.diff(offset))
            air = np.bincount(owner, (t1 - t0) * length[owner], minlength=travel_move.size)
            np.add.at(open_, travel_move, air)
            np.add.at(covered, travel_move, np.maximum(length - air, 0.0))
            base = travel_xy[owner, :2]
            ends = np.hstack([base + t0[:, None] * way[owner], base + t1[:, None] * way[owner]])
            found.append((travel_move[owner], ends, t0 <= 0.0, t1 >= 1.0))
    if not found:
        return Coverage(covered, open_, np.zeros(0, np.int64), np.zeros((0, 4)), np.zeros(0, np.int64))
    move, stretch, from_start, to_end = (np.concatenate(part) for part in zip(*found, strict=True))
    return Coverage(covered, open_, move, stretch, _threads(program, move, stretch, from_start, to_end))


def _batches(
    program: Program, layering: Layering, bead: NDArray[np.int64], travel: NDArray[np.int64]
) -> list[tuple[int, int]]:
    """Ranges of moves that hold whole layers (numbered in order of the program) and a bounded number of chords."""
    n = program.kind.size
    count = np.zeros(n, dtype=np.int64)
    for index in (bead, travel):
        count[index] = _chord_counts(program, index)
    edge = np.append(np.flatnonzero(np.diff(layering.layer, prepend=-2)), n)
    total = np.concatenate([[0], np.cumsum(count)])[edge]
    ranges, first = [], 0
    for k in range(1, edge.size):
        if k + 1 == edge.size or total[k + 1] - total[first] > _BATCH_CHORDS:
            ranges.append((int(edge[first]), int(edge[k])))
            first = k
    return ranges


def _threads(
    program: Program,
    move: NDArray[np.int64],
    stretch: NDArray[np.float64],
    from_start: NDArray[np.bool_],
    to_end: NDArray[np.bool_],
) -> NDArray[np.int64]:
    """Number the threads: a stretch goes on the one before if nothing was laid and the nozzle did not jump between."""
    beads = np.cumsum(program.kind == BEAD)
    same = np.all(stretch[1:, :2] == stretch[:-1, 2:], axis=1) & to_end[:-1] & from_start[1:]
    same &= beads[move[1:]] == beads[move[:-1]]
    return np.cumsum(np.concatenate([[True], ~same])) - 1 if move.size else np.zeros(0, np.int64)
