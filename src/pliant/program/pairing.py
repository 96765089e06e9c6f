"""Which bead of one program is which bead of another, however either cuts its straight stretches and arcs.

The walk is in the order of the first program. Where the runs of a layer may change places, the second program's runs
are first sorted as the first one's. Only positions decide: filament, speed and words are for the caller to compare.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pliant.kernels.pair import Walk, pair_pieces
from pliant.records.program import HOME, Program

__all__ = ["Pairing", "Path", "pair_programs", "path_of"]

_SAME_HEIGHT_MM = 0.01
_WINDOW = 64  # [pieces] looked ahead for the way back after a difference
_MOST_LOSSES = 200

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Path:
    """The moves of a program that go somewhere, `(n,)`, and its runs: beads that start where the one before ends."""

    move: Ints  # index of the move
    point_mm: Floats  # (n_moves + 1, 3) of the program, lowered by what it was lifted
    centre_mm: Floats  # (n_moves, 2) of the program
    sweep_rad: Floats  # (n_moves,) of the program
    lays: Bools  # filament goes forward while the nozzle travels over the plane
    run: Ints  # -1 before the first run; what follows a run belongs to it
    run_start: Ints  # (n_runs,) piece
    run_block: Ints  # (n_runs,) stretches of runs at one height; a run that climbs is a block of its own


@dataclass(frozen=True)
class Pairing:
    """Pairs of stretches in the order of the first path; indices are those of moves."""

    a: Ints
    b: Ints
    share_a: Floats  # of the move's length
    share_b: Floats
    lost: Ints  # moves of the first program without a partner
    extra: Ints
    lost_way: int  # move from where the walk lost its way, -1 if it did not: what follows is in lost and extra
    moved_a: Ints  # beads among lost and extra that are the same in another place of the order
    moved_b: Ints
    path_a: Path
    path_b: Path
    permuted: Bools  # (n_blocks of the first,) whether the second lays its runs in another order
    rank: Ints  # (n_runs of the first,) place of the run in the second program


def path_of(program: Program, lift_mm: Floats | float = 0.0, tolerance_mm: float = 0.002) -> Path:
    """Take the moves that go somewhere, and group beads into runs.

    Parameters
    ----------
    program : Program
        The moves.
    lift_mm : float or ndarray
        Taken off the height of every point, `(n_moves + 1,)`. [mm]
    tolerance_mm : float
        Ends nearer than this are joined. [mm]

    Returns
    -------
    Path
    """
    move = np.flatnonzero((program.length_mm > 0) & (program.kind != HOME))
    point = program.point_mm
    if np.any(lift_mm):
        point = point - np.column_stack([np.zeros((len(point), 2)), np.broadcast_to(lift_mm, len(point))])
    sweep, centre = program.sweep_rad, program.centre_mm
    lays = program.filament_mm[move] > 0
    lays &= (point[move + 1, 0] != point[move, 0]) | (point[move + 1, 1] != point[move, 1]) | (sweep[move] != 0)
    at = np.flatnonzero(lays)
    run = np.full(move.size, -1, dtype=np.int64)
    if at.size == 0:
        return Path(move, point, centre, sweep, lays, run, at, at)
    start, stop = point[move[at]], point[move[at] + 1]
    jump = np.ones(at.size, dtype=bool)
    jump[1:] = False
    for axis in range(3):
        jump[1:] |= np.abs(start[1:, axis] - stop[:-1, axis]) > tolerance_mm
    run_start = at[jump]
    run[run_start] = 1
    run[run_start[0] :] = np.cumsum(np.maximum(run[run_start[0] :], 0)) - 1
    first = np.flatnonzero(jump)
    low = np.minimum.reduceat(np.minimum(start[:, 2], stop[:, 2]), first)
    high = np.maximum.reduceat(np.maximum(start[:, 2], stop[:, 2]), first)
    level = high - low <= _SAME_HEIGHT_MM
    new = np.ones(run_start.size, dtype=bool)
    new[1:] = ~(level[1:] & level[:-1] & (np.abs(np.diff(low)) <= _SAME_HEIGHT_MM))
    return Path(move, point, centre, sweep, lays, run, run_start, np.cumsum(new) - 1)


def pair_programs(
    first: Program,
    second: Program,
    *,
    free: int = 0,
    reorder: bool = False,
    lift_mm: Floats | float = 0.0,
    tolerance_mm: float = 0.002,
) -> Pairing:
    """Pair the stretches of two programs.

    Parameters
    ----------
    first, second : Program
        The moves.
    free : int, default 0
        0: travel counts like beads; 1: travel before the first bead is passed over; 2: all travel is.
    reorder : bool, default False
        Whether the runs of a layer may change places; needs `free=2`.
    lift_mm : float or ndarray, default 0
        Taken off the heights of the second program. [mm]
    tolerance_mm : float, default 0.002
        How far a vertex may lie off the other path. [mm]

    Returns
    -------
    Pairing
    """
    a, b = path_of(first, tolerance_mm=tolerance_mm), path_of(second, lift_mm, tolerance_mm)
    n_blocks = int(a.run_block[-1]) + 1 if a.run_block.size else 0
    permuted, rank = np.zeros(n_blocks, dtype=bool), np.arange(a.run_start.size)
    order = np.arange(b.move.size)
    if reorder:
        order, permuted, rank = _sorted_as(a, b, tolerance_mm)
    count, ia, ib, share_a, share_b, lost, extra, way = pair_pieces(
        Walk(a.point_mm, a.centre_mm, a.sweep_rad, a.move, a.lays),
        Walk(b.point_mm, b.centre_mm, b.sweep_rad, b.move[order], b.lays[order]),
        2 if reorder else free, tolerance_mm, _WINDOW, _MOST_LOSSES,
    )  # fmt: skip
    ia, ib = ia[:count], order[ib[:count]]
    lost_at, extra_at = np.flatnonzero(lost), order[np.flatnonzero(extra)]
    moved_a, moved_b = _moved(a, lost_at, b, extra_at, tolerance_mm)
    return Pairing(
        a.move[ia], b.move[ib], share_a[:count], share_b[:count], a.move[lost_at], b.move[np.sort(extra_at)],
        int(a.move[way]) if way < a.move.size else -1, moved_a, moved_b, a, b, permuted, rank,
    )  # fmt: skip


def _sorted_as(a: Path, b: Path, tolerance_mm: float) -> tuple[Ints, Bools, Ints]:
    """Order of b's pieces that has its runs as a has them; which blocks of a are permuted; each run's place in b."""
    order = np.arange(b.move.size)
    blocks = np.unique(a.run_block)
    permuted, rank = np.zeros(blocks.size, dtype=bool), np.arange(a.run_start.size)
    if not np.array_equal(blocks, np.unique(b.run_block)):
        return order, permuted, rank
    starts_a, starts_b = a.point_mm[a.move[a.run_start]], b.point_mm[b.move[b.run_start]]
    runs_of_a, runs_of_b = _groups(a.run_block), _groups(b.run_block)
    sequence: list[Ints] = []
    for block, (ra, rb) in enumerate(zip(runs_of_a, runs_of_b, strict=True)):
        sequence.append(rb)
        if ra.size == rb.size and np.all(np.abs(starts_a[ra] - starts_b[rb]) <= tolerance_mm):
            rank[ra] = rb
            continue
        taken = _assign(a, ra, b, rb, starts_a, starts_b, tolerance_mm)
        placed = taken >= 0
        by_place = np.argsort(taken[placed], kind="stable")
        sequence[-1] = np.concatenate([rb[~placed], rb[placed][by_place]])
        rank[ra] = -1
        rank[ra[taken[placed]]] = rb[placed]
        permuted[block] = bool(np.any(np.diff(taken[placed]) < 0))
    runs = np.concatenate(sequence) if sequence else np.zeros(0, dtype=np.int64)
    if np.array_equal(runs, np.arange(runs.size)):
        return order, permuted, rank
    stop = np.append(b.run_start[1:], b.move.size)
    pieces = [np.arange(b.run_start[0])] + [np.arange(b.run_start[r], stop[r]) for r in runs]
    return np.concatenate(pieces), permuted, rank


def _groups(block: Ints) -> list[Ints]:
    return np.split(np.arange(block.size), np.flatnonzero(np.diff(block)) + 1)


def _assign(a: Path, ra: Ints, b: Path, rb: Ints, starts_a: Floats, starts_b: Floats, tolerance_mm: float) -> Ints:
    """For each run of b its partner among the runs of a (place within `ra`), or -1."""
    tree = cKDTree(starts_a[ra])
    ends_a, ends_b = _run_ends(a), _run_ends(b)
    free = np.ones(ra.size, dtype=bool)
    taken = np.full(rb.size, -1, dtype=np.int64)
    for k, near in enumerate(tree.query_ball_point(starts_b[rb], 2 * tolerance_mm)):
        open_ = [c for c in sorted(near) if free[c]]
        if open_:
            apart = [float(np.abs(ends_a[ra[c]] - ends_b[rb[k]]).max()) for c in open_]
            taken[k] = open_[int(np.argmin(np.round(apart, 2)))]
            free[taken[k]] = False
    return taken


def _run_ends(path: Path) -> Floats:
    at = np.flatnonzero(path.lays)
    last = np.searchsorted(at, np.append(path.run_start[1:], path.move.size)) - 1
    return path.point_mm[path.move[at[last]] + 1]


def _moved(a: Path, lost: Ints, b: Path, extra: Ints, tolerance_mm: float) -> tuple[Ints, Ints]:
    """Beads without a partner in order that have one out of order: same ends, same arc."""
    lost, extra = lost[a.lays[lost]], extra[b.lays[extra]]
    none = np.zeros(0, dtype=np.int64)
    if lost.size == 0 or extra.size == 0:
        return none, none

    def shape(path: Path, at: Ints) -> Floats:
        move = path.move[at]
        centre = np.nan_to_num(path.centre_mm[move])
        return np.column_stack([path.point_mm[move], path.point_mm[move + 1], centre, 10.0 * path.sweep_rad[move]])

    apart, near = cKDTree(shape(b, extra)).query(shape(a, lost), distance_upper_bound=4 * tolerance_mm)
    found = np.flatnonzero(np.isfinite(apart))
    _, first = np.unique(near[found], return_index=True)  # one to one
    found = found[first]
    return a.move[lost[found]], b.move[extra[near[found]]]
