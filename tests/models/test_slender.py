"""Slender soft features against printed values and limits."""

import numpy as np
import pytest
from scipy.integrate import solve_bvp

from pliant.errors import DomainError
from pliant.models import slender


def test_published_tip_stiffness():
    # project reference, toolpath 5.3 (computed there): 5 x 5 mm, 40 mm: 0.244 N/mm at 100 MPa, 0.0322 at 13.2 MPa
    second = 5.0 * 5.0**3 / 12
    got = slender.tip_stiffness_n_per_mm(np.array([100.0, 13.2]), second, 40.0)
    assert got == pytest.approx([0.244, 0.0322], rel=2e-3)
    # ... so 0.024 N and 0.003 N of side force move the tip 0.1 mm
    assert 0.1 * got == pytest.approx([0.024, 0.0032], abs=5e-4)


def test_published_self_weight_height():
    # project reference, toolpath 5.3 (formula from memory): 264 mm for a 5 mm square post, 78 mm for a 0.8 mm wall
    square = slender.self_weight_height_mm(13.2, 5.0**4 / 12, 25.0, 1200.0)
    wall = slender.self_weight_height_mm(13.2, 0.8**3 / 12, 0.8, 1200.0)
    assert square == pytest.approx(264, abs=0.5)
    assert wall == pytest.approx(78, abs=0.5)


def test_published_greenhill_constant():
    # Greenhill 1881 (from memory): the constant is 9/4 j^2, j the first zero of the Bessel function J(-1/3)
    from scipy.optimize import brentq
    from scipy.special import jv

    zero = brentq(lambda x: jv(-1 / 3, x), 1.5, 2.2)
    unit = slender.self_weight_height_mm(1.0, 1.0, 1.0, 1e9 / 9.80665)
    assert unit**3 == pytest.approx(9 / 4 * zero**2, rel=1e-3)


def test_limit_tip_stiffness_agrees_with_the_beam_equation():
    run = solve_bvp(
        lambda x, y: np.vstack([y[1], y[2], y[3], 0 * x]),
        lambda a, b: np.array([a[0], a[1], b[2], b[3] + 1 / (20.0 * 2.0)]),  # E I w''' = -F at the tip
        np.linspace(0, 30, 20), np.zeros((4, 20)),
    )  # fmt: skip
    assert slender.tip_stiffness_n_per_mm(20.0, 2.0, 30.0) == pytest.approx(1 / run.y[0, -1], rel=1e-6)


def test_limit_shear_matters_only_for_stocky_posts():
    at = {"youngs_modulus_mpa": 20.0, "second_moment_mm4": 5.0**4 / 12}
    slim = slender.tip_stiffness_n_per_mm(height_mm=50.0, **at)
    assert slender.tip_stiffness_n_per_mm(height_mm=50.0, area_mm2=25.0, **at) == pytest.approx(slim, rel=1e-2)
    short = slender.tip_stiffness_n_per_mm(height_mm=5.0, **at)
    assert slender.tip_stiffness_n_per_mm(height_mm=5.0, area_mm2=25.0, **at) < 0.6 * short


def test_limit_side_force():
    # 1 MPa under a bead of 0.0814 mm2: 0.024 N, the force that moves a 5 mm post of 100 MPa by 0.1 mm
    assert slender.side_force_n(1.0, 0.0814) == pytest.approx(0.0244, abs=1e-4)
    assert slender.side_force_n(0.0, 0.0814) == 0.0
    assert slender.SIDE_FORCE_SPREAD == 3.0
    with pytest.raises(DomainError, match="contact_pressure_mpa must be finite and >= 0"):
        slender.side_force_n(-1.0, 0.08)


def test_published_wall_spread():
    # Jaramillo, J. Appl. Mech. 17, 1950 (from memory): deflection under a point at the edge 0.168 F L^2 / D
    height, thick, e = 10.0, 1.0, 20.0
    plate = 0.168 * height**2 / (e * thick**3 / 12)
    strip = slender.wall_spread_mm(1e3, height)
    assert 1 / slender.tip_stiffness_n_per_mm(e, strip * thick**3 / 12, height) == pytest.approx(plate, rel=0.02)
    assert slender.wall_spread_mm(5.0, height) == 5.0


@pytest.mark.parametrize("bad", [0.0, -1.0, np.nan, np.inf])
def test_limit_impossible_inputs_are_named(bad):
    with pytest.raises(DomainError, match="height_mm must be finite and > 0"):
        slender.tip_stiffness_n_per_mm(20.0, 1.0, bad)
    with pytest.raises(DomainError, match="area_mm2 must be finite and > 0"):
        slender.self_weight_height_mm(20.0, 1.0, bad, 1200.0)
