"""The largest of a rising row that holds: against the closed answer, in few trials, and never in very many."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pliant.search import last_that_holds


@settings(max_examples=200, deadline=None)
@given(
    st.floats(-2.2, -0.1), st.floats(0.2, 12.0), st.sampled_from(["power", "steps", "cliff"]), st.booleans(),
)  # fmt: skip
def test_limit_found_within_what_was_asked(at, slope, kind, known):
    """The answer holds, and a hundredth above it does not."""
    truth, target, tried = math.exp(at), 0.02, []

    def chance(x):
        tried.append(x)
        if kind == "cliff":
            return 0.0 if x <= truth else 1.0
        value = target * (x / truth) ** slope
        return min(math.floor(value * 2000) / 2000 if kind == "steps" else value, 1.0)

    low, high = 0.05, 1.0
    if chance(high) <= target:  # by its steps: then there is nothing to find
        return
    found = last_that_holds(chance, target, low, chance(low), high, chance(high) if known else None, 1.01)
    assert chance(found) <= target
    assert chance(found * 1.0101) > target
    assert len(tried) <= 10 + 3 * math.log2(math.log(high / low) / math.log(1.01))


def test_limit_a_power_law_takes_few_trials():
    tried = []

    def chance(x):
        tried.append(x)
        return 0.02 * (x / 0.3) ** 2.5

    assert last_that_holds(chance, 0.02, 0.1, chance(0.1), 1.0, chance(1.0), 1.02) == pytest.approx(0.3, rel=0.02)
    assert len(tried) <= 6


def test_limit_all_hold():
    assert last_that_holds(lambda x: 0.0, 0.02, 1.0, 0.0, 4.0, None, 1.01) == pytest.approx(4.0, rel=0.01)
