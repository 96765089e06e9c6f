"""From draws to records: medians and spreads of what was learned, and how the numbers hang together."""

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.learning.likelihood import Space
from pliant.records.filament import Filament
from pliant.records.learned import Believed, Together
from pliant.records.machine import Machine
from pliant.records.quantity import Quantity
from pliant.records.unknown import Unknown

__all__ = ["Summary", "summarise", "updated"]

_TOLD = 0.05  # [-] of a spread: a smaller change is the noise of the draws
_HANGS = 0.04  # [-] of a correlation: likewise


@dataclass(frozen=True)
class Summary:
    """What goes into the new records."""

    machine: dict[str, tuple[float, float]]
    filament: dict[str, tuple[float, float]]
    mixes: dict[int, tuple[float, float]]
    together: Together
    changed: tuple[Believed, ...]
    noise: Believed
    flow_factor: float | None


def summarise(space: Space, x: NDArray[np.float64], marks: tuple[str, ...]) -> Summary:
    """Sum up draws `(n, k)` of the scores.

    Parameters
    ----------
    space : Space
        The parameters.
    x : ndarray
        Draws of the posterior, `(n, k)`.
    marks : tuple of str
        Digests of the readings used, those used before included.

    Returns
    -------
    Summary
        An unknown that neither moved, nor narrowed, nor hangs together with another is left as it was.
    """
    theta, alone = space.values(x)
    scores = space.scores(x)
    columns, names = [], list(space.shared)
    for i, name in enumerate(names):
        columns.append(
            scores[:, i]
            if Unknown.of(name).between_theories
            else np.log(np.broadcast_to(theta[name], (len(x), 1))[:, 0])
        )
    logs = np.column_stack(columns)
    correlation = np.corrcoef(logs, rowvar=False)
    off = np.abs(correlation - np.eye(len(names)))
    before = [space.quantity(name) for name in names]
    moved = np.abs(scores.mean(axis=0)[: len(names)]) > _TOLD
    narrowed = 1 - scores.std(axis=0)[: len(names)] > _TOLD
    keep = moved | narrowed | (off.max(axis=1) > _HANGS)
    if space.filament.together is not None:  # what hung together before still does
        keep |= np.array([name in space.filament.together.names for name in names])
    melt = [i for i, name in enumerate(names) if name in ("consistency_pa_sn", "flow_index")]
    if keep[melt].any():  # their default ranges are drawn together: once one is learned, so is the other
        keep[melt] = True
    machine: dict[str, tuple[float, float]] = {}
    filament: dict[str, tuple[float, float]] = {}
    mixes: dict[int, tuple[float, float]] = {}
    changed = []
    for i in map(int, np.flatnonzero(keep)):
        name, q = names[i], before[i]
        centre, sd = float(logs[:, i].mean()), float(logs[:, i].std())
        unknown = Unknown.of(name)
        if unknown.between_theories and unknown.span is not None:
            old, scale = space.machine.path[unknown.span].column_mix
            mixes[unknown.span] = (old + scale * centre, scale * sd)
            continue
        home = filament if name in _FILAMENT else machine
        home[name] = (math.exp(centre), math.exp(sd))
        changed.append(Believed(name, q.value, q.spread, math.exp(centre), math.exp(sd)))
    if "density_kg_per_m3" in space.own:
        q, log = space.own["density_kg_per_m3"], np.log(alone["density_kg_per_m3"][:, 0])
        filament["density_kg_per_m3"] = (math.exp(float(log.mean())), math.exp(float(log.std())))
        changed.append(Believed("density_kg_per_m3", q.value, q.spread, *filament["density_kg_per_m3"]))
    kept = [int(i) for i in np.flatnonzero(keep)]
    rows = tuple((*(float(correlation[i, j]) for j in kept[:r]), 1.0) for r, i in enumerate(kept))
    changed.sort(key=lambda b: -b.shrinkage)
    return Summary(
        machine=machine,
        filament=filament,
        mixes=mixes,
        together=Together(space.machine.name, tuple(names[i] for i in kept), rows, marks),
        changed=tuple(changed),
        noise=_noise(space, alone),
        flow_factor=float(np.median(1 / (1 - np.minimum(alone["loss"], 0.9)))) if "loss" in alone else None,
    )


def updated(machine: Machine, filament: Filament, summary: Summary) -> tuple[Machine, Filament]:
    """The records with what was learned in place, as reading the new files back would give them."""

    def learned(name: str, key: str, pair: tuple[float, float]) -> Quantity:
        return Quantity(key, pair[0], max(pair[1], 1.0), f"learned ({name})", False)

    spans = list(machine.path)
    own: dict[str, Quantity] = {}
    for name, pair in summary.machine.items():
        at = Unknown.of(name)
        if at.span is not None:
            spans[at.span] = replace(spans[at.span], **{at.key: learned(name, name, pair)})  # type: ignore[arg-type]
        else:
            own[name] = learned(name, name, pair)
    for span, mix in summary.mixes.items():
        spans[span] = replace(spans[span], column_mix=mix)
    numbers = {name: learned(name, name, pair) for name, pair in summary.filament.items()}
    return (
        replace(machine, path=tuple(spans), **own),  # type: ignore[arg-type]
        replace(filament, together=summary.together, **numbers),  # type: ignore[arg-type]
    )


_FILAMENT = {
    "diameter_mm", "youngs_modulus_mpa", "consistency_pa_sn", "flow_index", "activation_kj_per_mol", "soften_c",
    "diffusivity_mm2_per_s", "model_factor", "entry_factor", "half_strain", "lag_factor",
}  # fmt: skip


def _noise(space: Space, alone: dict[str, Any]) -> Believed:
    q, log = space.own["noise"], np.log(alone["noise"][:, 0])
    return Believed("noise", q.value, q.spread, math.exp(float(log.mean())), math.exp(float(log.std())))
