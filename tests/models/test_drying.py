"""Drying against Crank's table, the finite-difference check, hours of the reference sheet, and limits."""

import csv
from pathlib import Path

import numpy as np
import pytest

from pliant.errors import DomainError, ValidityWarning
from pliant.models import drying

TABLES = Path(__file__).parent.parent / "published"


def test_published_crank_cylinder_table():
    # series values of Crank's long cylinder, reference sheet solid.md 5.3, five digits
    with (TABLES / "solid_crank_cylinder.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 23
    for row in rows:
        fourier = float(row["Dt_over_a2"])
        left = float(drying.water_left_fraction(1e-12, 2.0, fourier * 1e6))  # a = 1 mm: Fo = D t / 1e-6 m2
        assert left == pytest.approx(float(row["fraction_remaining"]), abs=6e-6)
        assert 1 - left == pytest.approx(float(row["fraction_sorbed_or_desorbed"]), abs=6e-6)


def test_published_inverse():
    # solid.md 5.3: 50/80/90/95/98/99 % gained at these Fo
    fourier = drying.drying_time_h(1e-12, 2.0, 1 - np.array([0.5, 0.8, 0.9, 0.95, 0.98, 0.99])) * 3600 * 1e-6
    assert fourier == pytest.approx([0.06306, 0.21471, 0.33441, 0.45426, 0.61270, 0.73256], abs=6e-6)


@pytest.mark.parametrize(
    ("temperature_c", "slow", "fast"),
    [
        (23, (12.7, 67, 123), (3.9, 21, 38)), (50, (2.7, 14, 26), (0.8, 4.4, 8.0)),
        (60, (1.6, 8.4, 15.4), (0.5, 2.6, 4.8)), (70, (1.0, 5.2, 9.5), (0.3, 1.6, 3.0)),
        (80, (0.6, 3.3, 6.0), (0.2, 1.0, 1.9)),
    ],
)  # fmt: skip
def test_published_hours_of_the_reference_sheet(temperature_c, slow, fast):
    # solid.md 5.3: hours to lose 50/90/98 % from 1.75 mm, both published diffusivities, Ea 46 kJ/mol; two digits
    for reference, hours in ((1.06e-12, slow), (3.40e-12, fast)):
        d = drying.water_diffusivity_m2_per_s(temperature_c, reference, 46.0)
        got = drying.drying_time_h(d, 1.75, np.array([0.5, 0.1, 0.02]))
        assert np.all(np.abs(got / np.array(hours) - 1) < np.array([0.12, 0.04, 0.03]) + 0.05 / np.array(hours))


def test_published_half_activation_energy():
    # solid.md 5.3: with 23 kJ/mol at 70 degC 3.5/18.7/34 and 1.1/5.8/10.7 h
    for reference, hours in ((1.06e-12, [3.5, 18.7, 34]), (3.40e-12, [1.1, 5.8, 10.7])):
        d = drying.water_diffusivity_m2_per_s(70.0, reference, 23.0)
        assert drying.drying_time_h(d, 1.75, np.array([0.5, 0.1, 0.02])) == pytest.approx(hours, rel=0.03)


def _finite_differences(marks, dimensions, n=200):
    """Share left in a cylinder (2) or sphere (3) of radius 1 and diffusivity 1, explicit, surface dry."""
    edge = np.linspace(0, 1, n + 1)
    middle = (edge[1:] + edge[:-1]) / 2
    volume = (edge[1:] ** dimensions - edge[:-1] ** dimensions) / dimensions
    step, dt = 1 / n, 0.2 / n**2
    content, found, time, marks = np.ones(n), [], 0.0, list(marks)
    while marks:
        slope = np.concatenate([[0.0], np.diff(content) / step, [-content[-1] / (1 - middle[-1])]])
        content = content + dt * np.diff(edge ** (dimensions - 1) * slope) / volume
        time += dt
        if time >= marks[0] - dt / 2:
            found.append(dimensions * (content * volume).sum())
            marks.pop(0)
    return found


def test_published_sphere_then_cylinder_by_plain_finite_differences():
    # the plain scheme first meets a published sphere: a 0.2 mm, D 1e-10 m2/s, t 100 s -> 0.94844 gained (solid.md 5.3,
    # documentation of a diffusion library); then, unchanged but for the dimension, it checks our series
    assert 1 - _finite_differences([1e-10 * 100 / 0.2e-3**2], 3)[0] == pytest.approx(0.94844, abs=1e-4)
    marks = np.array([0.05, 0.10, 0.30])
    ours = drying.water_left_fraction(1e-12, 2.0, marks * 1e6)
    assert _finite_differences(marks, 2) == pytest.approx(list(ours), abs=1e-4)
    # solid.md 5.3: gained .4521/.6058/.8779
    assert 1 - ours == pytest.approx([0.4521, 0.6058, 0.8779], abs=2e-4)


def test_limit_starts_full_falls_and_ends_empty():
    time = np.concatenate([[0.0], np.geomspace(1e-3, 1e9, 400)])
    left = drying.water_left_fraction(5e-12, 1.75, time)
    assert left[0] == 1.0
    assert left[-1] < 1e-80
    assert np.all(np.diff(left) <= 0)
    # no jump where the short-time form hands over to the series
    seam = drying.water_left_fraction(1e-12, 2.0, np.array([2e-4 - 1e-9, 2e-4 + 1e-9]) * 1e6)
    assert abs(seam[0] - seam[1]) < 1e-6


def test_limit_time_grows_with_the_square_of_the_diameter():
    assert drying.drying_time_h(5e-12, 3.5, 0.05) == pytest.approx(4 * drying.drying_time_h(5e-12, 1.75, 0.05))
    assert drying.drying_time_h(1e-11, 1.75, 0.05) == pytest.approx(drying.drying_time_h(5e-12, 1.75, 0.05) / 2)
    assert drying.drying_time_h(5e-12, 1.75, 1.0) == 0.0


@pytest.mark.parametrize("left", [0.999, 0.97, 0.5, 0.1, 0.02, 1e-3, 1e-6])
def test_roundtrip_time_and_share(left):
    hours = drying.drying_time_h(5e-12, 1.75, left)
    assert drying.water_left_fraction(5e-12, 1.75, hours * 3600) == pytest.approx(left, rel=1e-9)


def test_limit_heat_speeds_drying_and_the_reference_is_kept():
    assert drying.water_diffusivity_m2_per_s(23.0, 2e-12, 46.0) == pytest.approx(2e-12)
    d = drying.water_diffusivity_m2_per_s(np.array([23.0, 40.0, 60.0, 80.0]), 2e-12, 46.0)
    assert np.all(np.diff(d) > 0)
    with pytest.warns(ValidityWarning, match="temperature_c outside 5 to 110"):
        drying.water_diffusivity_m2_per_s(130.0, 2e-12, 46.0)


def test_published_saturated_vapour():
    # steam tables (from memory): 2.339 kPa at 20, 19.95 at 60, 101.3 at 100 degC
    assert drying.saturated_vapour_kpa(np.array([20.0, 60.0])) == pytest.approx([2.339, 19.95], rel=4e-3)
    assert drying.saturated_vapour_kpa(100.0) == pytest.approx(101.3, rel=0.03)


def test_limit_resting_content():
    assert drying.resting_water_percent(1.5, 0.0, 60.0) == 0.0
    assert drying.resting_water_percent(1.5, 40.0, 23.0) == pytest.approx(0.6)
    assert drying.resting_water_percent(1.5, 50.0, 60.0) < drying.resting_water_percent(1.5, 50.0, 50.0)
    with pytest.raises(DomainError, match="room_humidity_percent must be at most 100, got 120"):
        drying.resting_water_percent(1.5, 120.0, 60.0)


@pytest.mark.parametrize("bad", [0.0, -1.0, np.nan, np.inf])
def test_limit_impossible_inputs_are_named(bad):
    with pytest.raises(DomainError, match="diameter_mm must be finite and > 0, got"):
        drying.water_left_fraction(1e-12, bad, 1.0)
    with pytest.raises(DomainError, match="left_fraction must be finite and > 0, got"):
        drying.drying_time_h(1e-12, 1.75, bad)
    with pytest.raises(DomainError, match="reference_m2_per_s must be finite and > 0, got"):
        drying.water_diffusivity_m2_per_s(60.0, bad, 46.0)
