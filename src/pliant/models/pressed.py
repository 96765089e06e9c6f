"""Force of a soft printed piece pressed along one axis: a block of infill, walls and skins, or a bellows.

Secant moduli at the strain of the piece, so moderate strain only; past the folding strain of its cells the infill holds
its force. Left out: friction of the guide, creep and rate. `block_force_n` and `bellows_stiffness_n_per_mm` are the two
entries; `sideways_force_n` is what neither may exceed.
"""

import numpy as np

from pliant.arrays import Number
from pliant.checks import require_not_negative, require_positive, warn_outside
from pliant.errors import DomainError
from pliant.models.cellular import cellular_modulus_mpa, collapse_strain, skinned_modulus_mpa
from pliant.models.stiffness import softened_modulus_mpa

__all__ = [
    "MOST_STRAIN",
    "annular_plate_stiffness_n_per_mm",
    "bellows_stiffness_n_per_mm",
    "block_force_n",
    "sideways_force_n",
    "wall_fold_strain",
]

MOST_STRAIN = 0.2  # [-] the softening law rests on rows at 2 to 50 %, the cell models on small strain: own judgement


def block_force_n(
    youngs_modulus_mpa: Number,
    deflection_mm: Number,
    *,
    area_mm2: Number,
    height_mm: Number,
    relative_density: Number,
    pattern: str = "hexagon",
    direction: str = "axial",
    wall_share: Number = 0.0,
    skin_share: Number = 0.0,
    wall_fold_strain: Number = np.inf,
) -> Number:
    """Force that presses a block of walls, skins and infill together by a deflection.

    Parameters
    ----------
    youngs_modulus_mpa : float or ndarray
        Small-strain modulus of the printed solid. [MPa]
    deflection_mm : float or ndarray
        How far the block is pressed together, less than its height. [mm]
    area_mm2, height_mm : float or ndarray
        Loaded area and height along the load. [mm2], [mm]
    relative_density : float or ndarray
        Infill, above 0, at most 1. [-]
    pattern : str, default "hexagon"
        As in `cellular_modulus_mpa`.
    direction : str, default "axial"
        As in `cellular_modulus_mpa`.
    wall_share : float or ndarray, default 0
        Share of the area taken by solid that runs along the load. [-]
    skin_share : float or ndarray, default 0
        Share of the height taken by solid that lies across the load. [-]
    wall_fold_strain : float or ndarray, default infinite
        Strain at which the solid along the load buckles and its stress stops growing; see `wall_fold_strain`. [-]

    Returns
    -------
    ndarray
        Force. [N]

    Raises
    ------
    DomainError
        If an input is impossible.

    Warns
    -----
    ValidityWarning
        Above 20 % strain; for a density between 0.3 and 1.

    Notes
    -----
    Force = area x secant modulus x strain. The secant falls with strain (`softened_modulus_mpa`); the infill's stress
    stops growing at `collapse_strain`, the plateau of cellular solids, until the cells close up.

    Examples
    --------
    >>> float(block_force_n(30.0, 1.0, area_mm2=100.0, height_mm=10.0, relative_density=1.0))
    180.0
    """
    require_positive(youngs_modulus_mpa=youngs_modulus_mpa, area_mm2=area_mm2, height_mm=height_mm)
    require_not_negative(deflection_mm=deflection_mm)
    strain = np.asarray(deflection_mm, float) / height_mm
    if np.any(strain >= 1):
        raise DomainError(f"deflection_mm must be under height_mm {height_mm}, got {deflection_mm}")
    warn_outside(strain > MOST_STRAIN, f"strain over {MOST_STRAIN}, the range the secant moduli are meant for")
    solid = softened_modulus_mpa(youngs_modulus_mpa, strain)
    cells = _held(youngs_modulus_mpa, strain, collapse_strain(relative_density, pattern, direction))
    core = cellular_modulus_mpa(cells, relative_density, pattern, direction)
    wall = _held(youngs_modulus_mpa, strain, wall_fold_strain)
    beside = skinned_modulus_mpa(wall, core, wall_share, 0.0)
    return skinned_modulus_mpa(solid, beside, 0.0, skin_share) * area_mm2 * strain


def wall_fold_strain(walls: Number, relative_density: Number, pattern: str) -> Number:
    """Strain at which the outer walls buckle between the points where the infill holds them.

    Parameters
    ----------
    walls : int or ndarray
        Walls side by side, each as wide as a wall of the infill. [-]
    relative_density : float or ndarray
        Infill, above 0, at most 1. [-]
    pattern : {"hexagon", "square", "triangle", "foam"}
        Infill; foam is taken as square.

    Returns
    -------
    ndarray
        Strain; infinite beside a solid. [-]

    Raises
    ------
    DomainError
        If the number of walls is negative, or an input is none that `collapse_strain` takes.

    Notes
    -----
    A plate held on both edges, as wide as a cell and `walls` times as thick as its wall: `walls` squared times the
    folding strain of the cells. Own derivation.

    Examples
    --------
    >>> float(wall_fold_strain(2, 0.2, "hexagon"))
    0.544
    """
    prism = "square" if pattern == "foam" else pattern
    require_not_negative(walls=walls)
    return np.asarray(walls, float) ** 2 * collapse_strain(relative_density, prism, "axial")


def sideways_force_n(bending_n_mm2: Number, shear_n: Number, height_mm: Number, length_factor: Number = 1.0) -> Number:
    r"""Force at which a pressed piece, taller than it is wide, buckles sideways as a whole.

    Parameters
    ----------
    bending_n_mm2 : float or ndarray
        Bending stiffness of the section about its weaker axis, E I. [N mm2]
    shear_n : float or ndarray
        Shear stiffness of the section, kappa G A; infinite to leave shear out. [N]
    height_mm : float or ndarray
        Height along the load. [mm]
    length_factor : float or ndarray, default 1.0
        0.5 with both faces held level and in line, 1 where they may turn, or where one may slide aside. [-]

    Returns
    -------
    ndarray
        Critical force. [N]

    Raises
    ------
    DomainError
        If an input is not positive.

    Notes
    -----
    Haringx's column, the usual one for rubber pads, with :math:`P_E = \pi^2 E I / (K L)^2` and
    :math:`r = P_E/(\kappa G A)`:

    .. math:: P = P_E \frac{\sqrt{1 + 4r} - 1}{2r}

    Examples
    --------
    A solid pad of 10 x 10 x 200 mm at 20 MPa, whose faces may turn:

    >>> float(sideways_force_n(20.0 * 10**4 / 12, 5 / 6 * 20.0 / 3 * 100, 200.0))
    4.08
    """
    require_positive(bending_n_mm2=bending_n_mm2, height_mm=height_mm, length_factor=length_factor)
    if not np.all(np.asarray(shear_n) > 0):
        raise DomainError(f"shear_n must be positive, got {shear_n}")
    euler = np.pi**2 * np.asarray(bending_n_mm2, float) / (np.asarray(length_factor) * height_mm) ** 2
    r = np.maximum(euler / np.asarray(shear_n, float), 1e-12)
    return euler * (np.sqrt(1 + 4 * r) - 1) / (2 * r)


def annular_plate_stiffness_n_per_mm(
    youngs_modulus_mpa: Number, outer_mm: Number, inner_mm: Number, thickness_mm: Number, poisson: float = 0.5
) -> Number:
    r"""Axial stiffness of a flat ring, held at its outer edge, moved at its inner edge, both kept level.

    Parameters
    ----------
    youngs_modulus_mpa : float or ndarray
        Modulus. [MPa]
    outer_mm, inner_mm : float or ndarray
        Outer and inner diameter. [mm]
    thickness_mm : float or ndarray
        Thickness. [mm]
    poisson : float, default 0.5
        Poisson ratio. [-]

    Returns
    -------
    ndarray
        Stiffness. [N/mm]

    Raises
    ------
    DomainError
        If a size is not positive or the inner diameter not under the outer.

    Notes
    -----
    Thin plate in bending, small deflection: :math:`w = C_2\ln r + C_3 r^2 + F r^2 \ln r/(8\pi D)` with no slope at
    either edge [1]_. Deflections beyond about one thickness are stiffer (membrane).

    Examples
    --------
    Table value for a diameter ratio of 2 and 0.3 (from memory): deflection 0.0237 F a^2 / (E t^3)

    >>> k = annular_plate_stiffness_n_per_mm(1.0, 2.0, 1.0, 0.1, poisson=0.3)
    >>> float(0.1**3 / k)
    0.0237

    References
    ----------
    .. [1] S. P. Timoshenko and S. Woinowsky-Krieger, Theory of Plates and Shells, 2nd ed., McGraw-Hill, 1959, ch. 3.
    """
    require_positive(
        youngs_modulus_mpa=youngs_modulus_mpa, outer_mm=outer_mm, inner_mm=inner_mm, thickness_mm=thickness_mm
    )
    b = np.asarray(inner_mm, float) / outer_mm  # radii over the outer radius
    if np.any(b >= 1):
        raise DomainError(f"inner_mm must be under outer_mm {outer_mm}, got {inner_mm}")
    plate = youngs_modulus_mpa * np.asarray(thickness_mm, float) ** 3 / (12 * (1 - poisson**2))
    # per F / (8 pi D) and outer radius squared, from slope zero at 1 and at b
    c3 = -(1 - b**2 * (2 * np.log(b) + 1)) / (2 * (1 - b**2))
    c2 = -(2 * c3 + 1)
    moved = np.abs(c3 - (c2 * np.log(b) + c3 * b**2 + b**2 * np.log(b)))
    return 8 * np.pi * plate / (moved * (np.asarray(outer_mm, float) / 2) ** 2)


def bellows_stiffness_n_per_mm(
    youngs_modulus_mpa: Number, outer_mm: Number, inner_mm: Number, height_mm: Number, wall_mm: Number, folds: int
) -> Number:
    r"""Axial stiffness of a bellows of straight flanks, printed upright.

    Parameters
    ----------
    youngs_modulus_mpa : float or ndarray
        Modulus at the strain of the flanks. [MPa]
    outer_mm, inner_mm : float or ndarray
        Diameter at the crests and at the roots (middle of the wall). [mm]
    height_mm : float or ndarray
        Height of all folds together. [mm]
    wall_mm : float or ndarray
        Width of the wall as printed, measured level. [mm]
    folds : int
        Number of folds; each has two flanks. [-]

    Returns
    -------
    ndarray
        Stiffness. [N/mm]

    Raises
    ------
    DomainError
        If a size is impossible or there is no fold.

    Notes
    -----
    Two flanks a fold, all in series. A flank at an angle :math:`\varphi` to the level is a strip that bends across
    itself and shortens along itself: compliance :math:`\cos^2\varphi/k_n + \sin^2\varphi/k_s`, :math:`k_n` the flat
    ring's stiffness by :math:`\cos^3\varphi` for the longer strip. Flat flanks give the annular plate, upright ones
    the tube. Own derivation; hoop stiffness of the cone is left out, so a steep bellows is stiffer than this says.

    Examples
    --------
    >>> float(bellows_stiffness_n_per_mm(20.0, 30.0, 20.0, 40.0, 0.9, 5))
    0.232
    """
    require_positive(height_mm=height_mm, wall_mm=wall_mm, outer_mm=outer_mm, inner_mm=inner_mm)
    if folds < 1:
        raise DomainError(f"folds must be at least 1, got {folds}")
    depth = (np.asarray(outer_mm, float) - inner_mm) / 2
    if np.any(depth <= 0):
        raise DomainError(f"inner_mm must be under outer_mm {outer_mm}, got {inner_mm}")
    rise = np.asarray(height_mm, float) / (2 * folds)
    length = np.hypot(depth, rise)
    cosine, sine = depth / length, rise / length
    thickness = wall_mm * sine
    across = annular_plate_stiffness_n_per_mm(youngs_modulus_mpa, outer_mm, inner_mm, thickness) * cosine**3
    along = youngs_modulus_mpa * np.pi * (np.asarray(outer_mm, float) + inner_mm) / 2 * thickness / length
    return 1 / (2 * folds * (cosine**2 / across + sine**2 / along))


def _held(modulus_mpa: Number, strain: Number, most: Number) -> Number:
    """Secant modulus of walls whose stress stops growing at a strain."""
    reached = np.minimum(strain, most)
    share = np.divide(reached, strain, out=np.ones(np.shape(reached)), where=np.asarray(strain) > 0)
    return softened_modulus_mpa(modulus_mpa, reached) * np.maximum(share, 1e-12)
