"""Two programs of which the one should lay what the other lays, and how an obligation says that it does not."""

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Floats
from pliant.program.alongside import Alongside
from pliant.program.beside import find_proof, without_moves
from pliant.records.mending import Intent
from pliant.records.program import Program

__all__ = [
    "DRIFT_MM", "KEPT_SPEED", "SAME_SPEED", "WORD_MM", "Case", "Refuted", "first_true", "gap_name", "not_faster",
    "refute", "where",
]  # fmt: skip

WORD_MM = 2e-5  # [mm] of filament: E words have five decimals, and an absolute word is a difference of two
DRIFT_MM = 6e-6  # [mm] of filament per word: half a unit of the fifth decimal, and a little
SAME_SPEED = 1e-6  # [-] share
KEPT_SPEED = 1e-3  # [-] share; where speeds are to be kept an F word may still be rounded

Bools = NDArray[np.bool_]


class Refuted(Exception):
    """An obligation that does not hold; the text is its figure."""


class Case(Alongside):
    """Both programs and the two numbers of the machine that an obligation needs."""

    def __init__(
        self, first: Program, second: Program, intent: Intent, diameter_mm: float,
        build_mm: tuple[float, float, float] | None,
        reach_mm: tuple[tuple[float, ...], tuple[float, ...]] | None = None,
    ) -> None:  # fmt: skip
        self.whole = second  # with what is laid beside the part
        self.proof = find_proof(second) if intent.proof_mm > 0 else None  # its moves in the whole
        super().__init__(first, without_moves(second, *self.proof) if self.proof else second, intent)
        self.diameter_mm, self.build_mm, self.reach_mm = diameter_mm, build_mm, reach_mm


def refute(wrong: str) -> None:
    """Say that an obligation does not hold, where something speaks against it."""
    if wrong:
        raise Refuted(wrong)


def where(program: Program, move: int) -> str:
    """A move by its line and its end."""
    x, y, z = program.point_mm[move + 1]
    return f"line {program.line[move]} (to X{x:.3f} Y{y:.3f} Z{z:.3f})"


def gap_name(case: Case, gap: int) -> str:
    """A gap by the bead before it."""
    if gap == 0:
        return "before the first bead"
    return f"after {where(case.p, int(case.pairs.a[case.on_bead[case.gap[gap] - 1]]))}"


def first_true(wrong: Bools) -> int:
    """Place of the first True, -1 if there is none."""
    return int(np.argmax(wrong)) if wrong.any() else -1


def not_faster(
    case: Case, what: str, mine: Floats, theirs: Floats, skip_first: bool = False, at_least: float = 0.0
) -> None:
    """Hold the fastest move of each gap to the input's, or where it has none there to its fastest anywhere."""
    limit = case.layer_worst(mine)
    limit = np.where(limit > 0, limit, mine.max() if np.any(mine > 0) else at_least)
    wrong = theirs > limit * (1 + SAME_SPEED)
    wrong[0] &= not skip_first
    if (k := first_true(wrong)) >= 0:
        raise Refuted(f"{what} {gap_name(case, k)} at {theirs[k]:g} mm/s; the input has {limit[k]:g}")
