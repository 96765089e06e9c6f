"""Cellular solids against the published table, limits and bounds."""

import warnings

import numpy as np
import pytest

from pliant.errors import DomainError, ValidityWarning
from pliant.models import cellular


@pytest.mark.parametrize(
    ("rho", "in_plane", "collapse_in_plane", "axial", "collapse_axial", "foam"),
    [
        (0.1, 0.0015, 0.000143, 0.1, 0.0034, 0.01), (0.2, 0.012, 0.00114, 0.2, 0.027, 0.04),
        (0.3, 0.0405, 0.00386, 0.3, 0.091, 0.09), (0.4, 0.096, 0.00915, 0.4, 0.216, 0.16),
    ],
)  # fmt: skip
def test_published_hexagon_and_foam_table(rho, in_plane, collapse_in_plane, axial, collapse_axial, foam):
    # solid.md 4.1, from a university course formula sheet on cellular solids (Gibson and Ashby)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ValidityWarning)  # 0.4 is past the thin-wall range; the table goes there
        e1 = cellular.cellular_modulus_mpa(1.0, rho, "hexagon")
        e3 = cellular.cellular_modulus_mpa(1.0, rho, "hexagon", "axial")
        assert e1 == pytest.approx(in_plane, rel=1e-9)
        assert e3 == pytest.approx(axial, rel=1e-9)
        assert cellular.cellular_modulus_mpa(1.0, rho, "foam") == pytest.approx(foam, rel=1e-9)
    assert e1 * cellular.collapse_strain(rho, "hexagon") == pytest.approx(collapse_in_plane, rel=4e-3)
    assert e3 * cellular.collapse_strain(rho, "hexagon", "axial") == pytest.approx(collapse_axial, rel=1e-2)


def test_published_square_and_triangle():
    # solid.md 4.1: square along its walls rho/2, triangle rho/3 in plane
    assert cellular.cellular_modulus_mpa(30.0, 0.2, "square") == pytest.approx(3.0)
    assert cellular.cellular_modulus_mpa(30.0, 0.2, "triangle") == pytest.approx(2.0)


def test_published_bonded_disc():
    # solid.md 1.4: compression disc, S = 0.57: factor 1.3-1.4 if the ends stick, k = 0.5 gives 1.33
    assert cellular.bonded_block_factor(0.57, 0.5) == pytest.approx(1.325, abs=1e-3)
    assert cellular.bonded_block_factor(0.57, 0.0) == 1.0


def test_limit_derived_axial_folding_reproduces_the_published_hexagon():
    # the plate rule used for square and triangle, applied to the hexagon: 3.3 rho^2 against the printed 3.4
    by_plate = cellular._PLATE * (0.2 * cellular._SLENDER["hexagon"]) ** 2
    assert by_plate == pytest.approx(float(cellular.collapse_strain(0.2, "hexagon", "axial")), rel=0.04)


@pytest.mark.parametrize("pattern", cellular.PATTERNS)
@pytest.mark.parametrize("direction", cellular.DIRECTIONS)
def test_limit_grows_with_density_and_never_beats_the_bound(pattern, direction):
    rho = np.linspace(0.02, 1.0, 60)
    with pytest.warns(ValidityWarning, match=r"relative_density over 0\.3"):
        e = cellular.cellular_modulus_mpa(25.0, rho, pattern, direction)
    assert np.all(np.diff(e) > 0)
    assert np.all(e <= 25.0 * rho * (1 + 1e-12))
    assert e[-1] == 25.0
    assert np.isinf(cellular.collapse_strain(1.0, pattern, direction))


def test_limit_skins():
    assert cellular.skinned_modulus_mpa(20.0, 2.0, 0.0, 0.0) == pytest.approx(2.0)
    assert cellular.skinned_modulus_mpa(20.0, 2.0, 1.0, 0.3) == pytest.approx(20.0)
    assert cellular.skinned_modulus_mpa(20.0, 2.0, 0.0, 1.0) == pytest.approx(20.0)
    with pytest.raises(DomainError, match=r"wall_share must lie between 0 and 1, got 1\.2"):
        cellular.skinned_modulus_mpa(20.0, 2.0, 1.2, 0.0)


def test_limit_words_and_numbers_are_named():
    with pytest.raises(DomainError, match="pattern must be one of hexagon, square, triangle, foam, got 'wave'"):
        cellular.cellular_modulus_mpa(1.0, 0.2, "wave")
    with pytest.raises(DomainError, match="direction must be one of in-plane, axial, got 'up'"):
        cellular.collapse_strain(0.2, "foam", "up")
    with pytest.raises(DomainError, match=r"relative_density must be at most 1, got 1\.5"):
        cellular.cellular_modulus_mpa(1.0, 1.5, "foam")
    with pytest.raises(DomainError, match="relative_density must be finite and > 0, got 0"):
        cellular.cellular_modulus_mpa(1.0, 0.0, "foam")
