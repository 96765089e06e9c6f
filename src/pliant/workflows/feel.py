"""`feel`: a wanted force at a deflection -> what to choose; or a choice -> what it will feel like."""

import math
import warnings
from collections.abc import Sequence

import numpy as np

from pliant.errors import DomainError, ValidityWarning
from pliant.files import Source
from pliant.models.pressed import MOST_STRAIN
from pliant.piece.choose import KINDS, fits, nearest, one_choice, options, piece_of, strain_of
from pliant.piece.forecast import REPEAT, predicted, spread_parts
from pliant.piece.press import HELD, MOST_SHAPE, TURNS, buckling_force_n, shape_factor, travel_mm
from pliant.piece.printed import printed_check
from pliant.records.feel import Feel, Piece, Predicted
from pliant.records.filament import Filament, read_filament
from pliant.say import number

__all__ = ["KINDS", "feel"]

_MOST_FACTOR = 30.0  # published pieces lie within 4 of the model: a measured force further off is a slip of unit
_PATTERN, _DENSITY, _CHOSEN_WALLS, _SKIN_MM = "hexagon", 0.2, 2, 0.8  # of the one choice, where it leaves them out


def feel(
    kind: str,
    size_mm: Sequence[float],
    deflection_mm: float,
    *,
    wanted_n: float | None = None,
    shore_a: float | None = None,
    filament: Source | Filament | None = None,
    pattern: str | None = None,
    density: float | None = None,
    walls: int | None = None,
    folds: int | None = None,
    direction: str = "axial",
    bead_width_mm: float = 0.45,
    skin_mm: float | None = None,
    factor: float | None = None,
    measured_n: float | None = None,
) -> Feel:
    """Choose hardness, walls, pattern and density for a wanted force, or say what one choice feels like.

    Parameters
    ----------
    kind : {"pad", "ring", "column"}
        A block; a flat ring; a bellows printed upright.
    size_mm : sequence of 3 floats
        Pad: width, depth, height along the load. Ring and column: outer and inner diameter, height. [mm]
    deflection_mm : float
        How far it is pressed together. [mm]
    wanted_n : float, optional
        Force wanted there. Given: a table of choices. Left out: the force of the one choice below. [N]
    shore_a : float, optional
        Hardness, Shore A; with `wanted_n` it limits the table to one spool. [-]
    filament : str, Path or Filament, optional
        A record to take the hardness from.
    pattern, density, walls : str, float, int, optional
        The one choice: pattern of the infill ("solid" for none; hexagon when left out), its relative density
        (0.2) [-], number of walls (2). With `wanted_n` they are what is looked for, and refused.
    folds : int, optional
        Folds of a column; flanks at about 45 degrees when left out.
    direction : {"axial", "in-plane"}
        Pad pressed along the print's vertical, or across it (then its depth is the print's vertical).
    bead_width_mm, skin_mm : float
        Width of one wall; thickness of the solid layers at each end of the print (0.8; a column has none). [mm]
    factor : float, optional
        Measured over predicted force of a piece of the same spool; replaces the printed scatter. [-]
    measured_n : float, optional
        Force measured on the one choice, to learn its factor. [N]

    Returns
    -------
    Feel
        Choices with 90 % ranges, the check against published prints, and how far the model holds.

    Raises
    ------
    DomainError
        If a word is unknown, a size impossible, or nothing says which hardness is meant.
    """
    if filament is not None:
        shore_a = _hardness(filament, shore_a)
    _refuse_unheard(kind, wanted_n, pattern, density, walls, skin_mm)
    piece = piece_of(kind, size_mm, folds, direction, bead_width_mm, _SKIN_MM if skin_mm is None else skin_mm)
    strain = strain_of(piece, deflection_mm)
    _require_asked(wanted_n, shore_a, factor, measured_n)
    told, shown = _told(piece, deflection_mm, wanted_n, shore_a, factor, (pattern, density, walls))
    first = shown[0]
    measured_factor = None if measured_n is None else measured_n / first.force_n * (factor or 1.0)
    _require_likely(("factor", factor, factor), ("measured_n", measured_n, measured_factor))
    at = np.linspace(0.0, min(1.25 * deflection_mm, 0.5 * travel_mm(piece)), 26)[1:]
    curve = [predicted(piece, first.choice, float(x), factor, None) for x in at]
    forces = [p.force_n for p in told]
    return Feel(
        piece=piece,
        deflection_mm=float(deflection_mm),
        strain=strain,
        wanted_n=wanted_n,
        choices=tuple(shown),
        reach_n=(min(forces), max(forces)),
        curve_mm=(0.0, *(float(x) for x in at)),
        curve_n=((0.0, 0.0, 0.0), *((p.force_n, p.low_n, p.high_n) for p in curve)),
        spread_parts=spread_parts(piece, first.choice, deflection_mm, factor),
        factor=factor,
        measured_n=measured_n,
        measured_factor=measured_factor,
        check=printed_check(),
        assumed=_assumed(piece, factor),
        notes=_notes(piece, strain, shown, forces, wanted_n, factor, measured_n),
        cautions=("Parts for medical, food or load-bearing safety use need the qualified practice of that field.",),
    )


def _told(
    piece: Piece, deflection_mm: float, wanted_n: float | None, shore_a: float | None, factor: float | None,
    one: tuple[str | None, float | None, int | None],
) -> tuple[list[Predicted], list[Predicted]]:  # fmt: skip
    """Every choice that was looked at with its force, and those that are told."""
    if wanted_n is None:
        assert shore_a is not None
        pattern, density, walls = one
        choice = one_choice(
            piece, shore_a, _PATTERN if pattern is None else pattern, _DENSITY if density is None else density,
            _CHOSEN_WALLS if walls is None else walls,
        )  # fmt: skip
        told = [predicted(piece, choice, deflection_mm, factor, None)]
        return told, told
    told = [predicted(piece, c, deflection_mm, factor, wanted_n) for c in options(piece, shore_a) if fits(piece, c)]
    if not told:
        raise DomainError("no choice fits: the piece is thinner than two walls; make it larger")
    return told, nearest(told, wanted_n, shore_a)


def _require_likely(*ratios: tuple[str, float | None, float | None]) -> None:
    """Refuse a force that no printed piece is known to be so far from."""
    for name, value, ratio in ratios:
        if ratio is not None and not 1 / _MOST_FACTOR <= ratio <= _MOST_FACTOR:
            raise DomainError(
                f"{name} {number(value or 0.0, 4)} is {number(ratio)} times what the model says, and no printed piece "
                f"is known beyond {_MOST_FACTOR:g} times either way: look at its unit (N, not grams), its sizes and "
                "its hardness"
            )


def _require_asked(
    wanted_n: float | None, shore_a: float | None, factor: float | None, measured_n: float | None
) -> None:
    """Refuse forces and hardnesses that cannot be, or that do not go together."""
    for name, value in (("wanted_n", wanted_n), ("factor", factor), ("measured_n", measured_n)):
        if value is not None and not (math.isfinite(value) and value > 0):
            raise DomainError(f"{name} must be finite and > 0, got {value:g}")
    if shore_a is not None and not 60 <= shore_a <= 98:
        raise DomainError(f"hardness must lie between 60A and 98A, got {shore_a:g}A")
    if wanted_n is None and shore_a is None:
        raise DomainError("give the force wanted (`wanted_n`), or a choice whose force to tell (`shore_a`)")
    if factor is not None and shore_a is None:
        raise DomainError("a factor belongs to one spool: name its hardness too (`shore_a`)")
    if measured_n is not None and wanted_n is not None:
        raise DomainError("measured_n belongs to one choice: leave the wanted force out")


def _hardness(filament: Source | Filament, asked: float | None) -> float:
    spool = filament if isinstance(filament, Filament) else read_filament(filament)
    if asked is not None and asked != spool.shore:
        raise DomainError(f"{spool.name!r} is {spool.shore:g}{spool.scale}, asked for {asked:g}A: give one of them")
    if spool.scale != "A":
        raise DomainError(f"{spool.name!r} is given on scale {spool.scale}; feel needs Shore A, at most 98")
    return spool.shore


def _refuse_unheard(
    kind: str,
    wanted_n: float | None,
    pattern: str | None,
    density: float | None,
    walls: int | None,
    skin_mm: float | None,
) -> None:
    """Refuse what would make no difference, rather than leave it out in silence."""
    one = {"pattern": pattern, "density": density, "walls": walls}
    given = [k for k, v in one.items() if v is not None]
    if wanted_n is not None and given:
        raise DomainError(
            f"{', '.join(given)}: with a wanted force these are looked for, not given; leave out the force "
            "(`wanted_n`) to tell the force of one choice, or them to be told which come near"
        )
    if kind == "column":
        inside = [k for k in ("pattern", "density") if one[k] is not None] + ["skin_mm"] * (skin_mm is not None)
        if inside:
            raise DomainError(
                f"{', '.join(inside)}: a column is a bare wall without infill or solid layers; leave it out"
            )
    if pattern == "solid" and density not in (None, 1.0):
        raise DomainError(f"density {density:g}: a solid has no infill; leave it out, or name a pattern")


def _assumed(piece: Piece, factor: float | None) -> tuple[str, ...]:
    said = ["modulus from hardness: own fit to moulded data sheets, 82A to 95A; outside it the same line"]
    said.append(
        f"walls of {piece.bead_width_mm:g} mm"
        + (f", solid layers of {piece.skin_mm:g} mm at its ends" if piece.skin_mm else "")
    )
    if piece.kind == "column":
        said.append(f"{piece.folds} folds; hoop stiffness of the flanks and sideways shear left out")
    else:
        said.append("cells, softening and sticking: spreads are our own judgement, no measurement found")
    said.append("23 °C, pressed slowly, first time; soft material also creeps and sets")
    if factor is not None:
        said.append(f"factor {factor:g} of your own piece, spread ×{REPEAT:g} between pieces of one spool")
    return tuple(said)


def _notes(
    piece: Piece,
    strain: float,
    shown: list[Predicted],
    forces: list[float],
    wanted_n: float | None,
    factor: float | None,
    measured_n: float | None,
) -> tuple[str, ...]:
    said = []
    if wanted_n is not None and not 0.8 * min(forces) <= wanted_n <= 1.25 * max(forces):
        if wanted_n < min(forces):
            way = f"the softest choice still gives {number(min(forces))} N: make the piece smaller across or taller"
        else:
            way = f"the stiffest choice gives only {number(max(forces))} N: make the piece larger across or lower"
        said.append(f"Out of reach: {way}.")
    if strain > MOST_STRAIN and piece.kind != "column":
        said.append(f"{100 * strain:.0f} % strain is past the {100 * MOST_STRAIN:.0f} % the model is meant for.")
    if any(p.holds == "sideways" for p in shown):
        first = next(p for p in shown if p.holds == "sideways")
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ValidityWarning)
            low, high = (buckling_force_n(piece, first.choice, k) * (factor or 1.0) for k in (TURNS, HELD))
        said.append(
            f"Where it says sideways, the piece is so tall that it buckles as a whole: {first.choice.words()} at "
            f"{number(low)} N where its faces may turn or slide aside, at {number(high)} N where both are held level "
            "and in line. It carries no more than that: make it wider or lower, or guide it."
        )
    if any(p.holds == "folds" for p in shown):
        said.append(
            "Where it says folds, the walls of the cells buckle before this deflection: a soft plateau, the force "
            "hardly grows from there on, and it is known less well."
        )
    if any(p.holds == "beyond" for p in shown) and piece.kind == "column":
        said.append("Where it says beyond, the flanks bend by more than their thickness: really stiffer than told.")
    if piece.kind != "column" and shape_factor(piece) > MOST_SHAPE and any(p.choice.density >= 1 for p in shown):
        said.append("So flat a solid squashes hardly at all where its faces stick: beyond the model.")
    if wanted_n is None and shown[0].choice.pattern == "solid":
        said.append("In a solid the number of walls makes no difference.")
    if any(p.choice.pattern == "foam" for p in shown):
        said.append("Foam stands in, roughly, for infills that repeat in all three directions.")
    if factor is None and measured_n is None:
        said.append(
            "The range is wide because published prints differ that much. One measured piece of your own spool "
            "narrows it: give its force as `measured_n`, then the factor as `factor`."
        )
    return tuple(said)
