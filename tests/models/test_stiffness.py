"""Hardness and stiffness against the published formulas, the data sheets behind our fits, and limits."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from model_figures import fit_quality, flexural_rows, secant_rows
from pliant.errors import DomainError, ValidityWarning
from pliant.models import stiffness
from published_rows import beyond_range, rows


def test_published_hardness_formulas_every_row():
    # solid_hardness_formulas.csv: Gent 1958 and Qi, Joyce, Boyce 2003, evaluated; three to four digits printed
    table = rows("solid_hardness_formulas.csv")
    assert len(table) == 27
    for row in table:
        shore = float(row["shore"])
        with beyond_range():
            qi = stiffness.modulus_from_hardness_mpa(shore, row["scale"], "log-linear")
            assert qi == pytest.approx(float(row["E_qi_joyce_boyce_MPa"]), rel=6e-4)
            if row["E_gent_MPa"]:
                gent = stiffness.modulus_from_hardness_mpa(shore, method="indentation")
                assert gent == pytest.approx(float(row["E_gent_MPa"]), rel=5e-3)


@pytest.mark.parametrize(
    ("shore", "gent", "qi"),
    [(30, 1.14, 1.16), (50, 2.46, 3.43), (60, 3.61, 5.88), (70, 5.52, 10.1), (80, 9.35, 17.4)],
)
def test_published_values_of_both_rubber_formulas(shore, gent, qi):
    # solid.md 1.2, inside the stated ranges: no warning
    assert stiffness.modulus_from_hardness_mpa(shore, "A", "indentation") == pytest.approx(gent, rel=5e-3)
    assert stiffness.modulus_from_hardness_mpa(shore, "A", "log-linear") == pytest.approx(qi, rel=5e-3)


def test_published_data_sheet_fit():
    # solid.md 1.4: 50D 86, 55D 152, 60D 268, 70D 832, 75D 1467; 85A 33, 90A 48, 95A 70 MPa
    d = stiffness.modulus_from_hardness_mpa(np.array([50.0, 55, 60, 70, 75]), "D")
    assert d == pytest.approx([86, 152, 268, 832, 1467], rel=6e-3)
    a = stiffness.modulus_from_hardness_mpa(np.array([85.0, 90, 95]))
    assert a == pytest.approx([33, 48, 70], rel=2e-2)


@pytest.mark.parametrize(("scale", "count", "rms", "worst"), [("A", 5, 1.23, 1.39), ("D", 9, 1.16, 1.36)])
def test_published_rows_behind_the_fit(scale, count, rms, worst):
    # solid_tpu_stiffness.csv: flexural modulus ASTM D790, 23 degC, producers' data sheets; quality as solid.md 1.4
    assert len(flexural_rows(scale)) == count
    assert fit_quality(scale) == pytest.approx((rms, worst), abs=6e-3)


def test_published_rubber_formula_is_low_for_polyurethane():
    # solid.md 1.4: log-linear too low by 1.2 at 85A, 1.4 at 90A, 2.3 at 55D, 3.4 at 60D, 4.8 at 70D: a stated miss
    for shore, scale, flexural, low in (
        (85, "A", 27.25, 1.2),
        (90, "A", 41.4, 1.4),
        (60, "D", 296, 3.4),
        (70, "D", 724, 4.8),
    ):
        with beyond_range():
            got = stiffness.modulus_from_hardness_mpa(shore, scale, "log-linear")
        assert flexural / got == pytest.approx(low, abs=0.06)


def test_published_strain_softening_misses_are_as_stated():
    # solid_tpu_stiffness.csv: stress at up to 50 % strain beside the stiffness of the same grade
    found = secant_rows()
    soft = [model / secant for hardness, _, secant, model in found if hardness == "soft"]
    hard = [model / secant for hardness, _, secant, model in found if hardness == "hard"]
    assert (min(soft), max(soft)) == pytest.approx((0.64, 1.15), abs=0.01)
    assert (min(hard), max(hard)) == pytest.approx((1.22, 1.83), abs=0.01)


@pytest.mark.parametrize(
    ("cold", "warm", "ratio", "miss"), [(20, 60, 0.46, 1.06), (23, 70, 0.43, 1.0), (23, 70, 0.45, 0.95)]
)
def test_published_heat_softening(cold, warm, ratio, miss):
    # solid.md 1.3: E'(60)/E'(20) 0.46 (97A); flex(70)/flex(23) 0.43 (50D), 0.45 (55D)
    ours = stiffness.softened_modulus_mpa(1.0, 0.0, warm) / stiffness.softened_modulus_mpa(1.0, 0.0, cold)
    assert ours / ratio == pytest.approx(miss, abs=0.01)


def test_published_cold_and_hard_grades_are_outside():
    # solid.md 1.3: flex(-30)/flex(23) 8.7 (55D), E'(-20)/E'(20) 7.4 (97A): the law says 2.6 and 2.1, and warns
    with pytest.warns(ValidityWarning, match="temperature_c outside 20 to 70"):
        assert stiffness.softened_modulus_mpa(1.0, 0.0, -30.0) == pytest.approx(2.6, abs=0.01)


def test_limit_softening():
    assert stiffness.softened_modulus_mpa(30.0) == 30.0
    # solid.md 1.4: at 5 to 20 % strain roughly half
    assert stiffness.softened_modulus_mpa(30.0, 0.15) == 15.0
    with pytest.warns(ValidityWarning, match=r"strain over 0\.5"):
        assert stiffness.softened_modulus_mpa(30.0, 0.6) == pytest.approx(6.0)
    falling = stiffness.softened_modulus_mpa(30.0, np.linspace(0, 0.5, 9)[:, None], np.linspace(20, 70, 6))
    assert falling.shape == (9, 6)
    assert np.all(np.diff(falling, axis=0) < 0)
    assert np.all(np.diff(falling, axis=1) < 0)
    # stress still grows with strain
    strain = np.linspace(0.01, 0.5, 50)
    assert np.all(np.diff(stiffness.softened_modulus_mpa(30.0, strain) * strain) > 0)


def test_limit_a_scale_has_no_resolution_left():
    # solid.md 1.2: the same material reads 95A = 50D, 96A = 45D to 55D; the fits then differ by more than the spread
    a, d = stiffness.modulus_from_hardness_mpa(95.0), stiffness.modulus_from_hardness_mpa(55.0, "D")
    assert d / a > stiffness.MODULUS_SPREAD[1]


@given(st.floats(82, 95), st.floats(0.01, 5))
def test_roundtrip_hardness_and_modulus_rise_together(shore, more):
    with beyond_range():
        low, high = stiffness.modulus_from_hardness_mpa([shore, min(shore + more, 99.0)])
        assert high > low
        # the fitted line inverted by hand
        assert (np.log10(low) + 1.302) / 0.0331 == pytest.approx(shore)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: stiffness.modulus_from_hardness_mpa(100.0), "shore must be under 100, got 100"),
        (lambda: stiffness.modulus_from_hardness_mpa(0.0), "shore must be finite and > 0, got 0"),
        (lambda: stiffness.modulus_from_hardness_mpa(85.0, "B"), "scale must be one of A, D, got 'B'"),
        (lambda: stiffness.modulus_from_hardness_mpa(85.0, method="guess"), "method must be one of data-sheets"),
        (lambda: stiffness.modulus_from_hardness_mpa(50.0, "D", "indentation"), "needs scale A, got D; use"),
        (lambda: stiffness.softened_modulus_mpa(-1.0), "youngs_modulus_mpa must be finite and > 0, got -1"),
        (lambda: stiffness.softened_modulus_mpa(9.0, -0.1), "strain must be finite and >= 0"),
        (lambda: stiffness.softened_modulus_mpa(9.0, 0.1, np.nan), "temperature_c must be finite, got nan"),
    ],
)
def test_limit_impossible_inputs_are_named(call, words):
    with pytest.raises(DomainError, match=words):
        call()


@pytest.mark.parametrize(
    ("shore", "scale", "method", "words"),
    [
        (80, "A", "data-sheets", "Shore A outside 82-95"),
        (45, "D", "data-sheets", "Shore D outside 50-76"),
        (85, "A", "indentation", "Shore A outside 20-80, the range of Gent"),
        (85, "A", "log-linear", "Shore A outside 20-80, the range of Qi"),
        (88, "D", "log-linear", "Shore D outside 30-85"),
    ],
)
def test_limit_ranges_are_told(shore, scale, method, words):
    with pytest.warns(ValidityWarning, match=words):
        assert stiffness.modulus_from_hardness_mpa(shore, scale, method) > 0
