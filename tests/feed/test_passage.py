"""First passage of a margin that wanders, against limits, a simulation and closed forms."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import ndtr

from pliant.feed.passage import JOB_SCATTER, ONE, STRETCH_MM, WANDER, Passage, passage_of

MARGIN = np.linspace(-0.5, 0.6, 12)


def test_limit_one_stretch_is_the_scatter_of_one_job():
    assert ONE.chance(MARGIN) == pytest.approx(ndtr(-MARGIN / np.log(JOB_SCATTER)), abs=2e-5)
    two_halves = Passage((0.0, 0.0), (0.5, 0.5))  # by the sums that more stretches take
    assert two_halves.chance(MARGIN) == pytest.approx(ONE.chance(MARGIN), abs=2e-5)


@pytest.mark.parametrize("count", [4, 50])
def test_published_none_a_simulation_says_the_same(count):
    rng = np.random.default_rng(1)
    job = np.sqrt(np.log(JOB_SCATTER) ** 2 - np.log(WANDER) ** 2) * rng.standard_normal((40_000, 1))
    excess = np.where(np.arange(count) % 2, 0.0, 0.1)
    least = (excess + job + np.log(WANDER) * rng.standard_normal((40_000, count))).min(axis=1)
    told = Passage((0.0, 0.1), (count // 2, count // 2))
    for margin in (0.0, 0.1, 0.25):
        jams = float((least + margin < 0).mean())
        assert told.chance(margin) == pytest.approx(jams, abs=4 * np.sqrt(jams / 40_000) + 1e-3)


@given(st.lists(st.floats(0, 0.6), min_size=1, max_size=6), st.floats(1.0, 300.0))
def test_limit_more_to_lay_is_never_safer(excess, more):
    once = Passage((0.0, *excess), (1.0,) * (1 + len(excess)))
    again = Passage((0.0, *excess), (more,) * (1 + len(excess)))
    assert (again.chance(MARGIN) >= once.chance(MARGIN) - 1e-9).all()
    assert (once.chance(MARGIN) >= ONE.chance(MARGIN) - 2e-5).all()
    assert (np.diff(again.chance(MARGIN)) <= 1e-12).all()


@pytest.mark.parametrize("chance", [0.01, 0.02, 0.5, 0.9])
def test_roundtrip_margin_that_is_needed(chance):
    job = Passage((0.0, 0.05), (3.0, 40.0))
    assert job.chance(job.needed(chance)) == pytest.approx(chance, rel=1e-6)


def test_limit_what_lies_far_above_adds_nothing_and_where_it_is_cut_does_not_matter():
    rng = np.random.default_rng(3)
    margin, fed = rng.uniform(0.2, 2.0, 400), rng.uniform(0, 50, 400)
    whole = passage_of(margin, fed)
    halves = passage_of(np.repeat(margin, 2), np.repeat(fed / 2, 2))
    assert halves.excess == whole.excess
    assert halves.stretches == pytest.approx(whole.stretches)
    near = margin < margin.min() + 0.52
    assert passage_of(margin[near], fed[near]).stretches == pytest.approx(whole.stretches)
    assert passage_of([1.0], [0.0]) == ONE
    assert passage_of([1.0, 3.0], [STRETCH_MM / 100, 9e9]).stretches == (1.0,), "the least margin is passed once"
