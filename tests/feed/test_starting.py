"""Stop and start: the closed forms against the equation itself, stepped finely, and against the whole program's lag."""

import numpy as np
import pytest

from pliant.feed.starting import flow_after_stop, start_time, stop_time
from pliant.models.lag import ooze_mm3


@pytest.mark.parametrize("n", [0.45, 0.7, 0.999])
def test_limit_the_forms_solve_their_equations(n):
    step, p, s = 1e-4, 1.0, 0.0
    while p ** (1 / n) > 0.4:
        p -= step * p ** (1 / n)
        s += step
    assert stop_time(0.4, n) == pytest.approx(s, rel=2e-3)
    assert flow_after_stop(s, n) == pytest.approx(0.4, rel=2e-3)
    left, t = p, 0.0
    while p ** (1 / n) < 0.8:
        p += step * (1 - p ** (1 / n))
        t += step
    assert start_time(0.8, n, left) == pytest.approx(t, rel=5e-3)


def test_limit_what_leaves_after_a_stop_is_the_ooze():
    # 5 MPa at 2 mm3/s, 3 mm3/MPa stored: the store would last 7.5 s at the steady flow
    at = np.linspace(0, 10.0, 20001)
    flow = 2.0 * flow_after_stop(at / 7.5, 0.55)
    volume = np.sum((flow[1:] + flow[:-1]) / 2) * (at[1] - at[0])
    assert volume == pytest.approx(float(ooze_mm3(10.0, 5.0, 2.0, 3.0, 0.55)), rel=1e-5)


def test_limit_a_flow_that_never_fell_needs_no_time():
    assert start_time(0.5, 0.6, 0.9) == pytest.approx(0.0)
    assert start_time(np.array([0.3, 0.6]), 0.6)[0] < start_time(np.array([0.3, 0.6]), 0.6)[1]
