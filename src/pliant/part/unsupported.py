"""The layer test: what of each layer lies beyond the reach of the layer below.

With the angle limit theta from the vertical and step h, a layer may grow by h tan(theta) over the one below. What lies
beyond is *unsupported*: a new component of the layer that touches nothing below is an island born on air; a patch held
at both ends along some direction is a bridge; the rest is a ledge. The reach of a ledge counts from the part of the
layer that stands on a proper cone from below, so that a slope of 60 degrees adds up layer by layer. A layer grows
square to its outline and keeps its corners: where two slopes at the limit meet, their common edge is within it too.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.part.sections import Sections

__all__ = ["LayerTest", "layer_test", "shape_of"]

_SLACK = 0.03  # of the step: drawn exactly at the limit is within it; covers the chords below, layer after layer
_CHORD = 0.01  # of the step: outlines and grown corners keep no finer corners, or they would double at every layer
_SPECK_MM2 = 0.02  # smaller patches are rounding
_ROUNDING_MM2 = 1e-6  # in a layer that hangs nowhere further out, less than this is rounding of the outlines
_MITRE = (
    4.0  # of the growth: corners sharper than 29 degrees are cut off there, a thin tip leans out further; own choice
)
_TOUCH_MM = 0.02  # a patch that, grown by this, still misses the reach of the layer below is an island
_CHORD_DEG = 22.5
_CHORDS = 40  # across the patch, in each direction
_GRID = 25  # points a side of the grid on which ledges are measured
_PATCHES = 2000  # bridges are looked for in this many patches of a part, the largest of each layer first
_JOINS_MM = 1.0  # an island smaller than a bead that joins the rest within this height is a speck, not a piece


@dataclass(frozen=True)
class LayerTest:
    """Sums and worst cases over all layers."""

    unsupported_mm2: float
    cut_mm2: float  # what support must hold: births, ledges longer and bridges wider than the limits given
    islands_on_air: int
    birth_mm: tuple[float, ...]
    birth_mm2: tuple[float, ...]
    specks_mm: tuple[float, ...]  # islands on air too small and too soon joined to need support
    unlooked: int  # patches taken as ledges because there were too many to look for bridges in all
    bridges: int
    longest_bridge_mm: float
    bridge_at_mm: float
    longest_ledge_mm: float
    ledge_at_mm: float


def shape_of(solid: Any) -> Any:
    """A CrossSection as one shapely geometry."""
    import shapely

    pieces = []
    for part in solid.decompose():
        rings = sorted(part.to_polygons(), key=lambda r: -abs(_ring_area(r)))
        pieces.append(shapely.Polygon(rings[0], rings[1:]))
    return shapely.MultiPolygon(pieces)


def _ring_area(r: NDArray[np.float64]) -> float:
    x, y = np.asarray(r).T
    return float(np.dot(x, np.roll(y, -1)) - np.dot(np.roll(x, -1), y)) / 2


def layer_test(
    sections: Sections,
    step_mm: float,
    overhang_deg: float,
    bead_mm: float = 0.0,
    *,
    ledge_most_mm: float = 0.0,
    bridge_most_mm: float = 0.0,
) -> LayerTest:
    """Run the layer test over sections that are `step_mm` apart, the lowest standing on the bed.

    A bead is at least `bead_mm` wide, however thin the section: an island that comes within half of that of what lies
    below is a ledge, not born on air. Ledges up to `ledge_most_mm` and bridges up to `bridge_most_mm` hold by
    themselves and are not counted as support to cut.
    """
    from manifold3d import JoinType

    touch = max(_TOUCH_MM, bead_mm / 2)
    slack, chord = _SLACK * step_mm, _CHORD * step_mm
    grow = step_mm * float(np.tan(np.deg2rad(overhang_deg))) + slack

    def grown(solid: Any) -> Any:
        return solid.offset(grow, JoinType.Miter, _MITRE).simplify(chord)

    unsupported = held_up = 0.0
    births: list[tuple[float, float]] = []
    specks: list[float] = []
    bridges, looked, unlooked = 0, 0, 0
    bridge = ledge = bridge_at = ledge_at = 0.0
    below = sections.solid(0).simplify(chord)
    held = below  # the part of the layer that stands on a proper cone
    for level in range(1, sections.level_mm.size):
        here = sections.solid(level).simplify(chord)
        z = float(sections.level_mm[level])
        reach = grown(below)
        beyond = here - reach
        cone = grown(held)
        carried = here ^ cone
        born: list[Any] = []
        if beyond.area() > _SPECK_MM2:
            anchored = here ^ reach
            patches = []
            for patch in beyond.decompose():
                if patch.area() <= _SPECK_MM2:
                    continue
                if (patch.offset(touch, JoinType.Miter) ^ reach).area() > _TOUCH_MM * _TOUCH_MM:
                    patches.append(patch)
                    continue
                born.append(patch)
                carried = carried + patch  # counted once; what stands on it stands
                if patch.area() < bead_mm**2 and _joins(sections, level, patch, max(1, round(_JOINS_MM / step_mm))):
                    specks.append(z)
                    continue
                births.append((z, patch.area()))
                held_up += patch.area()
            patches.sort(key=lambda p: -p.area())
            wide = reach.offset(2 * step_mm, JoinType.Miter, _MITRE) if patches else reach
            for patch in patches:
                # a strip along an edge is a ledge, whatever it touches
                if (patch - wide).area() < _SPECK_MM2:
                    continue
                if looked == _PATCHES:
                    unlooked += 1
                    continue
                looked += 1
                span = _bridge_mm(patch, anchored)
                if span is None:
                    continue
                bridges += 1
                if span > bridge:
                    bridge, bridge_at = span, z
                carried = carried + patch
                if span > bridge_most_mm > 0:
                    unsupported += patch.area()
                    held_up += patch.area()
        # what hangs beyond every cone, and has not hung one layer below already
        hanging = here - carried
        fresh = (beyond ^ hanging).area() + sum(p.area() for p in born)
        unsupported += fresh if fresh > _ROUNDING_MM2 else 0.0
        if hanging.area() > _SPECK_MM2:
            far = _farthest_mm(hanging, cone + carried) + grow - slack
            if far > ledge:
                ledge, ledge_at = far, z
            if far > ledge_most_mm:
                held_up += (beyond ^ hanging).area()
        # where nothing stands on the cone any more, the cone itself goes on: distances keep adding up
        below, held = here, carried if carried.area() > _SPECK_MM2 else cone
    return LayerTest(
        unsupported_mm2=unsupported,
        cut_mm2=held_up,
        islands_on_air=len(births),
        birth_mm=tuple(z for z, _ in births),
        birth_mm2=tuple(a for _, a in births),
        specks_mm=tuple(specks),
        unlooked=unlooked,
        bridges=bridges,
        longest_bridge_mm=bridge,
        bridge_at_mm=bridge_at,
        longest_ledge_mm=ledge,
        ledge_at_mm=ledge_at,
    )


def _joins(sections: Sections, level: int, patch: Any, layers: int) -> bool:
    """Whether an island has grown together with something else a few layers up, before it is a piece of its own."""
    mine = patch
    for above in range(level + 1, min(level + 1 + layers, sections.level_mm.size)):
        below = sections.solid(above - 1)
        over = [p for p in sections.solid(above).decompose() if (p ^ mine).area() > 0]
        if not over:
            return True  # it ends at once: rounding, or a blob
        if sum((p ^ below).area() for p in over) > 1.5 * mine.area() + _SPECK_MM2:
            return True
        mine = over[0]
    return False


def _farthest_mm(hanging: Any, held: Any) -> float:
    """Largest distance from `held` of the corners of `hanging` and of a grid inside it."""
    import shapely

    if held.is_empty():
        return 0.0
    corners = np.vstack([p for piece in hanging.decompose() if piece.area() > _SPECK_MM2 for p in piece.to_polygons()]
                        or [np.empty((0, 2))])  # fmt: skip
    if not corners.size:
        return 0.0
    (low_x, low_y), (high_x, high_y) = corners.min(axis=0), corners.max(axis=0)
    x, y = (g.reshape(-1) for g in np.meshgrid(np.linspace(low_x, high_x, _GRID), np.linspace(low_y, high_y, _GRID)))
    within = shapely.contains_xy(shape_of(hanging), x, y)
    corners = np.vstack([corners, np.column_stack([x, y])[within]])
    edge = shape_of(held)
    shapely.prepare(edge)
    return float(shapely.distance(edge, shapely.points(corners)).max())


def _bridge_mm(patch: Any, anchored: Any) -> float | None:
    """Longest chord along the best direction in which every chord is held at both ends; None if there is none."""
    import shapely
    from manifold3d import CrossSection

    shape = shape_of(patch)
    low_x, low_y, high_x, high_y = shape.bounds
    # only what lies beside the patch can hold it
    near = CrossSection.square((high_x - low_x + 2, high_y - low_y + 2)).translate((low_x - 1, low_y - 1)) ^ anchored
    if near.is_empty():
        return None
    edge = shape_of(near)
    shapely.prepare(edge)
    centre = shape.centroid
    radius = float(np.hypot(high_x - low_x, high_y - low_y))
    best: float | None = None
    for angle in np.deg2rad(np.arange(0.0, 180.0, _CHORD_DEG)):
        along, across = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
        offsets = np.linspace(-radius, radius, _CHORDS)
        start = np.array([centre.x, centre.y]) + offsets[:, None] * across - radius * along * 2
        lines = shapely.linestrings(np.stack([start, start + 4 * radius * along], axis=1))
        chords = shapely.get_parts(shapely.intersection(lines, shape))
        chords = chords[(shapely.get_type_id(chords) == 1) & (shapely.length(chords) > 1e-6)]
        if not chords.size:
            continue
        ends = shapely.get_coordinates(chords).reshape(chords.size, -1, 2)[:, [0, -1]]
        gap = shapely.distance(edge, shapely.points(ends.reshape(-1, 2)))
        longest = float(shapely.length(chords).max())
        if (gap < 0.01).all() and (best is None or longest < best):
            best = longest
    return best
