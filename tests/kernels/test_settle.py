"""The flow that settles, held against a root finder of a library and the chain's own law of consistency."""

import numpy as np
import pytest
from scipy.optimize import brentq

from pliant.feed import chain
from pliant.feed.draws import tail_draws
from pliant.feed.envelope import _INDEX, _STORE_S, Envelope, hot_end
from pliant.kernels.settle import Store, _log_shift, settled_flow
from recipes import filament, machine


def _rig():
    theta = tail_draws(machine(), filament(), 200).theta
    return theta, chain.compliance(machine(), theta) * chain.unit_drop_mpa(theta)


def _falling():
    """A job whose flow is a short spike: the larger the store, the less comes through."""
    flow = 12.0 / (1 + _STORE_S[None, :] / 0.4) ** (1.2 * _INDEX[:, None])
    one = np.ones(1)
    return Envelope(220.0 * one, 0.45 * one, 0.2 * one, np.array([False]), 3.0 * one, flow[None], 900.0 * one)


@pytest.mark.parametrize(("scale", "nozzle_c"), [(1.0, 220.0), (0.2, 220.0), (1.0, 185.0), (2.5, 250.0)])
def test_limit_the_flow_is_that_of_a_root_finder_over_the_chains_law(scale, nozzle_c):
    theta, store = _rig()
    job = _falling()
    found = job.settled_mm3_per_s(0, scale, store, nozzle_c, theta)
    assert found.shape == store.shape
    for i in range(0, 200, 17):
        one = {name: np.asarray(values)[i, 0] if np.ndim(values) == 2 else values for name, values in theta.items()}
        n = float(one["flow_index"])
        at = np.clip(np.interp(1 / n, 1 / _INDEX, np.arange(4)), 0, 3 - 1e-9)
        row = np.log(job.flow_mm3_per_s[0])
        row = row[int(at)] + (at - int(at)) * (row[int(at) + 1] - row[int(at)])

        def over(x, n=n, row=row, i=i, one=one):
            flow = np.exp(x)
            held = store[i, 0] * scale**n * job.reference_mm3_per_s[0] ** (n - 1)
            need = held * chain.consistency_pa_sn(flow, nozzle_c, one)
            return np.log(scale) + np.interp(np.log(need), np.log(_STORE_S), row) - x

        wanted = brentq(over, np.log(1e-4), np.log(1e3), xtol=1e-10)
        assert np.log(found[i, 0]) == pytest.approx(wanted, abs=3e-7)


def test_limit_a_steady_flow_settles_at_itself_and_plain_python_says_the_same():
    theta, store = _rig()
    steady = Envelope.steady([3.0], 220.0, [0.45], [0.2], [False])
    assert steady.settled_mm3_per_s(0, 0.5, store, 220.0, theta) == pytest.approx(1.5, rel=1e-6)
    few = {name: np.asarray(values)[:6] if np.ndim(values) == 2 else values for name, values in theta.items()}
    hot = hot_end(few, 220.0, lambda v: np.broadcast_to(np.asarray(v, dtype=float), (6, 1)).reshape(-1).copy())
    table = np.log(_falling().flow_mm3_per_s[0])
    step = np.log(_STORE_S[1] / _STORE_S[0])
    rest = Store(np.full(6, 1.3), table, np.log(_STORE_S[0]), step, np.log(store[:6, 0]))
    words = 0.0, np.log(few["consistency_pa_sn"]).reshape(-1), hot, rest
    assert settled_flow.py_func(*words) == pytest.approx(settled_flow(*words), rel=1e-12)


@pytest.mark.parametrize("flow", [1e-6, 1e-3, 0.1, 4.0, 900.0, 1e5])
def test_limit_the_melt_is_as_thick_as_the_chain_says_within_the_grid_of_fourier_numbers_and_beyond(flow):
    theta, _ = _rig()
    hot = hot_end(theta, 215.0, lambda v: np.broadcast_to(np.asarray(v, dtype=float), (200, 1)).reshape(-1).copy())
    wanted = np.log(chain.consistency_pa_sn(flow, 215.0, theta) / theta["consistency_pa_sn"])[:, 0]
    assert [_log_shift(np.log(flow), i, hot) for i in range(200)] == pytest.approx(wanted, abs=1e-9)
