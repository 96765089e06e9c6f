"""The loops behind mending and the load, compiled and plain, each against a slow way of saying the same."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pliant.kernels.chewed import pulled_too_often
from pliant.kernels.groups import least_by_group
from pliant.kernels.load import Fed, smoothed_peak
from pliant.kernels.plan import move_seconds


def _both(kernel):
    return [kernel, getattr(kernel, "py_func", kernel)]


@pytest.mark.parametrize("kernel", _both(pulled_too_often))
@settings(max_examples=40, deadline=None)
@given(
    laid=st.lists(st.floats(0.0, 1.0), min_size=1, max_size=30), back=st.floats(0.1, 3.0), most=st.integers(2, 9),
    skip=st.integers(0, 3),
)  # fmt: skip
def test_limit_no_stretch_passes_the_drive_more_often(kernel, laid, back, most, skip):
    """Counted on the filament itself, in steps of a hundredth of a millimetre."""
    top = np.cumsum(np.round(np.array(laid), 2)) + 5.0
    pulled = np.full(top.size, round(back, 2))
    skipped = np.arange(top.size) % 4 < skip
    often = kernel(top, pulled, skipped, most)
    place = np.arange(0.005, top[-1] + 5, 0.01)
    passes = np.ones(place.size, dtype=int)
    for i in range(top.size):
        under = (place > top[i] - pulled[i]) & (place < top[i])
        would_be = int(passes[under].max()) + 2
        assert often[i] == (would_be > most)
        passes[under] += 0 if often[i] or skipped[i] else 2
    assert passes.max() <= most or most < 3


@pytest.mark.parametrize("kernel", _both(least_by_group))
def test_limit_least_of_each_group(kernel):
    value, group = np.array([3.0, 1.0, 2.0, 0.5]), np.array([0, 0, 2, 0])
    assert kernel(value, group, np.array([True, True, True, False]), 3).tolist() == [1.0, np.inf, 2.0]


@pytest.mark.parametrize("kernel", _both(move_seconds))
def test_limit_time_of_a_trapezoid(kernel):
    """From 0 to 20 mm/s and back at 1000 mm/s2 over 10 mm: 20 ms each, 0.2 mm each, 9.6 mm at 20 mm/s; then a dwell."""
    one = np.ones(2)
    seconds = kernel(np.array([10.0, 0.0]), 1000 * one, 0 * one, np.array([20.0, 0.0]), 0 * one, np.array([0.0, 3.0]))
    np.testing.assert_allclose(seconds, [0.04 + 9.6 / 20, 3.0])


@pytest.mark.parametrize("kernel", _both(smoothed_peak))
def test_limit_smoothed_flow_of_a_step_and_of_what_a_retraction_leaves(kernel):
    """1 - exp(-t/tau) of the flow; after a retraction the volume it emptied is filled first."""
    n = 4000  # longer than a block
    tau = np.array([0.5, 30.0])
    length, one, zero = np.full(n, 0.1), np.ones(n), np.zeros(n)
    volume = np.full(n, 0.02)  # at 10 mm/s: 2 mm3/s for 40 s in all
    group = np.where(np.arange(n) < 100, 0, 1)

    def peak(volume):
        return kernel(Fed(length, one, 10 * one, 10 * one, 10 * one, zero, volume, zero), group, one, np.ones(2), tau)[
            0
        ]

    steady = peak(volume)
    np.testing.assert_allclose(steady[0], 2 * (1 - np.exp(-1.0 / tau)), rtol=1e-9)
    np.testing.assert_allclose(steady[1], 2 * (1 - np.exp(-40.0 / tau)), rtol=1e-9)
    pulled = volume.copy()
    pulled[0], pulled[1] = -0.5, 0.5  # taken back and given again before anything is laid
    np.testing.assert_allclose(peak(pulled)[1], steady[1], rtol=2e-2)
    assert (peak(pulled) <= steady + 1e-12).all()
