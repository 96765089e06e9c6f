"""Which bead of one program is which bead of another, however either cuts its straight stretches and arcs.

The walk is in the order of the first program. Where the runs of a layer may change places, the second program's runs
are first sorted as the first one's. Only positions decide: filament, speed and words are for the caller to compare.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Floats
from pliant.kernels.pair import Walk, pair_pieces
from pliant.records.program import HOME, Program

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

__all__ = ["Pairing", "Path", "pair_programs", "path_of"]

_SAME_HEIGHT_MM = 0.01
_WINDOW = 64  # [pieces] looked ahead for the way back after a difference
_MOST_LOSSES = 200

Ints = NDArray[np.int64]
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
    rank: Ints  # (n_runs of the first,) place of the run in the second program: later is larger; -1 where it is lost
    broken: Ints  # runs of the first that the second lays with others in between


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
    order, broken = np.arange(b.move.size), np.zeros(0, dtype=np.int64)
    if reorder:
        order, permuted, rank, broken = _sorted_as(a, b, tolerance_mm)
    count, ia, ib, share_a, share_b, lost, extra, way = pair_pieces(
        Walk(a.point_mm, a.centre_mm, a.sweep_rad, a.move, a.lays),
        Walk(b.point_mm, b.centre_mm, b.sweep_rad, b.move[order], b.lays[order]),
        2 if reorder else free, tolerance_mm, _WINDOW, _MOST_LOSSES,
    )  # fmt: skip
    at_a, at_b = ia[:count], order[ib[:count]]
    lost_at, extra_at = np.flatnonzero(lost), order[np.flatnonzero(extra)]
    moved_a, moved_b = _moved(a, lost_at, b, extra_at, tolerance_mm)
    return Pairing(
        a.move[at_a], b.move[at_b], share_a[:count], share_b[:count], a.move[lost_at], b.move[np.sort(extra_at)],
        int(a.move[way]) if way < a.move.size else -1, moved_a, moved_b, a, b, permuted, rank, broken,
    )  # fmt: skip


def _sorted_as(a: Path, b: Path, tolerance_mm: float) -> tuple[Ints, Bools, Ints, Ints]:
    """Order of b's pieces that has its runs as a has them; which blocks of a are permuted; each run's place in b.

    Last the runs of a that b lays with others in between.
    """
    order, broken = np.arange(b.move.size), np.zeros(0, dtype=np.int64)
    blocks = np.unique(a.run_block)
    permuted, rank = np.zeros(blocks.size, dtype=bool), np.arange(a.run_start.size)
    if blocks.size == 0 or not np.array_equal(blocks, np.unique(b.run_block)):
        return order, permuted, rank, broken
    starts_a, starts_b = a.point_mm[a.move[a.run_start]], b.point_mm[b.move[b.run_start]]
    stop_a, stop_b = np.append(a.run_start[1:], a.move.size), np.append(b.run_start[1:], b.move.size)
    pieces = [np.arange(b.run_start[0])]
    for block, (ra, rb) in enumerate(zip(_groups(a.run_block), _groups(b.run_block), strict=True)):
        span = np.arange(b.run_start[rb[0]], stop_b[rb[-1]])
        if ra.size == rb.size and np.all(np.abs(starts_a[ra] - starts_b[rb]) <= tolerance_mm):
            pieces.append(span)
            rank[ra] = span[0]
            rank[ra] += np.arange(ra.size)
            continue
        # runs that meet in the new order look like one: both are cut wherever a run of either begins
        tree = _near(np.concatenate([starts_a[ra], starts_b[rb]]))
        cut_a = _cut(a, a.run_start[ra], stop_a[ra[-1]], tree, tolerance_mm)
        cut_b = _cut(b, b.run_start[rb], stop_b[rb[-1]], tree, tolerance_mm)
        taken = _assign(_traits(a, cut_a, stop_a[ra[-1]]), _traits(b, cut_b, stop_b[rb[-1]]), tolerance_mm)
        placed = np.flatnonzero(taken >= 0)
        sequence = np.concatenate([np.flatnonzero(taken < 0), placed[np.argsort(taken[placed], kind="stable")]])
        ends = np.append(cut_b[1:], stop_b[rb[-1]])
        pieces += [np.arange(cut_b[k], ends[k]) for k in sequence.tolist()]
        at = np.full(cut_a.size, -1, dtype=np.int64)
        at[taken[placed]] = placed
        rank[ra] = np.where(at >= 0, span[0] + at, -1)[np.searchsorted(cut_a, a.run_start[ra])]
        of_run = np.searchsorted(a.run_start[ra], cut_a, side="right") - 1
        apart = (np.diff(of_run) == 0) & (np.diff(at) != 1)
        broken = np.append(broken, ra[of_run[:-1][apart]])
        permuted[block] = bool(np.any(np.diff(taken[placed]) < 0))
    return np.concatenate(pieces), permuted, rank, broken


def _groups(block: Ints) -> list[Ints]:
    return np.split(np.arange(block.size), np.flatnonzero(np.diff(block)) + 1)


def _near(points: Floats) -> "cKDTree":
    """Tree of points; loaded here, since only files whose runs changed places need it, and it costs 0.1 s."""
    from scipy.spatial import cKDTree

    return cKDTree(points)


def _cut(path: Path, starts: Ints, last: int, tree: "cKDTree", tolerance_mm: float) -> Ints:
    """Pieces of these runs, up to `last`, at which one begins, or could: they lay and start at a point of the tree."""
    first = int(starts[0])
    at = first + np.flatnonzero(path.lays[first:last])
    near = tree.query(path.point_mm[path.move[at]], distance_upper_bound=2 * tolerance_mm)[0]
    begins = np.zeros(last - first, dtype=bool)
    begins[starts - first] = True
    return at[np.isfinite(near) | begins[at - first]]


def _traits(path: Path, cut: Ints, last: int) -> Floats:
    """Start, end, box and length of each stretch of beads that is cut out, `(n, 11)`. [mm]"""
    at = np.arange(cut[0], last)
    at = at[path.lays[at]]
    opens = np.searchsorted(at, cut)
    closes = np.append(opens[1:], at.size) - 1
    start, end = path.point_mm[path.move[at]], path.point_mm[path.move[at] + 1]
    low = np.minimum.reduceat(np.minimum(start, end)[:, :2], opens)
    high = np.maximum.reduceat(np.maximum(start, end)[:, :2], opens)
    length = np.add.reduceat(np.linalg.norm(end - start, axis=1), opens)
    return np.column_stack([start[opens], end[closes], low, high, length])


def _assign(a: Floats, b: Floats, tolerance_mm: float) -> Ints:
    """For each stretch of b its partner among those of a, or -1: the same start, and the rest as near as can be."""
    free = np.ones(len(a), dtype=bool)
    taken = np.full(len(b), -1, dtype=np.int64)
    for k, near in enumerate(_near(a[:, :3]).query_ball_point(b[:, :3], 2 * tolerance_mm)):
        open_ = [c for c in sorted(near) if free[c]]
        if len(open_) > 1:
            apart = np.abs(a[open_] - b[k]).max(axis=1)
            open_ = [open_[int(np.argmin(np.round(apart, 2)))]]
        if open_:
            taken[k] = open_[0]
            free[open_[0]] = False
    return taken


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

    apart, near = _near(shape(b, extra)).query(shape(a, lost), distance_upper_bound=4 * tolerance_mm)
    found = np.flatnonzero(np.isfinite(apart))
    _, first = np.unique(near[found], return_index=True)  # one to one
    found = found[first]
    return a.move[lost[found]], b.move[extra[near[found]]]
