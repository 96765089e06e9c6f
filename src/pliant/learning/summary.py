"""From draws to records: medians and spreads of what was learned, and how the numbers hang together."""

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.feed.draws import STEADY_BEAD
from pliant.feed.steps import step_log_margins
from pliant.feed.together import FILAMENT_UNKNOWNS
from pliant.learning.likelihood import Space
from pliant.records.filament import Filament
from pliant.records.learned import MOST_NAMES, Believed, Together
from pliant.records.machine import Machine
from pliant.records.quantity import Quantity
from pliant.records.unknown import Unknown

__all__ = ["Summary", "summarise", "updated"]

_ROWS = 512  # draws that a record carries
_TOLD = 0.05  # [-] of a spread: a smaller change is the noise of the draws
Table = tuple[tuple[float, ...], ...]
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


def summarise(
    space: Space, x: NDArray[np.float64], marks: tuple[str, ...], basis: NDArray[np.float64] | None = None
) -> Summary:
    """Sum up draws `(n, k)` of the scores.

    Parameters
    ----------
    space : Space
        The parameters.
    x : ndarray
        Draws of the posterior, `(n, k)`.
    marks : tuple of str
        Digests of the readings used, those used before included.
    basis : ndarray, optional
        Directions that the readings told of, `(k, r)`, from `proposal.informed`; without them the records carry
        correlations alone.

    Returns
    -------
    Summary
        An unknown that neither moved, nor narrowed, nor hangs together with another is left as it was.
    """
    theta, alone = space.values(x)
    scores = space.scores(x)
    names = list(space.shared)
    logs = _logs(space, theta, scores)
    correlation = np.atleast_2d(np.corrcoef(logs, rowvar=False))
    before = [space.quantity(name) for name in names]
    keep = _changed(space, scores[:, : len(names)], correlation, whole=basis is not None)
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
        home = filament if name in (*FILAMENT_UNKNOWNS, "lag_factor") else machine
        home[name] = (math.exp(centre), math.exp(sd))
        changed.append(Believed(name, q.value, q.spread, math.exp(centre), math.exp(sd)))
    if "density_kg_per_m3" in space.own:
        q, log = space.own["density_kg_per_m3"], np.log(alone["density_kg_per_m3"][:, 0])
        filament["density_kg_per_m3"] = (math.exp(float(log.mean())), math.exp(float(log.std())))
        changed.append(Believed("density_kg_per_m3", q.value, q.spread, *filament["density_kg_per_m3"]))
    kept, directions, along = _along(space, x, logs, basis) if basis is not None else (np.flatnonzero(keep), (), ())
    rows = tuple((*(float(correlation[i, j]) for j in kept[:r]), 1.0) for r, i in enumerate(kept))
    changed.sort(key=lambda b: -b.shrinkage)
    return Summary(
        machine=machine,
        filament=filament,
        mixes=mixes,
        together=Together(space.machine.name, tuple(names[i] for i in kept), rows, marks, directions, along),
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


def _logs(space: Space, theta: dict[str, Any], scores: NDArray[np.float64]) -> NDArray[np.float64]:
    """What a record's median and spread act on: logarithms, or the score of a mix of theories, `(n, names)`."""
    columns = [
        scores[:, i]
        if Unknown.of(name).between_theories
        else np.log(np.broadcast_to(theta[name], (len(scores), 1))[:, 0])
        for i, name in enumerate(space.shared)
    ]
    return np.column_stack(columns)


def _changed(
    space: Space, scores: NDArray[np.float64], correlation: NDArray[np.float64], whole: bool
) -> NDArray[np.bool_]:
    """Which unknowns get a new number; `whole`: what only hangs together with others needs none of its own."""
    moved, narrowed = np.abs(scores.mean(axis=0)) > _TOLD, 1 - scores.std(axis=0) > _TOLD
    keep = moved | narrowed
    if not whole:
        keep |= np.abs(correlation - np.eye(len(keep))).max(axis=1) > _HANGS
        if space.filament.together is not None:  # what hung together before still does
            keep |= np.array([name in space.filament.together.names for name in space.shared])
    melt = [i for i, name in enumerate(space.shared) if name in ("consistency_pa_sn", "flow_index")]
    if keep[melt].any() or whole:  # their default ranges are drawn together: once one is learned, so is the other
        keep[melt] = True
    return np.asarray(keep)


def _along(
    space: Space, x: NDArray[np.float64], logs: NDArray[np.float64], basis: NDArray[np.float64]
) -> tuple[NDArray[np.intp], Table, Table]:
    """Which unknowns hang together, what they move by along the told directions, and draws along them.

    All that a direction moves have to be there, however little each does: dropping a dozen of them left a third of the
    spread on top. The draws are picked evenly by what they bear.
    """
    at = _whitened(x @ basis)
    scaled = (logs - logs.mean(axis=0)) / logs.std(axis=0)
    directions = scaled.T @ at / len(at)
    kept = np.sort(np.argsort(-np.abs(directions).max(axis=1))[:MOST_NAMES])
    order = np.argsort(_bears(space, x))
    picked = order[((np.arange(_ROWS) + 0.5) / _ROWS * len(order)).astype(np.int64)]
    # what a handful of draws has more or less of spread than all, it must not add to the numbers
    tables = (np.round(table, 3) for table in (directions[kept], _whitened(at[picked])))
    told, rows = (tuple(tuple(map(float, row)) for row in table) for table in tables)
    return kept, told, rows


def _whitened(at: NDArray[np.float64]) -> NDArray[np.float64]:
    """Draws `(n, r)` moved and turned as little as can be so that they have no mean, spread 1 and no correlation."""
    away = at - at.mean(axis=0)
    value, vector = np.linalg.eigh(away.T @ away / len(away))
    return np.asarray(away @ (vector / np.sqrt(np.maximum(value, 1e-12)) @ vector.T))


def _bears(space: Space, x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Log margin of a steady bead, by which draws are sorted: what they are picked by has a tail too."""
    theta, celsius = space.values(x)[0], space.filament.reference_c
    return step_log_margins(space.machine, theta, nozzle_c=celsius, **STEADY_BEAD)[0][:, 0]


def _noise(space: Space, alone: dict[str, Any]) -> Believed:
    q, log = space.own["noise"], np.log(alone["noise"][:, 0])
    return Believed("noise", q.value, q.spread, math.exp(float(log.mean())), math.exp(float(log.std())))
