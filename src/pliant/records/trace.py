"""What a report draws: the push over time, the feed path as vessels, and the layers that matter.

Plain records, filled by `feed` and `program` and read by `report`, so that neither of them needs to know the other.
Start with `Picture`.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pliant.records.tonight import Curve

__all__ = ["Bins", "LayerPair", "Picture", "Remake", "SheetLayer", "Strip", "Vessel"]


@dataclass(frozen=True)
class Bins:
    """The job cut into equal stretches of time, no extreme lost: `(n_bins,)` each, and what happened at the worst."""

    edge_s: NDArray[np.float64]  # (n_bins + 1,)
    low: NDArray[np.float64]  # least demand in the bin, in the unit of the strip; may be infinite
    high: NDArray[np.float64]  # largest demand
    margin: NDArray[np.float64]  # least margin, over every mechanism
    gives: NDArray[np.int64]  # the mechanism that has it, an index into `Strip.mechanisms`
    move: NDArray[np.int64]  # the move that has it
    line: NDArray[np.int64]  # its source line
    layer: NDArray[np.int64]  # its layer, -1 before the first bead
    at_mm: NDArray[np.float64]  # (n_bins, 2) where on the bed


@dataclass(frozen=True)
class Strip:
    """Push at the drive over the whole job, as a pyramid (the finest level first), and what it may rise to.

    Where a melt rate is what limits the job, the demand is the flow. A bin whose worst moment belongs to another
    mechanism says so in `gives`; its margin is that mechanism's.
    """

    mechanism: str  # the one with the least margin at the central values
    unit: str  # "N", or "mm³/s" where the limit is a melt rate
    capacity: float  # demand at which that mechanism gives; infinite where nothing can be said
    total_s: float
    mechanisms: tuple[str, ...]
    levels: tuple[Bins, ...]
    between: tuple[float, float] | None = None  # what it can carry, nine times in ten; None where nothing can be said

    def level(self, most_bins: int) -> Bins:
        """The finest level that has at most this many bins."""
        return next((b for b in self.levels if b.low.size <= most_bins), self.levels[-1])


@dataclass(frozen=True)
class Vessel:
    """One station of the feed path at the worst moment of the job, filled to demand / capacity."""

    kind: str  # drive | gap | guide | hot_end
    label: str
    length_mm: float
    bore_mm: float | None
    turn_deg: float
    demand: float
    capacity: float
    unit: str
    fill: float  # demand / capacity; infinite where a guide has locked
    mechanism: str
    governing: bool


@dataclass(frozen=True)
class SheetLayer:
    """One layer of the contact sheet: beads and travel as segments `(k, 4)` = x1 y1 x2 y2. [mm]"""

    layer: int  # counted from 0
    top_mm: float
    why: tuple[str, ...]  # in words
    alike: tuple[int, ...]  # other layers with the same beads, push and open travel
    beads: NDArray[np.float32]
    covered: NDArray[np.float32]  # travel over this layer's own bead, and gaps too narrow for a string
    open: NDArray[np.float32]  # travel over air that can leave a string in sight
    hidden: NDArray[np.float32]  # the same, out of sight in the finished part
    open_mm: float
    seen_mm: float
    strings: int
    seen_strings: int
    worst_mm: tuple[float, float] | None
    worst_line: int | None
    least_margin: float
    bounds_mm: tuple[
        float, float, float, float
    ]  # x low, y low, x high, y high; shared but for a first layer that reaches further
    widths: tuple[tuple[float, NDArray[np.float32]], ...] = ()  # beads again, by the width that they will have [mm]


@dataclass(frozen=True)
class Picture:
    """Everything a report draws, and the names of what it is about."""

    program: str
    machine: str
    filament: str
    nozzle_mm: float
    strip: Strip
    vessels: tuple[Vessel, ...]  # from the drive to the melt
    sheets: tuple[SheetLayer, ...]
    curves: tuple[Curve, ...] = ()  # of expected time over speed, by what a restart costs; none where the job feeds


@dataclass(frozen=True)
class LayerPair:
    """One layer as it was and as it is, drawn with the same bounds."""

    before: SheetLayer
    after: SheetLayer
    seconds_before: float
    seconds_after: float
    alike: tuple[int, ...]  # other layers that changed as much


@dataclass(frozen=True)
class Remake:
    """A program before and after it was mended, as a report draws it."""

    before: Picture
    after: Picture
    pairs: tuple[LayerPair, ...]
