"""The contact sheet: the few layers worth looking at, as segments to draw.

Layers that are laid alike, push alike and cross as much air are one picture: the worst of them is drawn and names the
others. Arcs are chords, and openings too narrow for a string are drawn as covered. Start with `draw_sheets`.
"""

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.program.coverage import Coverage, chords_of
from pliant.program.layers import Layering
from pliant.program.sight import Sight
from pliant.records.program import BEAD, Program
from pliant.records.trace import SheetLayer

__all__ = ["choose_layers", "draw_sheets"]

_CALM = 1e4  # [-] a margin above this is no push at all
_SAME, _NEAR_MM = 0.05, 1.0  # [-, mm] layers whose figures differ by less look the same on a thumbnail
_WIDER = 1.3  # [-] reach of the first layer over the others from which it gets its own scale
_GROUPS_TRIED = 64  # latest kinds of layer that a new one is compared with


def choose_layers(
    least_margin: NDArray[np.float64], open_mm: NDArray[np.float64], count: int = 6
) -> list[tuple[int, bool, bool]]:
    """Pick the layers with the least margin and those with the most open travel.

    Parameters
    ----------
    least_margin : ndarray
        Least margin of each layer, `(n_layers,)`. [-]
    open_mm : ndarray
        Open travel of each layer, `(n_layers,)`. [mm]
    count : int, default 6
        At most this many. [-]

    Returns
    -------
    list of (int, bool, bool)
        Layer, whether for its push, whether for its open travel; in printing order.
    """
    by_push = [int(k) for k in np.argsort(least_margin, kind="stable") if least_margin[k] < _CALM]
    by_travel = [int(k) for k in np.argsort(-open_mm, kind="stable") if open_mm[k] > 0]
    push, travel = set(by_push[: (count + 1) // 2]), set(by_travel[: count // 2])
    turns = [
        pair for ranks in zip(by_travel, by_push, strict=False) for pair in zip((travel, push), ranks, strict=True)
    ]
    for mine, k in [*turns, *((push, k) for k in by_push), *((travel, k) for k in by_travel)]:
        if len(push | travel) >= count:
            break
        mine.add(k)
    return [(k, k in push, k in travel) for k in sorted(push | travel)]


def draw_sheets(
    program: Program,
    layering: Layering,
    coverage: Coverage,
    sight: Sight,
    margin: NDArray[Any],
    *,
    string_mm: float = 1.0,
    count: int = 6,
    chosen: list[int] | None = None,
) -> tuple[SheetLayer, ...]:
    """Draw the layers that matter.

    Parameters
    ----------
    program, layering, coverage, sight : Program, Layering, Coverage, Sight
        The moves, their layers, which travel lies over bead, and what of the rest shows.
    margin : ndarray
        Least margin of each move over all mechanisms, `(n_moves,)`. [-]
    string_mm : float, default 1.0
        Openings up to this length leave no string. [mm]
    count : int, default 6
        At most this many layers. [-]
    chosen : list of int, optional
        Draw these layers instead of choosing.

    Returns
    -------
    tuple of SheetLayer
        In printing order, with the same bounds so that they can be compared; only a first layer that reaches much
        further has bounds of its own.
    """
    layers = layering.top_mm.size
    if layers == 0:
        return ()
    inside = np.flatnonzero(layering.layer >= 0)
    least, open_mm = np.full(layers, np.inf), np.zeros(layers)
    np.minimum.at(least, layering.layer[inside], margin[inside])
    np.add.at(open_mm, layering.layer[inside], coverage.open_mm[inside])
    strings, seen = (np.bincount(layering.layer[of.strings(string_mm)], minlength=layers) for of in (coverage, sight))
    seen_mm = np.bincount(layering.layer[sight.move], sight.length_mm * sight.shows, minlength=layers)
    hangs = coverage.thread_mm()[coverage.thread] > string_mm if coverage.thread.size else np.zeros(0, dtype=bool)
    drawn, wanted = [], [(k, (), ()) for k in chosen or ()]
    for k, why, others in wanted if chosen is not None else _wanted(program, layering, least, open_mm, count):
        moves = np.flatnonzero(layering.layer == k)
        beads, _ = chords_of(program, moves[program.kind[moves] == BEAD])
        stretch = np.flatnonzero(hangs & (layering.layer[coverage.move] == k)) if hangs.size else np.zeros(0, dtype=int)
        piece = np.flatnonzero(np.isin(sight.stretch, stretch))
        worst = int(moves[np.argmin(margin[moves])])
        pushes = bool(least[k] < _CALM)
        drawn.append(
            SheetLayer(
                layer=k,
                top_mm=float(layering.top_mm[k]),
                why=why,
                alike=others,
                beads=beads.astype(np.float32),
                covered=_covered(program, coverage, moves, stretch),
                open=sight.piece_mm[piece[sight.shows[piece]]].astype(np.float32),
                hidden=sight.piece_mm[piece[~sight.shows[piece]]].astype(np.float32),
                open_mm=float(open_mm[k]),
                seen_mm=float(seen_mm[k]),
                strings=int(strings[k]),
                seen_strings=int(seen[k]),
                worst_mm=(float(program.point_mm[worst + 1, 0]), float(program.point_mm[worst + 1, 1]))
                if pushes
                else None,
                worst_line=int(program.line[worst]) if pushes else None,
                least_margin=float(least[k]),
                bounds_mm=(0.0, 0.0, 0.0, 0.0),
            )
        )
    if not drawn:
        return ()
    # the first layer often has loops or lines round the part; it must not make all the others small
    rest = [s for s in drawn if s.layer > 0] or drawn
    bounds = _bounds(rest)
    own = _bounds(drawn)
    wide = max(own[2] - own[0], own[3] - own[1]) > _WIDER * max(bounds[2] - bounds[0], bounds[3] - bounds[1])
    return tuple(replace(s, bounds_mm=bounds if s.layer > 0 and wide else own) for s in drawn)


def _bounds(drawn: list[SheetLayer]) -> tuple[float, float, float, float]:
    points = np.concatenate([part.reshape(-1, 2) for s in drawn for part in (s.beads, s.covered, s.open, s.hidden)])
    (x0, y0), (x1, y1) = points.min(axis=0).tolist(), points.max(axis=0).tolist()
    return x0, y0, x1, y1


def _wanted(
    program: Program, layering: Layering, least: NDArray[np.float64], open_mm: NDArray[np.float64], count: int
) -> list[tuple[int, tuple[str, ...], tuple[int, ...]]]:
    """Layers to draw, why, and which others are like each."""
    alike = _alike(program, layering, least, open_mm)
    first = np.array([min(group, key=lambda k: (least[k], k)) for group in alike])
    wanted = []
    for which, for_push, for_travel in choose_layers(least[first], open_mm[first], count):
        k = int(first[which])
        others = tuple(int(other) for other in alike[which] if other != k)
        wanted.append((k, _why(least, open_mm, k, for_push, for_travel), others))
    return wanted


def _why(
    least: NDArray[np.float64], open_mm: NDArray[np.float64], k: int, for_push: bool, for_travel: bool
) -> tuple[str, ...]:
    said = []
    if for_push:
        said.append("the worst push of the job" if k == int(least.argmin()) else "among the worst pushes")
    if for_travel:
        said.append("the most open travel" if open_mm[k] == open_mm.max() else "much open travel")
    return tuple(said)


def _alike(
    program: Program, layering: Layering, least: NDArray[np.float64], open_mm: NDArray[np.float64]
) -> list[list[int]]:
    """Layers grouped by what a thumbnail shows: extent and length of bead, fullness, open travel."""
    layers = least.size
    bead = np.flatnonzero(program.kind == BEAD)
    layer, ends = layering.layer[bead], program.point_mm[bead + 1, :2]
    box = np.full((layers, 4), np.inf)
    for column, values in enumerate((ends[:, 0], ends[:, 1], -ends[:, 0], -ends[:, 1])):
        np.minimum.at(box[:, column], layer, values)
    bead_mm = np.bincount(layer, program.length_mm[bead], minlength=layers)
    full = np.log(np.clip(least, 0.1, 100.0))  # beyond ten times full, and below a hundredth, words do not tell apart
    figures = np.column_stack([np.column_stack([full, np.log1p(open_mm), np.log1p(bead_mm)]) / _SAME, box / _NEAR_MM])
    groups: list[list[int]] = []
    for k in range(layers):
        recent = groups[-_GROUPS_TRIED:]
        heads = [group[0] for group in recent]
        near = np.abs(figures[heads] - figures[k]).max(axis=1) <= 1 if heads else np.zeros(0)
        if near.any():
            recent[int(np.argmax(near))].append(k)
        else:
            groups.append([k])
    return groups


def _covered(
    program: Program, coverage: Coverage, moves: NDArray[np.int64], stretch: NDArray[np.int64]
) -> NDArray[np.float32]:
    """What the open stretches leave of the travels among `moves`; arcs are left whole, under the open part."""
    own = moves[(coverage.covered_mm[moves] + coverage.open_mm[moves]) > 0]
    arcs, _ = chords_of(program, own[program.sweep_rad[own] != 0])
    own = own[program.sweep_rad[own] == 0]
    start, way = program.point_mm[own, :2], program.point_mm[own + 1, :2] - program.point_mm[own, :2]
    place = np.searchsorted(own, coverage.move[stretch])
    known = (
        (place < own.size) & (own[np.minimum(place, own.size - 1)] == coverage.move[stretch]) if own.size else place < 0
    )
    place, xy = place[known], coverage.stretch_mm[stretch[known]]
    square = (way[place] ** 2).sum(axis=1)
    t0, t1 = (((xy[:, a : a + 2] - start[place]) * way[place]).sum(axis=1) / square for a in (0, 2))
    # between two stretches of one travel, before its first and after its last
    where = np.concatenate([np.arange(own.size), place])
    a, b = np.concatenate([np.zeros(own.size), t1]), np.concatenate([t0, np.ones(own.size)])
    where_b = np.concatenate([place, np.arange(own.size)])
    order_a, order_b = np.lexsort((a, where)), np.lexsort((b, where_b))
    at, a, b = where[order_a], a[order_a], b[order_b]
    real = b - a > 1e-9
    at, a, b = at[real], a[real, None], b[real, None]
    straight = np.hstack([start[at] + a * way[at], start[at] + b * way[at]])
    return np.concatenate([straight.reshape(-1, 4), arcs.reshape(-1, 4)]).astype(np.float32)
