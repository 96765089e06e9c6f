"""One way to say a number, over sixteen decades."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pliant.say import count, number, percent, quantity

UNITS = ["mm", "mm3", "g", "s", "min", "h", "N", "mm/s", "MPa", "%"]
IN_BASE = {"m": 1000, "cm3": 1000, "kg": 1000, "min": 60, "h": 3600, "days": 86400, "months": 30.4 * 86400,
           "years": 364.8 * 86400}  # fmt: skip


@given(exponent=st.floats(-8, 8), unit=st.sampled_from(UNITS), digits=st.sampled_from([2, 3]))
def test_no_exponent_no_false_digits_and_the_value_itself(exponent, unit, digits):
    value = 10**exponent
    text = quantity(value, unit, digits)
    assert "nan" not in text
    if text.startswith("under"):
        assert value < 1e-3
        return
    assert "e" not in text.split(" ")[0]
    said, where = text.split(" ", 1)
    factor = IN_BASE.get(where, 1) / (IN_BASE.get(unit, 1) if where != unit else IN_BASE.get(where, 1))
    if unit in ("s", "min", "h"):
        factor = IN_BASE.get(where, 1) / IN_BASE.get(unit, 1)
    elif unit in ("mm", "mm3", "g"):
        factor = IN_BASE.get(where, 1)
    worst = 0.5 if where in ("s", "min") else 0.051 * value / factor if digits == 2 else 0.0051 * value / factor
    assert float(said) == pytest.approx(value / factor, abs=max(worst, 1e-9))
    if where not in ("s", "min"):
        assert float(said) == float(f"{float(said):.{digits}g}"), "more digits than are known"
    assert len(said) <= 10


def test_regression_what_people_were_told():
    assert quantity(172.0, "g") == "170 g"  # was 1.7e+02 g
    assert quantity(0.4, "mm") == "0.4 mm"  # was 0 mm
    assert quantity(10.0, "mm") == "10 mm"  # was 0.01 m
    assert quantity(2020 * 60, "s") == "34 h"  # was 2020 min
    assert quantity(5.6025, "mm", 3) == "5.6 mm"
    assert percent(7.3e-99) == "under 1 %" and percent(0.9999) == "over 99 %"  # was 7.3e-99, 1e+02 %
    assert (count(1, "corner"), count(2, "corner"), count(0, "bridge")) == ("1 corner", "2 corners", "0 bridges")
    assert number(math.inf) == quantity(math.inf, "N") == "beyond measure"
    assert quantity(90, "s") == "90 s" and quantity(150, "s") == "2 min" and quantity(0, "mm") == "0 mm"
