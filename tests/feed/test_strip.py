"""Thinning keeps every extreme, at every level; the worst move of a bin is the one with its least margin."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pliant.feed.chain import MECHANISMS
from pliant.feed.load import Load
from pliant.feed.strip import build_strip
from pliant.kernels.thin import thin_to_bins

BOW, STARVE, SLIP = (MECHANISMS.index(name) for name in ("bow", "starve", "slip"))


def _load(push, margin, mechanism=BOW, flow=None):
    n = push.size
    zero = np.zeros(n, dtype=np.float32)
    with np.errstate(invalid="ignore"):
        capacity = np.where(np.isfinite(push), push * margin, np.nan)
    return Load(
        zero, zero, zero if flow is None else flow.astype(np.float32), push.astype(np.float32),
        capacity.astype(np.float32), margin.astype(np.float32), np.broadcast_to(mechanism, n).astype(np.uint8), zero,
        np.zeros(n), 0.0, 0.0,
    )  # fmt: skip


def _strip(seconds, push, margin=None, mechanism=BOW, flow=None, finest=4096):
    n = seconds.size
    if margin is None:
        margin = 5.0 / np.maximum(push, 1e-6)
    return build_strip(
        _load(push, margin, mechanism, flow),
        move_s=seconds,
        line=np.arange(n) + 1,
        layer=np.arange(n) // 10,
        at_mm=np.column_stack([np.arange(n), -np.arange(n)]).astype(float),
        finest=finest,
    )


durations = st.lists(st.one_of(st.just(0.0), st.floats(1e-4, 1e3)), min_size=1, max_size=300)


@settings(max_examples=60, deadline=None)
@given(durations, st.integers(0, 2**32 - 1), st.sampled_from([64, 100, 4096]))
def test_limit_no_peak_is_lost_at_any_level(seconds, seed, finest):
    seconds = np.array(seconds)
    rng = np.random.default_rng(seed)
    push = np.where(rng.random(seconds.size) < 0.2, 0.0, rng.lognormal(1, 1, seconds.size)).astype(np.float32)
    strip = _strip(seconds, push, finest=finest)
    middle = np.cumsum(seconds) - seconds / 2
    for bins in strip.levels:
        assert bins.low.size <= max(finest, 64)
        assert bins.edge_s[0] == 0
        assert bins.edge_s[-1] == pytest.approx(seconds.sum())
        assert bins.high.max() == push.max()
        assert bins.low.min() == push.min()
        assert np.all(bins.low <= bins.high)
        # every move lies between the low and the high of the bin that holds its middle
        at = np.clip(np.searchsorted(bins.edge_s, middle, side="right") - 1, 0, bins.low.size - 1)
        inside = np.abs(bins.edge_s[at] - middle) > 1e-9
        assert np.all(push[inside] <= bins.high[at][inside])
        assert np.all(push[inside] >= bins.low[at][inside])


def test_limit_one_spike_in_a_million_moves_survives():
    rng = np.random.default_rng(7)
    n, spike = 1_000_000, 654_321
    seconds, push = rng.uniform(0.001, 0.02, n), rng.uniform(1.0, 2.0, n)
    push[spike] = 7.5
    strip = _strip(seconds, push)
    assert [b.low.size for b in strip.levels] == [4096, 2048, 1024, 512, 256, 128, 64]
    assert strip.capacity == pytest.approx(5.0)
    for bins in strip.levels:
        worst = int(np.argmin(bins.margin))
        assert bins.high[worst] == 7.5
        assert bins.move[worst] == spike
        assert bins.line[worst] == spike + 1
        assert bins.at_mm[worst, 0] == spike
        assert bins.edge_s[worst] <= seconds[: spike + 1].sum() <= bins.edge_s[worst + 1] + 0.02
        assert np.sum(bins.high > 5) == 1
    assert strip.level(1000).low.size == 512
    assert strip.level(1).low.size == 64


def test_limit_a_bin_says_which_mechanism_is_nearest():
    seconds, push = np.full(300, 1.0), np.full(300, 2.0)
    push[30] = 6.0
    margin, mechanism = 5.0 / push, np.full(300, BOW)
    margin[150], mechanism[150] = 2.0, SLIP
    strip = _strip(seconds, push, margin, mechanism)
    assert strip.mechanism == "bow"
    bins = strip.levels[0]
    at = int(np.searchsorted(bins.edge_s, 150.5)) - 1
    assert strip.mechanisms[bins.gives[at]] == "slip"
    assert bins.margin[at] == 2.0
    assert bins.high[at] == 2.0


def test_limit_melt_rate_is_shown_as_flow():
    push, flow = np.full(90, 3.0), np.full(90, 8.0)
    flow[40] = 12.0
    strip = _strip(np.full(90, 1.0), push, 9.6 / flow, STARVE, flow)
    assert (strip.mechanism, strip.unit) == ("starve", "mm³/s")
    assert strip.capacity == pytest.approx(9.6, rel=1e-6)
    assert strip.levels[-1].high.max() == 12.0


def test_limit_a_locked_guide_is_infinite_not_lost():
    push, margin = np.full(30, 1.0), np.full(30, 3.0)
    push[17], margin[17] = np.inf, 0.0
    strip = _strip(np.full(30, 1.0), push, margin)
    assert all(np.isinf(b.high.max()) and b.margin.min() == 0 for b in strip.levels)
    assert strip.capacity == 3.0  # from the moves about which something can be said


def test_limit_nothing_at_all():
    strip = _strip(np.zeros(0), np.zeros(0))
    assert (strip.mechanism, strip.level(10).low.size) == ("none", 1)
    still = _strip(np.zeros(3), np.zeros(3), np.full(3, 1e9))  # moves that take no time
    assert (still.mechanism, still.total_s, still.levels[0].high.max()) == ("none", 0, 0)
    assert np.isinf(still.capacity)


def test_roundtrip_kernel_compiled_and_plain():
    rng = np.random.default_rng(3)
    seconds, push = rng.uniform(0, 1, 60), rng.random(60)
    words = (np.cumsum(seconds), push, 2 / push, 64)
    plain = getattr(thin_to_bins, "py_func", thin_to_bins)
    for a, b in zip(thin_to_bins(*words), plain(*words), strict=True):
        assert np.array_equal(a, b)
