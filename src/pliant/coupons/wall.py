"""The wall of both ladders: one continuous loop of flat layers, set in a little at every step.

The terraces are the step marks: count them from the bed up. Left out: cooling of the loop, which is why it is long.
"""

import math
from itertools import pairwise

from pliant.coupons.writer import CENTRE_MM, Writer

__all__ = ["Loop", "loop_for"]

_SET_IN_MM = 0.3  # [mm] half a bead: seen and felt, and still carried
_LARGEST = (96.0, 56.0, 12.0)  # [mm] sides and corner radius
_SMALLEST = (34.0, 22.0, 7.0)


class Loop:
    """A rectangle with round corners, set in by one terrace per step."""

    def __init__(self, share: float) -> None:
        sides = [small + share * (large - small) for small, large in zip(_SMALLEST, _LARGEST, strict=True)]
        self.width_mm, self.depth_mm, self.radius_mm = sides

    def points(self, terrace: int) -> list[tuple[float, float]]:
        """Corners of the loop, counter-clockwise, the first one repeated at the end."""
        a, b = self.width_mm / 2 - _SET_IN_MM * terrace, self.depth_mm / 2 - _SET_IN_MM * terrace
        r = max(self.radius_mm - _SET_IN_MM * terrace, 2.0)
        found = [(0.0, -b)]
        for quarter, (x, y) in enumerate(((a - r, r - b), (a - r, b - r), (r - a, b - r), (r - a, r - b))):
            for k in range(11):
                angle = (quarter - 1) * math.pi / 2 + k * math.pi / 20
                found.append((x + r * math.cos(angle), y + r * math.sin(angle)))
        found.append((0.0, -b))
        return [(CENTRE_MM[0] + x, CENTRE_MM[1] + y) for x, y in found]

    def length_mm(self) -> float:
        """Length of the outermost loop. [mm]"""
        p = self.points(0)
        return sum(math.dist(a, b) for a, b in pairwise(p))

    def lay(self, writer: Writer, terrace: int, area_mm2: float, flow_mm3_per_s: float) -> None:
        """Lay one layer at the writer's height."""
        p = self.points(terrace)
        if writer.at != p[0]:
            writer.bead(*p[0], area_mm2, flow_mm3_per_s)
        for x, y in p[1:]:
            writer.bead(x, y, area_mm2, flow_mm3_per_s)


def loop_for(flow_mm3_per_s: float, area_mm2: float, seconds: float = 20.0) -> Loop:
    """Choose the loop on which that flow takes about that long per layer. [mm3/s, mm2, s]"""
    small, large = Loop(0.0).length_mm(), Loop(1.0).length_mm()
    wanted = flow_mm3_per_s * seconds / area_mm2
    return Loop(min(max((wanted - small) / (large - small), 0.0), 1.0))
