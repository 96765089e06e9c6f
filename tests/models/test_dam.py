"""The gap under the face over a bed that moves: the closed Newtonian case, a table derived elsewhere, and limits."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import brentq

from pliant.errors import DomainError, ValidityWarning
from pliant.models.dam import dam_drop_mpa, moving_bed_share, quick_share
from pliant.models.pressure import slit_drop_mpa

INDICES = (0.45, 0.57, 0.72, 1.0)


@pytest.mark.parametrize(
    ("carried", "row"),
    [
        (0.60, (0.1323, 0.1471, 0.1589, 0.1667)),
        (0.75, (0.3410, 0.3666, 0.3702, 0.3333)),
        (0.905, (0.6088, 0.5694, 0.5234, 0.4475)),
        (1.00, (0.6770, 0.6317, 0.5812, 0.5000)),
    ],
)
def test_published_shares_derived_outside_the_project(carried, row):
    # reference sheet "Second edition", section 1: power-law Couette-Poiseuille by quadrature and root finding
    assert moving_bed_share(carried, np.array(INDICES)) == pytest.approx(row, abs=6e-4)


@given(s=st.floats(0.501, 50.0))
def test_limit_newtonian_closed_form(s):
    assert moving_bed_share(s, 1.0) == pytest.approx((s - 0.5) / s, abs=1e-9)


@pytest.mark.parametrize("n", INDICES)
@pytest.mark.parametrize("s", [0.55, 0.905, 1.6])
def test_published_form_by_quadrature_of_the_profile(n, s):
    """du/dy = sgn(tau) |tau/K|^(1/n), tau linear in y, walls at 0 and U: gradient found for the flow, by scipy."""

    def slope(y, g, t0):
        tau = t0 - g * y
        return np.sign(tau) * abs(tau) ** (1 / n)

    def wall(g):  # stress at the face for which the other wall moves at 1
        return brentq(lambda t0: quad(slope, 0, 1, args=(g, t0))[0] - 1, -60, 60 + g, xtol=1e-13)

    def flow(g):
        t0 = wall(g)
        return quad(lambda y: (1 - y) * slope(y, g, t0), 0, 1)[0]

    g = brentq(lambda g: flow(g) - s, 1e-6, 60.0, xtol=1e-10)
    still = 2 * (s * 2 * (2 * n + 1) / n) ** n  # slit_drop_mpa at K = L = h = 1
    assert moving_bed_share(s, n) == pytest.approx(g / still, abs=2e-4)


def test_limit_bed_that_carries_all_asks_nothing_and_a_still_one_all():
    assert moving_bed_share(0.5, 0.6) == 0.0
    assert moving_bed_share(1e5, 0.6) == pytest.approx(1.0, abs=1e-4)
    still = slit_drop_mpa(2.0, 0.45, 0.2, 0.3, 3000.0, 0.57)
    assert dam_drop_mpa(2.0, 0.45, 0.2, 0.3, 3000.0, 0.57, 0.0) == still
    assert dam_drop_mpa(2.0, 0.45, 0.2, 0.3, 3000.0, 0.57, 1e-4) == pytest.approx(still, rel=1e-3)
    assert dam_drop_mpa(0.0, 0.45, 0.2, 0.3, 3000.0, 0.57, 20.0) == 0.0
    # in a gap so wide that the bed takes more than is fed, the melt does not fill it
    with pytest.warns(ValidityWarning, match="not full"):
        assert dam_drop_mpa(2.0, 0.45, 1.0, 0.3, 3000.0, 0.57, 25.0) == 0.0


@given(s=st.floats(0.5, 20.0), more=st.floats(0.001, 1.0), n=st.floats(0.15, 1.0))
def test_limit_more_than_the_bed_takes_never_asks_a_smaller_share(s, more, n):
    assert moving_bed_share(s + more, n) >= moving_bed_share(s, n) - 1e-9


@given(s=st.floats(0.5, 40.0), n=st.floats(0.1, 1.0))
def test_limit_the_table_is_within_a_hundredth(s, n):
    assert quick_share(s, n) == pytest.approx(moving_bed_share(s, n), abs=2e-3)


def test_limit_bad_input():
    with pytest.raises(DomainError, match="carried"):
        moving_bed_share(0.0, 0.5)
    with pytest.raises(DomainError, match="bed_mm_per_s"):
        dam_drop_mpa(1.0, 0.45, 0.2, 0.3, 3000.0, 0.5, -1.0)
