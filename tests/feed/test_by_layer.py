"""Where a jam comes first: sums against a simulation, and what must hold of any job."""

import numpy as np
import pytest

from pliant.feed.by_layer import MOST_ROWS, Parts, _comes_first, jam_by_layer, places_of
from pliant.feed.passage import JOB_SCATTER, STRETCH_MM, WANDER, passage_of


def _alike(margin, n=1):
    one = np.full(n, margin)
    return Parts(one, one, np.ones(n))


def _shares(parts, margin, fed, layer, chance=1.0, first=None):
    first = np.asarray(layer) == 0 if first is None else first
    rows = jam_by_layer(parts, places_of(margin, fed, layer, first), 0.2 * np.arange(1, max(layer) + 2), chance)
    return np.array([row.share for row in rows])


def test_limit_shares_sum_to_the_chance_of_a_jam():
    layer = np.repeat(np.arange(7), 5)
    rng = np.random.default_rng(0)
    got = _shares(_alike(0.05, 40), rng.uniform(0, 0.4, 35), rng.uniform(0, 900, 35), layer, 0.123)
    assert got.sum() == pytest.approx(0.123)
    assert (got >= 0).all()


def test_limit_before_scaling_it_is_the_passage_of_the_whole_where_both_parts_shift_alike():
    margin, fed, layer = np.array([0.0, 0.1, 0.02, 0.3]), np.full(4, 4 * STRETCH_MM), np.arange(4)
    for least in (0.0, 0.1, 0.2):
        # the whole is seen from its least margin; so is the rest, which lies 0.02 above it
        parts = Parts(np.array([least]), np.array([least + 0.02]), np.ones(1))

        total = _comes_first(parts, places_of(margin, fed, layer, layer == 0)).sum()
        assert total == pytest.approx(float(passage_of(margin, fed).chance(least)), rel=0.02)


def test_published_none_a_simulation_says_the_same():
    """Three layers of two, three and one stretches; the bed is off by another amount in each draw."""
    rng = np.random.default_rng(3)
    n, own = 60_000, np.log(WANDER)
    job = np.sqrt(np.log(JOB_SCATTER) ** 2 - own**2) * rng.standard_normal((n, 1))
    bed = 0.1 * rng.standard_normal((n, 1))
    margin = np.array([0.0, 0.0, 0.1, 0.1, 0.1, 0.14])  # of the stretches; of the rest the least is 0.1
    shift = np.hstack([np.repeat(0.15 + bed, 2, axis=1), np.full((n, 4), 0.0)])
    jams = margin + shift + job + own * rng.standard_normal((n, 6)) < 0
    place = np.array([0, 0, 1, 1, 1, 2])[jams.argmax(axis=1)]
    wanted = np.array([(jams.any(axis=1) & (place == k)).mean() for k in range(3)])
    parts = Parts(0.15 + bed[:, 0], np.full(n, 0.1), np.ones(n))
    got = _shares(parts, margin, np.full(6, STRETCH_MM), [0, 0, 1, 1, 1, 2], wanted.sum())
    assert got == pytest.approx(wanted, abs=5 * np.sqrt(0.25 / n))


def test_limit_certain_jams_come_in_the_first_layer_and_a_high_bed_moves_them_there():
    layer, fed = np.arange(5), np.full(5, 3000.0)
    assert _shares(_alike(-1.0), np.zeros(5), fed, layer)[0] == pytest.approx(1.0)
    low = _shares(Parts(np.array([0.5]), np.array([0.1]), np.ones(1)), np.zeros(5), fed, layer)
    high = _shares(Parts(np.array([0.0]), np.array([0.1]), np.ones(1)), np.zeros(5), fed, layer)
    assert high[0] > low[0]
    assert low[1] > low[2] > low[3] > low[4] > 0, "of layers alike the earlier one is passed first"


def test_limit_a_tall_job_has_rows_of_neighbours_and_the_first_layer_alone():
    layer = np.arange(1000)
    rows = jam_by_layer(
        _alike(0.1), places_of(np.zeros(1000), np.full(1000, 10.0), layer, layer == 0), 0.2 * (layer + 1), 0.4
    )
    assert len(rows) <= MOST_ROWS
    assert rows[0].layers == (0, 0)
    assert [row.layers[0] for row in rows[1:]] == [row.layers[1] + 1 for row in rows[:-1]]
    assert rows[-1].layers[1] == 999
    assert rows[-1].z_mm == pytest.approx(200.0)
    assert all(row.layer == row.layers[0] for row in rows)


def test_limit_nothing_fed_says_nothing():
    assert jam_by_layer(_alike(0.1), places_of([1.0], [0.0], [0], [False]), [0.2], 0.5) == ()
    assert jam_by_layer(_alike(0.1), places_of([], [], [], []), [], 0.5) == ()
