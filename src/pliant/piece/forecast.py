"""The force of one choice with its 90 % range, each cause of doubt by itself."""

import math
import warnings
from statistics import NormalDist

from pliant.constants import Z90
from pliant.errors import ValidityWarning
from pliant.piece.press import (
    HELD,
    TURNS,
    bonded_gain,
    buckling_force_n,
    flank_strain,
    goes_sideways,
    how_it_holds,
    pressed_force_n,
)
from pliant.piece.printed import printed_check
from pliant.records.feel import Choice, Piece, Predicted
from pliant.records.materials import HALF_STRAIN, HALF_STRAIN_SPREAD, MODULUS_SPREAD, modulus_spread

__all__ = ["REPEAT", "predicted", "spread_parts"]

# multiplicative standard deviations, all our own judgement: no measurement was found (docs/models/cellular.md)
_CELLS = {"hexagon": 1.3, "square": 1.3, "triangle": 1.3, "foam": 1.6}
_THICK_CELLS, _FOLDED, _BELLOWS = 1.5, 1.5, 1.6
REPEAT = 1.2  # piece to piece of one spool, once a piece was measured


def predicted(
    piece: Piece, choice: Choice, deflection_mm: float, factor: float | None, wanted_n: float | None
) -> Predicted:
    """Force [N] with its 90 % range, and the chance that it comes within a quarter of the wanted one."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ValidityWarning)  # said in the notes, once, in plain words
        # a piece that has gone sideways carries no more than made it go
        force = min(pressed_force_n(piece, choice, deflection_mm), buckling_force_n(piece, choice)) * (factor or 1.0)
    spread = math.exp(
        math.sqrt(sum(math.log(s) ** 2 for s in spread_parts(piece, choice, deflection_mm, factor).values()))
    )
    near = None
    if wanted_n is not None:
        law = NormalDist(math.log(force), math.log(spread))
        near = law.cdf(math.log(1.25 * wanted_n)) - law.cdf(math.log(0.75 * wanted_n))
    return Predicted(
        choice=choice,
        force_n=force,
        low_n=force * spread**-Z90,
        high_n=force * spread**Z90,
        stiffness_n_per_mm=force / deflection_mm,
        spread=spread,
        holds=how_it_holds(piece, choice, deflection_mm),
        chance_near=near,
    )


def spread_parts(piece: Piece, choice: Choice, deflection_mm: float, factor: float | None) -> dict[str, float]:
    """Multiplicative standard deviations by cause."""
    parts = {}
    if factor is None:
        parts["printed pieces against the model"] = printed_check().miss
        if not 82 <= choice.shore_a <= 95:
            parts["hardness outside the data sheets' 82A to 95A"] = modulus_spread(choice.shore_a) / MODULUS_SPREAD[0]
    else:
        parts["piece to piece of one spool"] = REPEAT
    column = piece.kind == "column"
    strain = flank_strain(piece, choice, deflection_mm) if column else deflection_mm / piece.size_mm[2]
    share = strain / (HALF_STRAIN + strain)
    parts["softening with strain"] = HALF_STRAIN_SPREAD**share
    if column:
        parts["bellows model"] = _BELLOWS
    elif choice.density >= 1:
        parts["faces that stick or slide"] = bonded_gain(piece) ** (0.5 / Z90)
    else:
        parts["cell model"] = _CELLS[choice.pattern]
        if choice.density > 0.3:
            parts["walls of the cells not thin"] = _THICK_CELLS
    holds = how_it_holds(piece, choice, deflection_mm)
    leans = holds == "beyond" and goes_sideways(piece, choice, deflection_mm)
    if holds == "sideways" or leans:
        parts["faces that let the piece turn sideways, or hold it"] = (TURNS / HELD) ** (1 / Z90)
    if holds in ("folds", "beyond"):
        parts["past the linear range"] = _FOLDED
    return parts
