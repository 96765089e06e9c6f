"""Melting against the reference tables, published limits of PLA, plain finite differences, and limits."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.special import j0, j1, jn_zeros

from pliant.errors import DomainError, ValidityWarning
from pliant.models import melting

FIRST = jn_zeros(0, 1)[0] ** 2


@pytest.mark.parametrize(
    ("wall", "soft", "axis", "mean"),
    [
        (200, 140, 12.8, 27.8), (200, 167, 9.2, 15.2), (200, 187, 6.4, 8.9), (220, 140, 14.5, 36.5),
        (220, 167, 11.1, 21.1), (220, 187, 8.8, 14.0), (240, 140, 16.0, 46.2), (240, 167, 12.7, 27.4),
        (240, 187, 10.6, 19.1),
    ],
)  # fmt: skip
def test_published_limits_of_soft_grades(wall, soft, axis, mean):
    # melt.md 1.2, design table for TPU: 12.5 mm, 25 degC, 0.087 mm2/s (k 0.19, rho 1150, cp 1900); derived there
    at = (12.5, float(wall), 25.0, float(soft), 0.087)
    assert melting.melt_flow_limit_mm3_per_s(*at) == pytest.approx(axis, abs=0.06)
    assert melting.melt_flow_limit_mm3_per_s(*at, criterion="mean") == pytest.approx(mean, abs=0.06)


@pytest.mark.parametrize(
    ("length", "axis", "mean", "published"),
    [(12.5, 12.8, 27.2, 13.0), (21.0, 21.5, 45.6, 38.5), (51.5, 52.6, 111.9, 87.5)],
)
def test_published_limits_of_rigid_filament(length, axis, mean, published):
    # Wuest, Kattinger, Dahmen, Spiehl, Bonten, Blaeser 2026, doi 10.3390/jmmp10070233, Table 1 (second hand): PLA,
    # 13.0 (nozzle 0.4), 38.5 and 87.5 mm3/s (nozzle 1.2); k 0.195, rho 1072.7, cp 2060 (from memory); 220, 25, 155 degC
    at = (length, 220.0, 25.0, 155.0, 1e6 * 0.195 / (1072.7 * 2060))
    by_axis = melting.melt_flow_limit_mm3_per_s(*at)
    by_mean = melting.melt_flow_limit_mm3_per_s(*at, criterion="mean")
    assert by_axis == pytest.approx(axis, abs=0.06)
    assert by_mean == pytest.approx(mean, abs=0.06)
    # a stated miss: the axis is 2 % low at the small nozzle and 40 to 44 % low at the large one, where the published
    # limit lies between the two criteria
    assert by_axis / published - 1 == pytest.approx({13.0: -0.02, 38.5: -0.44, 87.5: -0.40}[published], abs=0.01)
    assert by_axis < published < by_mean


@pytest.mark.parametrize(("left", "error", "within"), [(0.5, 0.005, 0.005), (0.8, 0.06, 0.005), (0.9, 0.17, 0.005)])
def test_published_error_of_one_term_on_the_axis(left, error, within):
    # melt.md 1.2: one-term error in Fo under 0.5 % up to 0.5, 6 % at 0.8, 17 % at 0.9; our series is the exact one
    fo = np.pi / melting.melt_flow_limit_mm3_per_s(1.0, 1.0, 0.0, 1 - left, 0.1) * 0.1
    assert abs(np.log(1.602 / left) / FIRST / fo - 1) == pytest.approx(error, abs=within)


@pytest.mark.parametrize(("left", "error"), [(0.33, 0.01), (0.5, 0.11)])
def test_published_error_of_one_term_on_the_mean(left, error):
    # melt.md 1.2: 1 % at 0.33, 11 % at 0.5
    fo = np.pi / melting.melt_flow_limit_mm3_per_s(1.0, 1.0, 0.0, 1 - left, 0.1, criterion="mean") * 0.1
    assert abs(np.log(0.6917 / left) / FIRST / fo - 1) == pytest.approx(error, abs=0.005)


def test_limit_against_plain_finite_differences():
    # a rod of radius 1 warmed from its skin, explicit steps: axis and mean at three Fourier numbers
    n = 100
    edge = np.linspace(0, 1, n + 1)
    middle, step = (edge[1:] + edge[:-1]) / 2, 1 / n
    volume = (edge[1:] ** 2 - edge[:-1] ** 2) / 2
    cold, time, dt = np.ones(n), 0.0, 0.2 / n**2
    for mark in (0.05, 0.15, 0.4):
        while time < mark - dt / 2:
            slope = np.concatenate([[0.0], np.diff(cold) / step, [-cold[-1] / (1 - middle[-1])]])
            cold += dt * np.diff(edge * slope) / volume
            time += dt
        flow = np.pi * 0.1 * 10.0 / time
        axis = 1 - melting.axis_temperature_c(flow, 10.0, 1.0, 0.0, 0.1)
        mean = 1 - melting.mean_temperature_c(flow, 10.0, 1.0, 0.0, 0.1)
        assert cold[0] == pytest.approx(axis, abs=3e-4)
        assert 2 * (cold * volume).sum() == pytest.approx(mean, abs=3e-4)


def test_limit_mean_is_the_average_of_the_profile():
    fo = 0.08
    b = jn_zeros(0, 60)
    profile = lambda r: np.sum(2 / (b * j1(b)) * j0(b * r) * np.exp(-(b**2) * fo))  # noqa: E731
    mean = quad(lambda r: 2 * r * profile(r), 0, 1)[0]
    flow = np.pi * 0.1 * 10.0 / fo
    assert 1 - melting.mean_temperature_c(flow, 10.0, 1.0, 0.0, 0.1) == pytest.approx(mean, abs=3e-6)
    assert 1 - melting.axis_temperature_c(flow, 10.0, 1.0, 0.0, 0.1) == pytest.approx(profile(0.0), abs=3e-6)


def test_limit_slow_is_hot_and_fast_is_cold():
    at = (12.5, 220.0, 25.0, 0.087)
    assert melting.axis_temperature_c(1e-3, *at) == pytest.approx(220.0)
    assert melting.mean_temperature_c(1e-3, *at) == pytest.approx(220.0)
    assert melting.axis_temperature_c(1e9, *at) == pytest.approx(25.0)
    assert melting.mean_temperature_c(1e9, *at) == pytest.approx(25.0, abs=0.1)
    flow = np.geomspace(0.05, 1e7, 500)
    axis, mean = melting.axis_temperature_c(flow, *at), melting.mean_temperature_c(flow, *at)
    assert np.all(np.diff(axis) <= 1e-9)
    assert np.all(np.diff(mean) <= 0)
    assert np.all(np.diff(mean[mean < 219.9]) < 0)
    assert np.all(mean >= axis - 1e-9)
    # a wall at the filament's temperature changes nothing
    assert melting.mean_temperature_c(5.0, 12.5, 25.0, 25.0, 0.087) == 25.0


def test_limit_no_jump_where_the_forms_meet():
    for fo in (1e-5, 8.0):
        flow = np.pi * 0.1 * 10.0 / (fo * np.array([1 - 1e-7, 1 + 1e-7]))
        for temperature in (melting.axis_temperature_c, melting.mean_temperature_c):
            left, right = temperature(flow, 10.0, 1.0, 0.0, 0.1)
            assert left == pytest.approx(right, abs=1e-7)


def test_limit_limit_scales_with_length_and_diffusivity_alone():
    one = melting.melt_flow_limit_mm3_per_s(10.0, 220.0, 25.0, 150.0, 0.08)
    assert melting.melt_flow_limit_mm3_per_s(20.0, 220.0, 25.0, 150.0, 0.08) == pytest.approx(2 * one)
    assert melting.melt_flow_limit_mm3_per_s(10.0, 220.0, 25.0, 150.0, 0.16) == pytest.approx(2 * one)
    # only the ratio of the temperature differences counts
    assert melting.melt_flow_limit_mm3_per_s(10.0, 120.0, 22.5, 85.0, 0.08) == pytest.approx(one)


def test_limit_cool_wall_melts_nothing():
    wall = np.array([20.0, 25.0, 180.0, 186.9, 187.0, 187.1, 200.0])
    limit = melting.melt_flow_limit_mm3_per_s(12.5, wall, 25.0, 187.0, 0.087)
    assert np.all(limit[:5] == 0)
    assert 0 < limit[5] < 0.4 * limit[6]


@given(st.floats(150, 280), st.floats(0.05, 0.97), st.floats(5, 60), st.sampled_from(melting.CRITERIA))
def test_roundtrip_limit_and_temperature(wall, place, length, criterion):
    soften = 25.0 + place * (wall - 25.0)
    flow = melting.melt_flow_limit_mm3_per_s(length, wall, 25.0, soften, 0.087, criterion)
    temperature = {"axis": melting.axis_temperature_c, "mean": melting.mean_temperature_c}[criterion]
    assert temperature(flow, length, wall, 25.0, 0.087) == pytest.approx(soften, abs=1e-3)


def test_limit_broadcasts():
    got = melting.melt_flow_limit_mm3_per_s([[10.0], [20.0]], [200, 220, 240], 25, 150, 0.087)
    assert got.shape == (2, 3)
    assert melting.mean_temperature_c([1, 5, 9], 12.5, 220, 25, [[0.08], [0.09]]).shape == (2, 3)


def test_limit_unit_slip_is_told():
    with pytest.warns(ValidityWarning, match=r"diffusivity_mm2_per_s outside 0\.03-0\.3, where polymers lie"):
        melting.melt_flow_limit_mm3_per_s(12.5, 220.0, 25.0, 187.0, 8.7e-8)
    with pytest.warns(ValidityWarning, match="where polymers lie"):
        melting.axis_temperature_c(5.0, 12.5, 220.0, 25.0, 87.0)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: melting.axis_temperature_c(0.0, 12.5, 220, 25, 0.087), "flow_mm3_per_s must be finite and > 0, got 0"),
        (lambda: melting.mean_temperature_c(1.0, 12.5, np.nan, 25, 0.087), "wall_c must be finite, got nan"),
        (lambda: melting.melt_flow_limit_mm3_per_s(12.5, 220, 25, 20, 0.087), "soften_c must exceed inlet_c, got 20"),
        (lambda: melting.melt_flow_limit_mm3_per_s(12.5, 220, np.inf, 20, 0.087), "inlet_c must be finite, got inf"),
        (lambda: melting.melt_flow_limit_mm3_per_s(-1, 220, 25, 150, 0.087), "heated_length_mm must be finite and > 0"),
        (
            lambda: melting.melt_flow_limit_mm3_per_s(12.5, 220, 25, 150, 0.087, "core"),
            "criterion must be one of axis, mean, got 'core'",
        ),
    ],
)
def test_limit_impossible_inputs_are_named(call, words):
    with pytest.raises(DomainError, match=words):
        call()
