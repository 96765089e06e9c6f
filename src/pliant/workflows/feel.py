"""`feel`: a wanted force at a deflection -> what to choose; or a choice -> what it will feel like."""

import csv
import math
import warnings
from collections.abc import Iterable, Sequence
from functools import cache
from importlib.resources import files
from itertools import product
from pathlib import Path
from statistics import NormalDist

import numpy as np

from pliant.errors import DomainError, ValidityWarning
from pliant.models.cellular import DIRECTIONS, PATTERNS, bonded_block_factor, cellular_modulus_mpa, collapse_strain
from pliant.models.pressed import (
    MOST_STRAIN,
    bellows_stiffness_n_per_mm,
    block_force_n,
    sideways_force_n,
    wall_fold_strain,
)
from pliant.models.stiffness import modulus_from_hardness_mpa, softened_modulus_mpa
from pliant.records.feel import Choice, Compared, Feel, Piece, Predicted, PrintedCheck
from pliant.records.filament import Filament, read_filament
from pliant.records.materials import MODULUS_SPREAD, modulus_spread
from pliant.say import number

__all__ = ["KINDS", "feel", "printed_check", "printed_softness"]

KINDS = ("pad", "ring", "column")
_HARDNESSES = (75.0, 80.0, 85.0, 90.0, 95.0)
_DENSITIES = (0.10, 0.15, 0.20, 0.25, 0.30)
_WALLS, _COLUMN_WALLS = (1, 2, 3, 4), (1, 2, 3, 4, 5, 6)
_MOST = 12  # rows of the table
_Z90 = 1.6449
# multiplicative standard deviations, all our own judgement: no measurement was found (docs/models/cellular.md)
_HALF_STRAIN, _HALF_STRAIN_SPREAD = 0.15, 1.5  # of the softening law in models/stiffness
_CELLS = {"hexagon": 1.3, "square": 1.3, "triangle": 1.3, "foam": 1.6}
_MOST_SHAPE = 3.0  # [-] loaded over free area: flatter, a solid that sticks is held by its bulk modulus, not here
_THICK_CELLS, _FOLDED, _BELLOWS = 1.5, 1.5, 1.6
_TURNS, _HELD = 1.0, 0.5  # effective length over height: faces that may turn or slide aside; held level and in line
_MOST_FACTOR = 30.0  # published pieces lie within 4 of the model: a measured force further off is a slip of unit
_SHEAR = 5 / 6  # [-] shear coefficient of a rectangle; from memory
_PATTERN, _DENSITY, _CHOSEN_WALLS, _SKIN_MM = "hexagon", 0.2, 2, 0.8  # of the one choice, where it leaves them out
_REPEAT = 1.2  # piece to piece of one spool, once a piece was measured


def feel(
    kind: str,
    size_mm: Sequence[float],
    deflection_mm: float,
    *,
    wanted_n: float | None = None,
    shore_a: float | None = None,
    filament: str | Path | Filament | None = None,
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
    piece = _piece(kind, size_mm, folds, direction, bead_width_mm, _SKIN_MM if skin_mm is None else skin_mm)
    strain = _strain(piece, deflection_mm)
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
    if wanted_n is None:
        assert shore_a is not None
        choice = _one(
            piece,
            shore_a,
            _PATTERN if pattern is None else pattern,
            _DENSITY if density is None else density,
            _CHOSEN_WALLS if walls is None else walls,
        )
        told = [_predict(piece, choice, deflection_mm, factor, None)]
        shown = told
    else:
        told = [
            _predict(piece, c, deflection_mm, factor, wanted_n) for c in _options(piece, shore_a) if _fits(piece, c)
        ]
        if not told:
            raise DomainError("no choice fits: the piece is thinner than two walls; make it larger")
        shown = _nearest(told, wanted_n, shore_a)
    first = shown[0]
    measured_factor = None if measured_n is None else measured_n / first.force_n * (factor or 1.0)
    for name, value, ratio in (("factor", factor, factor), ("measured_n", measured_n, measured_factor)):
        if ratio is not None and not 1 / _MOST_FACTOR <= ratio <= _MOST_FACTOR:
            raise DomainError(
                f"{name} {value:g} is {number(ratio)} times what the model says, and no printed piece is known beyond "
                f"{_MOST_FACTOR:g} times either way: look at its unit (N, not grams), its sizes and its hardness"
            )
    at = np.linspace(0.0, min(1.25 * deflection_mm, 0.5 * _travel(piece)), 26)[1:]
    curve = [_predict(piece, first.choice, float(x), factor, None) for x in at]
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
        spread_parts=_spread_parts(piece, first.choice, deflection_mm, factor),
        factor=factor,
        measured_n=measured_n,
        measured_factor=measured_factor,
        check=printed_check(),
        assumed=_assumed(piece, factor),
        notes=_notes(piece, strain, shown, forces, wanted_n, factor, measured_n),
        cautions=("Parts for medical, food or load-bearing safety use need the qualified practice of that field.",),
    )


@cache
def printed_check() -> PrintedCheck:
    """Compare the modulus said for a hardness with every published printed row that gives both."""
    table = (files("pliant") / "data" / "printed_tpu.csv").read_text(encoding="utf-8")
    rows, source, found = list(csv.DictReader(table.splitlines())), "", []
    for row in rows:
        source = source if row["source"] == "same" else row["source"]
        if row["property"] not in ("elastic_modulus", "max_elastic_modulus") or not row["shore"].endswith("A"):
            continue
        shore, measured = float(row["shore"][:-1]), float(row["value"])
        said = float(modulus_from_hardness_mpa(shore))
        found.append(Compared(row["material"], shore, row["condition"], measured, said, said / measured, source))
    logs = [math.log(c.ratio) for c in found]
    by_source = [
        float(np.mean([math.log(c.ratio) for c in found if c.source == s]))
        for s in dict.fromkeys(c.source for c in found)
    ]
    return PrintedCheck(
        rows=tuple(found),
        table_rows=len(rows),
        sources=len(by_source),
        ratio_by_row=math.exp(float(np.mean(logs))),
        scatter_by_row=math.exp(float(np.std(logs, ddof=1))),
        ratio_by_source=math.exp(float(np.mean(by_source))),
        scatter_by_source=math.exp(float(np.std(by_source, ddof=1))),
        miss=math.exp(math.sqrt(float(np.mean(np.square(by_source))))),
    )


def printed_softness() -> tuple[float, float]:
    """How many times softer extruded pieces are than the law of hardness says, and the scatter of that, by source."""
    extruded = [c for c in printed_check().rows if not c.material.startswith("laser")]
    sources = dict.fromkeys(c.source for c in extruded)
    by_source = [float(np.mean([math.log(c.ratio) for c in extruded if c.source == s])) for s in sources]
    return math.exp(float(np.mean(by_source))), math.exp(float(np.std(by_source, ddof=1)))


def _hardness(filament: str | Path | Filament, asked: float | None) -> float:
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


def _piece(
    kind: str, size_mm: Sequence[float], folds: int | None, direction: str, bead_mm: float, skin_mm: float
) -> Piece:
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


def _travel(piece: Piece) -> float:
    """How far the piece can go at all."""
    if piece.kind == "column":
        return piece.size_mm[2] - 2 * (piece.folds or 1) * piece.bead_width_mm
    return piece.size_mm[2]


def _strain(piece: Piece, deflection_mm: float) -> float:
    if not (math.isfinite(deflection_mm) and deflection_mm > 0):
        raise DomainError(f"deflection_mm must be finite and > 0, got {deflection_mm:g}")
    travel = _travel(piece)
    if travel <= 0:
        raise DomainError(f"{piece.folds} folds of {piece.bead_width_mm:g} mm walls do not fit {piece.size_mm[2]:g} mm")
    if deflection_mm > 0.5 * travel:
        raise DomainError(
            f"deflection_mm must be at most half of the {number(travel, 3)} mm the piece can go, got "
            f"{deflection_mm:g}; beyond, no model here holds: make it taller"
        )
    return deflection_mm / piece.size_mm[2]


def _one(piece: Piece, shore_a: float, pattern: str, density: float, walls: int) -> Choice:
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
    if not _fits(piece, choice):
        raise DomainError(f"{walls} walls of {piece.bead_width_mm:g} mm do not fit into this {piece.kind}")
    return choice


def _options(piece: Piece, shore_a: float | None) -> Iterable[Choice]:
    hardnesses = _HARDNESSES if shore_a is None else (shore_a,)
    if piece.kind == "column":
        return (Choice(s, "none", 1.0, w) for s, w in product(hardnesses, _COLUMN_WALLS))
    infills = [*product(PATTERNS, _DENSITIES), ("solid", 1.0)]
    return (
        Choice(s, p, d, w)
        for s, (p, d), w in product(hardnesses, infills, _WALLS)
        if p != "solid" or w == _WALLS[1]  # walls vanish in a solid
    )


def _fits(piece: Piece, choice: Choice) -> bool:
    wall = choice.walls * piece.bead_width_mm
    a, b, h = piece.size_mm
    if piece.kind == "column":
        return wall < (a - b) / 2 and wall < h / (2 * (piece.folds or 1))
    if choice.density >= 1:
        return True
    return 2 * wall < (min(a, b) if piece.kind == "pad" else (a - b) / 2)


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


def _shape(piece: Piece) -> float:
    """Loaded area over free area."""
    a, b, h = piece.size_mm
    return (a - b) / (4 * h) if piece.kind == "ring" else a * b / (2 * (a + b) * h)


def _bond(piece: Piece) -> float:
    """Gain of a solid piece whose faces stick."""
    return float(bonded_block_factor(_shape(piece)))


def _predict(
    piece: Piece, choice: Choice, deflection_mm: float, factor: float | None, wanted_n: float | None
) -> Predicted:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ValidityWarning)  # said in the notes, once, in plain words
        # a piece that has gone sideways carries no more than made it go
        force = min(_force(piece, choice, deflection_mm), _sideways_n(piece, choice)) * (factor or 1.0)
    spread = math.exp(
        math.sqrt(sum(math.log(s) ** 2 for s in _spread_parts(piece, choice, deflection_mm, factor).values()))
    )
    near = None
    if wanted_n is not None:
        law = NormalDist(math.log(force), math.log(spread))
        near = law.cdf(math.log(1.25 * wanted_n)) - law.cdf(math.log(0.75 * wanted_n))
    return Predicted(
        choice=choice,
        force_n=force,
        low_n=force * spread**-_Z90,
        high_n=force * spread**_Z90,
        stiffness_n_per_mm=force / deflection_mm,
        spread=spread,
        holds=_holds(piece, choice, deflection_mm),
        chance_near=near,
    )


def _force(piece: Piece, choice: Choice, deflection_mm: float) -> float:
    modulus = modulus_from_hardness_mpa(choice.shore_a)
    if piece.kind == "column":
        a, b, h = piece.size_mm
        soft = softened_modulus_mpa(modulus, _flank_strain(piece, choice, deflection_mm))
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
    return float(force) * (math.sqrt(_bond(piece)) if choice.density >= 1 else 1.0)


def _sideways_n(piece: Piece, choice: Choice, length_factor: float | None = None) -> float:
    """Force at which the whole piece buckles sideways; left out, between faces that turn and faces that are held."""
    if length_factor is None:
        return math.sqrt(_sideways_n(piece, choice, _TURNS) * _sideways_n(piece, choice, _HELD))
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


def _goes_sideways(piece: Piece, choice: Choice, deflection_mm: float) -> bool:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ValidityWarning)  # said in the notes
        return _force(piece, choice, deflection_mm) > _sideways_n(piece, choice, _TURNS)


def _flank(piece: Piece, choice: Choice) -> tuple[float, float, float]:
    """Length, thickness and slope (cosine) of a flank."""
    a, b, h = piece.size_mm
    wall = choice.walls * piece.bead_width_mm
    depth, rise = (a - b) / 2 - wall, h / (2 * (piece.folds or 1))
    length = math.hypot(depth, rise)
    return length, wall * rise / length, depth / length


def _flank_strain(piece: Piece, choice: Choice, deflection_mm: float) -> float:
    length, thickness, cosine = _flank(piece, choice)
    moved = deflection_mm * cosine / (2 * (piece.folds or 1))
    return 3 * thickness * moved / length**2  # surface of a strip held level at both ends


def _holds(piece: Piece, choice: Choice, deflection_mm: float) -> str:
    if piece.kind == "column":
        _, thickness, cosine = _flank(piece, choice)
        moved = deflection_mm * cosine / (2 * (piece.folds or 1))
        if moved > thickness or _flank_strain(piece, choice, deflection_mm) > MOST_STRAIN:
            return "beyond"
        return "sideways" if _goes_sideways(piece, choice, deflection_mm) else "linear"
    strain = deflection_mm / piece.size_mm[2]
    if strain > MOST_STRAIN or (choice.density >= 1 and _shape(piece) > _MOST_SHAPE):
        return "beyond"
    if _goes_sideways(piece, choice, deflection_mm):
        return "sideways"
    pattern = "foam" if choice.pattern == "solid" else choice.pattern
    return "folds" if strain > float(collapse_strain(choice.density, pattern, piece.direction)) else "linear"


def _spread_parts(piece: Piece, choice: Choice, deflection_mm: float, factor: float | None) -> dict[str, float]:
    """Multiplicative standard deviations by cause."""
    parts = {}
    if factor is None:
        parts["printed pieces against the model"] = printed_check().miss
        if not 82 <= choice.shore_a <= 95:
            parts["hardness outside the data sheets' 82A to 95A"] = modulus_spread(choice.shore_a) / MODULUS_SPREAD[0]
    else:
        parts["piece to piece of one spool"] = _REPEAT
    column = piece.kind == "column"
    strain = _flank_strain(piece, choice, deflection_mm) if column else deflection_mm / piece.size_mm[2]
    share = strain / (_HALF_STRAIN + strain)
    parts["softening with strain"] = _HALF_STRAIN_SPREAD**share
    if column:
        parts["bellows model"] = _BELLOWS
    elif choice.density >= 1:
        parts["faces that stick or slide"] = _bond(piece) ** (0.5 / _Z90)
    else:
        parts["cell model"] = _CELLS[choice.pattern]
        if choice.density > 0.3:
            parts["walls of the cells not thin"] = _THICK_CELLS
    holds = _holds(piece, choice, deflection_mm)
    leans = holds == "beyond" and _goes_sideways(piece, choice, deflection_mm)
    if holds == "sideways" or leans:
        parts["faces that let the piece turn sideways, or hold it"] = (_TURNS / _HELD) ** (1 / _Z90)
    if holds in ("folds", "beyond"):
        parts["past the linear range"] = _FOLDED
    return parts


def _nearest(told: list[Predicted], wanted_n: float, shore_a: float | None) -> list[Predicted]:
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
        said.append(f"factor {factor:g} of your own piece, spread ×{_REPEAT:g} between pieces of one spool")
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
            low, high = (_sideways_n(piece, first.choice, k) * (factor or 1.0) for k in (_TURNS, _HELD))
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
    if piece.kind != "column" and _shape(piece) > _MOST_SHAPE and any(p.choice.density >= 1 for p in shown):
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
