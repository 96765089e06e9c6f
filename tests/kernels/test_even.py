"""Tables with even places, read as numpy reads any table."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from pliant.kernels.even import read_even


@given(arrays(float, st.integers(0, 20), elements=st.floats(-1e6, 1e6)), arrays(float, 7, elements=st.floats(-9, 9)))
def test_limit_it_reads_as_numpy_does(x, values):
    places = -2.0 + 0.5 * np.arange(7)
    wanted = np.interp(x, places, values)
    assert read_even(x, -2.0, 0.5, values) == pytest.approx(wanted, abs=1e-12)
    assert read_even.py_func(x, -2.0, 0.5, values) == pytest.approx(wanted, abs=1e-12)


def test_limit_beyond_the_ends_and_what_is_no_number():
    values = np.array([3.0, 4.0, 7.0])
    got = read_even(np.array([-np.inf, np.inf, np.nan, 0.0, 2.0, 0.5]), 0.0, 1.0, values)
    assert got[[0, 1, 3, 4, 5]].tolist() == [3.0, 7.0, 3.0, 7.0, 3.5] and np.isnan(got[2])
