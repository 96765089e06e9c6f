"""How should the part stand so that it needs no support?

Candidates: faces of the convex hull on which the part rests stably, and near-uniform directions of the sphere; each is
measured on the facets, the best few are refined and go through the layer test. Angles are measured FROM THE VERTICAL: a
wall is 0 degrees, a ceiling 90; a facet is an overhang if it leans out further than the limit. The published limits
(45 degrees by convention, ledges of 0.5 to 1.5 mm, bridges of about 10 mm) were found with rigid filament; for soft
filament, which sets more slowly, no published value was found, and they are upper bounds.

The rank: what the nozzle can reach, then what has a foot to stand on, then what needs no support, then how much a
person would have to cut away, with a word for a large foot and a low build. `why_before` says which of these decided.
"""

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.errors import MeshError
from pliant.mesh.orient_reasons import reasons
from pliant.mesh.repair import half_edge_twins, mesh_volume_mm3
from pliant.mesh.sections import cut, layer_levels_mm, turned
from pliant.mesh.stances import ISLAND_SHARE, Facets, Limits, refined, resting_directions
from pliant.mesh.turning import hull_points, rotation_to, sphere_directions, spin_to_fit_deg, turn_words
from pliant.mesh.unsupported import LayerTest, layer_test
from pliant.records.part import Mesh, Orientation

__all__ = ["ANGLE_CONVENTION", "best_orientations", "rank_key"]

ANGLE_CONVENTION = "overhang angles are measured from the vertical: a wall is 0°, a ceiling 90°"
_TEST_LAYERS = 160  # layers of the layer test; thicker than the job's on tall parts, the growth follows
_FINALISTS = 8
_WITH_PIECES = 3  # finalists more, by a score that takes an island on air for a small thing: it may be a speck
_APART_DEG = 12.0
_WORTH = 2.5  # orientations that score worse than the best by this factor are not shown
_NO_ROOM = 10.0  # of the surface, more, for not fitting where the nozzle reaches
# weights of the last ranking, in mm2 that a person would have to cut away (own choice)
_PIECE_MM2 = 10.0  # for each piece of support more, however small what it holds
_HANGS = 0.1  # of what hangs out and holds by itself: it may sag
_VERDICTS = {"good": 0, "workable": 1, "poor": 2}


def _why_empty(mesh: Mesh) -> str:
    """Why a closed surface encloses nothing: all in one plane, or as much backwards as forwards."""
    spread = np.linalg.eigvalsh(np.cov(mesh.vertices.T))
    if spread[0] > 1e-12 * spread[-1]:
        return "its surface crosses itself, and encloses as much inside out as not; mend it in the program that made it"
    return "flat, it encloses no volume; save the part as a solid body"


def best_orientations(
    mesh: Mesh,
    layer_height_mm: float,
    *,
    bead_mm: float = 0.0,
    limits: Limits | None = None,
    directions: int = 500,
    keep: int = 4,
    reach_mm: tuple[float, float, float] | None = None,
) -> tuple[tuple[Orientation, ...], int]:
    """Rank the ways a part can stand.

    Parameters
    ----------
    mesh : Mesh
        A closed mesh.
    layer_height_mm : float
        Layer height; also how far above the lowest point a facet still counts as lying on the bed. [mm]
    bead_mm : float, default 0.0
        Least width of what is printed; a thinner section touches the layer below as if it were that wide. [mm]
    limits : Limits, optional
        What needs no support.
    directions : int, default 500
        Near-uniform directions tried besides the resting faces.
    keep : int, default 4
        How many to return, best first.
    reach_mm : tuple of 3 floats, optional
        How far the nozzle reaches; what fits goes before what does not. [mm]

    Returns
    -------
    orientations : tuple of Orientation
        Best first, no two nearly alike.
    candidates : int
        How many directions were measured.

    Raises
    ------
    MeshError
        If the mesh encloses no volume.
    """
    limits = limits or Limits()
    facets = Facets.of(mesh)
    if abs(mesh_volume_mm3(mesh.vertices, mesh.faces)) < 1e-9 * facets.span_mm**3:
        raise MeshError(f"{mesh.file}: {_why_empty(mesh)}")
    picked, tried = _finalists(mesh, facets, limits, layer_height_mm, directions, reach_mm)
    ranked = _ranked(mesh, facets, picked, limits, layer_height_mm, bead_mm, reach_mm)
    best = ranked[0]
    useful = [o for o in ranked if o is best or o.turn == "as drawn" or o.score < _WORTH * best.score]
    if len(useful) > keep:  # as drawn is always shown, to compare with
        useful = (
            useful[:keep]
            if any(o.turn == "as drawn" for o in useful[:keep])
            else [*useful[: keep - 1], *(o for o in useful if o.turn == "as drawn")]
        )
    return tuple(useful), tried


def _finalists(
    mesh: Mesh,
    facets: Facets,
    limits: Limits,
    layer_height_mm: float,
    directions: int,
    reach_mm: tuple[float, float, float] | None,
) -> tuple[list[NDArray[np.float64]], int]:
    """Up directions worth the layer test, no two nearly alike and as drawn among them; how many were measured."""
    rims = hull_points(mesh)
    ups = np.vstack([sphere_directions(directions), resting_directions(mesh)])
    measured = facets.measure(ups, limits, layer_height_mm)
    room = np.array([reach_mm is None or spin_to_fit_deg(rims, up, reach_mm) is not None for up in ups])
    tried = len(ups)
    same = np.array([0.01 * facets.span_mm, *(2 * [0.004 * facets.surface_mm2]), 0.5])  # a turned twin
    picked: list[NDArray[np.float64]] = []
    seen: list[NDArray[np.float64]] = []
    for share, most in ((ISLAND_SHARE, _FINALISTS), (0.0, _FINALISTS + _WITH_PIECES)):
        score = facets.score(measured, limits, share) + _NO_ROOM * facets.surface_mm2 * ~room
        looked = 0
        # ties go to the axes, as drawn first
        for i in np.argsort(np.round(score / facets.surface_mm2, 7), kind="stable"):
            if len(picked) >= most or looked == 2 * _FINALISTS:
                break
            if _near(ups[i], picked) or any((np.abs(measured[i] - m) <= same).all() for m in seen):
                continue
            up, extra = refined(facets, ups[i], limits, layer_height_mm, share)
            if room[i] and reach_mm is not None and spin_to_fit_deg(rims, up, reach_mm) is None:
                up = ups[i]  # the tilt left the room there is
            tried += extra
            looked += 1
            now = facets.measure(up[None], limits, layer_height_mm)[0]
            if not _near(up, picked) and not any((np.abs(now - m) <= same).all() for m in seen):
                picked.append(up)
            seen += [measured[i], now]
    if all(turn_words(up) != "as drawn" for up in picked):
        picked.append(np.array([0.0, 0.0, 1.0]))  # as drawn, always, to compare with
    return picked, tried


def _ranked(
    mesh: Mesh,
    facets: Facets,
    picked: list[NDArray[np.float64]],
    limits: Limits,
    layer_height_mm: float,
    bead_mm: float,
    reach_mm: tuple[float, float, float] | None,
) -> list[Orientation]:
    """The finalists after the layer test, best first."""
    rims = hull_points(mesh)
    final = facets.measure(np.array(picked), limits, layer_height_mm)
    twin = half_edge_twins(mesh.faces)
    ranked: list[Orientation] = []
    for up, m in zip(picked, final, strict=True):
        points = turned(mesh.vertices, rotation_to(up))
        height = float(m[0])
        foot = float(cut(points, mesh.faces, np.array([min(layer_height_mm, height) / 2]), twin).solid(0).area())
        spin = 0.0 if reach_mm is None else spin_to_fit_deg(rims, up, reach_mm)
        fair = spin is not None and foot >= limits.least_foot_mm2(height)
        # the layer test cannot bring the score under what height and foot weigh
        if any(o.fits is not False and o.foot_enough and not o.needs_support
               and (not fair or sum(facets.stand(height, foot)) > _WORTH * o.score) for o in ranked) and (
               turn_words(up) != "as drawn"):  # fmt: skip
            continue
        step = max(layer_height_mm, height / _TEST_LAYERS)
        test = layer_test(
            cut(points, mesh.faces, layer_levels_mm(points, step), twin),
            step,
            limits.overhang_deg,
            bead_mm,
            ledge_most_mm=limits.ledge_most_mm,
            bridge_most_mm=limits.bridge_mm,
        )
        ranked.append(_orientation(up, m, foot, spin, test, limits, facets, reach_mm))
    return sorted(ranked, key=rank_key)


def rank_key(o: Orientation) -> tuple[Any, ...]:
    """Sort key, best first; see the module's first lines."""
    verdict = _VERDICTS[o.forecast.verdict] if o.forecast else 0
    return (o.fits is False, not o.foot_enough, o.needs_support, verdict, o.score)


def _near(up: NDArray[np.float64], others: list[NDArray[np.float64]]) -> bool:
    return any(float(np.dot(up, o)) > np.cos(np.deg2rad(_APART_DEG)) for o in others)


def _orientation(
    up: NDArray[np.float64],
    measured: NDArray[np.float64],
    foot_mm2: float,
    spin_deg: float | None,
    test: LayerTest,
    limits: Limits,
    facets: Facets,
    reach_mm: tuple[float, float, float] | None,
) -> Orientation:
    height, overhang = float(measured[0]), float(measured[2])
    needs = (
        test.islands_on_air > 0
        or test.longest_bridge_mm > limits.bridge_mm
        or test.longest_ledge_mm > limits.ledge_most_mm
    )
    tall, stands = facets.stand(height, foot_mm2)
    weighs = {
        "cut": test.cut_mm2,
        "pieces": _PIECE_MM2 * test.islands_on_air,
        "hangs": _HANGS * test.unsupported_mm2,
        "foot": stands,
        "height": tall,
    }
    rotation = rotation_to(up)
    found = Orientation(
        up=tuple(round(float(v), 6) + 0.0 for v in up),  # type: ignore[arg-type]
        turn=turn_words(up),
        rotation=tuple(tuple(float(v) for v in row) for row in rotation),  # type: ignore[misc]
        height_mm=height,
        footprint_mm2=foot_mm2,
        least_foot_mm2=limits.least_foot_mm2(height),
        foot_enough=foot_mm2 >= limits.least_foot_mm2(height),
        fits=None if reach_mm is None else spin_deg is not None,
        spin_deg=spin_deg or 0.0,
        overhang_mm2=overhang,
        unsupported_mm2=test.unsupported_mm2,
        cut_mm2=test.cut_mm2,
        islands_on_air=test.islands_on_air,
        births_mm=test.birth_mm[:20],
        bridges=test.bridges,
        longest_bridge_mm=test.longest_bridge_mm,
        longest_ledge_mm=test.longest_ledge_mm,
        needs_support=bool(needs),
        score=sum(weighs.values()),
        weighs_mm2=weighs,
        reasons=(),
    )
    return replace(found, reasons=reasons(found, test, limits, reach_mm))
