"""Draws of the unknowns for the tail: more of them where the path gives, each with the weight that makes up for it.

A chance of two in a hundred, taken from a thousand plain draws, rests on twenty of them and is known to a seventh.
Here every second draw is pushed by `_PUSH` standard deviations along the one direction in which the margin falls
fastest, and weighted by what plain draws would have had there (importance sampling from a mixture). The direction is
that of a steady bead and depends on the records alone, so that programs, speeds and remedies are compared on the same
draws, and slower never comes out riskier by chance.

J. M. Hammersley, D. C. Handscomb, Monte Carlo Methods, 1964, section 5.4; T. Hesterberg, Weighted average importance
sampling and defensive mixture distributions, Technometrics 37, 1995 (both from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Floats
from pliant.feed import chain
from pliant.feed.passage import ONE, Passage
from pliant.feed.steps import step_log_margins
from pliant.feed.together import correlate, extra_scores
from pliant.records.filament import Filament
from pliant.records.machine import Machine
from pliant.sampling import normal_scores, slopes

__all__ = ["STEADY_BEAD", "Draws", "tail_draws"]

_PUSH = 1.5  # [-] measured: 1 to 2 do alike, and bring the error of 2 % from a seventh to a twentieth
_PILOT = 512
# the steady bead that tells the direction: 0.45 x 0.2 mm laid at about 25 mm/s
STEADY_BEAD: dict[str, Any] = {"flow_mm3_per_s": np.array([2.0]), "width_mm": 0.45, "gap_mm": 0.2}


@dataclass(frozen=True)
class Draws:
    """Values of the unknowns, and how much each draw counts."""

    theta: dict[str, NDArray[np.float64]]  # (n, 1) by name
    scores: NDArray[np.float64]  # (n, k) normal scores
    names: list[str]  # of the k columns
    bed: NDArray[np.float64]  # (n, 1) normal scores of the bed's error
    weight: NDArray[np.float64]  # (n,) of mean 1, with all that the witnesses say
    without: dict[str, NDArray[np.float64]] = field(default_factory=dict)  # the same without one of them, by its name

    @cached_property
    def plain(self) -> "slice | NDArray[np.intp]":
        """The draws that are as likely as what is known says: every second one, or picked evenly by weight."""
        if not self.without:
            return slice(0, None, 2)
        up_to, n = np.cumsum(self.weight), self.weight.size // 2
        at = np.searchsorted(up_to, (np.arange(n) + 0.5) / n * up_to[-1])
        return np.asarray(np.minimum(at, self.weight.size - 1))

    @property
    def effective(self) -> float:
        """How many independent draws the weights amount to."""
        return float(self.weight.sum() ** 2 / (self.weight**2).sum())

    def mean(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Mean over the draws as the records say them, `(n, ...) -> (...)`."""
        return np.asarray(np.tensordot(self.weight, values, axes=(0, 0)) / self.weight.size)

    def chance(self, log_margin: NDArray[np.float64], passage: Passage = ONE) -> NDArray[np.float64]:
        """Chance of a jam from the log margin of each draw, `(n, ...) -> (...)`."""
        return self.mean(passage.chance(log_margin))


def tail_draws(machine: Machine, filament: Filament, n: int = 2000, seed: int = 7) -> Draws:
    """Draw the unknowns of a machine and a spool.

    Parameters
    ----------
    machine, filament
        The records.
    n : int, default 2000
        Draws, even.
    seed : int, default 7
        The same for every search, so that its answers can be compared; another for what is stated.

    Returns
    -------
    Draws
    """
    return _kept(machine, filament, n, seed)


@lru_cache(maxsize=16)
def _kept(machine: Machine, filament: Filament, n: int, seed: int) -> Draws:
    rng = np.random.default_rng(seed)
    names = [*chain.unknowns(machine, filament), *extra_scores(filament)]
    own = np.column_stack([normal_scores(rng, n) for _ in names])
    push = _PUSH * _falls_along(machine, filament)
    own += np.outer(np.arange(n) % 2, push)
    weight = 2 / (1 + np.exp(own @ push - push @ push / 2))
    drawn = correlate(machine, filament, dict(zip(names, own.T, strict=True)))
    shown = chain.drawn_names(chain.unknowns(machine, filament))
    theta = chain.theta_of(machine, filament, {name: z[:, None] for name, z in drawn.items()})
    bed = normal_scores(rng, n)[:, None]
    weight, without = _heard(filament, drawn, weight)
    return Draws(theta, np.column_stack([drawn[k] for k in shown]), shown, bed, weight, without)


def _heard(filament: Filament, drawn: dict[str, Any], weight: Floats) -> tuple[Floats, dict[str, Floats]]:
    """The weights once all witnesses are heard, and without each of them; of mean 1."""
    said = filament.evidence.log_likelihoods(drawn) if filament.evidence is not None else {}

    def after(names: Sequence[str]) -> Floats:
        total = np.sum([said[name] for name in names], axis=0) if names else np.zeros(weight.size)
        found = weight * np.exp(total - total.max())
        return np.asarray(found / found.mean())

    return after(list(said)), {name: after([k for k in said if k != name]) for name in said}


@lru_cache(maxsize=16)
def _falls_along(machine: Machine, filament: Filament) -> NDArray[np.float64]:
    """Unit vector among independent scores along which the log margin of a steady bead falls fastest; 0 if none."""
    rng, names = np.random.default_rng(1), [*chain.unknowns(machine, filament), *extra_scores(filament)]
    own = np.column_stack([normal_scores(rng, _PILOT) for _ in names])
    drawn = correlate(machine, filament, dict(zip(names, own.T, strict=True)))
    theta = chain.theta_of(machine, filament, {name: z[:, None] for name, z in drawn.items()})
    least, _, _ = step_log_margins(machine, theta, nozzle_c=filament.reference_c, **STEADY_BEAD)
    y = np.clip(least[:, 0], -3.0, 3.0)  # what has given ten times over says no more of the direction
    slope = slopes(own, y)
    size = float(np.linalg.norm(slope))
    return np.asarray(-slope / size) if size > 1e-9 else np.zeros(len(names))
