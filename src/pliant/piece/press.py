"""What a printed piece does when it is pressed: its force, where it leans aside, where its walls fold.

One choice of hardness, pattern, density and walls, at central values; spreads are in `forecast`. Stands on
`models.cellular`, `models.pressed` and `models.stiffness`. Left out: rate, creep, set, friction on a guide.
"""

import math
import warnings

from pliant.errors import ValidityWarning
from pliant.models.cellular import bonded_block_factor, cellular_modulus_mpa, collapse_strain
from pliant.models.pressed import (
    MOST_STRAIN,
    bellows_stiffness_n_per_mm,
    block_force_n,
    sideways_force_n,
    wall_fold_strain,
)
from pliant.models.stiffness import modulus_from_hardness_mpa, softened_modulus_mpa
from pliant.records.feel import Choice, Piece

__all__ = [
    "HELD", "MOST_SHAPE", "TURNS", "bonded_gain", "buckling_force_n", "flank_strain", "goes_sideways", "how_it_holds",
    "pressed_force_n", "shape_factor", "travel_mm",
]  # fmt: skip

MOST_SHAPE = 3.0  # [-] loaded over free area: flatter, a solid that sticks is held by its bulk modulus, not here
TURNS, HELD = 1.0, 0.5  # effective length over height: faces that may turn or slide aside; held level and in line
_SHEAR = 5 / 6  # [-] shear coefficient of a rectangle; from memory


def travel_mm(piece: Piece) -> float:
    """How far the piece can go at all."""
    if piece.kind == "column":
        return piece.size_mm[2] - 2 * (piece.folds or 1) * piece.bead_width_mm
    return piece.size_mm[2]


def _shares(piece: Piece, walls: int) -> tuple[float, float, float]:
    """Loaded area, share of it that is solid along the load, and share of the height that is solid across it."""
    a, b, h = piece.size_mm
    t = walls * piece.bead_width_mm
    if piece.kind == "ring":
        area = math.pi / 4 * (a**2 - b**2)
        wall = math.pi / 4 * (a**2 - (a - 2 * t) ** 2 + (b + 2 * t) ** 2 - b**2)
        return area, min(wall / area, 1.0), 2 * piece.skin_mm / h
    if piece.direction == "in-plane":  # depth b is the print's vertical: skins lie along the load, two walls across it
        return a * b, 1 - (1 - 2 * t / a) * (1 - 2 * piece.skin_mm / b), min(2 * t / h, 1.0)
    return a * b, 1 - (1 - 2 * t / a) * (1 - 2 * t / b), 2 * piece.skin_mm / h


def shape_factor(piece: Piece) -> float:
    """Loaded area over free area."""
    a, b, h = piece.size_mm
    return (a - b) / (4 * h) if piece.kind == "ring" else a * b / (2 * (a + b) * h)


def bonded_gain(piece: Piece) -> float:
    """Gain of a solid piece whose faces stick."""
    return float(bonded_block_factor(shape_factor(piece)))


def pressed_force_n(piece: Piece, choice: Choice, deflection_mm: float) -> float:
    """Force that presses an upright piece together by so much. [N]"""
    modulus = modulus_from_hardness_mpa(choice.shore_a)
    if piece.kind == "column":
        a, b, h = piece.size_mm
        soft = softened_modulus_mpa(modulus, flank_strain(piece, choice, deflection_mm))
        wall = choice.walls * piece.bead_width_mm
        # the wall's middle runs half a wall inside the crest and outside the root
        k = bellows_stiffness_n_per_mm(soft, a - wall, b + wall, h, wall, piece.folds or 1)
        return float(k * deflection_mm)
    area, along, across = _shares(piece, choice.walls)
    cells = "foam" if choice.pattern == "solid" else choice.pattern
    force = block_force_n(
        modulus,
        deflection_mm,
        area_mm2=area,
        height_mm=piece.size_mm[2],
        relative_density=choice.density,
        pattern=cells,
        direction=piece.direction,
        wall_share=along,
        skin_share=across,
        wall_fold_strain=wall_fold_strain(choice.walls, choice.density, cells),
    )
    # a solid cannot shrink: between sticking and sliding faces the middle; infill gives way into its own air
    return float(force) * (math.sqrt(bonded_gain(piece)) if choice.density >= 1 else 1.0)


def buckling_force_n(piece: Piece, choice: Choice, length_factor: float | None = None) -> float:
    """Force at which the whole piece buckles sideways; left out, between faces that turn and faces that are held."""
    if length_factor is None:
        return math.sqrt(buckling_force_n(piece, choice, TURNS) * buckling_force_n(piece, choice, HELD))
    a, b, h = piece.size_mm
    wall = choice.walls * piece.bead_width_mm
    solid = float(modulus_from_hardness_mpa(choice.shore_a))
    if piece.kind == "column":
        # a thin ring of springs of that axial stiffness; its shear is not known and left out
        axial = float(bellows_stiffness_n_per_mm(solid, a - wall, b + wall, h, wall, piece.folds or 1))
        return float(sideways_force_n(axial * h * ((a + b) / 2) ** 2 / 8, math.inf, h, length_factor))
    core = solid
    if choice.density < 1:
        core = float(cellular_modulus_mpa(solid, choice.density, choice.pattern, piece.direction))
    if piece.kind == "ring":

        def measures(outer: float, inner: float) -> tuple[float, float]:
            return math.pi / 64 * (outer**4 - inner**4), math.pi / 4 * (outer**2 - inner**2)

        whole, inside = measures(a, b), measures(max(a - 2 * wall, 0.0), min(b + 2 * wall, a - 2 * wall))
    else:
        skin = piece.skin_mm if piece.direction == "in-plane" else wall
        p, q = max(a - 2 * wall, 0.0), max(b - 2 * skin, 0.0)
        across, along = (a**3 * b / 12, p**3 * q / 12), (b**3 * a / 12, q**3 * p / 12)
        weaker = min(across, along, key=lambda m: solid * (m[0] - m[1]) + core * m[1])
        whole, inside = (weaker[0], a * b), (weaker[1], p * q)
    bending, stretch = (solid * (w - i) + core * i for w, i in zip(whole, inside, strict=True))
    return float(sideways_force_n(bending, _SHEAR * stretch / 3, h, length_factor))


def goes_sideways(piece: Piece, choice: Choice, deflection_mm: float) -> bool:
    """Whether the piece buckles as a whole first, where its faces may turn or slide aside."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ValidityWarning)  # said in the notes
        return pressed_force_n(piece, choice, deflection_mm) > buckling_force_n(piece, choice, TURNS)


def _flank(piece: Piece, choice: Choice) -> tuple[float, float, float]:
    """Length, thickness and slope (cosine) of a flank."""
    a, b, h = piece.size_mm
    wall = choice.walls * piece.bead_width_mm
    depth, rise = (a - b) / 2 - wall, h / (2 * (piece.folds or 1))
    length = math.hypot(depth, rise)
    return length, wall * rise / length, depth / length


def flank_strain(piece: Piece, choice: Choice, deflection_mm: float) -> float:
    """Largest strain in the flank of a column. [-]"""
    length, thickness, cosine = _flank(piece, choice)
    moved = deflection_mm * cosine / (2 * (piece.folds or 1))
    return 3 * thickness * moved / length**2  # surface of a strip held level at both ends


def how_it_holds(piece: Piece, choice: Choice, deflection_mm: float) -> str:
    """One of linear, folds, sideways, beyond: how far the model is meant for this deflection."""
    if piece.kind == "column":
        _, thickness, cosine = _flank(piece, choice)
        moved = deflection_mm * cosine / (2 * (piece.folds or 1))
        if moved > thickness or flank_strain(piece, choice, deflection_mm) > MOST_STRAIN:
            return "beyond"
        return "sideways" if goes_sideways(piece, choice, deflection_mm) else "linear"
    strain = deflection_mm / piece.size_mm[2]
    if strain > MOST_STRAIN or (choice.density >= 1 and shape_factor(piece) > MOST_SHAPE):
        return "beyond"
    if goes_sideways(piece, choice, deflection_mm):
        return "sideways"
    pattern = "foam" if choice.pattern == "solid" else choice.pattern
    return "folds" if strain > float(collapse_strain(choice.density, pattern, piece.direction)) else "linear"
