"""How what was learned hangs together: from independent normal scores to those that a learned record says.

A ladder tells push over capacity: in the unknowns a thin and bent sheet, of which correlations see a flat one, a third
too thick. So a learned record also carries some of its draws along the few directions that the readings told of. One
score picks a draw, others move it a little, and across the directions everything is as the correlations say. Without
such scores the correlations alone hold: a log-normal picture, wider than what was known and never narrower.
"""

from collections.abc import Mapping

import numpy as np

from pliant.arrays import Floats
from pliant.records.filament import Filament
from pliant.records.learned import Together
from pliant.records.machine import Machine

__all__ = ["FILAMENT_UNKNOWNS", "correlate", "extra_scores"]

FILAMENT_UNKNOWNS = (
    "diameter_mm", "youngs_modulus_mpa", "consistency_pa_sn", "flow_index", "activation_kj_per_mol", "soften_c",
    "diffusivity_mm2_per_s", "model_factor", "entry_factor", "half_strain",
)  # fmt: skip
_ROW, _MOVE = "together.row", "together.move"
_WIDTH = 0.1  # [-] of the draws' own spread, by which one of them is moved: our choice


def extra_scores(filament: Filament) -> list[str]:
    """Names of the scores that a learned record's own draws are picked and moved by; none where it carries none."""
    together = filament.together
    if together is None or not together.rows:
        return []
    return [_ROW, *(f"{_MOVE}{j}" for j in range(len(together.rows[0])))]


def correlate(machine: Machine, filament: Filament, scores: Mapping[str, Floats]) -> dict[str, Floats]:
    """Make independent normal scores hang together as the records say they do, `(n,)` by name.

    What was learned on another machine holds for the filament's own numbers alone.
    """
    found, together = dict(scores), filament.together
    if together is None:
        return found
    here = together.machine == machine.name
    ours = (*FILAMENT_UNKNOWNS, "lag_factor")
    names = [name for name in together.names if name in found and (here or name in ours)]
    extra = extra_scores(filament)
    drawn = bool(extra) and all(name in found for name in extra)
    if names:
        own = np.stack([found[name] for name in names])
        mixed = _by_rows(together, names, own, [found[name] for name in extra]) if drawn else _root(
            together.matrix(names)
        ) @ own  # fmt: skip
        found |= dict(zip(names, mixed, strict=True))
    return {name: score for name, score in found.items() if name not in extra}


def _by_rows(together: Together, names: list[str], own: Floats, extra: list[Floats]) -> Floats:
    """Draws along the told directions, and across them what of the correlations they leave, `(names, n)`."""
    from scipy.special import ndtr

    rows, along = np.array(together.rows), np.array(together.directions)[[together.names.index(k) for k in names]]
    centre, spread = rows.mean(axis=0), np.cov(rows, rowvar=False, bias=True).reshape(rows.shape[1], -1)
    pick = np.minimum((ndtr(extra[0]) * len(rows)).astype(np.int64), len(rows) - 1)
    # drawn together by what the moving adds, so that the spread of the whole stays (West 1993)
    at = centre + np.sqrt(1 - _WIDTH**2) * (rows[pick] - centre) + _WIDTH * (_root(spread) @ np.stack(extra[1:])).T
    return np.asarray(_root(together.matrix(names) - along @ spread @ along.T) @ own + along @ at.T)


def _root(matrix: Floats) -> Floats:
    """A square root of a matrix that rounding may have made not quite positive."""
    value, vector = np.linalg.eigh(matrix)
    return np.asarray(vector * np.sqrt(np.maximum(value, 0.0)) @ vector.T)
