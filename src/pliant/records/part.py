"""What `part` reads and finds, as records; text, JSON and HTML are views of the same fields."""

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.say import number

__all__ = ["Forecast", "Hole", "Job", "Mesh", "Orientation", "PartFindings", "SoftFeature"]


@dataclass(frozen=True)
class Hole:
    """A rim of edges that belong to one triangle only."""

    at_mm: tuple[float, float, float]  # middle, in the coordinates of the file
    across_mm: float
    edges: int
    closed: bool  # the rim comes back to where it began
    rim: tuple[int, ...]  # its corners, in the order of the triangles beside it

    def sentence(self) -> str:
        """Where it is and how large."""
        x, y, z = (round(v, 2) + 0.0 for v in self.at_mm)
        return f"{number(self.across_mm, 3)} mm across at x {x:g}, y {y:g}, z {z:g} mm"


@dataclass(frozen=True)
class Mesh:
    """A triangle mesh in millimetres, welded and wound, with what was done to it in words."""

    vertices: NDArray[np.float64]  # (n, 3)
    faces: NDArray[np.int32]  # (m, 3), the outside to the right-hand side
    file: str
    kind: str
    unit: str
    shells: int
    open_edges: int
    repairs: tuple[str, ...]
    notes: tuple[str, ...]
    holes: tuple[Hole, ...] = ()  # left open, the largest first
    patched: tuple[Hole, ...] = ()  # closed by the reader


@dataclass(frozen=True)
class Job:
    """How the part would be printed: what the forecast needs to know of machine, spool and bead."""

    layer_height_mm: float
    bead_width_mm: float
    walls: int
    flow_mm3_per_s: float | None  # the largest that meets the target; None if none does
    flow_even_mm3_per_s: float | None  # at which a jam is as likely as not
    travel_mm_per_s: float
    lift_mm_per_s: float
    side_force_n: float
    side_force_spread: float
    youngs_modulus_mpa: float  # of the printed piece: the spool's over the printed factor
    modulus_spread: float
    printed_factor: float
    wobble_limit_mm: float
    ledge_limit_mm: float
    bridge_limit_mm: float
    filament_diameter_mm: float
    density_kg_per_m3: float


@dataclass(frozen=True)
class SoftFeature:
    """A slender piece of the part and the height at which the nozzle starts to push it about."""

    root_mm: float  # height where it begins
    top_mm: float
    thickness_mm: float  # least, of the equivalent rectangle
    thin_at_mm: float  # height of that section
    length_mm: float  # the other side of that rectangle
    wobble_mm: float | None  # height above the bed from which the tip gives way by more than the limit; None: perhaps
    wobble_low_mm: float  # the same with the side force and modulus at the bad end of their 90 % ranges
    deflection_mm: float  # of the tip, fully built, at the central side force
    deflection_high_mm: float  # the same at the bad end
    stiffness_n_per_mm: float  # of the tip, fully built
    thickness_needed_mm: float  # that would keep the tip within the limit
    x_mm: float  # middle of the tip, in the coordinates of the file as drawn
    y_mm: float
    z_mm: float


@dataclass(frozen=True)
class Forecast:
    """What building the part in one orientation brings."""

    layers: int
    layer_height_mm: float
    islands_mean: float
    islands_most: int
    islands_by_layer: tuple[int, ...]
    single_island_share: float
    travels: int
    covered_travels: int
    open_travels: int
    open_travel_mm: float
    strings_expected: int
    bead_mm3: float
    filament_m: float
    filament_g: float
    flow_mm3_per_s: float | None
    time_s: float | None
    time_even_s: float | None  # at the flow at which a jam is as likely as not: a bound of what measuring may win
    longest_run_mm: float
    longest_run_s: float | None
    side_force_n: float
    side_force_spread: float
    soft_features: tuple[SoftFeature, ...]
    verdict: str
    reasons: tuple[str, ...]
    changes: tuple[str, ...]


@dataclass(frozen=True)
class Orientation:
    """One way for the part to stand, and why."""

    up: tuple[float, float, float]  # the direction of the mesh file that points up
    turn: str  # how to get there from the file, in words
    rotation: tuple[tuple[float, float, float], ...]  # rows; points of the file times this, transposed
    height_mm: float
    footprint_mm2: float  # of the first layer
    least_foot_mm2: float  # less is not stood on if anything else can be
    foot_enough: bool
    fits: bool | None  # where the nozzle reaches; None if the machine's record does not say
    spin_deg: float  # turn about the vertical that makes it fit
    overhang_mm2: float  # surface steeper than the limit, the bed excepted
    unsupported_mm2: float  # layer test: area beyond the reach of the layer below, bridges excepted
    cut_mm2: float  # what support would hold, to be cut away: births, ledges and bridges beyond their limits
    islands_on_air: int  # specks smaller than a bead that join the rest at once are left out
    births_mm: tuple[float, ...]  # heights at which they begin
    bridges: int
    longest_bridge_mm: float
    longest_ledge_mm: float
    needs_support: bool
    score: float  # the sum of the next, mm2
    weighs_mm2: dict[str, float]  # what orders the ways to stand: cut, pieces, hangs, foot, height
    reasons: tuple[str, ...]
    forecast: Forecast | None = None
    drawing: str = ""  # SVG, as it stands
    drawing_below: str = ""  # SVG, from below: footprint and overhang


@dataclass(frozen=True)
class PartFindings:
    """Whether the part is a good idea in soft filament, and how it should stand."""

    verdict: str
    name: str
    filament: str
    machine: str
    size_mm: tuple[float, float, float]
    volume_mm3: float
    surface_mm2: float
    triangles: int
    shells: int
    mesh_kind: str
    unit: str
    repairs: tuple[str, ...]
    notes: tuple[str, ...]
    orientations: tuple[Orientation, ...]
    why_first: str  # why the first is put before the second; empty if there is one
    candidates: int
    angle_convention: str
    limits: dict[str, float]
    reasons: tuple[str, ...]
    changes: tuple[str, ...]
    assumed: tuple[str, ...]
    cautions: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Return the fields as plain data."""
        return asdict(self)
