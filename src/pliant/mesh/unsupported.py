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

from pliant.mesh.sections import Sections

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
    return _Growing(sections, step_mm, overhang_deg, bead_mm, ledge_most_mm, bridge_most_mm).tested()


class _Growing:
    """The layers gone through from below, with what was found so far."""

    def __init__(
        self, sections: Sections, step_mm: float, overhang_deg: float, bead_mm: float, ledge_mm: float, bridge_mm: float
    ) -> None:
        self.sections, self.step, self.bead = sections, step_mm, bead_mm
        self.ledge_most, self.bridge_most = ledge_mm, bridge_mm
        self.touch = max(_TOUCH_MM, bead_mm / 2)
        self.slack, self.chord = _SLACK * step_mm, _CHORD * step_mm
        self.grow = step_mm * float(np.tan(np.deg2rad(overhang_deg))) + self.slack
        self.unsupported = self.held_up = 0.0
        self.births: list[tuple[float, float]] = []
        self.specks: list[float] = []
        self.bridges = self.looked = self.unlooked = 0
        self.bridge = self.bridge_at = self.ledge = self.ledge_at = 0.0

    def _grown(self, solid: Any) -> Any:
        from manifold3d import JoinType

        return solid.offset(self.grow, JoinType.Miter, _MITRE).simplify(self.chord)

    def tested(self) -> LayerTest:
        below = self.sections.solid(0).simplify(self.chord)
        held = below  # the part of the layer that stands on a proper cone
        for level in range(1, self.sections.level_mm.size):
            here = self.sections.solid(level).simplify(self.chord)
            z = float(self.sections.level_mm[level])
            reach, cone = self._grown(below), self._grown(held)
            beyond, carried = here - reach, here ^ cone
            born: list[Any] = []
            if beyond.area() > _SPECK_MM2:
                born, patches = self._born(level, z, beyond, reach)
                for patch in born:  # counted once; what stands on it stands
                    carried = carried + patch
                for patch in self._bridged(z, patches, reach, here ^ reach):
                    carried = carried + patch
            # what hangs beyond every cone, and has not hung one layer below already
            hanging = here - carried
            fresh = (beyond ^ hanging).area() + sum(p.area() for p in born)
            self.unsupported += fresh if fresh > _ROUNDING_MM2 else 0.0
            if hanging.area() > _SPECK_MM2:
                far = _farthest_mm(hanging, cone + carried) + self.grow - self.slack
                if far > self.ledge:
                    self.ledge, self.ledge_at = far, z
                if far > self.ledge_most:
                    self.held_up += (beyond ^ hanging).area()
            # where nothing stands on the cone any more, the cone itself goes on: distances keep adding up
            below, held = here, carried if carried.area() > _SPECK_MM2 else cone
        return LayerTest(
            unsupported_mm2=self.unsupported,
            cut_mm2=self.held_up,
            islands_on_air=len(self.births),
            birth_mm=tuple(z for z, _ in self.births),
            birth_mm2=tuple(a for _, a in self.births),
            specks_mm=tuple(self.specks),
            unlooked=self.unlooked,
            bridges=self.bridges,
            longest_bridge_mm=self.bridge,
            bridge_at_mm=self.bridge_at,
            longest_ledge_mm=self.ledge,
            ledge_at_mm=self.ledge_at,
        )

    def _born(self, level: int, z: float, beyond: Any, reach: Any) -> tuple[list[Any], list[Any]]:
        """Islands that begin on air, and the other patches that lie beyond reach, the largest first."""
        from manifold3d import JoinType

        born, patches = [], []
        for patch in beyond.decompose():
            if patch.area() <= _SPECK_MM2:
                continue
            if (patch.offset(self.touch, JoinType.Miter) ^ reach).area() > _TOUCH_MM * _TOUCH_MM:
                patches.append(patch)
                continue
            born.append(patch)
            soon = max(1, round(_JOINS_MM / self.step))
            if patch.area() < self.bead**2 and _joins(self.sections, level, patch, soon):
                self.specks.append(z)
                continue
            self.births.append((z, patch.area()))
            self.held_up += patch.area()
        return born, sorted(patches, key=lambda p: -p.area())

    def _bridged(self, z: float, patches: list[Any], reach: Any, anchored: Any) -> list[Any]:
        """The patches that are held at both ends."""
        from manifold3d import JoinType

        found = []
        wide = reach.offset(2 * self.step, JoinType.Miter, _MITRE) if patches else reach
        for patch in patches:
            # a strip along an edge is a ledge, whatever it touches
            if (patch - wide).area() < _SPECK_MM2:
                continue
            if self.looked == _PATCHES:
                self.unlooked += 1
                continue
            self.looked += 1
            span = _bridge_mm(patch, anchored)
            if span is None:
                continue
            self.bridges += 1
            if span > self.bridge:
                self.bridge, self.bridge_at = span, z
            found.append(patch)
            if span > self.bridge_most > 0:
                self.unsupported += patch.area()
                self.held_up += patch.area()
        return found


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
