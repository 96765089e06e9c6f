"""A proposal for the samplers: where readings tell something, a smoothed copy of a cloud; elsewhere, the prior itself.

Readings inform a handful of directions of the parameters, those along which their likelihood has a slope (an active
subspace, found from finite differences). Across them the posterior is the prior, so drawing that part from the prior is
exact, and the smoothing has few dimensions.
"""

import numpy as np
from numpy.typing import NDArray

from pliant.learn.likelihood import Sheets

__all__ = ["Proposal"]

_KERNELS, _TAIL, _WIDER, _FAR = 500, 0.2, 2.0, 0.03  # kernels of the smoothed cloud; share and width of wider ones
_SLOPES, _EPSILON, _FAINT, _STEEPEST, _MOST_DIRECTIONS = 150, 0.02, 0.03, 30.0, 10
_FAR_SCALE = 3.0
Floats = NDArray[np.float64]


class Proposal:
    """Made of weighted draws `(n, k)` with the likelihood taken to the power `heat`."""

    def __init__(self, sheets: Sheets, x: Floats, weight: Floats, heat: float, rng: np.random.Generator) -> None:
        picked = x[rng.choice(x.shape[0], size=_KERNELS, p=weight)]
        basis = _informed(sheets, picked[:_SLOPES], heat)
        a = x @ basis
        centre = weight @ a
        off = a - centre
        spread = (off * weight[:, None]).T @ off + 1e-8 * np.eye(basis.shape[1])
        r = basis.shape[1]
        enough = min(1 / float(np.sum(weight**2)), float(_KERNELS))
        width = float((4 / ((r + 2) * enough)) ** (1 / (r + 4)))
        self.basis, self.root = basis, width * np.linalg.cholesky(spread)
        # drawn together by what the smoothing adds, so that the spread of the whole stays (West 1993)
        self.nodes = centre + np.sqrt(max(1 - width**2, 0.0)) * (picked @ basis - centre)
        self._inverse = np.linalg.inv(self.root)
        self._log_det = float(np.sum(np.log(np.diag(self.root))))

    def draw(self, n: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
        """Draws `(n, k)`, and the logarithm of their density as `log_density` gives it."""
        normal = rng.standard_normal((n, self.basis.shape[0]))
        inside = np.einsum("nk,kr->nr", normal, self.basis)
        wider = np.where(rng.random((n, 1)) < _TAIL, _WIDER, 1.0)
        near = self.nodes[rng.integers(len(self.nodes), size=n)] + np.einsum("ij,nj->ni", self.root, inside * wider)
        placed = np.where(rng.random((n, 1)) < _FAR, _FAR_SCALE * inside, near)
        x = normal + np.einsum("nr,kr->nk", placed - inside, self.basis)
        return x, self.log_density(x)

    def log_density(self, x: Floats) -> Floats:
        """Logarithm of its density, up to a constant that all draws share."""
        a = np.einsum("nk,kr->nr", x, self.basis)
        z = np.einsum("ij,nj->ni", self._inverse, a)
        nodes = np.einsum("ij,nj->ni", self._inverse, self.nodes)
        square = np.maximum(
            np.sum(z**2, axis=1)[:, None] + np.sum(nodes**2, axis=1) - 2 * np.einsum("ni,mi->nm", z, nodes), 0.0
        )
        r = a.shape[1]
        kernel = (1 - _TAIL) * np.exp(-0.5 * square) + _TAIL * np.exp(-0.5 * square / _WIDER**2) / _WIDER**r
        # the far end is a normal as wide as three times the prior: nothing is ever impossible
        far = -0.5 * np.sum(a**2, axis=1) / _FAR_SCALE**2 - r * np.log(_FAR_SCALE) - 0.5 * r * np.log(2 * np.pi)
        near = np.log(kernel.mean(axis=1) + 1e-300) - self._log_det - 0.5 * r * np.log(2 * np.pi)
        across = -0.5 * (np.sum(x**2, axis=1) - np.sum(a**2, axis=1))
        return np.logaddexp(np.log1p(-_FAR) + near, np.log(_FAR) + far) + across


def _informed(sheets: Sheets, x: Floats, heat: float) -> Floats:
    """Orthonormal directions along which the likelihood has a slope, `(k, r)`."""
    n, k = x.shape
    moved = np.concatenate([x, *(x + _EPSILON * row for row in np.eye(k))])
    like = heat * sheets.log_likelihood(moved).reshape(k + 1, n)
    slope = (like[1:] - like[0]) / _EPSILON
    # a kink between mechanisms can make one slope huge; it must not hide the others
    slope = np.clip(slope, -_STEEPEST, _STEEPEST)
    value, vector = np.linalg.eigh(slope @ slope.T / n)
    told = value > _FAINT
    told[-1] = True
    told[: max(k - _MOST_DIRECTIONS, 0)] = False
    return np.ascontiguousarray(vector[:, told])
