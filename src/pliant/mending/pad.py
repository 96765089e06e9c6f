"""Proof: a small pad beside the part before it, fed harder than the part ever is, so that a weak job jams there.

A foot of two layers, so that the pad comes off the bed in one piece: one at the height and speed of the program's first
bead, one at the flow of the part's worst. On it lie the layers that count, with the section of the worst bead at the
flow asked for, held for some lags. Then the nozzle goes over the last layer again without feeding, for as long as the
lag takes to let the pressure fall to what the part needs, rises, and comes back to where the program would have begun.

Where: clear of every bead, and of every later move that is lower than the pad's top, so that nothing has to lift over
it; outside of what the part or its skirt encloses; within the machine's reach, or the space that the program uses where
the record does not say. There is no stop after it: a stop needs a word that not every controller reads alike (G4 P is
seconds here and milliseconds there), and one that waits for a hand lets the melt ooze.
"""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Floats
from pliant.job.job import Job
from pliant.job.proof import LAGS, LEAST_MM, MOST_LAYERS, Pad, ProofBead, pads_of, proof_bead, proof_lag_s
from pliant.mending.prime import travel_speed
from pliant.program.beside import known_mm
from pliant.program.coverage import chords_of
from pliant.program.outline import extent_mm
from pliant.program.write import Edits, Insert, sole_moves
from pliant.proving.pad import LIFT_MM_PER_S
from pliant.records.mending import Change
from pliant.records.program import BEAD, HOME, TRAVEL, Program
from pliant.say import number

__all__ = ["CLEAR_MM", "Ground", "ground_of", "lay_pad", "room_in"]

CLEAR_MM = 3.0  # from the middle of its beads to beads, and to later moves below its top: a nozzle's face, and a bead
_HOLDS = (LAGS, 2.0, 1.0)  # lags; a smaller pad where there is no room
_CELL_MM, _MOST_CELLS = 1.0, 1000  # of the map of free ground, and along each side of it
_MOST_OVER = 1.3  # [-] of the mean speed, asked of lines that begin and end in a turn
_EDGE_MM = 5.0  # from the edge of the reach, and from where it homes, where the program itself stays away: our choice
_SAME_MM = 0.01

Bools = NDArray[np.bool_]


def lay_pad(
    job: Job, edits: Edits, over: float, reach: tuple[tuple[float, ...], tuple[float, ...]] | None
) -> tuple[list[Change], float, float, str]:
    """Lay a pad before the first bead, in place in `edits`.

    Parameters
    ----------
    job : Job
        At the speeds that it will have.
    edits : Edits
        Changed in place.
    over : float
        Flow of the layers that count, over the largest of the job. [-]
    reach : tuple of two corners, optional
        Where the nozzle can go. [mm]

    Returns
    -------
    list of Change; filament laid, rounding included [mm]; its largest flow [mm3/s]; what was left out and why.
    """
    program = job.program
    bead = np.flatnonzero((program.kind == BEAD) & (program.length_mm > 0))
    why = _unfit(job, bead)
    if why:
        return [], 0.0, 0.0, why
    first, like = int(bead[0]), proof_bead(job)
    flow = over * like.flow_mm3_per_s
    low = program.point_mm[first + 1, 2]
    gap = like.gap_mm
    grounds = {k: ground_of(program, first, low + gap * (1 + k), gap, reach) for k in range(1, MOST_LAYERS + 1)}
    said = ""
    for hold in _HOLDS:
        for pad in pads_of(job, like, flow, hold * float(proof_lag_s(job, over))):
            ground = grounds[pad.layers]
            size = (pad.side_mm, (pad.lines - 1) * pad.pitch_mm)
            place = None if ground is None else room_in(ground, size, program.point_mm[first, :2])
            if place is not None:
                speed = _asked_mm_per_s(job, pad, flow / like.section_mm2)
                moves, laid = _moves(job, edits, pad, place, first, like, speed)
                edits.inserts[first] = moves + edits.inserts.get(first, [])
                most = speed * like.section_mm2
                return [_change(job, pad, place, laid, flow, over)], laid + 1e-3, most, said
        said = f"a smaller pad: no room for one that holds its flow for {hold:g} lags"
    return [], 0.0, 0.0, (
        f"no room: {LEAST_MM[0]:g} × {LEAST_MM[1]:g} mm, {CLEAR_MM:g} mm clear of beads and of travel lower than "
        "it is high, within " + ("the reach of the machine" if reach else "the space that the program goes to and "
        "homes in; say how far the machine reaches as motion.volume_mm")
    )  # fmt: skip


def _unfit(job: Job, bead: NDArray[np.int64]) -> str:
    """Why no pad can be laid before this program; empty where one can."""
    program = job.program
    if job.proof is not None:
        return "the program begins with one"
    if bead.size == 0:
        return "the program lays nothing"
    first = int(bead[0])
    z = program.point_mm[:, 2]
    if not sole_moves(program)[first]:
        return f"the first bead shares its line with other moves (line {program.line[first]})"
    if not program.states["absolute"][program.state[first]]:
        return f"moves are written relative to the place before (line {program.line[first]})"
    if abs(z[first] - z[first + 1]) > 1e-9:
        return f"the first bead climbs (line {program.line[first]})"
    if not (z[first] > 0 and np.isfinite(job.laying.sections.gap_mm[first])):
        return f"no first layer on the bed: the first bead is at Z{z[first]:g} (line {program.line[first]})"
    if not proof_bead(job).flow_mm3_per_s > 0:
        return "nothing flows, so that there is nothing to prove"
    return ""


@dataclass(frozen=True)
class Ground:
    """A map of the bed: cells that are not free for a pad of this height."""

    taken: Bools  # (n_y, n_x)
    low_mm: Floats  # middle of its first cell
    high_mm: Floats  # the furthest corner of a pad
    cell_mm: float


def ground_of(
    program: Program,
    first: int,
    top_mm: float,
    lift_mm: float,
    reach: tuple[tuple[float, ...], tuple[float, ...]] | None,
) -> Ground | None:
    """See where a pad would be clear of all that comes after a move.

    Parameters
    ----------
    program : Program
        The moves.
    first : int
        Move before which it is laid.
    top_mm, lift_mm : float
        Its height, and how far the nozzle rises from it. [mm]
    reach : tuple of two corners, optional
        Where the nozzle can go; else the space that the program uses. [mm]

    Returns
    -------
    Ground or None
        None where it would be too high.
    """
    from scipy.ndimage import binary_dilation, binary_fill_holes, distance_transform_edt

    used = extent_mm(program, np.ones(program.kind.size, dtype=np.bool_))
    box = np.array(reach) if reach else known_mm(program)
    low = np.maximum(box[0, :2], np.minimum(box[0, :2] + _EDGE_MM, used[0, :2]))
    high = np.minimum(box[1, :2], np.maximum(box[1, :2] - _EDGE_MM, used[1, :2]))
    if top_mm + lift_mm > box[1, 2] or (high <= low).any():
        return None
    cell = max(_CELL_MM, float((high - low).max()) / _MOST_CELLS)
    edge = math.ceil(CLEAR_MM / cell) + 2  # cells around, so that what lies just outside counts
    count = np.floor((high - low) / cell).astype(np.int64) + 1
    marked = np.zeros((count[1] + 2 * edge, count[0] + 2 * edge), dtype=np.bool_)
    _mark(marked, program, first, top_mm, low - edge * cell, cell)
    shut = binary_fill_holes(binary_dilation(marked))
    # a place is at most 0.71 cells from the middle of its own, and so is what marked a cell
    near = distance_transform_edt(~marked) * cell < CLEAR_MM + 1.5 * cell if marked.any() else marked
    return Ground((shut | near)[edge:-edge, edge:-edge], low, high, cell)


def room_in(ground: Ground, size_mm: tuple[float, float], near_mm: Floats) -> tuple[float, float] | None:
    """Lowest corner of a free rectangle of these sides, as near to a point as can be; None where there is none. [mm]"""
    (rows, columns), cell = ground.taken.shape, ground.cell_mm
    wide, deep = (math.ceil(s / cell) + 1 for s in size_mm)
    if wide > columns or deep > rows:
        return None
    total = np.zeros((rows + 1, columns + 1), dtype=np.int64)
    total[1:, 1:] = np.cumsum(np.cumsum(ground.taken, axis=0), axis=1)
    free = total[deep:, wide:] - total[:-deep, wide:] - total[deep:, :-wide] + total[:-deep, :-wide] == 0
    y, x = np.nonzero(free)
    corner = ground.low_mm + cell * np.column_stack([x, y])
    corner = corner[(corner + size_mm <= ground.high_mm + 1e-9).all(axis=1)]
    if not len(corner):
        return None
    best = corner[int(np.hypot(*(corner + np.array(size_mm) / 2 - near_mm).T).argmin())]
    return float(best[0]), float(best[1])


def _mark(used: Bools, program: Program, first: int, top_mm: float, low: Floats, cell: float) -> None:
    """Mark the cells that a bead crosses, or a later move that is lower than the pad; in place."""
    z = np.minimum(program.point_mm[:-1, 2], program.point_mm[1:, 2])
    later = np.arange(program.kind.size) >= first
    lower = later & (z < top_mm - _SAME_MM)
    home = program.kind == HOME
    moves = np.flatnonzero(((program.kind == BEAD) | lower) & ~home)
    chords, _ = chords_of(program, moves)
    points = program.point_mm[np.flatnonzero(home & lower) + 1, :2]
    _mark_points(used, points, low, cell)
    steps = np.ceil(np.hypot(*(chords[:, 2:] - chords[:, :2]).T) / (cell / 2)).astype(np.int64) + 1
    begin = 0
    for end in [*(np.flatnonzero(np.diff(np.cumsum(steps) // 1_000_000)) + 1).tolist(), len(chords)]:
        own, n = chords[begin:end], steps[begin:end]
        if n.size:
            at = np.arange(int(n.sum())) - np.repeat(np.cumsum(n) - n, n)
            share = (at / np.maximum(np.repeat(n, n) - 1, 1))[:, None]
            row = np.repeat(own, n, axis=0)
            _mark_points(used, row[:, :2] + share * (row[:, 2:] - row[:, :2]), low, cell)
        begin = end


def _mark_points(used: Bools, points: Floats, low: Floats, cell: float) -> None:
    at = np.floor((points - low) / cell + 0.5)
    inside = (at >= 0).all(axis=1) & (at[:, 0] < used.shape[1]) & (at[:, 1] < used.shape[0])
    x, y = at[inside].astype(np.int64).T
    used[y, x] = True


def _asked_mm_per_s(job: Job, pad: Pad, mean: float) -> float:
    """Speed to ask for so that lines with their turns come to a mean speed, as far as the axes let them. [mm/s]

    A line loses (v - v_c)^2 / (a v) of time to gaining and losing speed; v_c is what a square corner is taken at.
    """
    a = job.machine.acceleration_mm_per_s2
    corner = math.sqrt(a * job.machine.corner_deviation_mm * (1 + math.sqrt(2)))
    step = min(math.sqrt(corner**2 + a * pad.pitch_mm), mean)
    speed = mean
    for _ in range(20):
        lost = max(speed - corner, 0.0) ** 2 / (a * speed) + pad.pitch_mm / step
        left = (pad.side_mm + pad.pitch_mm) / mean - lost
        speed = min(pad.side_mm / left, _MOST_OVER * mean) if left > 0 else _MOST_OVER * mean
    return float(min(speed, *job.machine.max_speed_mm_per_s[:2]))


def _moves(
    job: Job, edits: Edits, pad: Pad, place: tuple[float, float], first: int, like: ProofBead, speed: float
) -> tuple[list[Insert], float]:
    """The way there, the layers, the way back; and the filament laid. [mm]"""
    program, gap, section, own = job.program, like.gap_mm, like.section_mm2, like.flow_mm3_per_s
    x0, y0, z0 = (float(v) for v in program.point_mm[first])
    way = _serpentine(pad, place)
    travel = travel_speed(program, first)
    lift = _lift_speed(program)
    per_mm = float(program.filament_mm[like.move] / program.length_mm[like.move])
    foot, over = section * z0 / gap, max(speed * section / own, 1.0)
    carries = min(own / section, speed)  # never faster than what is to be proved
    first_speed = min(float(edits.speed_mm_per_s[first]), carries * section / foot)
    moves, laid, z = [Insert(travel, way[0])], 0.0, z0
    layers = [(first_speed, per_mm * z0 / gap), (carries, per_mm)] + pad.layers * [(speed, per_mm)]
    for k, (at_speed, density) in enumerate(layers):
        if k:
            z, way = round(z + gap, 4), way[::-1]
            moves.append(Insert(lift, z_mm=z))
        for a, b in pairwise(way):
            filament = round(density * math.dist(a, b), 5)
            laid += filament
            moves.append(Insert(at_speed, b, filament))
    moves += _drained(way[::-1], carries, float(proof_lag_s(job, over)) * math.log(over))
    moves += [Insert(lift, z_mm=round(z + gap, 4)), Insert(travel, (x0, y0)), Insert(lift, z_mm=z0)]
    return moves, laid


def _drained(way: list[tuple[float, float]], speed: float, seconds: float) -> list[Insert]:
    """The way back over the last layer, without filament, for so long."""
    moves, left = [], speed * seconds
    for a, b in pairwise(way):
        if left <= 0.5:
            break
        share = min(left / math.dist(a, b), 1.0)
        moves.append(Insert(speed, (round(a[0] + share * (b[0] - a[0]), 3), round(a[1] + share * (b[1] - a[1]), 3))))
        left -= math.dist(a, b)
    return moves


def _serpentine(pad: Pad, place: tuple[float, float]) -> list[tuple[float, float]]:
    x, y = place
    way = []
    for k in range(pad.lines):
        ends = [
            (round(x, 3), round(y + k * pad.pitch_mm, 3)),
            (round(x + pad.side_mm, 3), round(y + k * pad.pitch_mm, 3)),
        ]
        way += ends if k % 2 == 0 else ends[::-1]
    return way


def _lift_speed(program: Program) -> float:
    """The slowest rise or fall that the program has of its own; ours where it has none. [mm/s]"""
    still = (np.diff(program.point_mm[:, :2], axis=0) == 0).all(axis=1)
    rises = still & (program.kind == TRAVEL) & (program.length_mm > 0)
    return float(program.speed_mm_per_s[rises].min()) if rises.any() else LIFT_MM_PER_S


def _change(job: Job, pad: Pad, place: tuple[float, float], laid: float, flow: float, over: float) -> Change:
    first = int(np.argmax(job.program.kind == BEAD))
    deep = (pad.lines - 1) * pad.pitch_mm
    return Change(
        int(job.program.line[first]), "proof", "proof beside the part", "none",
        f"{laid:.1f} mm of filament in {2 + pad.layers} layers of {pad.side_mm:.0f} × {deep:.0f} mm at X{place[0]:.0f} "
        f"Y{place[1]:.0f}, the last fed at {flow:.2f} mm³/s for {pad.held_s:.0f} s or more",
        f"{number(over, 3)} times the most that the part asks: a weak job jams here, not inside the part",
    )  # fmt: skip
