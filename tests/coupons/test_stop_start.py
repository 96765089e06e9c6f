"""The snake that a stop-start piece lays."""

from hypothesis import given
from hypothesis import strategies as st

from pliant.coupons.stop_start import _LANE_MM, _Snake

length = st.floats(0.5, 400.0)


@given(before=length, wanted=length)
def test_limit_a_tooth_never_stands_on_a_turn(before, wanted):
    path = _Snake(0.0, 0.0)
    path.go(before)
    asked = path.to_lane_mm(wanted)
    assert wanted <= asked <= wanted + 5.0 + 1e-9
    *_, (_, below), (x, y) = [path.at, *path.go(asked)]
    assert y == below, "the last stretch runs along a lane"
    assert asked == wanted or 2.0 - 1e-6 <= x <= _LANE_MM - 2.0 + 1e-6
