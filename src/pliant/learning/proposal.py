"""A proposal for the samplers: where readings tell something, a smoothed copy of a cloud; elsewhere, the prior itself.

Readings inform a handful of directions of the parameters, those along which their likelihood has a slope (an active
subspace, found from finite differences). Across them the posterior is the prior, so drawing that part from the prior is
exact, and the smoothing has few dimensions.
"""

import numpy as np

from pliant.arrays import Floats
from pliant.learning.likelihood import Sheets

__all__ = ["Proposal", "informed"]

_KERNELS, _TAIL, _WIDER, _FAR = 500, 0.2, 2.0, 0.03  # kernels of the smoothed cloud; share and width of wider ones
_SLOPES, _EPSILON, _FAINT, _STEEPEST, _MOST_DIRECTIONS = 150, 0.02, 0.03, 30.0, 10
_FAR_SCALE = 3.0
_SHORT, _SHORTER = 0.3, 0.3  # share of short strides, and how short


class Proposal:
    """Made of weighted draws `(n, k)` with the likelihood taken to the power `heat`."""

    def __init__(self, sheets: Sheets, x: Floats, weight: Floats, heat: float, rng: np.random.Generator) -> None:
        picked = x[rng.choice(x.shape[0], size=_KERNELS, p=weight)]
        basis = informed(sheets, picked[:_SLOPES], heat)
        a = x @ basis
        centre = weight @ a
        off = a - centre
        spread = (off * weight[:, None]).T @ off + 1e-8 * np.eye(basis.shape[1])
        r = basis.shape[1]
        enough = min(1 / float(np.sum(weight**2)), float(_KERNELS))
        width = float((4 / ((r + 2) * enough)) ** (1 / (r + 4)))
        whole = np.linalg.cholesky(spread)
        self.basis, self.root = basis, width * whole
        self.stride = 2.38 / np.sqrt(r) * whole  # of a walk (Roberts, Gelman, Gilks 1997, from memory)
        # drawn together by what the smoothing adds, so that the spread of the whole stays (West 1993)
        self.nodes = centre + np.sqrt(max(1 - width**2, 0.0)) * (picked @ basis - centre)
        self._inverse = np.linalg.inv(self.root)
        self._log_det = float(np.sum(np.log(np.diag(self.root))))

    def draw(self, n: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
        """Draws `(n, k)`, and the logarithm of their density as `log_density` gives it."""
        normal = rng.standard_normal((n, self.basis.shape[0]))
        inside = normal @ self.basis
        wider = np.where(rng.random((n, 1)) < _TAIL, _WIDER, 1.0)
        near = self.nodes[rng.integers(len(self.nodes), size=n)] + (inside * wider) @ self.root.T
        placed = np.where(rng.random((n, 1)) < _FAR, _FAR_SCALE * inside, near)
        x = normal + (placed - inside) @ self.basis.T
        return x, self.log_density(x)

    def walk(self, x: Floats, rng: np.random.Generator) -> tuple[Floats, Floats]:
        """One stride from each row in the informed directions, the rest drawn anew from the prior.

        Returns the new rows and the logarithm of the density back over that forth, `(n,)`.
        """
        normal = rng.standard_normal(x.shape)
        here = x @ self.basis
        inside = normal @ self.basis
        stride = np.where(rng.random((len(x), 1)) < _SHORT, _SHORTER, 1.0) * inside
        there = here + stride @ self.stride.T
        new = normal + (there - inside) @ self.basis.T
        back = np.sum(here**2, axis=1) - np.sum(x**2, axis=1)
        forth = np.sum(there**2, axis=1) - np.sum(new**2, axis=1)
        return new, 0.5 * (back - forth)

    def log_density(self, x: Floats) -> Floats:
        """Logarithm of its density, up to a constant that all draws share."""
        a = x @ self.basis
        z, nodes = a @ self._inverse.T, self.nodes @ self._inverse.T
        half_square = z @ nodes.T
        half_square -= 0.5 * np.sum(z**2, axis=1)[:, None]
        half_square -= 0.5 * np.sum(nodes**2, axis=1)
        r = a.shape[1]
        # one exponential serves both: exp(-s) is the fourth power of exp(-s / 4); single precision is ample for it
        wider = np.exp(np.clip(half_square / _WIDER**2, -80.0, 0.0).astype(np.float32)).astype(np.float64)
        kernel = (1 - _TAIL) * np.square(np.square(wider)) + _TAIL / _WIDER**r * wider
        # the far end is a normal as wide as three times the prior: nothing is ever impossible
        far = -0.5 * np.sum(a**2, axis=1) / _FAR_SCALE**2 - r * np.log(_FAR_SCALE) - 0.5 * r * np.log(2 * np.pi)
        near = np.log(kernel.mean(axis=1) + 1e-300) - self._log_det - 0.5 * r * np.log(2 * np.pi)
        across = -0.5 * (np.sum(x**2, axis=1) - np.sum(a**2, axis=1))
        return np.logaddexp(np.log1p(-_FAR) + near, np.log(_FAR) + far) + across


def informed(sheets: Sheets, x: Floats, heat: float = 1.0) -> Floats:
    """Orthonormal directions along which the likelihood has a slope, `(k, r)`, at draws `(n, k)`."""
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
