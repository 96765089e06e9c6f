"""Slender soft features, found from the islands of the layers.

Every island carries the flexibility of all that it stands on: from layer to layer the tip moves by what the layer
below moves and turns, plus the bending and shear of the new layer. Where several islands join, their stiffnesses add
(their lever arm is left out, so frames come out softer than they are); where one splits, each branch starts from the
trunk. A long thin wall shares a push only over twice its height. A feature that leans is longer and thinner than its
level sections say, and the nozzle's press bends it too. Left out: torsion, the shell bending of thin rings, heat (a
fresh tip is softer than the cold part), and damping; the part is taken as solid.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pliant.constants import Z90
from pliant.mesh.islands import Island, principal
from pliant.models.slender import SIDE_FORCE_SHARE, SIDE_FORCE_SPREAD, wall_spread_mm
from pliant.records.part import SoftFeature

__all__ = ["flexibility_mm_per_n", "soft_features"]

_WALL = 3.0  # longer than this many thicknesses is a wall
_JUMP = 6.0  # a section this much stiffer below is where a feature is rooted
_APEX_MM = 1.0  # less than this that gives way is the apex of a dome or the last layers of a post: not worth a word
_APEX_MAYBE_MM = 3.0  # the same where only the bad end gives way
_RIGID = 1e-12
_LIKE = 1.25  # sections whose areas differ by less than this belong to one leaning piece; a larger jump is a step
_MOST_LEAN = 2.0  # tangent of the lean, from the vertical: a piece that leans out further hangs
_TWO, _FOUR, _LEVER = np.eye(2), np.eye(4), np.eye(4, k=2)


def flexibility_mm_per_n(
    layers: list[list[Island]], youngs_modulus_mpa: float, bead_mm: float = 0.0
) -> list[NDArray[np.float64]]:
    """How far each island gives way per newton of side force in its weakest direction. [mm/N], (n_islands,) a layer."""
    layers = [[_as_printed(i, bead_mm) for i in layer] for layer in layers]
    whole: list[NDArray[np.float64]] = []
    trunk: list[NDArray[np.float64]] = []  # of what the feature is rooted in, seen from here
    out: list[NDArray[np.float64]] = []
    roots = _roots(layers)
    feet: list[list[NDArray[np.float64]]] = [[] for _ in layers]
    z_below = 0.0
    for level, layer in enumerate(layers):
        now, base = [], []
        found = np.zeros(len(layer))
        for i, island in enumerate(layer):
            step, root = island.z_mm - z_below, roots[level][i]
            under = _joined([whole[j] for j in island.below])
            goes_on = len(island.below) == 1 and roots[level - 1][island.below[0]] == root
            lean = _lean(layers, island, step)
            now.append(_raise(under, step, island, youngs_modulus_mpa, float(np.hypot(*lean))))
            # the middle of the piece's foot: where the straight line down ends
            feet[level].append(feet[level - 1][island.below[0]] if goes_on else island.centre_mm - lean * step)
            base.append(_carry(trunk[island.below[0]] if goes_on else under, step))
            give, rooted = (principal(c)[1] for c in (now[i], base[i]))
            height = island.z_mm - root
            if island.length_mm > _WALL * island.thickness_mm and height > 0:
                share = float(wall_spread_mm(island.length_mm, height)) / island.length_mm
                give = rooted + max(give - rooted, 0.0) / share
            out_of_plumb = float(np.hypot(*(island.centre_mm - feet[level][i]))) / max(height, step)
            pressed = 1 + min(out_of_plumb, _MOST_LEAN) / SIDE_FORCE_SHARE  # the press acts beside the foot
            found[i] = rooted + max(give - rooted, 0.0) * pressed
        whole, trunk = now, base
        out.append(found)
        z_below = layer[0].z_mm if layer else z_below
    return out


def _as_printed(island: Island, bead_mm: float) -> Island:
    """The island no thinner than one bead: what is drawn thinner comes out as one, if at all."""
    area = max(island.area_mm2, np.pi / 4 * bead_mm**2)
    lack = area * bead_mm**2 / 12 - island.weak_mm4
    if lack <= 0:
        return island
    return replace(
        island,
        area_mm2=area,
        moments_mm4=island.moments_mm4 + lack * _TWO,
        weak_mm4=island.weak_mm4 + lack,
        strong_mm4=island.strong_mm4 + lack,
    )


def _carry(c: NDArray[np.float64], step: float) -> NDArray[np.float64]:
    """Flexibility seen from a rigid arm one step higher."""
    move = _FOUR + step * _LEVER
    return np.asarray(move @ c @ move.T)


def _joined(parents: list[NDArray[np.float64]]) -> NDArray[np.float64]:
    """Flexibility of several islands acting side by side; the bed and islands born on air are rigid."""
    if not parents:
        return np.zeros((4, 4))
    if len(parents) == 1:
        return parents[0]
    return np.linalg.inv(sum(np.linalg.inv(p + _RIGID * np.eye(4)) for p in parents))


def _lean(layers: list[list[Island]], island: Island, step: float) -> NDArray[np.float64]:
    """How far the middle moves a millimetre of height, (2,), where one section follows on another like it."""
    if len(island.below) != 1 or step <= 0:
        return np.zeros(2)
    under = layers[island.level - 1][island.below[0]]
    ratio = island.area_mm2 / under.area_mm2
    if not 1 / _LIKE < ratio < _LIKE:
        return np.zeros(2)
    lean = (island.centre_mm - under.centre_mm) / step
    return np.asarray(lean * min(1.0, _MOST_LEAN / max(float(np.hypot(*lean)), 1e-12)))


def _raise(c: NDArray[np.float64], step: float, island: Island, e: float, lean: float) -> NDArray[np.float64]:
    """Flexibility (displacement, slope against force, moment) one step higher.

    Leaning by the angle a, a prism is longer by 1 / cos a than its height. In the plane of the lean its thickness is
    cos a of the level section's, so the second moment falls by cos^3 a; across it, by cos a, but the arm is longer by
    1 / cos a, twice. Both make the compliance of bending grow by 1 / cos^4 a.
    """
    (a, b), (_, d) = (island.moments_mm4 + 1e-9 * _TWO).tolist()
    bend = np.array([[d, -b], [-b, a]]) / (e * (a * d - b * b)) * (1 + lean**2) ** 2
    local = np.zeros((4, 4))
    local[:2, :2] = step**3 / 3 * bend + step / (5 / 6 * e / 3 * island.area_mm2) * _TWO
    local[:2, 2:] = local[2:, :2] = step**2 / 2 * bend
    local[2:, 2:] = step * bend
    return _carry(c, step) + local


def _roots(layers: list[list[Island]]) -> list[NDArray[np.float64]]:
    """Height at which the feature that each island belongs to begins."""
    out: list[NDArray[np.float64]] = []
    for level, layer in enumerate(layers):
        shares = np.zeros(len(layers[level - 1]) if level else 0, dtype=int)
        for island in layer:
            for j in island.below:
                shares[j] += 1
        root = np.zeros(len(layer))
        for i, island in enumerate(layer):
            under = layers[level - 1] if level else []
            here = (island.z_mm + under[0].z_mm) / 2 if under else 0.0
            if len(island.below) != 1:
                root[i] = here if island.below else (here if level else 0.0)
                continue
            j = island.below[0]
            stiffer = under[j].weak_mm4 > _JUMP * island.weak_mm4
            root[i] = here if stiffer or shares[j] > 1 else out[-1][j]
        out.append(root)
    return out


def soft_features(
    layers: list[list[Island]],
    youngs_modulus_mpa: float,
    modulus_spread: float,
    side_force_n: float,
    limit_mm: float,
    bead_mm: float = 0.0,
) -> tuple[SoftFeature, ...]:
    """Find what gives way by more than `limit_mm` under the side force, or perhaps does, softest first.

    Perhaps: with force and modulus at the bad end of their 90 % ranges; `wobble_mm` is None where only that is so.

    Parameters
    ----------
    layers : list of list of Island
        From `islands_of`.
    youngs_modulus_mpa, modulus_spread : float
        Central modulus and its multiplicative spread. [MPa, -]
    side_force_n : float
        Central side force; its spread is `models.slender.SIDE_FORCE_SPREAD`. [N]
    limit_mm : float
        Deflection of the tip that spoils the layer. [mm]
    bead_mm : float, default 0.0
        Nothing is taken as thinner than this. [mm]

    Returns
    -------
    tuple of SoftFeature
    """
    layers = [[_as_printed(i, bead_mm) for i in layer] for layer in layers]
    give = flexibility_mm_per_n(layers, youngs_modulus_mpa)
    roots = _roots(layers)
    bad = float(np.exp(Z90 * np.hypot(np.log(SIDE_FORCE_SPREAD), np.log(max(modulus_spread, 1.0)))))
    soft = [g * side_force_n * bad > limit_mm for g in give]
    # walk down from every soft island that no soft island stands on
    crowned = [np.zeros(len(layer), dtype=bool) for layer in layers]
    for level in range(1, len(layers)):
        for i, island in enumerate(layers[level]):
            if soft[level][i]:
                for j in island.below:
                    crowned[level - 1][j] = True
    found = []
    for level, layer in enumerate(layers):
        for i, island in enumerate(layer):
            if not soft[level][i] or crowned[level][i]:
                continue
            chain = _down(layers, level, i)
            move = np.array([give[a][b] for a, b in chain]) * side_force_n
            z = np.array([layers[a][b].z_mm for a, b in chain])
            low = float(z[move * bad > limit_mm].min())
            sure = float(z[move > limit_mm].min()) if (move > limit_mm).any() else None
            if sure is not None and island.z_mm - sure < _APEX_MM:
                sure = None
            if sure is None and island.z_mm - low < _APEX_MAYBE_MM:
                continue
            # the section that bends most: arm squared over stiffness
            a, b = max(chain, key=lambda c: (island.z_mm - layers[c[0]][c[1]].z_mm) ** 2 / layers[c[0]][c[1]].weak_mm4)
            thin, root = layers[a][b], roots[a][b]
            tip = float(move[0])
            power = 1 / 3 if thin.length_mm > _WALL * thin.thickness_mm else 1 / 4
            over = (tip if sure is not None else tip * bad) / limit_mm
            found.append(
                SoftFeature(
                    root_mm=float(root),
                    top_mm=island.z_mm,
                    thickness_mm=thin.thickness_mm,
                    thin_at_mm=thin.z_mm,
                    length_mm=thin.length_mm,
                    wobble_mm=sure,
                    wobble_low_mm=low,
                    deflection_mm=tip,
                    deflection_high_mm=tip * bad,
                    stiffness_n_per_mm=side_force_n / tip,
                    thickness_needed_mm=float(thin.thickness_mm * over**power),
                    x_mm=float(island.centre_mm[0]),
                    y_mm=float(island.centre_mm[1]),
                    z_mm=island.z_mm,
                )
            )
    return tuple(sorted(found, key=lambda f: -f.deflection_mm))


def _down(layers: list[list[Island]], level: int, i: int) -> list[tuple[int, int]]:
    """Islands from the tip down to the foot of the trunk, always over the largest overlap's parent."""
    chain = [(level, i)]
    while layers[level][i].below:
        below = layers[level][i].below
        i = min(below, key=lambda j: layers[level - 1][j].area_mm2)
        level -= 1
        chain.append((level, i))
    return chain
