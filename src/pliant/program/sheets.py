"""The contact sheet: the few layers worth looking at, as segments to draw.

Arcs become chords here, for the eye only. Which stretches of a travel are open may be handed in (from the coverage of
the layer's beads); without it every travel counts as open, and the caller must say so. Start with `choose_layers`.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.program.layers import Layering
from pliant.records.program import BEAD, TRAVEL, Program
from pliant.records.trace import SheetLayer

__all__ = ["OpenSpans", "choose_layers", "draw_sheets"]

# moves, and the start and end of each open stretch as a share of the move's length; sorted by move, then start
OpenSpans = tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]

_CHORD_RAD = np.deg2rad(6.0)  # a chord of a full circle of 50 mm radius leaves it by 0.07 mm: less than ink is wide
_MOST_CHORDS = 720  # of one arc, however many turns a hostile file asks for


def choose_layers(
    layering: Layering, margin: NDArray[Any], open_mm: NDArray[np.float64], *, count: int = 6
) -> list[tuple[int, bool, bool]]:
    """Pick the layers with the least margin and those with the most open travel.

    Parameters
    ----------
    layering : Layering
        Layers of the program.
    margin : ndarray
        Least margin of each move, `(n_moves,)`. [-]
    open_mm : ndarray
        Open travel of each layer, `(n_layers,)`. [mm]
    count : int, default 6
        At most this many. [-]

    Returns
    -------
    list of (int, bool, bool)
        Layer, whether for its push, whether for its open travel; in printing order.
    """
    layers = layering.top_mm.size
    least = _least_of_layers(layering, margin)
    by_push = [int(k) for k in np.argsort(least, kind="stable") if np.isfinite(least[k])]
    by_travel = [int(k) for k in np.argsort(-open_mm, kind="stable") if open_mm[k] > 0]
    push, travel = set(by_push[: (count + 1) // 2]), set(by_travel[: count // 2])
    rest = iter([*by_travel[count // 2 :], *by_push[(count + 1) // 2 :]])
    while len(push | travel) < min(count, layers):
        k = next(rest, None)
        if k is None:
            break
        (travel if k in by_travel[:count] else push).add(k)
    return [(k, k in push, k in travel) for k in sorted(push | travel)]


def draw_sheets(
    program: Program,
    layering: Layering,
    margin: NDArray[Any],
    *,
    open_spans: OpenSpans | None = None,
    count: int = 6,
) -> tuple[SheetLayer, ...]:
    """Draw the layers that matter.

    Parameters
    ----------
    program, layering : Program, Layering
        The moves and their layers.
    margin : ndarray
        Least margin of each move over all mechanisms, `(n_moves,)`. [-]
    open_spans : tuple of ndarray, optional
        Open stretches of travel; every travel is open when left out.
    count : int, default 6
        At most this many layers. [-]

    Returns
    -------
    tuple of SheetLayer
        In printing order, all with the same bounds, so that they can be compared.
    """
    if layering.top_mm.size == 0:
        return ()
    chord = np.hypot(*np.diff(program.point_mm[:, :2], axis=0).T)
    travels = (program.kind == TRAVEL) & (layering.layer >= 0) & ((chord > 1e-6) | (program.sweep_rad != 0))
    if open_spans is None:
        move = np.flatnonzero(travels)
        open_spans = (move, np.zeros(move.size), np.ones(move.size))
    move, start, end = open_spans
    kept = travels[move]
    move, start, end = move[kept], start[kept], end[kept]
    open_mm = np.zeros(layering.top_mm.size)
    np.add.at(open_mm, layering.layer[move], (end - start) * program.length_mm[move])
    least = _least_of_layers(layering, margin)
    worst_layer = int(np.argmin(least))
    chosen = choose_layers(layering, margin, open_mm, count=count)
    drawn = []
    for k, for_push, for_travel in chosen:
        here = layering.layer == k
        beads = _segments(program, np.flatnonzero(here & (program.kind == BEAD)))
        mine = here[move]
        spans = (move[mine], start[mine], end[mine])
        own = np.flatnonzero(here & travels)
        covered = _rest_of(own, spans)
        moves = np.flatnonzero(here)
        worst = int(moves[np.argmin(margin[moves])])
        found = np.isfinite(margin[worst]) and margin[worst] < 1e6
        at = program.point_mm[worst + 1, :2]
        why = []
        if for_push:
            why.append("the worst push of the job" if k == worst_layer else "among the worst pushes")
        if for_travel:
            alone = np.count_nonzero(open_mm >= open_mm.max() - 1e-6) == 1
            most = "the most open travel" if alone else "as much open travel as any"
            why.append(most if open_mm[k] >= open_mm.max() - 1e-6 else "much open travel")
        drawn.append(
            (
                k,
                tuple(why),
                beads,
                _segments(program, *covered),
                _segments(program, *spans),
                (float(at[0]), float(at[1])) if found else None,
                int(program.line[worst]) if found else None,
            )
        )
    everything = np.concatenate([part.reshape(-1, 2) for d in drawn for part in (d[2], d[3], d[4])])
    low, high = everything.min(axis=0), everything.max(axis=0)
    bounds = (float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    return tuple(
        SheetLayer(
            layer=k,
            top_mm=float(layering.top_mm[k]),
            why=why,
            beads=beads,
            covered=covered,
            open=opened,
            open_mm=float(open_mm[k]),
            worst_mm=at,
            worst_line=line,
            least_margin=float(least[k]),
            bounds_mm=bounds,
        )
        for k, why, beads, covered, opened, at, line in drawn
    )


def _least_of_layers(layering: Layering, margin: NDArray[Any]) -> NDArray[np.float64]:
    least = np.full(layering.top_mm.size, np.inf)
    inside = layering.layer >= 0
    np.minimum.at(least, layering.layer[inside], margin[inside])
    return least


def _point(program: Program, move: NDArray[np.int64], share: NDArray[np.float64]) -> NDArray[np.float64]:
    """Place after a share of each move, `(k, 2)`; exact on arcs."""
    a, b = program.point_mm[move, :2], program.point_mm[move + 1, :2]
    at = a + share[:, None] * (b - a)
    arc = np.flatnonzero(program.sweep_rad[move] != 0)
    if arc.size:
        centre = program.centre_mm[move[arc]]
        turn = program.sweep_rad[move[arc]] * share[arc]
        c, s = np.cos(turn), np.sin(turn)
        r = a[arc] - centre
        at[arc] = centre + np.column_stack([c * r[:, 0] - s * r[:, 1], s * r[:, 0] + c * r[:, 1]])
    return at


def _segments(program: Program, move: NDArray[np.int64], start: Any = None, end: Any = None) -> NDArray[np.float32]:
    """Segments `(k, 4)` of stretches of moves, arcs as chords."""
    start = np.zeros(move.size) if start is None else start
    end = np.ones(move.size) if end is None else end
    turn = np.abs(program.sweep_rad[move]) * (end - start)
    pieces = np.clip(np.ceil(turn / _CHORD_RAD), 1, _MOST_CHORDS).astype(np.int64)
    which = np.repeat(np.arange(move.size), pieces)
    step = np.arange(which.size) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    width = (end - start)[which] / pieces[which]
    first = start[which] + step * width
    return np.hstack(
        [_point(program, move[which], first), _point(program, move[which], first + width)],
    ).astype(np.float32)


def _rest_of(own: NDArray[np.int64], spans: OpenSpans) -> OpenSpans:
    """What the open stretches leave of the travels `own`."""
    move, start, end = spans
    first = np.concatenate([[True], move[1:] != move[:-1]]) if move.size else np.zeros(0, dtype=bool)
    last = np.concatenate([first[1:], [True]]) if move.size else first
    before = np.where(first, 0.0, np.concatenate([[0.0], end[:-1]])) if move.size else start
    alone = np.setdiff1d(own, move)
    m = np.concatenate([move, move[last], alone])
    a = np.concatenate([before, end[last], np.zeros(alone.size)])
    b = np.concatenate([start, np.ones(int(last.sum())), np.ones(alone.size)])
    real = b - a > 1e-9
    return m[real], a[real], b[real]
