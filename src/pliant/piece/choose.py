"""What may be chosen for a piece, and which choices come nearest a wanted force."""

import math
from collections.abc import Iterable, Sequence
from itertools import product

from pliant.errors import DomainError
from pliant.models.cellular import DIRECTIONS, PATTERNS
from pliant.piece.press import travel_mm
from pliant.records.feel import Choice, Piece, Predicted
from pliant.say import number

__all__ = ["KINDS", "fits", "nearest", "one_choice", "options", "piece_of", "strain_of"]

KINDS = ("pad", "ring", "column")
_HARDNESSES = (75.0, 80.0, 85.0, 90.0, 95.0)
_DENSITIES = (0.10, 0.15, 0.20, 0.25, 0.30)
_WALLS, _COLUMN_WALLS = (1, 2, 3, 4), (1, 2, 3, 4, 5, 6)
_MOST = 12  # rows of the table


def piece_of(
    kind: str, size_mm: Sequence[float], folds: int | None, direction: str, bead_mm: float, skin_mm: float
) -> Piece:
    """A piece from its kind and sizes [mm]; DomainError names what is impossible and what is allowed."""
    if kind not in KINDS:
        raise DomainError(f"kind must be one of {', '.join(KINDS)}, got {kind!r}")
    if direction not in DIRECTIONS:
        raise DomainError(f"direction must be one of {', '.join(DIRECTIONS)}, got {direction!r}")
    size = tuple(float(v) for v in size_mm)
    if len(size) != 3 or not all(math.isfinite(v) and 0.5 <= v <= 2000 for v in size):
        raise DomainError(f"a {kind} needs three sizes between 0.5 and 2000 mm, got {'x'.join(f'{v:g}' for v in size)}")
    if kind != "pad" and size[1] >= size[0]:
        raise DomainError(f"the inner diameter of a {kind} must be under the outer {size[0]:g} mm, got {size[1]:g}")
    if kind != "pad" and direction != "axial":
        raise DomainError(f"a {kind} is pressed along the print's vertical; leave the direction at axial")
    if not (math.isfinite(bead_mm) and 0.1 <= bead_mm <= 5):
        raise DomainError(f"bead_width_mm must lie between 0.1 and 5, got {bead_mm:g}")
    upright = size[1] if direction == "in-plane" else size[2]
    if not (math.isfinite(skin_mm) and 0 <= skin_mm <= upright / 2):
        raise DomainError(f"skin_mm must lie between 0 and half of {upright:g} mm, got {skin_mm:g}")
    if kind != "column":
        if folds is not None:
            raise DomainError(f"a {kind} has no folds; folds belong to a column")
    else:
        folds = max(round(size[2] / (size[0] - size[1])), 1) if folds is None else folds
        if not 1 <= folds <= 500:
            raise DomainError(f"folds must lie between 1 and 500, got {folds}")
    return Piece(kind, size, folds, direction, float(bead_mm), float(skin_mm) if kind != "column" else 0.0)


def strain_of(piece: Piece, deflection_mm: float) -> float:
    """Deflection over height [-]; DomainError beyond half of what the piece can go."""
    if not (math.isfinite(deflection_mm) and deflection_mm > 0):
        raise DomainError(f"deflection_mm must be finite and > 0, got {deflection_mm:g}")
    travel = travel_mm(piece)
    if travel <= 0:
        raise DomainError(f"{piece.folds} folds of {piece.bead_width_mm:g} mm walls do not fit {piece.size_mm[2]:g} mm")
    if deflection_mm > 0.5 * travel:
        raise DomainError(
            f"deflection_mm must be at most half of the {number(travel, 3)} mm the piece can go, got "
            f"{deflection_mm:g}; beyond, no model here holds: make it taller"
        )
    return deflection_mm / piece.size_mm[2]


def one_choice(piece: Piece, shore_a: float, pattern: str, density: float, walls: int) -> Choice:
    """The one choice asked for, looked at: it must be known and fit into the piece."""
    if not 0 <= walls <= 40 or (piece.kind == "column" and walls < 1):
        raise DomainError(f"walls must lie between {int(piece.kind == 'column')} and 40, got {walls}")
    if piece.kind == "column":
        choice = Choice(shore_a, "none", 1.0, walls)
    else:
        if pattern not in (*PATTERNS, "solid"):
            raise DomainError(f"pattern must be one of {', '.join(PATTERNS)}, solid, got {pattern!r}")
        density = 1.0 if pattern == "solid" else density
        if not (math.isfinite(density) and 0.02 <= density <= 1):
            raise DomainError(f"density must lie between 0.02 and 1, got {density:g}")
        choice = Choice(shore_a, "solid" if density == 1 else pattern, density, walls)
    if not fits(piece, choice):
        raise DomainError(f"{walls} walls of {piece.bead_width_mm:g} mm do not fit into this {piece.kind}")
    return choice


def options(piece: Piece, shore_a: float | None) -> Iterable[Choice]:
    """Every choice of the table: hardness, pattern with density, walls."""
    hardnesses = _HARDNESSES if shore_a is None else (shore_a,)
    if piece.kind == "column":
        return (Choice(s, "none", 1.0, w) for s, w in product(hardnesses, _COLUMN_WALLS))
    infills = [*product(PATTERNS, _DENSITIES), ("solid", 1.0)]
    return (
        Choice(s, p, d, w)
        for s, (p, d), w in product(hardnesses, infills, _WALLS)
        if p != "solid" or w == _WALLS[1]  # walls vanish in a solid
    )


def fits(piece: Piece, choice: Choice) -> bool:
    """Whether the walls leave room inside the piece."""
    wall = choice.walls * piece.bead_width_mm
    a, b, h = piece.size_mm
    if piece.kind == "column":
        return wall < (a - b) / 2 and wall < h / (2 * (piece.folds or 1))
    if choice.density >= 1:
        return True
    return 2 * wall < (min(a, b) if piece.kind == "pad" else (a - b) / 2)


def nearest(told: list[Predicted], wanted_n: float, shore_a: float | None) -> list[Predicted]:
    """Nearest first, those still linear before those that fold; no hardness or pattern crowds out the rest."""

    def rank(p: Predicted) -> float:
        return abs(math.log(p.force_n / wanted_n)) + 0.25 * (p.holds != "linear")

    kept: list[Predicted] = []
    crowd: dict[object, int] = {}
    for p in sorted(told, key=rank):
        key = p.choice.pattern if shore_a is not None else p.choice.shore_a
        alike = (p.choice.shore_a, p.choice.pattern, p.choice.density)
        if crowd.get(key, 0) >= 3 or crowd.get(alike, 0) >= 1 + (p.choice.pattern == "none"):
            continue
        crowd[key] = crowd.get(key, 0) + 1
        crowd[alike] = crowd.get(alike, 0) + 1
        kept.append(p)
    return kept[:_MOST]
