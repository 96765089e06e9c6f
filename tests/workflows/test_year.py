"""A simulated year, in small: with the book the workshop must not do worse than without it."""

import numpy as np
import pytest

from year import POLICIES, shop, year


@pytest.fixture(scope="module")
def small():
    return shop(programs=2, draws=1000)


def test_roundtrip_with_the_book_is_not_worse_than_without(small):
    rows = [year(*small, seed, jobs=15) for seed in range(8)]
    hours, jams = ({k: np.array([r[k][i] for r in rows]) for k in POLICIES} for i in (0, 1))
    without, with_it = POLICIES[2:]
    assert hours[with_it].sum() <= hours[without].sum()
    assert jams[with_it].sum() < 0.6 * jams[without].sum()
    # and no more than the target of a stranger costs
    assert hours[with_it].sum() < hours[POLICIES[1]].sum()
