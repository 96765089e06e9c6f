"""The models of the feed path against published examples, tables and limits."""

import csv
import warnings
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from pliant.errors import DomainError, ValidityWarning
from pliant.models import bead, column, drive, guide, lag, melting, metering, pressure, stiffness

TABLES = Path(__file__).parent.parent / "published"


def _rows(name):
    with (TABLES / name).open(newline="") as file:
        return list(csv.DictReader(file))


def test_published_euler_column():
    # Hibbeler, Mechanics of Materials, Ex. 13.1: 228.2 kN
    second = np.pi / 4 * (75**4 - 70**4)
    assert column.euler_load_n(200e3, second, 7200.0) == pytest.approx(228.2e3, rel=3e-4)


def test_published_column_table():
    for row in _rows("solid_column_neohookean.csv"):
        slender = float(row["Le_over_d"])
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ValidityWarning)
            got = {t: float(column.buckling_force_n(1.0, 1.0, slender, theory=t)) for t in column.THEORIES}
        assert got["engesser"] / got["euler"] == pytest.approx(float(row["N_over_NEuler_engesser_kappa0.9"]), abs=6e-4)
        assert got["haringx"] / got["euler"] == pytest.approx(float(row["N_over_NEuler_haringx_kappa0.9"]), abs=6e-4)
        assert got["neo-hookean"] / got["euler"] == pytest.approx(
            float(row["N_over_NEuler_exact_neohookean"]), rel=1e-3
        )


def test_published_euler_filament_table():
    for row in _rows("solid_euler_filament.csv"):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ValidityWarning)
            got = column.buckling_force_n(float(row["E_MPa"]), float(row["d_mm"]), float(row["gap_mm"]))
        assert got == pytest.approx(float(row["P_pinned_N"]), rel=6e-3)


def test_limit_short_column_is_named_a_squash():
    with pytest.warns(ValidityWarning, match="squashes"):
        column.buckling_force_n(20.0, 1.75, 3.0)


def test_published_hardness_table():
    for row in _rows("solid_hardness_formulas.csv"):
        shore = float(row["shore"])
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ValidityWarning)
            qi = stiffness.modulus_from_hardness_mpa(shore, row["scale"], "log-linear")
            assert qi == pytest.approx(float(row["E_qi_joyce_boyce_MPa"]), rel=6e-3)
            if row["scale"] == "A" and row["E_gent_MPa"]:
                gent = stiffness.modulus_from_hardness_mpa(shore, "A", "indentation")
                assert gent == pytest.approx(float(row["E_gent_MPa"]), rel=6e-3)


def test_published_tube_lockup_table():
    for row in _rows("solid_tube_lockup.csv"):
        at = {"youngs_modulus_mpa": float(row["E_MPa"]), "diameter_mm": float(row["d_mm"])}
        bore = float(row["tube_ID_mm"])
        lock = guide.guide_lock_force_n(
            length_mm=1e3 * float(row["helix_length_m"]), bore_mm=bore, turn_rad=0.0, friction=float(row["mu"]), **at
        )
        assert lock == pytest.approx(float(row["F_out_max_N"]), rel=6e-3)
        assert guide.fill_force_n(bore_mm=bore, **at) == pytest.approx(float(row["F_swell_fill_N"]), rel=6e-3)


TUBE = {"length_mm": 300.0, "bore_mm": 2.0, "friction": 0.1, "diameter_mm": 1.75, "youngs_modulus_mpa": 20.0}


def test_published_push_into_straight_guide():
    got = guide.push_into_guide_n(np.array([1.0, 2, 4, 6, 8]), turn_rad=0.0, **TUBE)
    assert got == pytest.approx([1.113, 2.511, 6.748, 15.42, 43.1], rel=1e-3)


def test_limit_guide():
    bent = guide.push_into_guide_n(2.0, turn_rad=np.pi, **TUBE)
    a, b = 0.1 * np.pi / 300, 0.1 * 0.125 / (4 * 20 * np.pi * 1.75**4 / 64)
    run = solve_ivp(lambda s, f: a * f + b * f**2, (0, 300), [2.0], rtol=1e-9, atol=1e-12)
    assert bent == pytest.approx(run.y[0, -1], rel=1e-6)
    # capstan alone, 180 degrees at 0.10: 1.369
    assert guide.push_into_guide_n(1e-9, turn_rad=np.pi, **TUBE) / 1e-9 == pytest.approx(1.369, abs=6e-4)
    lock = guide.guide_lock_force_n(turn_rad=0.0, **TUBE)
    assert np.isinf(guide.push_into_guide_n(lock * 1.001, turn_rad=0.0, **TUBE))
    tight = {"youngs_modulus_mpa": 20.0, "diameter_mm": 1.75, "bore_mm": 1.9}
    assert guide.guide_lock_force_n(turn_rad=0.0, **{**TUBE, "bore_mm": 1.9}) > lock
    assert guide.fill_force_n(**tight) < guide.fill_force_n(**{**tight, "bore_mm": 2.0})
    # worked example: 0.129 N for E 20, bore 2.0, 0.0283 N/m
    onset = guide.helix_onset_force_n(youngs_modulus_mpa=20.0, diameter_mm=1.75, bore_mm=2.0)
    assert onset == pytest.approx(0.129, abs=6e-4)
    with pytest.raises(DomainError, match="bore_mm must exceed diameter_mm"):
        guide.fill_force_n(youngs_modulus_mpa=20.0, diameter_mm=1.75, bore_mm=1.7)


def test_published_drive():
    # Hertz table for E 20, wheel 5.5 mm: 4.7 N at 0.2 mm
    at = {"youngs_modulus_mpa": 20.0, "diameter_mm": 1.75, "wheel_radius_mm": 5.5}
    assert drive.pinch_squash_mm(4.7, **at) == pytest.approx(0.2, abs=2e-3)
    # stretch table: 2 N on E 20 is 4.2 %
    assert drive.stretch_loss(2.0, 20.0, 1.75) == pytest.approx(0.042, abs=5e-4)


def test_limit_drive():
    assert drive.grip_force_n(20.0, 0.5, 2) == 2 * drive.grip_force_n(20.0, 0.5, 1)
    assert drive.motor_force_n(330.0, 3.0, 0.9, 5.5) == pytest.approx(162.0)
    assert drive.slip_loss(12.0, 10.0) == 1.0
    with pytest.raises(DomainError, match="driven_wheels must be 1 or 2, got 3"):
        drive.grip_force_n(20.0, 0.5, 3)


def test_published_pressure_drops():
    # Imperial College London, ME4 Polymer Processing, solution 3.1, 2008: 8.96 MPa
    angle = np.rad2deg(np.arctan(1.5 / 60))
    assert pressure.cone_drop_mpa(1e4, 3.0, 1.5, angle, 16000.0, 0.3) == pytest.approx(8.96, rel=1e-3)
    # Steffe 1996, Table 4.4: shear part 139.5 and 170.6 kPa at 47.4 and 94.8 1/s
    for rate, kpa in ((47.4, 139.5), (94.8, 170.6)):
        flow = rate * np.pi * 1.59**3 / 4
        with pytest.warns(ValidityWarning, match="half_angle_deg over 30"):
            got = pressure.cone_drop_mpa(flow, 7.5, 1.59, 45.0, 23300.0, 0.29)
        assert 1e3 * got == pytest.approx(kpa, rel=1e-3)


def test_limit_newtonian_pressure():
    q, mu = 3.0, 1000.0
    assert pressure.tube_drop_mpa(q, 0.2, 0.6, mu, 1.0) == pytest.approx(8e-6 * mu * 0.6 * q / (np.pi * 0.2**4))
    assert pressure.slit_drop_mpa(q, 0.45, 0.2, 0.5, mu, 1.0) == pytest.approx(12e-6 * mu * 0.5 * q / (0.45 * 0.2**3))
    radial = 6e-6 * mu * q / (np.pi * 0.2**3) * np.log(2.5)
    assert pressure.face_drop_mpa(q, 0.2, 0.2, 0.5, mu, 1.0) == pytest.approx(radial)
    assert pressure.tube_drop_mpa(0.0, 0.2, 0.6, mu, 0.5) == 0.0
    # E 50 kJ/mol, +10 K at 200 C: 1.30
    assert 1 / pressure.temperature_shift(210.0, 200.0, 50.0) == pytest.approx(1.30, abs=5e-3)


@pytest.mark.parametrize(
    ("wall", "soft", "axis", "mean"),
    [
        (200, 140, 12.8, 27.8), (200, 167, 9.2, 15.2), (200, 187, 6.4, 8.9), (220, 140, 14.5, 36.5),
        (220, 167, 11.1, 21.1), (220, 187, 8.8, 14.0), (240, 140, 16.0, 46.2), (240, 167, 12.7, 27.4),
        (240, 187, 10.6, 19.1),
    ],
)  # fmt: skip
def test_published_melt_limits(wall, soft, axis, mean):
    at = (12.5, float(wall), 25.0, float(soft), 0.087)
    assert melting.melt_flow_limit_mm3_per_s(*at) == pytest.approx(axis, abs=0.06)
    assert melting.melt_flow_limit_mm3_per_s(*at, criterion="mean") == pytest.approx(mean, abs=0.06)


def test_limit_melting():
    # PLA, 12.5 mm: 12.8 by the axis criterion (published limit 13.0, Wuest et al. 2026)
    assert melting.melt_flow_limit_mm3_per_s(12.5, 220.0, 25.0, 155.0, 0.0882) == pytest.approx(12.8, abs=0.06)
    limit = melting.melt_flow_limit_mm3_per_s(12.5, 220.0, 25.0, 187.0, 0.087)
    assert melting.axis_temperature_c(limit, 12.5, 220.0, 25.0, 0.087) == pytest.approx(187.0, abs=1e-2)
    assert melting.mean_temperature_c(1e-6, 12.5, 220.0, 25.0, 0.087) == pytest.approx(220.0)
    assert melting.mean_temperature_c(1e6, 12.5, 220.0, 25.0, 0.087) == pytest.approx(25.0, abs=1.0)
    assert melting.melt_flow_limit_mm3_per_s(12.5, 180.0, 25.0, 187.0, 0.087) == 0.0
    with pytest.raises(DomainError, match="soften_c must exceed inlet_c"):
        melting.melt_flow_limit_mm3_per_s(12.5, 220.0, 25.0, 20.0, 0.087)


def test_limit_lag():
    p0, q0, c, n = 5.0, 5.0, 0.5, 0.4
    k = p0 / q0**n
    run = solve_ivp(lambda t, p: -((max(p[0], 0) / k) ** (1 / n)) / c, (0, 2), [p0], rtol=1e-10, atol=1e-12)
    assert lag.ooze_mm3(2.0, p0, q0, c, n) == pytest.approx(c * (p0 - run.y[0, -1]), rel=1e-6)
    assert lag.ooze_mm3(1.0, p0, q0, c, 1.0) == pytest.approx(c * p0 * (1 - np.exp(-2.0)))
    assert lag.time_constant_s(c, p0, q0, n) == pytest.approx(0.2)
    assert lag.stored_length_mm(4.8105, 40.0, 1.75, 20.0) == pytest.approx(4.0, rel=1e-3)


def test_published_bead_area():
    assert bead.bead_area_mm2(0.45, 0.2) == pytest.approx(0.081416, abs=1e-6)
    assert bead.bead_area_mm2(0.6, 0.3) == pytest.approx(0.160686, abs=1e-6)


def test_roundtrip_bead_width():
    assert bead.bead_width_mm(bead.bead_area_mm2(0.5, 0.25), 0.25) == pytest.approx(0.5)
    assert bead.is_squeezed(0.0814, 0.2)
    assert not bead.is_squeezed(0.0814, 0.4)


def test_limit_metering():
    assert metering.flow_factor(0.0, 0.0, 0.0) == 1.0
    assert metering.flow_factor(0.02, 0.03, 0.05) == pytest.approx(1 / (0.98 * 0.97 * 0.95))
    with pytest.raises(DomainError, match="slip must be under 1"):
        metering.flow_factor(0.0, 1.0, 0.0)


@pytest.mark.parametrize("bad", [0.0, -3.0, np.nan, np.inf])
def test_limit_impossible_inputs_are_named(bad):
    with pytest.raises(DomainError, match=r"gap_mm must be finite and > 0, got"):
        column.buckling_force_n(20.0, 1.75, bad)
