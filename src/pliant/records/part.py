"""What `part` reads and finds, as records; text, JSON and HTML are views of the same fields."""

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.say import number

__all__ = ["Forecast", "Hole", "Mesh", "Orientation", "PartFindings", "Printing", "SoftFeature"]


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
class Printing:
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
    top_mm: float  # height where it ends
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
    y_mm: float  # the same
    z_mm: float  # the same


@dataclass(frozen=True)
class Forecast:
    """What building the part in one orientation brings."""

    layers: int  # number of layers
    layer_height_mm: float  # that it was cut at
    islands_mean: float  # islands per layer
    islands_most: int  # in one layer
    islands_by_layer: tuple[int, ...]  # a number per layer
    single_island_share: float  # share of layers that are one island
    travels: int  # jumps between runs
    covered_travels: int  # over bead of the same layer
    open_travels: int  # over air
    open_travel_mm: float  # length of travel over air
    strings_expected: int  # threads that could hang there
    bead_mm3: float  # volume laid
    filament_m: float  # length of filament
    filament_g: float  # mass of filament
    flow_mm3_per_s: float | None  # the largest that meets the target; None if none does
    time_s: float | None  # at that flow
    time_even_s: float | None  # at the flow at which a jam is as likely as not: a bound of what measuring may win
    longest_run_mm: float  # length of the longest run
    longest_run_s: float | None  # its time
    side_force_n: float  # of the nozzle on the part, central
    side_force_spread: float  # multiplicative standard deviation of that force
    soft_features: tuple[SoftFeature, ...]
    verdict: str  # good, workable or poor
    reasons: tuple[str, ...]  # for the verdict
    changes: tuple[str, ...]  # to the part that would make it better


@dataclass(frozen=True)
class Orientation:
    """One way for the part to stand, and why."""

    up: tuple[float, float, float]  # the direction of the mesh file that points up
    turn: str  # how to get there from the file, in words
    rotation: tuple[tuple[float, float, float], ...]  # rows; points of the file times this, transposed
    height_mm: float  # of the part as it stands
    footprint_mm2: float  # of the first layer
    least_foot_mm2: float  # less is not stood on if anything else can be
    foot_enough: bool  # whether it stands on that much
    fits: bool | None  # where the nozzle reaches; None if the machine's record does not say
    spin_deg: float  # turn about the vertical that makes it fit
    overhang_mm2: float  # surface steeper than the limit, the bed excepted
    unsupported_mm2: float  # layer test: area beyond the reach of the layer below, bridges excepted
    cut_mm2: float  # what support would hold, to be cut away: births, ledges and bridges beyond their limits
    islands_on_air: int  # that begin in the air; specks smaller than a bead that join the rest at once are left out
    births_mm: tuple[float, ...]  # heights at which they begin
    bridges: int  # number of bridges
    longest_bridge_mm: float  # between its two ends
    longest_ledge_mm: float  # beyond the layer below
    needs_support: bool  # false: it can be built without
    score: float  # [mm²] the sum of the next
    weighs_mm2: dict[str, float]  # what orders the ways to stand: cut, pieces, hangs, foot, height
    reasons: tuple[str, ...]  # in words
    forecast: Forecast | None = None
    drawing: str = ""  # SVG, as it stands
    drawing_below: str = ""  # SVG, from below: footprint and overhang


@dataclass(frozen=True)
class PartFindings:
    """Whether the part is a good idea in soft filament, and how it should stand."""

    verdict: str  # good, workable or poor
    name: str  # of the mesh file
    filament: str  # name of the record
    machine: str  # name of the record
    size_mm: tuple[float, float, float]  # of the box around it, as drawn
    volume_mm3: float  # of the part
    surface_mm2: float  # of the part
    triangles: int  # number of triangles
    shells: int  # number of closed surfaces
    mesh_kind: str  # STL, OBJ or 3MF
    unit: str  # of the file
    repairs: tuple[str, ...]  # what was done to the mesh, in words
    notes: tuple[str, ...]  # what the reader noticed
    orientations: tuple[Orientation, ...]
    why_first: str  # why the first is put before the second; empty if there is one
    candidates: int  # ways to stand that were looked at
    angle_convention: str  # how overhang is counted
    limits: dict[str, float]  # what counts as overhang, bridge, ledge and wobble, by key with its unit
    reasons: tuple[str, ...]  # for the verdict
    changes: tuple[str, ...]  # to the part that would make it better
    assumed: tuple[str, ...]  # defaults taken, with range and source
    cautions: tuple[str, ...]  # what to take care of

    def to_json(self) -> dict[str, Any]:
        """Return the fields as plain data."""
        return asdict(self)
