"""How should the part stand so that it needs no support?

Candidates: faces of the convex hull on which the part rests stably, and near-uniform directions of the sphere; each is
measured on the facets, the best few are refined and go through the layer test. Angles are measured FROM THE VERTICAL: a
wall is 0 degrees, a ceiling 90; a facet is an overhang if it leans out further than the limit. The published limits
(45 degrees by convention, ledges of 0.5 to 1.5 mm, bridges of about 10 mm) were found with rigid filament; for soft
filament, which sets more slowly, no published value was found, and they are upper bounds.

The rank: what the nozzle can reach, then what has a foot to stand on, then what needs no support, then how much a
person would have to cut away, with a word for a large foot and a low build. `why_before` says which of these decided.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.errors import MeshError
from pliant.kernels.section import stand_measures
from pliant.part.repair import half_edge_twins, mesh_volume_mm3
from pliant.part.sections import cut, layer_levels_mm, turned
from pliant.part.unsupported import LayerTest, layer_test
from pliant.records.part import Mesh, Orientation
from pliant.say import number

__all__ = [
    "ANGLE_CONVENTION",
    "Limits",
    "best_orientations",
    "rank_key",
    "rotation_to",
    "sphere_directions",
    "turn_words",
    "why_before",
]

ANGLE_CONVENTION = "overhang angles are measured from the vertical: a wall is 0°, a ceiling 90°"
_ANGLE_SLACK_DEG = 0.05  # a facet drawn at the limit stays within it after float32 rounding
_TEST_LAYERS = 160  # layers of the layer test; thicker than the job's on tall parts, the growth follows
_FINALISTS = 8
_WITH_PIECES = 3  # finalists more, by a score that takes an island on air for a small thing: it may be a speck
_APART_DEG = 12.0
_WORTH = 2.5  # orientations that score worse than the best by this factor are not shown
# weights of the search among facets, in mm2 of overhang (own choice; they order candidates and prove nothing)
_ISLAND_SHARE = 0.1  # of the part's surface, for each island born on air
_HEIGHT_SHARE = 0.05  # of the surface, for standing as tall as the part's longest direction
_FOOT_SHARE = 0.3  # of the surface, for having no footprint at all
_NO_FOOT = 1.0  # of the surface, more, for standing on less than the least foot
_NO_ROOM = 10.0  # of the surface, more, for not fitting where the nozzle reaches
# weights of the last ranking, in mm2 that a person would have to cut away (own choice)
_PIECE_MM2 = 10.0  # for each piece of support more, however small what it holds
_HANGS = 0.1  # of what hangs out and holds by itself: it may sag
_TALL_SHARE, _STAND_SHARE = 0.02, 0.05  # of the surface: for height over the longest direction, for having no footprint


@dataclass(frozen=True)
class Limits:
    """What is taken to be printable without support; see the module's first lines."""

    overhang_deg: float = 45.0  # from the vertical; customary, Jiang, Xu, Stringer 2019 (second hand)
    ledge_mm: float = 0.5  # low end of 0.5-1.5, Mazlan et al. 2020 (abstract); beyond it is a doubt
    ledge_most_mm: float = 1.5  # high end; beyond it needs support
    bridge_mm: float = 10.0  # "10 mm rule", empirical, He et al. 2026 (second hand)
    foot_mm2: float = 25.0  # least first layer a part is stood on, 5 x 5 mm; own choice
    foot_share: float = 0.002  # of the height squared, where that is more; own choice

    def least_foot_mm2(self, height_mm: float) -> float:
        """Least first layer that a part of this height is stood on."""
        return max(self.foot_mm2, self.foot_share * height_mm**2)


def sphere_directions(count: int) -> NDArray[np.float64]:
    """Near-uniform unit vectors (golden-angle spiral), shape (count, 3); the six axes come first."""
    k = np.arange(count) + 0.5
    z = 1 - 2 * k / count
    turn = np.pi * (1 + np.sqrt(5.0)) * k
    r = np.sqrt(1 - z**2)
    axes = np.array([[0, 0, 1], [0, 0, -1], [0, 1, 0], [0, -1, 0], [1, 0, 0], [-1, 0, 0]], dtype=float)
    return np.vstack([axes, np.column_stack([r * np.cos(turn), r * np.sin(turn), z])])


def rotation_to(up: Any) -> NDArray[np.float64]:
    """Rotation, first about x and then about y, that turns the direction `up` of the file to +z."""
    x, y, z = np.asarray(up, dtype=float) / np.linalg.norm(up)
    a, b = _turns(x, y, z)
    about_x = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    about_y = np.array([[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]])
    return about_y @ about_x


def _turns(x: float, y: float, z: float) -> tuple[float, float]:
    flat = float(np.hypot(y, z))
    a = float(np.arctan2(y, z)) if flat > 1e-9 else 0.0
    return a, float(-np.arctan2(x, flat))


def turn_words(up: Any) -> str:
    """How to turn the part as drawn so that `up` points up."""
    x, y, z = np.asarray(up, dtype=float) / np.linalg.norm(up)
    a, b = (round(float(np.rad2deg(v)), 1) + 0.0 for v in _turns(x, y, z))
    if abs(a) < 0.1 and abs(b) < 0.1:
        return "as drawn"
    if abs(abs(a) - 180) < 0.1 and abs(b) < 0.1:
        return "upside down (180° about x)"
    steps = [f"{angle:.0f}° about {axis}" if angle == round(angle) else f"{angle:.1f}° about {axis}"
             for angle, axis in ((a, "x"), (b, "y")) if abs(angle) >= 0.1]  # fmt: skip
    return ("turned " + ", then ".join(steps)).replace("-", "−")


@dataclass(frozen=True)
class _Facets:
    """The mesh as the kernel wants it."""

    vertices: NDArray[np.float64]
    faces: NDArray[np.int32]
    normals: NDArray[np.float64]
    areas: NDArray[np.float64]
    edges: NDArray[np.int32]
    surface_mm2: float
    span_mm: float
    tie_mm: float

    @classmethod
    def of(cls, mesh: Mesh) -> "_Facets":
        v, f = mesh.vertices, mesh.faces
        n = np.cross(v[f[:, 1]] - v[f[:, 0]], v[f[:, 2]] - v[f[:, 0]])
        size = np.linalg.norm(n, axis=1)
        normals = np.divide(n, size[:, None], out=np.zeros_like(n), where=size[:, None] > 0)
        twin = half_edge_twins(f)
        half = np.arange(twin.size)
        once = half[(half < twin) | (twin < 0)]
        edges = np.column_stack([f.reshape(-1)[once], np.roll(f, -1, axis=1).reshape(-1)[once]])
        span = float(np.linalg.norm(np.ptp(v, axis=0)))
        return cls(v, f, normals, size / 2, edges, float(size.sum() / 2), span, 1e-6 * span)

    def measure(self, ups: NDArray[np.float64], limits: Limits, contact_mm: float) -> NDArray[np.float64]:
        sine = np.sin(np.deg2rad(limits.overhang_deg + _ANGLE_SLACK_DEG))
        return stand_measures(self.vertices, self.faces, self.normals, self.areas, self.edges,
                              np.ascontiguousarray(ups), sine, contact_mm, self.tie_mm)  # fmt: skip

    def score(self, measured: NDArray[np.float64], limits: Limits, piece_share: float = _ISLAND_SHARE) -> Any:
        height, foot, overhang, births = measured.T
        short = foot < np.maximum(limits.foot_mm2, limits.foot_share * height**2)
        return overhang + self.surface_mm2 * (
            piece_share * births
            + _HEIGHT_SHARE * height / self.span_mm
            + _FOOT_SHARE * self.lack(foot)
            + _NO_FOOT * short
        )

    def lack(self, foot_mm2: Any) -> Any:
        """How much of a plentiful foot, a tenth of the surface, is missing."""
        return 1 - np.minimum(foot_mm2 / (0.1 * self.surface_mm2), 1.0)

    def stand(self, height_mm: float, foot_mm2: float) -> tuple[float, float]:
        """What height and foot weigh in the last ranking."""
        return (
            self.surface_mm2 * _TALL_SHARE * height_mm / self.span_mm,
            self.surface_mm2 * _STAND_SHARE * float(self.lack(foot_mm2)),
        )


def _resting_directions(mesh: Mesh) -> NDArray[np.float64]:
    """Up directions in which the part rests stably on a face of its convex hull, the largest sixty."""
    from scipy.spatial import ConvexHull, QhullError

    try:
        hull = ConvexHull(mesh.vertices)
    except QhullError as error:
        raise MeshError(f"{mesh.file}: flat, it encloses no volume; save the part as a solid body") from error
    corner = mesh.vertices[hull.simplices]
    area = np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1) / 2
    key, group = np.unique(np.round(hull.equations[:, :3], 4), axis=0, return_inverse=True)
    group = group.reshape(-1)
    total = np.bincount(group, weights=area)
    centre = _centroid(mesh)
    found = []
    for g in np.argsort(-total)[:300]:
        mine = corner[group == g]
        down = key[g] / np.linalg.norm(key[g])
        foot = centre + down * float(np.dot(mine[0, 0] - centre, down))
        if any(_contains(t, foot, down) for t in mine):
            found.append(-down)
        if len(found) == 60:
            break
    return np.array(found).reshape(-1, 3)


def _contains(triangle: NDArray[np.float64], point: NDArray[np.float64], normal: NDArray[np.float64]) -> bool:
    sides = [
        float(np.dot(np.cross(triangle[(k + 1) % 3] - triangle[k], point - triangle[k]), normal)) for k in range(3)
    ]
    slack = 1e-9 * float(np.abs(triangle).max() ** 2 + 1)
    return all(s >= -slack for s in sides) or all(s <= slack for s in sides)


def _centroid(mesh: Mesh) -> NDArray[np.float64]:
    origin = mesh.vertices.mean(axis=0)
    a, b, c = (mesh.vertices[mesh.faces[:, k]] - origin for k in range(3))
    six = np.einsum("ij,ij->i", a, np.cross(b, c))
    return origin + (six[:, None] * (a + b + c)).sum(axis=0) / (4 * six.sum())


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
    facets = _Facets.of(mesh)
    if abs(mesh_volume_mm3(mesh.vertices, mesh.faces)) < 1e-9 * facets.span_mm**3:
        raise MeshError(f"{mesh.file}: flat, it encloses no volume; save the part as a solid body")
    ups = np.vstack([sphere_directions(directions), _resting_directions(mesh)])
    measured = facets.measure(ups, limits, layer_height_mm)
    rims = _hull_points(mesh)
    room = np.array([reach_mm is None or _spin_to_fit_deg(rims, up, reach_mm) is not None for up in ups])
    tried = len(ups)
    same = np.array([0.01 * facets.span_mm, *(2 * [0.004 * facets.surface_mm2]), 0.5])  # a turned twin
    picked: list[NDArray[np.float64]] = []
    seen: list[NDArray[np.float64]] = []
    for share, most in ((_ISLAND_SHARE, _FINALISTS), (0.0, _FINALISTS + _WITH_PIECES)):
        score = facets.score(measured, limits, share) + _NO_ROOM * facets.surface_mm2 * ~room
        looked = 0
        # ties go to the axes, as drawn first
        for i in np.argsort(np.round(score / facets.surface_mm2, 7), kind="stable"):
            if len(picked) >= most or looked == 2 * _FINALISTS:
                break
            if _near(ups[i], picked) or any((np.abs(measured[i] - m) <= same).all() for m in seen):
                continue
            up, extra = _refine(facets, ups[i], limits, layer_height_mm, share)
            if room[i] and reach_mm is not None and _spin_to_fit_deg(rims, up, reach_mm) is None:
                up = ups[i]  # the tilt left the room there is
            tried += extra
            looked += 1
            now = facets.measure(up[None], limits, layer_height_mm)[0]
            if not _near(up, picked) and not any((np.abs(now - m) <= same).all() for m in seen):
                picked.append(up)
            seen += [measured[i], now]
    if all(turn_words(up) != "as drawn" for up in picked):
        picked.append(np.array([0.0, 0.0, 1.0]))  # as drawn, always, to compare with
    final = facets.measure(np.array(picked), limits, layer_height_mm)
    twin = half_edge_twins(mesh.faces)
    ranked: list[Orientation] = []
    for up, m in zip(picked, final, strict=True):
        points = turned(mesh.vertices, rotation_to(up))
        height = float(m[0])
        foot = float(cut(points, mesh.faces, np.array([min(layer_height_mm, height) / 2]), twin).solid(0).area())
        spin = 0.0 if reach_mm is None else _spin_to_fit_deg(rims, up, reach_mm)
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
    ranked.sort(key=rank_key)
    best = ranked[0]
    useful = [o for o in ranked if o is best or o.turn == "as drawn" or o.score < _WORTH * best.score]
    if len(useful) > keep:  # as drawn is always shown, to compare with
        useful = (
            useful[:keep]
            if any(o.turn == "as drawn" for o in useful[:keep])
            else [*useful[: keep - 1], *(o for o in useful if o.turn == "as drawn")]
        )
    return tuple(useful), tried


_VERDICTS = {"good": 0, "workable": 1, "poor": 2}


def rank_key(o: Orientation) -> tuple[Any, ...]:
    """Sort key, best first; see the module's first lines."""
    verdict = _VERDICTS[o.forecast.verdict] if o.forecast else 0
    return (o.fits is False, not o.foot_enough, o.needs_support, verdict, o.score)


def why_before(first: Orientation, second: Orientation) -> str:
    """Say in one sentence why the first way to stand is put before the second."""
    if first.fits is not second.fits and second.fits is False:
        return "it fits where the nozzle reaches, and the second does not"
    if first.foot_enough and not second.foot_enough:
        return (
            f"it has a foot of {first.footprint_mm2:.0f} mm², and the second only {second.footprint_mm2:.1f} of the "
            f"{second.least_foot_mm2:.0f} mm² that a part of that height should stand on"
        )
    if second.needs_support and not first.needs_support:
        return "it needs no support, and the second does"
    if first.forecast and second.forecast and first.forecast.verdict != second.forecast.verdict:
        watch = next(iter(second.forecast.reasons), second.forecast.verdict)
        return f"it builds better: of the second is said that {watch}"
    gain = {k: second.weighs_mm2[k] - v for k, v in first.weighs_mm2.items()}
    most = max(gain, key=lambda k: gain[k])
    if gain[most] < 1e-3 * max(first.score, second.score, 1e-9):
        return "nothing between the first two, so the one nearer to as drawn"
    return {
        "cut": f"less to cut away: {first.cut_mm2:.1f} against {second.cut_mm2:.1f} mm² that support would hold",
        "pieces": f"fewer islands on air: {first.islands_on_air} against {second.islands_on_air}",
        "hangs": f"less hangs out: {first.unsupported_mm2:.0f} against {second.unsupported_mm2:.0f} mm²",
        "foot": f"a larger foot: {first.footprint_mm2:.0f} against {second.footprint_mm2:.0f} mm²",
        "height": f"it is lower: {first.height_mm:.1f} against {second.height_mm:.1f} mm",
    }[most]


def _hull_points(mesh: Mesh) -> NDArray[np.float64]:
    from scipy.spatial import ConvexHull

    return np.asarray(mesh.vertices[ConvexHull(mesh.vertices).vertices])


def _spin_to_fit_deg(points: NDArray[np.float64], up: Any, reach_mm: tuple[float, float, float]) -> float | None:
    """Turn about the vertical at which a part standing on `-up` fits a box; 0 where it need not turn, None if never."""
    p = points @ rotation_to(up).T
    x, y, z = np.ptp(p, axis=0)
    if z > reach_mm[2] * (1 + 1e-9):
        return None
    if x <= reach_mm[0] * (1 + 1e-9) and y <= reach_mm[1] * (1 + 1e-9):
        return 0.0
    angle = np.deg2rad(np.arange(1.0, 180.0))
    along = np.ptp(p[:, :1] * np.cos(angle) - p[:, 1:2] * np.sin(angle), axis=0)
    across = np.ptp(p[:, :1] * np.sin(angle) + p[:, 1:2] * np.cos(angle), axis=0)
    room = (along <= reach_mm[0] * (1 + 1e-9)) & (across <= reach_mm[1] * (1 + 1e-9))
    return float(np.rad2deg(angle[np.argmax(room)])) if room.any() else None


def _near(up: NDArray[np.float64], others: list[NDArray[np.float64]]) -> bool:
    return any(float(np.dot(up, o)) > np.cos(np.deg2rad(_APART_DEG)) for o in others)


def _refine(
    facets: _Facets, up: NDArray[np.float64], limits: Limits, contact_mm: float, share: float
) -> tuple[NDArray[np.float64], int]:
    """Pattern search over small tilts; a step is taken only if it lowers the score by more than a thousandth."""
    tried = 0
    score = float(facets.score(facets.measure(up[None], limits, contact_mm), limits, share)[0])
    for step_deg in (6.0, 3.0, 1.5):
        while True:
            one = np.cross(up, [1.0, 0, 0] if abs(up[0]) < 0.9 else [0, 1.0, 0])
            one /= np.linalg.norm(one)
            two = np.cross(up, one)
            angle = np.arange(6) * np.pi / 3
            near = up + np.tan(np.deg2rad(step_deg)) * (np.cos(angle)[:, None] * one + np.sin(angle)[:, None] * two)
            near /= np.linalg.norm(near, axis=1)[:, None]
            cost = facets.score(facets.measure(near, limits, contact_mm), limits, share)
            tried += 6
            best = int(cost.argmin())
            if cost[best] > score - 1e-3 * abs(score) or tried > 120:
                break
            up, score = near[best], float(cost[best])
    return up, tried


def _orientation(
    up: NDArray[np.float64],
    measured: NDArray[np.float64],
    foot_mm2: float,
    spin_deg: float | None,
    test: LayerTest,
    limits: Limits,
    facets: _Facets,
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
    return replace(found, reasons=_reasons(found, test, limits, reach_mm))


def _reasons(
    o: Orientation, test: LayerTest, limits: Limits, reach_mm: tuple[float, float, float] | None
) -> tuple[str, ...]:
    said = []
    if reach_mm is not None and o.fits is False:
        said.append("it does not fit where the nozzle reaches, " + " x ".join(f"{v:g}" for v in reach_mm) + " mm")
    elif o.spin_deg:
        said.append(f"it fits where the nozzle reaches only turned about the vertical, by {o.spin_deg:.0f}°")
    if o.islands_on_air:
        where = ", ".join(f"{z:.1f}" for z in test.birth_mm[:4])
        some = "an island is" if o.islands_on_air == 1 else f"{o.islands_on_air} islands are"
        said.append(
            f"{some} born on air, at {where} mm"
            + (" and more" if o.islands_on_air > 4 else "")
            + f", the largest {number(max(test.birth_mm2))} mm²"
        )
    if test.specks_mm:
        n = len(test.specks_mm)
        said.append(
            f"{n} speck{'s' if n > 1 else ''} smaller than a bead begin{'' if n > 1 else 's'} on air and join the rest "
            f"at once, the first at {test.specks_mm[0]:.1f} mm: a blob may fall, nothing is lost"
        )
    if test.unlooked:
        said.append(
            f"{test.unlooked} patches more than were looked at for bridges are taken as ledges: this may be too strict"
        )
    if o.longest_ledge_mm > limits.ledge_mm:
        said.append(
            f"a ledge reaches {o.longest_ledge_mm:.1f} mm beyond {limits.overhang_deg:g}°, "
            f"at {test.ledge_at_mm:.1f} mm; {limits.ledge_mm:g} to {limits.ledge_most_mm:g} mm held in rigid filament"
        )
    if o.longest_bridge_mm > limits.bridge_mm:
        said.append(f"a bridge spans {o.longest_bridge_mm:.1f} mm; {limits.bridge_mm:g} mm is taken to hold")
    elif o.bridges:
        said.append(f"{o.bridges} bridges, the longest {o.longest_bridge_mm:.1f} mm")
    if not o.needs_support and o.longest_ledge_mm <= limits.ledge_mm:
        said.insert(0, f"needs no support: nothing leans out beyond {limits.overhang_deg:g}° further than it holds")
    if o.cut_mm2:
        said.append(f"support would hold {o.cut_mm2:.0f} mm², to cut away afterwards")
    said.append(f"stands on {o.footprint_mm2:.{0 if o.footprint_mm2 >= 10 else 1}f} mm², {o.height_mm:.1f} mm tall")
    if not o.foot_enough:
        said.append(f"a first layer under {o.least_foot_mm2:.0f} mm² is small for the height: it may come off the bed")
    return tuple(said)
