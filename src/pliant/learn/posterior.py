"""The posterior: what readings leave of the doubt.

First a tempered importance sampler carries a cloud from the prior to the posterior; then emcee walks it, half of its
moves drawn from a t-distribution fitted to that cloud, the rest from the ensemble itself. Autocorrelation is the gate:
an unconverged answer is an error that carries the draws. Start with `fit`; `cloud_of` is the first half alone, which
`next_coupon` and the checks on left-out sheets use.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.errors import NotConvergedError
from pliant.learn.likelihood import Sheets

__all__ = ["LENGTHS", "Cloud", "Posterior", "cloud_of", "fit"]

LENGTHS = 50.0  # [-] autocorrelation times a chain must last; the rule of emcee's own guide
_CLOUD = 4096
_TAIL, _FREEDOM, _WIDER = 0.15, 6.0, 1.3  # share, freedom and width of the t-distribution beside the normal
_GOOD, _MOST_POLISH = 0.4, 2  # share of effective draws that needs no further round; rounds at most
_CHUNK, _MOST_STEPS = 150, 2400
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Cloud:
    """Weighted draws of the posterior: scores `(n, k)`, weights `(n,)` that sum to 1, and their effective number."""

    x: Floats
    weight: Floats
    log_evidence: float

    @property
    def effective(self) -> float:
        """How many independent draws the weights amount to."""
        return float(1 / np.sum(self.weight**2))


@dataclass(frozen=True)
class Posterior:
    """Draws of the scores `(n_chains, n_draws, k)`, and how they were judged."""

    draws: Floats
    autocorrelation_steps: float
    acceptance: float

    @property
    def flat(self) -> Floats:
        """All draws, `(n, k)`."""
        return self.draws.reshape(-1, self.draws.shape[2])

    def thinned(self, count: int, rng: np.random.Generator) -> Floats:
        """That many draws, picked at random without repetition, `(count, k)`."""
        flat = self.flat
        return flat[rng.choice(flat.shape[0], size=min(count, flat.shape[0]), replace=False)]


def cloud_of(sheets: Sheets, *, seed: int = 7, n: int = _CLOUD) -> Cloud:
    """Carry a cloud from the prior to the posterior by tempered importance sampling.

    Parameters
    ----------
    sheets : Sheets
        Readings made ready.
    seed : int, default 7
        Of the draws.
    n : int, default 4096
        Draws per stage.

    Returns
    -------
    Cloud
        The last stage alone, drawn from a t-distribution fitted to the stage before.
    """
    rng = np.random.default_rng(seed)
    k = sheets.space.size
    x = rng.standard_normal((n, k))
    like = sheets.log_likelihood(x)
    log_q = -0.5 * np.sum(x**2, axis=1)
    heat, polish = 0.0, 0
    while True:
        base = -0.5 * np.sum(x**2, axis=1) - log_q
        heat, weight = _next_heat(base, like, heat, 0.3 * n)
        centre, root = _shape(x, weight)
        x, log_q = _draw(centre, root, n, rng)
        like = sheets.log_likelihood(x)
        if heat >= 1.0:
            polish += 1
            weight, _ = _normal_weights(like - 0.5 * np.sum(x**2, axis=1) - log_q)
            if polish > _MOST_POLISH or 1 / np.sum(weight**2) > _GOOD * n:
                break
    log_weight = like - 0.5 * np.sum(x**2, axis=1) - log_q
    weight, log_sum = _normal_weights(log_weight)
    return Cloud(x, weight, log_sum - np.log(n) - 0.5 * k * np.log(2 * np.pi))


def fit(
    sheets: Sheets,
    *,
    seed: int = 7,
    walkers: int | None = None,
    most_steps: int = _MOST_STEPS,
    progress: Callable[[float], None] | None = None,
) -> Posterior:
    """Draw the posterior with emcee, and test the draws.

    Parameters
    ----------
    sheets : Sheets
        Readings made ready.
    seed : int, default 7
        Of the draws.
    walkers : int, optional
        Size of the ensemble; six times the number of parameters when left out.
    most_steps : int, default 2400
        Steps after which the fit is given up.
    progress : callable, optional
        Called with the share of the work done, 0 to 1. [-]

    Returns
    -------
    Posterior

    Raises
    ------
    NotConvergedError
        If the chain is shorter than `LENGTHS` autocorrelation times at its end; the draws are in `error.draws`.

    References
    ----------
    .. [1] D. Foreman-Mackey and others, emcee: the MCMC hammer, PASP 125, 2013, 306.
    """
    import emcee

    cloud = cloud_of(sheets, seed=seed)
    k = sheets.space.size
    count = walkers or max(6 * k, 96)
    rng = np.random.default_rng(seed + 1)
    centre, root = _shape(cloud.x, cloud.weight)
    moves = [(_independent(centre, root), 0.6), (emcee.moves.DEMove(), 0.3), (emcee.moves.StretchMove(), 0.1)]
    sampler = emcee.EnsembleSampler(count, k, sheets.log_posterior, moves=moves, vectorize=True)
    picked = rng.choice(cloud.x.shape[0], size=count, p=cloud.weight)
    # draws picked twice would stand still together: each moves a little off its twin
    state: Any = emcee.State(
        cloud.x[picked] + 1e-3 * rng.standard_normal((count, k)),
        random_state=np.random.RandomState(seed + 2).get_state(),
    )
    tau = np.inf
    while sampler.iteration < most_steps:
        state = sampler.run_mcmc(state, min(_CHUNK, most_steps - sampler.iteration))
        tau = float(np.max(emcee.autocorr.integrated_time(sampler.get_chain(), tol=0)))
        done = sampler.iteration / (LENGTHS * tau)
        if progress is not None:
            progress(min(done, 1.0))
        if done >= 1.0:
            break
    burn = min(int(np.ceil(3 * tau)) if np.isfinite(tau) else 0, sampler.iteration // 2)
    draws = np.swapaxes(sampler.get_chain(discard=burn), 0, 1)
    acceptance = float(np.mean(sampler.acceptance_fraction))
    if not sampler.iteration >= LENGTHS * tau:
        raise NotConvergedError(
            f"the draws hang together over {tau:.0f} steps, so {sampler.iteration} steps are too few (want "
            f"{LENGTHS:.0f} times as many); readings that contradict each other do this: leave one out. "
            "The draws so far are in error.draws",
            draws,
        )
    return Posterior(draws, tau, acceptance)


def _normal_weights(log_weight: Floats) -> tuple[Floats, float]:
    top = float(log_weight.max())
    weight = np.exp(log_weight - top)
    total = float(weight.sum())
    return weight / total, top + float(np.log(total))


def _next_heat(base: Floats, like: Floats, heat: float, wanted: float) -> tuple[float, Floats]:
    """Largest power of the likelihood that leaves that many effective draws, and the weights there."""

    def at(power: float) -> tuple[Floats, float]:
        weight, _ = _normal_weights(base + power * like)
        return weight, float(1 / np.sum(weight**2))

    weight, effective = at(1.0)
    if effective >= wanted:
        return 1.0, weight
    low, high = heat, 1.0
    for _ in range(30):
        middle = (low + high) / 2
        low, high = (middle, high) if at(middle)[1] >= wanted else (low, middle)
    # where even the step just taken leaves too few, go on regardless by a little: the fit behind it adapts
    power = min(max(low, heat + 0.02), 1.0)
    return power, at(power)[0]


def _shape(x: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Centre and root of the covariance of weighted draws; drawn towards the prior where the draws are few."""
    centre = weight @ x
    off = x - centre
    spread = (off * weight[:, None]).T @ off
    few = x.shape[1] / (x.shape[1] + 1 / float(np.sum(weight**2)))
    spread = (1 - few) * spread + few * np.eye(x.shape[1])
    return centre, np.linalg.cholesky(spread)


def _log_proposal(x: Floats, centre: Floats, root: Floats) -> Floats:
    """Density of a normal with a share of wider t-distribution, whose tails cover what the normal would miss."""
    from scipy.special import gammaln

    k = centre.size
    # einsum throughout: products this small are slower, not faster, on several threads
    square = np.sum(np.einsum("ij,nj->ni", np.linalg.inv(root), x - centre) ** 2, axis=1)
    log_det = np.sum(np.log(np.diag(root)))
    normal = -0.5 * (square + k * np.log(2 * np.pi)) - log_det
    scale = gammaln((_FREEDOM + k) / 2) - gammaln(_FREEDOM / 2) - 0.5 * k * np.log(_FREEDOM * np.pi)
    tail = scale - log_det - k * np.log(_WIDER) - 0.5 * (_FREEDOM + k) * np.log1p(square / _WIDER**2 / _FREEDOM)
    return np.logaddexp(np.log(1 - _TAIL) + normal, np.log(_TAIL) + tail)


def _stretched(z: Floats, is_tail: Any, chi_square: Floats) -> Floats:
    """Turn standard normal rows into rows of the proposal."""
    return z * np.where(is_tail, _WIDER / np.sqrt(chi_square / _FREEDOM), 1.0)


def _draw(centre: Floats, root: Floats, n: int, rng: Any) -> tuple[Floats, Floats]:
    z = rng.standard_normal((n, centre.size))
    z = _stretched(z, rng.random((n, 1)) < _TAIL, rng.chisquare(_FREEDOM, size=(n, 1)))
    x = centre + np.einsum("ij,nj->ni", root, z)
    return x, _log_proposal(x, centre, root)


def _independent(centre: Floats, root: Floats) -> Any:
    """A move of emcee that proposes from the fitted distribution, wherever the walker stands."""
    import emcee

    def propose(coords: Floats, random: Any) -> tuple[Floats, Floats]:
        n = coords.shape[0]
        z = _stretched(random.randn(*coords.shape), random.rand(n, 1) < _TAIL, random.chisquare(_FREEDOM, size=(n, 1)))
        new = centre + np.einsum("ij,nj->ni", root, z)
        return new, _log_proposal(coords, centre, root) - _log_proposal(new, centre, root)

    return emcee.moves.MHMove(propose)
