"""Order: islands of a layer laid in an order with less travel over air, each island left whole and as it was.

An island is a connected piece of the layer; its runs keep their order. A layer is left alone where an island is
visited more than once, where anything but plain travel lies between the islands, or where no gain is found. The first
two islands of the job stay first: one of them takes what the nozzle needs to fill. The last island of a layer stays
last unless a travel to a place that names both axes comes next: a retraction, a lift or the end of the program that
follows it takes place where it did.
"""

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from pliant.kernels.cover import cover_travels
from pliant.language.edit import set_word, word_value
from pliant.mending.case import TOUCH_MM, TOUCH_SHARE
from pliant.mending.leads import Lead, Leads
from pliant.mending.order_islands import order_by_cost
from pliant.mending.paths import TravelRegion
from pliant.program.coverage import chords_of
from pliant.program.layers import Layering
from pliant.program.sections import Sections
from pliant.program.splicing import line_texts
from pliant.program.write import Edits
from pliant.records.mending import Change
from pliant.records.program import BEAD, HOME, TRAVEL, Program
from pliant.say import quantity

__all__ = ["mend_order"]

_LEAST_GAIN_MM = 1.0  # of open travel in a layer


def mend_order(program: Program, edits: Edits, leads: Leads, layering: Layering, sections: Sections) -> list[Change]:
    """Reorder islands, in place in `edits.blocks`.

    Parameters
    ----------
    program : Program
        The moves.
    edits : Edits
        Gets the blocks of moves in their new order.
    leads : Leads
        Of the program.
    layering, sections
        Layers, and widths of the beads.

    Returns
    -------
    list of Change
    """
    bead = np.flatnonzero(program.kind == BEAD)
    if bead.size == 0:
        return []
    first = np.searchsorted(layering.layer[bead], np.arange(layering.top_mm.size + 1))
    by_layer: dict[int, list[Lead]] = {}
    for lead in leads:
        by_layer.setdefault(lead.layer, []).append(lead)
    changes: list[Change] = []
    blocks: list[tuple[int, int]] = []
    moved: list[tuple[int, int]] = []  # lead-ins that may be entered from elsewhere: first move, first bead
    ways = _Ways(program)
    done = 0
    here = program.point_mm[bead[0], :2]
    for layer in range(layering.top_mm.size):
        beads = bead[first[layer] : first[layer + 1]]
        if beads.size == 0:
            continue
        items = _items(program, by_layer.get(layer, []), beads, layering, sections)
        last_point = program.point_mm[beads[-1] + 1, :2]
        if layer == 0 and len(items) > 1:
            # the first islands of the job (a skirt or a priming run, and what it leads to) stay where they are
            here, items = program.point_mm[items[1][2], :2], items[2:]
        if len(items) > 2:
            entry = np.array([program.point_mm[b, :2] for _, b, _ in items])
            leave = np.array([program.point_mm[end, :2] for _, _, end in items])
            pinned = not ways.names_a_place(int(beads[-1]) + 1)
            order, gain = _better(program, here, entry, leave, beads, sections, pinned)
            if order is not None:
                moved += [item[:2] for item in items]
                blocks += [(done, items[0][0]), *((items[k][0], items[k][2]) for k in order)]
                done = items[-1][2]
                last_point = leave[order[-1]]
                changes.append(
                    Change(
                        int(program.line[items[0][0]]), "order", f"order of {len(items)} islands in layer {layer + 1}",
                        "as written", " ".join(str(k + 1) for k in order) if len(order) < 30 else "new",
                        f"{quantity(gain, 'mm', 3)} less travel over air",
                    )
                )  # fmt: skip
        here = last_point
    edits.words |= ways.whole(moved)
    if blocks:
        edits.blocks = [b for b in [*blocks, (done, program.kind.size)] if b[1] > b[0]]
    return changes


class _Ways:
    """What the lines of travels say of their place."""

    def __init__(self, program: Program) -> None:
        self.program = program
        point = program.point_mm
        plane = (point[1:, 0] != point[:-1, 0]) | (point[1:, 1] != point[:-1, 1]) | (program.sweep_rad != 0)
        self.plane = np.flatnonzero(plane | (program.kind == HOME))
        self.text = line_texts(program.path, program.line[plane & (program.kind == TRAVEL)])

    def _next(self, move: NDArray[np.int64]) -> NDArray[np.int64]:
        """The first moves in the plane from these on; those that have none are left out."""
        at = np.searchsorted(self.plane, move)
        return self.plane[at[at < self.plane.size]]

    def names_a_place(self, first: int) -> bool:
        """Whether the first move in the plane from `first` on goes to one place wherever it comes from."""
        p = self.program
        for i in self._next(np.array([first])).tolist():
            plain = p.kind[i] == TRAVEL and p.sweep_rad[i] == 0 and p.states["absolute"][p.state[i]]
            return bool(plain) and not self._missing(i)
        return False

    def _missing(self, move: int) -> list[str]:
        text = self.text.get(int(self.program.line[move]), b"")
        return [axis for axis in "XY" if word_value(text, axis) is None]

    def whole(self, leads: list[tuple[int, int]]) -> dict[int, bytes]:
        """New texts of lines that leave out an axis, for lead-ins that now come from elsewhere."""
        p = self.program
        found: dict[int, bytes] = {}
        for first, bead in leads:
            for i in self._next(np.array([first])).tolist():
                if i >= bead or not (missing := self._missing(i)):
                    continue
                state, line = p.states[p.state[i]], int(p.line[i])
                for axis in missing:
                    k = "XY".index(axis)
                    value = (p.point_mm[i + 1, k] - state["offset_mm"][k]) / state["unit"]
                    found[line] = set_word(found.get(line, self.text[line]), axis, float(value), 4)
        return found


def _items(
    program: Program, leads: list[Lead], beads: NDArray[np.int64], layering: Layering, sections: Sections
) -> list[tuple[int, int, int]]:
    """Islands of a layer as (first move of the lead-in, first bead, one past the last bead); empty if not safe."""
    inner = [lead for lead in leads if lead.layer_before == lead.layer]
    if len(inner) < 2 or not all(lead.simple and lead.flat for lead in inner):
        return []
    chord, move = chords_of(program, beads)
    half = np.maximum(sections.width_mm[move].astype(float) / 2, 0.05)
    runs = np.searchsorted(move, [int(beads[0]), *(lead.last for lead in inner)])
    # what the certificate takes for touching is one island: by the widest bead of each run, and a little more
    half = np.repeat(np.maximum.reduceat(half, runs), np.diff(runs, append=half.size))
    half = half * (1 + TOUCH_SHARE) + TOUCH_MM / 2
    if _apart(chord, half, runs) < 3:
        return []
    region = TravelRegion.from_beads(chord, half, 0.0, close_mm=0.02)
    if region.pieces < 3:
        return []
    starts = [int(beads[0]), *(lead.last for lead in inner)]
    polygons = np.array(shapely.get_parts(region.polygons))
    tree = shapely.STRtree(polygons)
    points = shapely.points(program.point_mm[starts, :2])
    piece = tree.nearest(points)
    items: list[tuple[int, int, int]] = []
    # the first island of the layer moves only if its lead-in after the change of height is whole in itself
    begin = _after_height(program, leads, int(beads[0]))
    if begin is None and layering.layer[beads[0]] > 0:
        return []
    begin = int(beads[0]) if begin is None else begin
    seen = [int(piece[0])]
    run_first = int(beads[0])
    for k, lead in enumerate(inner):
        if piece[k + 1] == seen[-1]:
            continue
        if int(piece[k + 1]) in seen:
            return []
        items.append((begin, run_first, lead.first))
        seen.append(int(piece[k + 1]))
        begin, run_first = lead.first, lead.last
    items.append((begin, run_first, int(beads[-1]) + 1))
    return items


def _apart(chord: NDArray[np.float64], half: NDArray[np.float64], first: NDArray[np.int64]) -> int:
    """Number of groups whose boxes touch one another: no more islands than this; runs begin at `first` chords."""
    low = np.minimum(chord[:, :2], chord[:, 2:]) - half[:, None]
    high = np.maximum(chord[:, :2], chord[:, 2:]) + half[:, None]
    low, high = np.minimum.reduceat(low, first), np.maximum.reduceat(high, first)
    boxes = shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1])
    a, b = shapely.STRtree(boxes).query(boxes, predicate="intersects")
    graph = coo_array((np.ones(a.size), (a, b)), shape=(first.size, first.size))
    return int(connected_components(graph, directed=False)[0])


def _after_height(program: Program, leads: list[Lead], first_bead: int) -> int | None:
    """First move after the change of height that leads into the layer, if what follows can stand alone."""
    change = next((lead for lead in leads if lead.last == first_bead), None)
    begin = change.first if change is not None else 0
    rises = np.flatnonzero(program.point_mm[begin + 1 : first_bead + 1, 2] != program.point_mm[begin:first_bead, 2])
    at = begin + int(rises[-1]) + 1 if rises.size else begin
    if at == 0:
        return None
    rest = np.arange(at, first_bead)
    whole = (
        rest.size > 0
        and abs(program.filament_mm[rest].sum()) < 1e-6
        and (program.state[at - 1 : first_bead + 1] == program.state[first_bead]).all()
        and (program.kind[rest] == TRAVEL).any()
        and (program.kind[rest] <= 3).all()
    )
    return at if whole else None


def _better(
    program: Program,
    here: NDArray[np.float64],
    entry: NDArray[np.float64],
    leave: NDArray[np.float64],
    beads: NDArray[np.int64],
    sections: Sections,
    pinned: bool,
) -> tuple[NDArray[np.int64] | None, float]:
    """An order with less open travel, and how much less; None if there is none. The last stays last if `pinned`."""
    n = len(entry)
    out = np.vstack([here[None], leave])
    cost = np.zeros((n + 1, n + 1))
    cost[:, 1:] = np.hypot(out[:, None, 0] - entry[None, :, 0], out[:, None, 1] - entry[None, :, 1])
    order = order_by_cost(cost, with_end=pinned).order
    if pinned:
        order = np.append(order, n - 1)
    chord, move = chords_of(program, beads)
    half = sections.width_mm[move].astype(float) / 2
    zeros = np.zeros(len(chord), dtype=np.int64)

    def air(sequence: NDArray[np.int64]) -> float:
        at = np.vstack([here[None], leave[sequence[:-1]]])
        ways = np.ascontiguousarray(np.hstack([at, entry[sequence]]))
        covered = cover_travels(ways, np.zeros(n, dtype=np.int64), np.ascontiguousarray(chord), half, zeros)
        return float(np.hypot(ways[:, 2] - ways[:, 0], ways[:, 3] - ways[:, 1]).sum() - covered.sum())

    gain = air(np.arange(n)) - air(order)
    return (order, gain) if gain > _LEAST_GAIN_MM else (None, 0.0)
