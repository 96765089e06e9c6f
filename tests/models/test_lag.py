"""The lag against the reference table, plain integration, halved steps, conservation, and closed forms."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from pliant.errors import DomainError, ValidityWarning
from pliant.models import lag

P0, Q0, C = 5.0, 5.0, 0.5


@pytest.mark.parametrize(
    ("modulus", "length", "compliance_m3_per_pa", "time_constant", "ooze"),
    [
        (20, 40, 4.9e-15, 1.9, 24),
        (20, 500, 6.0e-14, 24, 300),
        (3000, 40, 8.2e-17, 0.03, 0.4),
        (3000, 500, 4.5e-16, 0.18, 2.3),
    ],
)
def test_published_table(modulus, length, compliance_m3_per_pa, time_constant, ooze):
    # melt.md 4.2: 1.75 mm, 5 MPa, 5 mm3/s, n 0.4, 50 mm3 of melt, 1e-9 1/Pa; one or two digits
    c = lag.compliance_mm3_per_mpa(50.0, 1.75, length, modulus)
    assert c == pytest.approx(compliance_m3_per_pa * 1e15, rel=1.5e-2)  # 1 m3/Pa = 1e15 mm3/MPa
    assert lag.time_constant_s(c, 5.0, 5.0, 0.4) == pytest.approx(time_constant, rel=0.1)
    assert lag.ooze_mm3(1e12, 5.0, 5.0, c, 0.4) == pytest.approx(ooze, rel=3e-2)


def test_published_strain_check():
    # melt.md 4.2: 5 MPa on E 20 is 25 %, outside linear elasticity
    push = 5.0 * np.pi * 1.75**2 / 4
    with pytest.warns(ValidityWarning, match=r"strain over 0\.2"):
        assert lag.stored_length_mm(push, 40.0, 1.75, 20.0) == pytest.approx(0.25 * 40.0)


def _stopped(time, n, steps):
    """Pressure after a stop, implicit midpoint steps of equal length."""
    p, dt = P0, time / steps
    for _ in range(steps):
        new = p
        for _ in range(50):
            new = p - dt / C * Q0 * max((p + new) / 2 / P0, 0.0) ** (1 / n)
        p = new
    return p


@pytest.mark.parametrize("n", [0.3, 0.45, 0.72, 1.0])
def test_limit_ooze_against_plain_integration(n):
    # C dP/dt = -Q0 (P / P0)^(1/n), the first-order model of melt.md 4.2
    run = solve_ivp(lambda t, p: -Q0 * (np.maximum(p, 0) / P0) ** (1 / n) / C, (0, 2), [P0], rtol=1e-10, atol=1e-12)
    assert lag.ooze_mm3(2.0, P0, Q0, C, n) == pytest.approx(C * (P0 - run.y[0, -1]), rel=1e-7)


def test_limit_halved_steps_close_in_on_the_closed_form():
    exact = P0 - float(lag.ooze_mm3(0.4, P0, Q0, C, 0.5)) / C
    errors = [abs(_stopped(0.4, 0.5, steps) - exact) for steps in (8, 16, 32)]
    # second order: a quarter each time
    assert errors[0] / errors[1] == pytest.approx(4, rel=0.1)
    assert errors[1] / errors[2] == pytest.approx(4, rel=0.1)


def test_limit_linear_case_is_the_exponential():
    tau = float(lag.time_constant_s(C, P0, Q0, 1.0))
    t = np.linspace(0, 5, 40)
    want = C * P0 * (1 - np.exp(-t / tau))
    assert lag.ooze_mm3(t, P0, Q0, C, 1.0) == pytest.approx(want, rel=1e-12)
    # and is approached without a jump
    for n in (1 - 1e-6, 1 - 1e-9, 1 - 1e-13):
        assert lag.ooze_mm3(t, P0, Q0, C, n) == pytest.approx(want, rel=1e-5)


def test_limit_all_that_is_stored_and_no_more():
    for n in (0.3, 0.6, 1.0):
        t = np.geomspace(1e-9, 1e9, 200)
        out = lag.ooze_mm3(t, P0, Q0, C, n)
        assert np.all(np.diff(out) >= 0)
        assert np.all(out <= C * P0)
        assert out[0] == pytest.approx(Q0 * t[0], rel=1e-6)  # it starts at the flow before the stop
        # what is left behind is what the pressure left still stores
        left = (
            (1 + (1 - n) / n * t[150] * Q0 / (C * P0)) ** (-n / (1 - n)) if n < 1 else np.exp(-t[150] * Q0 / (C * P0))
        )
        assert out[150] + C * P0 * left == pytest.approx(C * P0, rel=1e-12)
    assert lag.ooze_mm3(0.0, P0, Q0, C, 0.4) == 0.0


@given(st.floats(0.2, 1.0), st.floats(0, 3), st.floats(0, 3))
def test_roundtrip_two_waits_are_one(n, first, second):
    # the state after a wait is itself a steady state to start from: P1, Q1 = Q0 (P1 / P0)^(1/n)
    out = float(lag.ooze_mm3(first, P0, Q0, C, n))
    p1 = P0 - out / C
    q1 = Q0 * (p1 / P0) ** (1 / n)
    if p1 > 1e-3 * P0:
        both = float(lag.ooze_mm3(first + second, P0, Q0, C, n))
        assert out + float(lag.ooze_mm3(second, p1, q1, C, n)) == pytest.approx(both, rel=1e-9, abs=1e-12)


@given(st.floats(0.2, 1.0), st.floats(0.1, 10))
def test_limit_time_constant_is_compliance_times_resistance(n, flow):
    law = lambda q: P0 * (q / Q0) ** n  # noqa: E731
    step = 1e-5 * flow
    slope = (law(flow + step) - law(flow - step)) / (2 * step)
    assert lag.time_constant_s(C, law(flow), flow, n) == pytest.approx(C * slope, rel=1e-6)


def test_limit_compliance_adds_up():
    soft = lag.compliance_mm3_per_mpa(50.0, 1.75, [40.0, 460.0, 500.0], 20.0)
    melt = lag.compliance_mm3_per_mpa(50.0, 1.75, 0.0, 20.0)
    assert melt == pytest.approx(0.05)
    assert soft[0] + soft[1] - melt == pytest.approx(soft[2])
    # the filament's part is what a push stores, in volume
    area = np.pi * 1.75**2 / 4
    assert (soft[0] - melt) * 1.0 == pytest.approx(area * lag.stored_length_mm(1.0 * area, 40.0, 1.75, 20.0))
    # melt.md 4.2: the melt matters for rigid filament and is negligible for soft
    assert melt / soft[0] < 0.02
    assert melt / lag.compliance_mm3_per_mpa(50.0, 1.75, 40.0, 3000.0) > 0.5


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: lag.ooze_mm3(-1.0, P0, Q0, C, 0.5), "time_s must be finite and >= 0, got -1"),
        (lambda: lag.ooze_mm3(1.0, P0, Q0, C, 1.2), "flow_index must be at most 1, got 1.2"),
        (lambda: lag.time_constant_s(C, P0, 0.0, 0.5), "flow_mm3_per_s must be finite and > 0, got 0"),
        (lambda: lag.compliance_mm3_per_mpa(50.0, 1.75, -1.0, 20.0), "span_length_mm must be finite and >= 0, got -1"),
        (lambda: lag.stored_length_mm(np.inf, 40.0, 1.75, 20.0), "push_n must be finite and >= 0, got inf"),
    ],
)
def test_limit_impossible_inputs_are_named(call, words):
    with pytest.raises(DomainError, match=words):
        call()
