"""The store against the lag's closed forms, plain integration, the linear case, and what the drive may."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from pliant.errors import DomainError
from pliant.models import lag, store

_INDEX = st.floats(0.3, 1.0)
_STORE = st.floats(0.05, 20.0)


def test_published_store_of_the_reference_table():
    # melt.md 4.2: E 20, 40 mm, n 0.4, at 5 MPa and 5 mm3/s: 24 mm3 stored, which is the whole ooze
    c = float(lag.compliance_mm3_per_mpa(50.0, 1.75, 40.0, 20.0))
    s1 = c * 5.0 / 5.0**0.4
    assert store.stored_mm3(5.0, s1, 0.4) == pytest.approx(24, rel=3e-2)
    # the local lag, t_c = dS/dq, of the same table: 1.9 s
    step = 1e-4
    rise = (store.stored_mm3(5 + step, s1, 0.4) - store.stored_mm3(5 - step, s1, 0.4)) / (2 * step)
    assert rise == pytest.approx(1.9, rel=0.03)


def test_published_linear_case_is_the_controllers_compensation():
    # toolpath.md 1.4, M900: mm of filament stored per mm/s of feed, a time in s; so feed = q + K dq/dt
    flow = np.array([0.0, 0.5, 2.0, 2.0, 1.0])
    feed = store.planned_feed_mm3_per_s(flow, 0.25, 0.8, 1.0)
    np.testing.assert_allclose(feed, (flow[1:] + flow[:-1]) / 2 + 0.8 * np.diff(flow) / 0.25, rtol=1e-12)


@given(s0=st.floats(0.01, 30.0), t=st.floats(0.0, 50.0), s1=_STORE, n=_INDEX)
def test_limit_idle_fall_is_the_ooze_from_the_other_side(s0, t, s1, n):
    q0 = (s0 / s1) ** (1 / n)
    gone = lag.ooze_mm3(t, 1.0, max(q0, 1e-300), s0, n)  # compliance s0 at a pressure of 1 stores s0
    assert store.store_left_mm3(s0, t, s1, n) == pytest.approx(s0 - gone, rel=1e-9, abs=1e-9 * s0)


@pytest.mark.parametrize("n", [0.35, 0.6, 1.0])
def test_limit_idle_fall_against_plain_integration(n):
    run = solve_ivp(lambda t, s: -((np.maximum(s, 0) / 1.4) ** (1 / n)), (0, 3), [2.0], rtol=1e-10, atol=1e-12)
    assert store.store_left_mm3(2.0, 3.0, 1.4, n) == pytest.approx(run.y[0, -1], rel=1e-7)


@given(s0=st.floats(0.0, 5.0), a=st.floats(0.0, 5.0), b=st.floats(0.0, 5.0), s1=_STORE, n=_INDEX)
def test_limit_two_waits_are_one(s0, a, b, s1, n):
    once = store.store_left_mm3(s0, a + b, s1, n)
    assert store.store_left_mm3(store.store_left_mm3(s0, a, s1, n), b, s1, n) == pytest.approx(
        once, rel=1e-8, abs=1e-12
    )


@given(flow=st.lists(st.floats(0.0, 8.0), min_size=2, max_size=30), n=_INDEX)
def test_limit_no_store_no_change(flow, n):
    flow = np.array(flow)
    np.testing.assert_allclose(store.planned_feed_mm3_per_s(flow, 0.05, 0.0, n), (flow[1:] + flow[:-1]) / 2, atol=1e-12)


@given(q=st.floats(0.0, 10.0), s1=_STORE, n=_INDEX)
def test_roundtrip_store_and_flow(q, s1, n):
    back = store.flow_of_store_mm3_per_s(store.stored_mm3(q, s1, n), s1, n)
    assert back == pytest.approx(q, rel=1e-9, abs=1e-12)


@given(
    flow=st.lists(st.floats(0.0, 6.0), min_size=3, max_size=40), s1=_STORE, n=_INDEX, most=st.floats(8.0, 60.0),
    rise=st.floats(0.0, 0.2),
)  # fmt: skip
def test_limit_never_pulls_never_beyond_the_drive(flow, s1, n, most, rise):
    flow, h = np.array(flow), 0.02
    feed = store.planned_feed_mm3_per_s(flow, h, s1, n, most_mm3_per_s=most, rise_s=rise)
    stored = np.cumsum((feed - (flow[1:] + flow[:-1]) / 2) * h)
    assert stored.min() >= -1e-9
    assert np.abs(feed).max() <= most + 1e-9


def test_limit_the_plan_run_backwards_gives_the_wanted_flow():
    """Fed to the store itself, in steps a tenth as long, the plan delivers what was wanted; halved steps, half off."""
    s1, n = 1.3, 0.55

    def off(h):
        t = np.arange(0, 3 + h / 2, h)
        wanted = 1.5 + np.sin(t) ** 2
        feed = store.planned_feed_mm3_per_s(wanted, h, s1, n, start_mm3=float(store.stored_mm3(1.5, s1, n)))
        s, worst = float(store.stored_mm3(1.5, s1, n)), 0.0
        for i, f in enumerate(feed):
            for _ in range(200):
                s += (f - (s / s1) ** (1 / n)) * h / 200
            worst = max(worst, abs((s / s1) ** (1 / n) - wanted[i + 1]))
        return worst

    coarse, fine = off(0.1), off(0.05)
    assert fine < 0.01 and fine < 0.6 * coarse


def test_limit_a_slow_drive_comes_late_and_does_not_overshoot():
    flow = np.concatenate([np.zeros(2), np.full(200, 2.0)])
    feed = store.planned_feed_mm3_per_s(flow, 0.01, 1.0, 0.5, most_mm3_per_s=10.0, rise_s=0.05)
    stored = np.cumsum((feed - (flow[1:] + flow[:-1]) / 2) * 0.01)
    target = float(store.stored_mm3(2.0, 1.0, 0.5))
    assert stored[-1] == pytest.approx(target, rel=1e-6)
    assert stored.max() <= target * 1.03
    assert np.abs(np.diff(feed)).max() <= 10.0 / 0.05 * 0.01 + 1e-9


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: store.stored_mm3(-1.0, 1.0, 0.5), "flow_mm3_per_s must be"),
        (lambda: store.stored_mm3(1.0, -1.0, 0.5), "store_at_one_mm3 must be"),
        (lambda: store.stored_mm3(1.0, 1.0, 1.2), "flow_index must be at most 1, got 1.2"),
        (lambda: store.store_left_mm3(1.0, 1.0, 0.0, 0.5), "store_at_one_mm3 must be"),
        (lambda: store.planned_feed_mm3_per_s(np.ones(3), 0.0, 1.0, 0.5), "step_s must be"),
        (lambda: store.planned_feed_mm3_per_s(np.ones(3), 0.1, 1.0, 0.5, most_mm3_per_s=0.0), "most_mm3_per_s must be"),
    ],
)
def test_limit_refuses_what_cannot_be(call, said):
    with pytest.raises(DomainError, match=said):
        call()
