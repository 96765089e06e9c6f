"""Columns against Hibbeler, the neo-Hookean table and its own condition, Euler tables, and limits."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from pliant.errors import DomainError, ValidityWarning
from pliant.models import column
from published_rows import beyond_range, rows


def _gain(theory, slender):
    with beyond_range():
        return column.buckling_force_n(1.0, 1.0, slender, theory=theory) / column.buckling_force_n(1.0, 1.0, slender)


def test_published_euler_column():
    # R. C. Hibbeler, Mechanics of Materials, Ex. 13.1: tube, radii 75 and 70 mm, 7.2 m, 200 GPa: 228.2 kN, 100.2 MPa
    load = column.euler_load_n(200e3, np.pi / 4 * (75**4 - 70**4), 7200.0)
    assert load == pytest.approx(228.2e3, rel=2e-4)
    assert load / (np.pi * (75**2 - 70**2)) == pytest.approx(100.2, rel=4e-4)


def test_published_euler_rod():
    # Faires, Design of Machine Elements, problem 334(b): 10 kip x safety 3, 50 in, 30e6 psi, pinned: d = 1.507 in
    lbf, inch = 4.4482216, 25.4
    diameter = 1.507 * inch
    load = column.euler_load_n(30e6 * lbf / inch**2, np.pi * diameter**4 / 64, 50 * inch)
    assert load == pytest.approx(30e3 * lbf, rel=2e-3)


def test_published_column_table_every_row():
    # solid_column_neohookean.csv: exact neo-Hookean, Engesser and Haringx (kappa 0.9), four digits
    table = rows("solid_column_neohookean.csv")
    assert len(table) == 11
    for row in table:
        slender = float(row["Le_over_d"])
        assert _gain("engesser", slender) == pytest.approx(float(row["N_over_NEuler_engesser_kappa0.9"]), abs=6e-5)
        assert _gain("haringx", slender) == pytest.approx(float(row["N_over_NEuler_haringx_kappa0.9"]), abs=6e-5)
        assert _gain("neo-hookean", slender) == pytest.approx(float(row["N_over_NEuler_exact_neohookean"]), abs=6e-5)
        with beyond_range():
            load = column.buckling_force_n(1.0, 1.0, slender, theory="neo-hookean") / (np.pi / 4)
        assert load == pytest.approx(float(row["N_over_A0_E"]), rel=4e-3)
        # the stretch behind that load, from the neo-Hookean law itself
        strain = brentq(lambda e, n=float(load): ((1 - e) ** -2 - (1 - e)) / 3 - n, 0, 0.7)
        assert strain == pytest.approx(float(row["compressive_strain_at_buckling"]), abs=6e-5)


def test_published_euler_filament_table_every_row():
    # solid_euler_filament.csv: 1.75 mm, gaps of 2 to 10 mm, both end conditions, and strain at buckling
    table = rows("solid_euler_filament.csv")
    assert len(table) == 35
    area = np.pi * 1.75**2 / 4
    for row in table:
        e, d, gap = float(row["E_MPa"]), float(row["d_mm"]), float(row["gap_mm"])
        with beyond_range():
            pinned = column.buckling_force_n(e, d, gap)
            fixed = column.buckling_force_n(e, d, gap, length_factor=0.5)
        assert pinned == pytest.approx(float(row["P_pinned_N"]), rel=6e-3)
        assert fixed == pytest.approx(float(row["P_fixed_fixed_N"]), rel=6e-3)
        assert pinned / (area * e) == pytest.approx(float(row["strain_pinned"]), abs=6e-4)
        assert fixed / (area * e) == pytest.approx(float(row["strain_fixed_fixed"]), abs=6e-4)


def test_published_end_factors():
    # handbook tables: 1, 0.699, 0.5; the middle one is pi over the first root of tan x = x
    assert column.END_FACTORS == {"pinned-pinned": 1.0, "pinned-fixed": 0.699, "fixed-fixed": 0.5}
    assert np.pi / brentq(lambda x: np.tan(x) - x, 4.4, 4.6) == pytest.approx(0.699, abs=5e-4)


def test_published_first_finite_strain_correction():
    # Goriely, Vandiver, Destrade 2008, Nonlinear Euler buckling (form; constants from memory):
    # N/N_E = 1 - (pi^2/24)(20/3 + 9 A3/E)(B/L)^2 with A3 = -4E/3 for the neo-Hookean rod
    coefficient = -(np.pi**2) / 24 * (20 / 3 - 12) / 4  # on (d/L)^2
    assert coefficient == pytest.approx(0.548, abs=5e-4)
    assert (_gain("neo-hookean", 19.0) - 1) * 19**2 == pytest.approx(coefficient, rel=5e-3)
    assert (_gain("neo-hookean", 40.0) - 1) * 40**2 == pytest.approx(coefficient, rel=5e-3)


@pytest.mark.parametrize("slender", [0.6, 1.1, 1.7, 2.3, 3.3, 6.0, 12.0])
def test_limit_exact_column_between_the_rows_of_the_table(slender):
    # an independent search over the bifurcation condition: one sign change only, and our load at it
    wave = np.array([np.pi / 2 / slender])
    stretch = np.linspace(0.3, 1 - 0.2 * np.pi**2 / 16 / max(slender, 2) ** 2, 4000)
    value = column._bifurcation(stretch, np.broadcast_to(wave, stretch.shape))
    change = np.flatnonzero(np.diff(np.sign(value)))
    assert change.size == 1
    root = brentq(lambda x: column._bifurcation(np.array([x]), wave)[0], stretch[change[0]], stretch[change[0] + 1])
    euler = np.pi**2 / 16 / slender**2
    assert _gain("neo-hookean", slender) == pytest.approx((root**-2 - root) / 3 / euler, rel=3e-6)


def test_limit_theories_bracket_and_meet():
    slender = np.geomspace(2.0, 200.0, 60)
    engesser, haringx, exact = (_gain(t, slender) for t in ("engesser", "haringx", "neo-hookean"))
    assert np.all(engesser <= haringx)
    assert np.all(haringx < 1)
    assert np.all(exact > 1)
    # solid.md 2.2: plain Euler within about 10 % from four diameters on
    assert np.all(np.abs(haringx[slender >= 4] - 1) < 0.105)
    assert np.all(exact[slender >= 4] - 1 < 0.04)
    assert [engesser[-1], haringx[-1], exact[-1]] == pytest.approx([1, 1, 1], abs=1e-4)


def test_limit_stubby_rod_keeps_a_finite_stress():
    with pytest.warns(ValidityWarning, match="squashes"):
        load = column.buckling_force_n(1.0, 1.0, np.array([0.5, 0.2, 0.01]), theory="neo-hookean")
    assert load == pytest.approx(load[0])
    assert load[0] / (np.pi / 4) == pytest.approx(1.65, abs=0.01)


@given(
    st.floats(1, 200), st.floats(0.5, 4), st.floats(2.1, 30), st.floats(0.2, 5),
    st.sampled_from(column.THEORIES),
)  # fmt: skip
def test_limit_scaling(modulus, diameter, slender, size, theory):
    # force = E d^2 x a function of shape alone
    here = column.buckling_force_n(modulus, diameter, slender * diameter, theory=theory)
    there = column.buckling_force_n(2 * modulus, size * diameter, size * slender * diameter, theory=theory)
    assert there == pytest.approx(2 * size**2 * here, rel=1e-9)
    # an end factor is a change of length
    assert column.buckling_force_n(
        modulus, diameter, slender * diameter / 0.5, length_factor=0.5, theory=theory
    ) == pytest.approx(here, rel=1e-12)


def test_limit_broadcasts():
    got = column.buckling_force_n([[10], [20]], 1.75, [5, 8, 10], length_factor=1)
    assert got.shape == (2, 3)
    assert got[1] == pytest.approx(2 * got[0])


def test_limit_short_column_is_named_a_squash():
    for theory in column.THEORIES:
        with pytest.warns(ValidityWarning, match="squashes rather than bows"):
            column.buckling_force_n(20.0, 1.75, 3.0, theory=theory)


@pytest.mark.parametrize("bad", [0.0, -3.0, np.nan, np.inf])
def test_limit_impossible_inputs_are_named(bad):
    with pytest.raises(DomainError, match=r"gap_mm must be finite and > 0, got"):
        column.buckling_force_n(20.0, 1.75, bad)
    with pytest.raises(DomainError, match=r"length_factor must be finite and > 0, got"):
        column.buckling_force_n(20.0, 1.75, [8.0, 9.0], length_factor=[1.0, bad])
    with pytest.raises(DomainError, match=r"second_moment_mm4 must be finite and > 0, got"):
        column.euler_load_n(20.0, bad, 5.0)


def test_limit_unknown_theory_is_named():
    with pytest.raises(DomainError, match="theory must be one of euler, engesser, haringx, neo-hookean, got 'johnson'"):
        column.buckling_force_n(20.0, 1.75, 8.0, theory="johnson")


@pytest.mark.parametrize(
    ("slender", "tangent"), [(2, 0.05801), (2.4, 0.04877), (3, 0.03813), (4, 0.02624), (6, 0.01407), (10, 0.00571)]
)
def test_published_softening_column_bends_at_the_tangent_modulus(slender, tangent):
    # reference sheet "Second edition", section 2, derived outside the project: round, pinned, sigma/E at bending
    elastic = column.euler_load_n(1.0, np.pi / 64, slender)
    assert column.softening_load_n(elastic, 1.0, 1.0) / (np.pi / 4) == pytest.approx(tangent, abs=6e-6)


@given(slender=st.floats(0.5, 40), half=st.floats(0.02, 5))
def test_limit_softening_column_carries_what_its_own_tangent_modulus_carries(slender, half):
    """Put back into the law: the load over the section is the stress at the strain whose tangent gives that load."""
    kappa = np.pi**2 / 16 / slender**2
    load = column.softening_load_n(kappa * np.pi / 4, 1.0, 1.0, half) / (np.pi / 4)
    strain = load / (1 - load / half)  # of sigma = e / (1 + e / half)
    assert load == pytest.approx(kappa / (1 + strain / half) ** 2, rel=1e-6)
    assert load <= kappa


def test_limit_no_softening_leaves_the_elastic_load():
    assert column.softening_load_n(3.0, 30.0, 1.75, 1e9) == pytest.approx(3.0)
