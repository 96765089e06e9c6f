"""The snake that a stop-start piece lays."""

import tomllib

import pytest
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


def test_roundtrip_a_draw_back_at_each_stop():
    """Filament goes back and comes again, the sheet says how much, and the tail is the shorter for it."""
    from pliant.coupons.readings import readings_from, readings_text
    from pliant.workflows.coupon import make_coupon
    from recipes import filament, machine

    plain, drawn = (make_coupon("stop-start", machine("open-gap"), filament("85A"), draw_back=b) for b in (False, True))
    assert all(s.back_mm == 0 for s in plain.steps) and all(s.back_mm > 0 for s in drawn.steps)
    assert len(drawn.steps) == len(plain.steps) >= 2
    assert drawn.program.count("G1 E-") == len(drawn.steps)
    assert [f.middle for f in drawn.forecast] < [f.middle for f in plain.forecast]
    data = tomllib.loads(readings_text(drawn).replace('tail_mm = ""', "tail_mm = 3.0"))
    assert [s.back_mm for s in readings_from(data).steps] == [s.back_mm for s in drawn.steps]


def test_limit_all_that_is_stored_drawn_back_leaves_no_tail():
    from pliant.feed.starting import pressure_after, stop_time

    assert float(stop_time(0.3, 0.6, 0.0)) == 0.0 and float(pressure_after(2.0, 0.6, 0.0)) == 0.0
    assert float(stop_time(0.3, 0.6, 0.9)) < float(stop_time(0.3, 0.6))
    left = float(pressure_after(0.7, 0.6, 0.8))
    assert float(stop_time(left ** (1 / 0.6), 0.6, 0.8)) == pytest.approx(0.7, rel=1e-9)
