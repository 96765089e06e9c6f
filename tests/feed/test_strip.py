"""Thinning keeps every extreme, at every level; the worst move of a bin is the one with its least margin."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pliant.feed.strip import build_strip
from pliant.kernels.thin import thin_to_bins


def _strip(seconds, demand, capacity=5.0, finest=4096, slip=None):
    n = seconds.size
    with np.errstate(divide="ignore"):
        margin = np.where(demand > 0, capacity / np.maximum(demand, 1e-300), np.inf)
    gives = np.zeros(n, dtype=np.uint8)
    if slip is not None:
        gives, margin = (slip < margin).astype(np.uint8), np.minimum(margin, slip)
    return build_strip(
        seconds, demand, np.full(n, capacity), margin, gives, ("bow", "slip"), 0, line=np.arange(n) + 1,
        layer=np.arange(n) // 10, at_mm=np.column_stack([np.arange(n), -np.arange(n)]).astype(float), finest=finest,
    )  # fmt: skip


durations = st.lists(st.one_of(st.just(0.0), st.floats(1e-4, 1e3)), min_size=3, max_size=300)


@settings(max_examples=200, deadline=None)
@given(durations, st.integers(0, 2**32 - 1), st.sampled_from([64, 100, 4096]))
def test_limit_no_peak_is_lost_at_any_level(seconds, seed, finest):
    seconds = np.array(seconds[: len(seconds) // 3 * 3])
    rng = np.random.default_rng(seed)
    demand = np.where(rng.random(seconds.size) < 0.2, 0.0, rng.lognormal(1, 1, seconds.size))
    strip = _strip(seconds, demand, finest=finest)
    middle = np.cumsum(seconds) - seconds / 2
    for bins in strip.levels:
        assert bins.low.size <= max(finest, 64)
        assert bins.edge_s[0] == 0
        assert bins.edge_s[-1] == pytest.approx(seconds.sum())
        assert bins.high.max() == pytest.approx(demand.max(), rel=1e-12)
        assert bins.low.min() == pytest.approx(demand.min(), rel=1e-12)
        assert np.all(bins.low <= bins.high)
        # every phase lies between the low and the high of the bin that holds its middle
        at = np.clip(np.searchsorted(bins.edge_s, middle, side="right") - 1, 0, bins.low.size - 1)
        inside = np.abs(bins.edge_s[at] - middle) > 1e-9
        assert np.all(demand[inside] <= bins.high[at][inside] * (1 + 1e-12))
        assert np.all(demand[inside] >= bins.low[at][inside] * (1 - 1e-12))


def test_limit_one_spike_in_a_million_moves_survives():
    rng = np.random.default_rng(7)
    n = 1_000_000
    seconds, demand = rng.uniform(0.001, 0.02, n), rng.uniform(1.0, 2.0, n)
    spike = 654_321
    demand[spike] = 7.5
    strip = _strip(seconds, demand)
    assert strip.levels[0].low.size == 4096
    assert [b.low.size for b in strip.levels][-1] == 64
    for bins in strip.levels:
        worst = int(np.argmin(bins.margin))
        assert bins.high[worst] == pytest.approx(7.5)
        assert bins.move[worst] == 654_321
        assert bins.line[worst] == 654_322
        assert bins.at_mm[worst, 0] == spike
        assert bins.edge_s[worst] <= seconds[: spike + 1].sum() <= bins.edge_s[worst + 1] + 0.02
        assert np.sum(bins.high > 5) == 1


def test_limit_worst_of_a_bin_is_over_all_mechanisms():
    seconds, demand = np.full(300, 1.0), np.full(300, 2.0)
    slip = np.full(300, 50.0)
    slip[150] = 2.0  # worse there than the bow's 2.5, but the bow's spike at 30 governs the job
    demand[30] = 6.0
    strip = _strip(seconds, demand, slip=slip)
    assert strip.mechanism == "bow"
    bins = strip.levels[0]
    at = int(np.searchsorted(bins.edge_s, 150.5)) - 1
    assert strip.mechanisms[bins.gives[at]] == "slip"
    assert bins.margin[at] == 2.0
    assert bins.high[at] == pytest.approx(2.0)  # the bar stays the demand on the gap


def test_limit_a_locked_guide_is_infinite_not_lost():
    demand, margin = np.full(30, 2.0), np.full(30, 3.0)
    demand[17], margin[17] = np.inf, 0.0
    strip = build_strip(
        np.ones(30), demand, np.full(30, 4.0), margin, np.zeros(30, dtype=np.uint8), ("bow",), 0, line=np.arange(30),
        layer=np.zeros(30, dtype=np.int64), at_mm=np.zeros((30, 2)),
    )  # fmt: skip
    assert all(np.isinf(b.high.max()) and b.margin.min() == 0 for b in strip.levels)


def test_limit_nothing_at_all():
    empty = np.zeros(0)
    strip = build_strip(empty, empty, empty, empty, empty, ("bow",), 0, line=empty, layer=empty, at_mm=np.zeros((0, 2)))
    assert strip.mechanism == "none"
    assert strip.level(10).low.size == 1
    still = _strip(np.zeros(3), np.zeros(3))  # moves that take no time
    assert still.total_s == 0
    assert still.levels[0].high.max() == 0


def test_roundtrip_kernel_compiled_and_plain():
    rng = np.random.default_rng(3)
    seconds, demand = rng.uniform(0, 1, 60), rng.random(60)
    given_ = (np.cumsum(seconds), demand, np.full(60, 2.0), 2 / demand, 64)
    plain = getattr(thin_to_bins, "py_func", thin_to_bins)
    for a, b in zip(thin_to_bins(*given_), plain(*given_), strict=True):
        assert np.array_equal(a, b)
