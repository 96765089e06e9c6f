"""The posterior: what readings leave of the doubt.

First a tempered importance sampler carries a cloud from the prior to the posterior. Then emcee walks it: half of its
moves are drawn from a smoothed copy of that cloud, most of the rest are strides in the directions that readings inform.
Autocorrelation is the gate: an unconverged answer is an error that carries the draws. Start with `fit`; `cloud_of` is
the first half alone, which the checks on left-out sheets use.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from pliant.arrays import Floats
from pliant.errors import NotConvergedError
from pliant.learning.likelihood import Sheets, essential
from pliant.learning.proposal import Proposal

__all__ = ["Cloud", "Posterior", "cloud_of", "fit"]

_LENGTHS = 50.0  # [-] autocorrelation times a chain must last; the rule of emcee's own guide
_CLOUD = 4096
_WANTED, _GOOD, _MOST_ROUNDS = 0.12, 0.25, 12  # effective draws: per stage, and in the end; rounds at most
_NEAR_ROUNDS = 3
_CHUNK, _MOST_STEPS = 150, 6000


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
    proposal: Proposal  # of the cloud that the walk started from

    @property
    def flat(self) -> Floats:
        """All draws, `(n, k)`."""
        return self.draws.reshape(-1, self.draws.shape[2])

    def thinned(self, count: int, rng: np.random.Generator) -> Floats:
        """That many draws, picked at random without repetition, `(count, k)`."""
        flat = self.flat
        return flat[rng.choice(flat.shape[0], size=min(count, flat.shape[0]), replace=False)]


def cloud_of(sheets: Sheets, *, seed: int = 7, n: int = _CLOUD, near: Proposal | None = None) -> Cloud:
    """Carry a cloud from the prior to the posterior by tempered importance sampling.

    Parameters
    ----------
    sheets : Sheets
        Readings made ready.
    seed : int, default 7
        Of the draws.
    n : int, default 4096
        Draws per stage.
    near : Proposal, optional
        Of a posterior not far from this one: tried first, which is quick; where it leaves too few effective draws, the
        way from the prior is gone.

    Returns
    -------
    Cloud
        The last stage alone, drawn from a smoothed copy of the stage before.
    """
    sheets = _lean(sheets)
    return (near is not None and _from_near(sheets, near, seed, n)) or _cloud(sheets, seed, n)[0]


def _from_near(sheets: Sheets, proposal: Proposal, seed: int, n: int) -> Cloud | None:
    rng = np.random.default_rng(seed)
    for _ in range(_NEAR_ROUNDS):
        x, log_q = proposal.draw(n, rng)
        weight, log_sum = _normal_weights(-0.5 * np.sum(x**2, axis=1) - log_q + sheets.log_likelihood(x))
        cloud = Cloud(x, weight, _log_evidence(log_sum, n, proposal))
        if cloud.effective > _WANTED * n:
            return cloud
        proposal = Proposal(sheets, x, weight, 1.0, rng)
    return None


def _log_evidence(log_sum: float, n: int, proposal: Proposal) -> float:
    return float(log_sum - np.log(n) - 0.5 * proposal.basis.shape[1] * np.log(2 * np.pi))


def _lean(sheets: Sheets) -> Sheets:
    """The same likelihood with fewer steps to work out."""
    return type(sheets)(sheets.space, [essential(r) for r in sheets.readings], sheets.prints)


def _cloud(sheets: Sheets, seed: int, n: int) -> tuple[Cloud, Proposal]:
    rng = np.random.default_rng(seed)
    k = sheets.space.size
    x = rng.standard_normal((n, k))
    like, base = sheets.log_likelihood(x), np.zeros(n)
    heat, rounds, best = 0.0, 0, 0.0
    while True:
        heat, weight = _next_heat(base, like, heat, _WANTED * n)
        proposal = Proposal(sheets, x, weight, heat, rng)
        x, log_q = proposal.draw(n, rng)
        like, base = sheets.log_likelihood(x), -0.5 * np.sum(x**2, axis=1) - log_q
        rounds += 1
        if heat >= 1.0:
            weight, log_sum = _normal_weights(base + like)
            effective = float(1 / np.sum(weight**2))
            if effective > best:
                best = effective
                kept = Cloud(x, weight, _log_evidence(log_sum, n, proposal)), proposal
            if best > _GOOD * n or rounds >= _MOST_ROUNDS:
                return kept


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
        Size of the ensemble; four times the number of parameters when left out.
    most_steps : int, default 6000
        Steps after which the fit is given up.
    progress : callable, optional
        Called with the share of the work done, 0 to 1. [-]

    Returns
    -------
    Posterior

    Raises
    ------
    NotConvergedError
        If the chain is shorter than `_LENGTHS` autocorrelation times at its end; the draws are in `error.draws`.

    References
    ----------
    .. [1] D. Foreman-Mackey and others, emcee: the MCMC hammer, PASP 125, 2013, 306.
    """
    import emcee  # type: ignore[import-untyped]

    sheets = _lean(sheets)
    cloud, proposal = _cloud(sheets, seed, _CLOUD)
    k = sheets.space.size
    count = walkers or max(4 * k, 96)
    rng = np.random.default_rng(seed + 1)
    moves = [(_independent(proposal), 0.5), (_walk(proposal), 0.4), (emcee.moves.DEMove(), 0.1)]
    sampler = emcee.EnsembleSampler(count, k, sheets.log_posterior, moves=moves, vectorize=True)
    picked = rng.choice(cloud.x.shape[0], size=count, p=cloud.weight)
    # draws picked twice would stand still together: each moves a little off its twin
    state: Any = emcee.State(
        cloud.x[picked] + 1e-3 * rng.standard_normal((count, k)),
        random_state=np.random.RandomState(seed + 2).get_state(),  # emcee takes no Generator
    )
    tau = np.inf
    while sampler.iteration < most_steps:
        # as far as the last estimate says is needed, and a little; the estimate itself costs time
        more = _CHUNK if not np.isfinite(tau) else int(np.clip(1.05 * _LENGTHS * tau - sampler.iteration, 50, 600))
        state = sampler.run_mcmc(state, min(more, most_steps - sampler.iteration))
        with np.errstate(invalid="ignore"):
            tau = float(np.max(emcee.autocorr.integrated_time(sampler.get_chain(), tol=0)))
        tau = tau if np.isfinite(tau) else np.inf  # a walker that has not moved yet has none
        done = sampler.iteration / (_LENGTHS * tau)
        if progress is not None:
            progress(min(done, 1.0))
        if done >= 1.0:
            break
    burn = min(int(np.ceil(3 * tau)) if np.isfinite(tau) else 0, sampler.iteration // 2)
    draws = np.swapaxes(sampler.get_chain(discard=burn), 0, 1)
    acceptance = float(np.mean(sampler.acceptance_fraction))
    if not sampler.iteration >= _LENGTHS * tau:
        raise NotConvergedError(
            f"the draws hang together over {tau:.0f} steps, so {sampler.iteration} steps are too few (want "
            f"{_LENGTHS:.0f} times as many); readings that contradict each other do this: leave one out. "
            "The draws so far are in error.draws",
            draws,
        )
    return Posterior(draws, tau, acceptance, proposal)


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


def _independent(proposal: Proposal) -> Any:
    """A move of emcee that proposes from the smoothed cloud, wherever the walker stands."""
    import emcee

    def propose(coords: Floats, random: Any) -> tuple[Floats, Floats]:
        new, log_new = proposal.draw(coords.shape[0], np.random.default_rng(random.randint(2**31)))
        return new, proposal.log_density(coords) - log_new

    return emcee.moves.MHMove(propose)


def _walk(proposal: Proposal) -> Any:
    """A move of emcee that strides from where the walker stands."""
    import emcee

    def propose(coords: Floats, random: Any) -> tuple[Floats, Floats]:
        return proposal.walk(coords, np.random.default_rng(random.randint(2**31)))

    return emcee.moves.MHMove(propose)
