"""Slower, harder, hotter, shorter, less pulled: never riskier, on machines and spools that nobody owns."""

import pytest

from riskier import wrongs


@pytest.mark.filterwarnings("ignore::pliant.errors.ValidityWarning")  # these pairs are outside of everything
@pytest.mark.parametrize("seed", range(8))
def test_limit_a_change_for_the_better_is_never_riskier(seed):
    """`benchmarks/riskier.py` does the same for as many as one likes."""
    assert wrongs(seed) == []
