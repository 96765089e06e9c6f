"""Prime: a few lines beside the part where the program starts on the part itself.

A lag of a second or more leaves the first run thin. As much is laid as brings the flow to where it settles, back and
forth in a free corner of the space that the program already uses, at the height and speed of its first bead. A
program whose first run lies apart from the part (a skirt, a line) primes itself and is left alone.
"""

import math
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray

from pliant.program.coverage import chords_of
from pliant.program.outline import bead_lines, extent_mm
from pliant.program.write import Edits, Insert, sole_moves
from pliant.records.mending import Change
from pliant.records.program import BEAD, TRAVEL, Program

__all__ = ["CLEAR_MM", "mend_prime", "primes_itself", "travel_speed"]

CLEAR_MM = 2.0  # [mm] from the middle of a bead of the part: our choice
_PITCH_MM = 1.0  # [mm] between the lines, so that they do not touch
_MARGIN_MM = 0.9  # [mm] beyond the space that the program uses
_LEAST_MM = 5.0  # [mm] a shorter line turns more than it lays
_JOINED_MM = 1.0  # [mm] beads of the first layer nearer than this belong together
_ENOUGH = 0.5  # [-] of the wanted length; less is not worth laying


def primes_itself(program: Program, wanted_mm: float) -> bool:
    """Whether the program feeds before it comes to the part: a piece with nothing above it, or filament alone.

    Parameters
    ----------
    program : Program
        The moves.
    wanted_mm : float
        Filament that fills the nozzle. [mm]

    Returns
    -------
    bool
    """
    bead = np.flatnonzero(program.kind == BEAD)
    first = int(bead[0])
    fed = program.filament_mm[:first]
    if fed[fed > 0].sum() - abs(fed[fed < 0].sum()) >= min(wanted_mm, 1.0):
        return True
    # the piece of the first layer that the first run belongs to primes if nothing stands on it
    z = program.point_mm[bead + 1, 2]
    low = z <= z[0] + 0.01
    ground = shapely.union_all(shapely.buffer(bead_lines(program, bead[low]), _JOINED_MM / 2, quad_segs=2))
    pieces = shapely.get_parts(ground)
    start = shapely.points(program.point_mm[first, :2])
    mine = pieces[int(np.argmin(shapely.distance(pieces, start)))]
    if low.all():  # a single layer: the part is what is laid last
        return not bool(shapely.intersects(mine, shapely.points(program.point_mm[int(bead[-1]), :2])))
    chords, _ = chords_of(program, bead[~low])
    x0, y0, x1, y1 = shapely.bounds(mine)
    near = (chords[:, [0, 2]].min(axis=1) <= x1) & (chords[:, [0, 2]].max(axis=1) >= x0)
    near &= (chords[:, [1, 3]].min(axis=1) <= y1) & (chords[:, [1, 3]].max(axis=1) >= y0)
    shapely.prepare(mine)
    return not bool(shapely.intersects(mine, shapely.linestrings(chords[near].reshape(-1, 2, 2))).any())


def mend_prime(program: Program, edits: Edits, wanted_mm: float) -> tuple[list[Change], float, str]:
    """Lay a priming run before the first bead, in place in `edits`.

    Parameters
    ----------
    program : Program
        The moves.
    edits : Edits
        Changed in place.
    wanted_mm : float
        Filament that brings the flow to where it settles. [mm]

    Returns
    -------
    list of Change; filament laid, rounding included [mm]; why nothing was done, empty if something was.
    """
    bead = np.flatnonzero((program.kind == BEAD) & (program.length_mm > 0))
    if bead.size == 0:
        return [], 0.0, "the program lays nothing"
    first = int(bead[0])
    if primes_itself(program, wanted_mm):
        return [], 0.0, "the program feeds beside the part before it starts on it"
    if not sole_moves(program)[first] or not program.states["absolute"][program.state[first]]:
        return [], 0.0, "the first bead shares its line, or is written relative to the place before"
    z = program.point_mm[:, 2]
    if abs(z[first] - z[first + 1]) > 1e-9:
        return [], 0.0, "the first bead climbs"
    density = float(program.filament_mm[first] / program.length_mm[first])
    wanted_way = wanted_mm / density
    way = _free_way(program, bead, wanted_way)
    if len(way) == 0:
        return [], 0.0, "no free corner in the space that the program uses"
    start = program.point_mm[first, :2]
    if math.dist(way[0], start) < math.dist(way[-1], start):
        way = way[::-1]
    speed, travel = float(edits.speed_mm_per_s[first]), travel_speed(program, first)
    moves = [Insert(travel, way[0])]
    laid = 0.0
    for a, b in pairwise(way):
        filament = round(density * math.dist(a, b), 5)
        laid += filament
        moves.append(Insert(speed, b, filament))
    moves.append(Insert(travel, (round(float(start[0]), 4), round(float(start[1]), 4))))
    edits.inserts[first] = moves + edits.inserts.get(first, [])
    change = Change(
        int(program.line[first]), "prime", "priming run", "none",
        f"{laid:.2f} mm of filament in {len(way) - 1} lines beside the part",
        f"the nozzle fills and the flow settles after about {wanted_mm:.2f} mm of filament",
    )  # fmt: skip
    return [change], laid + 1e-3, ""


def travel_speed(program: Program, first: int) -> float:
    """Speed of the travel that leads to the first bead, else of travel in general, else of the bead. [mm/s]"""
    flat = (np.diff(program.point_mm[:, :2], axis=0) != 0).any(axis=1) & (program.kind == TRAVEL)
    speed = program.speed_mm_per_s
    if flat[:first].any():
        return float(speed[:first][flat[:first]][-1])
    return float(np.median(speed[flat])) if flat.any() else float(speed[first])


def _free_way(program: Program, bead: NDArray[np.int64], length_mm: float) -> list[tuple[float, float]]:
    """Lines back and forth in free space: along an edge of the space used, or across one of its corners."""
    box = extent_mm(program, np.ones(program.kind.size, dtype=np.bool_))
    low, high = np.maximum(box[0, :2] - _MARGIN_MM, 0.0), box[1, :2] + _MARGIN_MM
    chords, _ = chords_of(program, bead)
    part = shapely.convex_hull(shapely.multipoints(chords.reshape(-1, 2)))
    free = shapely.difference(shapely.box(*low, *high), shapely.buffer(part, CLEAR_MM))
    middle = (low + high) / 2
    span = float(np.hypot(*(high - low)))
    best: list[tuple[float, float]] = []
    best_mm = 0.0
    for out in [(-1, 0), (1, 0), (0, -1), (0, 1), (-1, -1), (1, -1), (-1, 1), (1, 1)]:
        outward = np.array(out) / np.hypot(*out)
        along = np.array([-outward[1], outward[0]])
        reach = float(np.abs(outward) @ (high - low) / 2)
        way: list[tuple[float, float]] = []
        total, depth = 0.0, 0.0
        while total < length_mm and depth < reach:
            at = middle + (reach - depth) * outward
            line = shapely.linestrings([at - span * along, at + span * along])
            pieces = shapely.get_parts(shapely.intersection(line, free))
            pieces = pieces[shapely.length(pieces) >= _LEAST_MM] if len(pieces) else pieces
            if len(pieces):
                piece = pieces[int(np.argmax(shapely.length(pieces)))]
                ends = [(round(x, 3), round(y, 3)) for x, y in piece.coords]
                rest = length_mm - total
                if math.dist(*ends) > rest + _LEAST_MM:
                    share = (rest + _LEAST_MM) / math.dist(*ends)
                    ends[1] = tuple(round(a + share * (b - a), 3) for a, b in zip(*ends, strict=True))
                if way and math.dist(way[-1], ends[0]) > math.dist(way[-1], ends[1]):
                    ends.reverse()
                if way and not shapely.covers(shapely.buffer(free, 1e-6), shapely.linestrings([way[-1], ends[0]])):
                    break
                if way:
                    total += math.dist(way[-1], ends[0])
                total += math.dist(*ends)
                way += ends
            elif way:
                break
            depth += _PITCH_MM
        if total > best_mm:
            best, best_mm = way, total
    return best if best_mm >= min(_ENOUGH * length_mm, length_mm) else []
