"""Slender soft features, found from the islands of the layers.

Every island carries the flexibility of all that it stands on: from layer to layer the tip moves by what the layer
below moves and turns, plus the bending and shear of the new layer. Where several islands join, their stiffnesses add
(their lever arm is left out, so frames come out softer than they are); where one splits, each branch starts from the
trunk. A long thin wall shares a push only over twice its height. Left out: torsion, the shell bending of thin rings,
heat (a fresh tip is softer than the cold part), and damping; the part is taken as solid.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pliant.models.slender import SIDE_FORCE_SPREAD, wall_spread_mm
from pliant.part.islands import Island, principal
from pliant.records.part import SoftFeature

__all__ = ["flexibility_mm_per_n", "soft_features"]

_Z90 = 1.6449  # normal score of the 95 % point
_WALL = 3.0  # longer than this many thicknesses is a wall
_JUMP = 6.0  # a section this much stiffer below is where a feature is rooted
_APEX_MM = 1.0  # less than this that gives way is the apex of a dome or the last layers of a post: not worth a word
_RIGID = 1e-12
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
    z_below = 0.0
    for level, layer in enumerate(layers):
        now, base = [], []
        found = np.zeros(len(layer))
        for i, island in enumerate(layer):
            step, root = island.z_mm - z_below, roots[level][i]
            under = _joined([whole[j] for j in island.below])
            goes_on = len(island.below) == 1 and roots[level - 1][island.below[0]] == root
            now.append(_raise(under, step, island, youngs_modulus_mpa))
            base.append(_carry(trunk[island.below[0]] if goes_on else under, step))
            give, rooted = (principal(c)[1] for c in (now[i], base[i]))
            height = island.z_mm - root
            if island.length_mm > _WALL * island.thickness_mm and height > 0:
                share = float(wall_spread_mm(island.length_mm, height)) / island.length_mm
                give = rooted + max(give - rooted, 0.0) / share
            found[i] = give
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


def _raise(c: NDArray[np.float64], step: float, island: Island, e: float) -> NDArray[np.float64]:
    """Flexibility (displacement, slope against force, moment) one step higher."""
    (a, b), (_, d) = (island.moments_mm4 + 1e-9 * _TWO).tolist()
    bend = np.array([[d, -b], [-b, a]]) / (e * (a * d - b * b))
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
    """Find what gives way by more than `limit_mm` under the side force, softest first.

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
    bad = float(np.exp(_Z90 * np.hypot(np.log(SIDE_FORCE_SPREAD), np.log(max(modulus_spread, 1.0)))))
    soft = [g * side_force_n > limit_mm for g in give]
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
            chain = _down(layers, roots, level, i)
            flex = np.array([give[a][b] for a, b in chain])
            z = np.array([layers[a][b].z_mm for a, b in chain])
            wobble = float(z[flex * side_force_n > limit_mm].min())
            if island.z_mm - wobble < _APEX_MM:
                continue
            # the section that bends most: arm squared over stiffness
            a, b = max(chain, key=lambda c: (island.z_mm - layers[c[0]][c[1]].z_mm) ** 2 / layers[c[0]][c[1]].weak_mm4)
            thin, root = layers[a][b], roots[a][b]
            tip = float(flex[0] * side_force_n)
            power = 1 / 3 if thin.length_mm > _WALL * thin.thickness_mm else 1 / 4
            found.append(
                SoftFeature(
                    root_mm=float(root),
                    top_mm=island.z_mm,
                    thickness_mm=thin.thickness_mm,
                    thin_at_mm=thin.z_mm,
                    length_mm=thin.length_mm,
                    wobble_mm=wobble,
                    wobble_low_mm=float(z[flex * side_force_n * bad > limit_mm].min()),
                    deflection_mm=tip,
                    stiffness_n_per_mm=float(1 / flex[0]),
                    thickness_needed_mm=float(thin.thickness_mm * (tip / limit_mm) ** power),
                    x_mm=float(island.centre_mm[0]),
                    y_mm=float(island.centre_mm[1]),
                )
            )
    return tuple(sorted(found, key=lambda f: -f.deflection_mm))


def _down(layers: list[list[Island]], roots: list[NDArray[np.float64]], level: int, i: int) -> list[tuple[int, int]]:
    """Islands from the tip down to the foot of the trunk, always over the largest overlap's parent."""
    chain = [(level, i)]
    while layers[level][i].below:
        below = layers[level][i].below
        i = min(below, key=lambda j: layers[level - 1][j].area_mm2)
        level -= 1
        chain.append((level, i))
    return chain
