"""How likely readings are, given the unknowns of the chain.

Parameters are independent standard normal scores `(n, k)`: those of the records' unknowns (which hang together as the
records say), and those of what only a reading knows: how exactly a limit repeats, what the drive loses, how thin a
thread may be. So the prior is the same for every user, and the likelihood is the chain itself, never a copy.

Which mechanism gave is not asked: the least margin decides. A ladder is one job, so one draw of the job-to-job scatter
decides all its steps: it is held where the log margin stays above that draw. One reading in fifty is taken to be a
slip of the pen, which keeps a single wrong one from carrying the fit away.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.feed import chain
from pliant.feed.observe import LEAST_MM, LOSS, THREAD, moved_share, tapers_mm, thread_chance
from pliant.feed.passage import JOB_SCATTER
from pliant.feed.risk import BED_ERROR_MM
from pliant.feed.steps import step_log_margins
from pliant.feed.together import correlate
from pliant.records.coupon import FAILED, HELD, UNREACHED, Readings, Result
from pliant.records.evidence import Evidence
from pliant.records.filament import Filament
from pliant.records.machine import Machine
from pliant.records.quantity import Quantity

__all__ = [
    "LAPSE",
    "LEAST_MM",
    "MOVED_SCATTER",
    "Sheets",
    "Space",
    "essential",
    "length_scatter",
    "length_spreads_mm",
    "log_chance",
    "mass_scatter",
    "outcomes",
    "simulated",
]

LAPSE = 0.02  # [-] share of readings that are slips of the pen; our own guess
_LENGTH_SCATTER, _RULER_MM = 0.15, 1.5  # of a taper's length: from one to the next, and of the eye along it; own guess
MOVED_SCATTER = 0.02  # [-] a pen mark on soft filament, read to a millimetre and a half on 80; own guess
_MASS_SCATTER, _SCALE_G = 0.02, 0.03  # what sticks elsewhere, own guess; a scale that shows tenths: 0.1 / sqrt(12)
_FARTHEST = 6.0
_WILD = 4.0  # [-] a slip of the pen is this many times wider

_NOISE = Quantity("noise", float(np.log(JOB_SCATTER)), 1.5, "own guess", True)
_SHARE = Quantity("slip_share", 0.5, 1.0, "evenly between none and all", True)


class Space:
    """The parameters: names, and the way from scores to values."""

    def __init__(self, machine: Machine, filament: Filament, readings: Sequence[Readings] = ()) -> None:
        self.machine, self.filament = machine, filament
        kinds = {r.kind for r in readings}
        self.unknowns = chain.unknowns(machine, self.filament)
        self.shared = chain.drawn_names(self.unknowns)
        own = {"noise": _NOISE}
        if any(s.first_layer for r in readings for s in r.steps):
            own["bed_error_mm"] = Quantity("bed_error_mm", BED_ERROR_MM, 1.0, "common practice", True)
        if "free-run" in kinds or any(r.mass_g is not None for r in readings):
            own |= {"loss": LOSS, "slip_share": _SHARE}
        if any(r.mass_g is not None for r in readings):
            own["density_kg_per_m3"] = filament.density_kg_per_m3
        if "threads" in kinds:
            own["thread_mm2"] = THREAD
        self.own = own
        self.names = [*self.shared, *own]

    @property
    def size(self) -> int:
        """Number of parameters."""
        return len(self.names)

    def scores(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Scores as they hang together, `(n, k)`: what a record's median and spread act on."""
        drawn = correlate(self.machine, self.filament, {name: x[:, i] for i, name in enumerate(self.shared)})
        return np.column_stack([*(drawn[name] for name in self.shared), x[:, len(self.shared) :]])

    def values(self, x: NDArray[np.float64]) -> tuple[dict[str, Any], dict[str, Any]]:
        """Unknowns of the chain, and of the readings alone, by name: `(n, 1)` each."""
        from scipy.special import ndtr

        # proposals have long tails; what lies six spreads out is as good as impossible and need not overflow
        z = np.clip(self.scores(x), -_FARTHEST, _FARTHEST)
        theta = chain.theta_of(
            self.machine, self.filament, {name: z[:, i : i + 1] for i, name in enumerate(self.shared)}
        )
        alone = {}
        for i, (name, q) in enumerate(self.own.items(), len(self.shared)):
            column = z[:, i : i + 1]
            if name == "bed_error_mm":
                alone[name] = q.value * column
            else:
                alone[name] = ndtr(column) if name == "slip_share" else q.value * q.spread**column
        return theta, alone

    def quantity(self, name: str) -> Quantity:
        """What was believed of a parameter before."""
        return self.own[name] if name in self.own else self.unknowns[name]


@dataclass(frozen=True)
class _Piece:
    """One sheet, and which of the stacked steps are its own."""

    readings: Readings
    at: slice


class Sheets:
    """Readings made ready: all steps side by side, so that one pass through the chain serves every sheet."""

    def __init__(self, space: Space, readings: Sequence[Readings], prints: Evidence | None = None) -> None:
        self.space, self.readings, self.prints = space, tuple(readings), prints
        steps = [s for r in readings for s in r.steps]
        self.flow = np.array([s.flow_mm3_per_s for s in steps])
        self.nozzle = np.array([s.nozzle_c for s in steps])
        self.width = np.array([s.width_mm or 1.0 for s in steps])
        self.gap = np.array([s.gap_mm for s in steps])
        self.first = np.array([s.first_layer for s in steps], dtype=bool)
        self.pieces, start = [], 0
        for r in self.readings:
            self.pieces.append(_Piece(r, slice(start, start + len(r.steps))))
            start += len(r.steps)

    def log_likelihood(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Sum over the sheets and the prints, `(n,)`."""
        total = self.each(x).sum(axis=1)
        if self.prints is None:
            return total
        scores = np.clip(self.space.scores(x), -_FARTHEST, _FARTHEST)
        said = self.prints.log_likelihoods({name: scores[:, i] for i, name in enumerate(self.space.shared)})
        return np.asarray(total + np.sum(list(said.values()), axis=0))

    def log_posterior(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Likelihood and prior, up to a constant, `(n,)`."""
        return self.log_likelihood(x) - 0.5 * np.sum(x**2, axis=1)

    def each(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Log likelihood of each sheet, `(n, sheets)`."""
        if not self.readings:
            return np.zeros((x.shape[0], 0))
        found = [log_chance(p.readings, m) for p, m in self._predictions(x)]
        return np.column_stack(found)

    def predictions(self, x: NDArray[np.float64]) -> list["_Expected"]:
        """What each sheet is expected to say, for each row of x."""
        return [m for _, m in self._predictions(x)]

    def _predictions(self, x: NDArray[np.float64]) -> Any:
        theta, alone = self.space.values(x)
        gap = self.gap - np.where(self.first, alone["bed_error_mm"], 0.0) if self.first.any() else self.gap
        log_margin, pressure, push = step_log_margins(
            self.space.machine,
            theta,
            flow_mm3_per_s=self.flow,
            nozzle_c=self.nozzle,
            width_mm=self.width,
            gap_mm=gap,
            height_mm=self.gap,
        )
        for piece in self.pieces:
            s = piece.at
            yield (
                piece,
                _Expected(
                    self.space.machine, theta, alone, piece.readings, log_margin[:, s], pressure[:, s], push[:, s]
                ),
            )


class _Expected:
    """What one sheet should say: computed only where the sheet asks."""

    def __init__(
        self, machine: Machine, theta: dict[str, Any], alone: dict[str, Any], readings: Readings,
        log_margin: Any, pressure: Any, push: Any,
    ) -> None:  # fmt: skip
        self.log_margin, self.noise = log_margin, alone["noise"]
        self._machine, self._theta, self._alone, self._readings = machine, theta, alone, readings
        self._pressure, self._push = pressure, push

    def tapers_mm(self) -> tuple[Any, Any]:
        """Lengths of the tail after the stop and of the thin start, `(n, s)` each. [mm]"""
        return tapers_mm(self._machine, self._theta, self._readings.steps, self._pressure)

    def thread_chance(self) -> Any:
        """Chance that one crossing leaves a thread, `(n, s)`. [-]"""
        steps, least = self._readings.steps, self._alone["thread_mm2"]
        return thread_chance(self._machine, self._theta, steps, self._pressure, least)

    def moved_share(self) -> Any:
        """Length moved over length asked, `(n, s)`. [-]"""
        return moved_share(self._machine, self._theta, self._push, self._alone["loss"], self._alone["slip_share"])

    def mass_g(self) -> Any:
        """Mass of everything fed, `(n,)`. [g]"""
        moved = self.moved_share()
        volume = self._readings.asked_mm * np.pi * self._theta["diameter_mm"] ** 2 / 4
        return (self._alone["density_kg_per_m3"] * 1e-6 * volume * np.maximum(moved, 1e-3).mean(axis=1, keepdims=True))[
            :, 0
        ]


def essential(readings: Readings) -> Readings:
    """The sheet without the steps that its likelihood does not need.

    Each step is harder than the one before, so of those that held only the last counts, and of those that failed only
    the first.
    """
    results = readings.results
    held = [k for k, r in enumerate(results) if r.answer == HELD]
    failed = [k for k, r in enumerate(results) if r.answer == FAILED]
    keep = {
        k for k, r in enumerate(results) if any(v is not None for v in (r.tail_mm, r.lead_mm, r.moved_mm, r.strings))
    }
    keep |= {*held[-1:], *failed[:1]}
    if not keep or (readings.mass_g is not None and not failed):
        return readings
    at = sorted(keep)
    return replace(
        readings,
        steps=tuple(readings.steps[k] for k in at),
        results=tuple(results[k] for k in at),
        outcomes=readings.outcomes or len(results) + 1,
    )


def length_scatter(length_mm: Any, spread_mm: Any = _RULER_MM) -> Any:
    """Spread of the logarithm of a taper's length as it is read, by a ruler or with a spread of its own. [mm -> -]"""
    return np.hypot(_LENGTH_SCATTER, spread_mm / length_mm)


def length_spreads_mm(readings: Readings, name: str) -> NDArray[np.float64]:
    """Spread with which each step's length was read: a picture's own, or a ruler's. [mm]"""
    said = [getattr(r, name.replace("_mm", "_spread_mm")) for r in readings.results]
    return np.array([_RULER_MM if s is None else s for s in said])


def mass_scatter(mass_g: Any) -> Any:
    """Spread of the logarithm of a mass as it is weighed. [g -> -]"""
    return np.hypot(_MASS_SCATTER, _SCALE_G / mass_g)


def _normal(y: Any, middle: Any, scatter: Any) -> Any:
    """Density of a reading: a normal, and now and then a wild one."""
    z = (y - middle) / scatter
    plain = np.exp(-0.5 * z**2)
    wild = np.exp(-0.5 * (z / _WILD) ** 2) / _WILD
    return np.log(((1 - LAPSE) * plain + LAPSE * wild) / (np.sqrt(2 * np.pi) * scatter) + 1e-300)


def outcomes(log_margin: Any, noise: Any) -> Any:
    """Chance that step k is the first to fail, k = s: none does; `(n, s + 1)`, slips of the pen left out."""
    from scipy.special import ndtr

    failed = np.maximum.accumulate(ndtr(-log_margin / noise), axis=1)
    return np.diff(np.concatenate([np.zeros_like(failed[:, :1]), failed, np.ones_like(failed[:, :1])], axis=1), axis=1)


def log_chance(readings: Readings, m: _Expected) -> Any:
    """Log likelihood of one sheet under what is expected of it, `(n,)`."""
    from scipy.special import gammaln, ndtr

    total: Any = np.zeros(m.log_margin.shape[0])
    results = readings.results
    held = [k for k, r in enumerate(results) if r.answer == HELD]
    failed = [k for k, r in enumerate(results) if r.answer == FAILED]
    if held or failed:
        low = (-m.log_margin[:, held]).max(axis=1) if held else -np.inf
        high = (-m.log_margin[:, failed]).min(axis=1) if failed else np.inf
        noise = m.noise[:, 0]
        chance = np.maximum(ndtr(high / noise) - ndtr(low / noise), 0.0)
        total = total + np.log((1 - LAPSE) * chance + LAPSE / (readings.outcomes or len(results) + 1))
    if any(r.tail_mm is not None or r.lead_mm is not None for r in results):
        for name, lengths in zip(("tail_mm", "lead_mm"), m.tapers_mm(), strict=True):
            at = [k for k, r in enumerate(results) if getattr(r, name) is not None]
            read = np.log([max(getattr(results[k], name), LEAST_MM) for k in at])
            scatter = length_scatter(lengths[:, at], length_spreads_mm(readings, name)[at])
            total = total + _normal(read, np.log(lengths[:, at]), scatter).sum(axis=1)
    at = [k for k, r in enumerate(results) if r.moved_mm is not None and r.answer != FAILED]
    if at:
        read = np.array([results[k].moved_mm / readings.steps[k].asked_mm for k in at])  # type: ignore[operator]
        total = total + _normal(read, m.moved_share()[:, at], MOVED_SCATTER).sum(axis=1)
    at = [k for k, r in enumerate(results) if r.strings is not None]
    if at:
        p = np.clip(m.thread_chance()[:, at], 1e-9, 1 - 1e-9)
        count, of = (
            np.array(v, dtype=float)
            for v in ([results[k].strings for k in at], [readings.steps[k].crossings for k in at])
        )
        ways = gammaln(of + 1) - gammaln(count + 1) - gammaln(of - count + 1)
        chance = np.exp(ways + count * np.log(p) + (of - count) * np.log1p(-p))
        total = total + np.log((1 - LAPSE) * chance + LAPSE / (of + 1)).sum(axis=1)
    if readings.mass_g is not None and not failed:
        total = total + _normal(np.log(readings.mass_g), np.log(m.mass_g()), mass_scatter(m.mass_g()))
    return total


def simulated(readings: Readings, m: _Expected, i: int, rng: np.random.Generator, lapse: float = LAPSE) -> Readings:
    """One user's sheet; the asked-for fields are those that the template has filled in."""
    steps, results = readings.steps, [Result() for _ in readings.steps]

    def noisy(middle: float, scatter: float) -> float:
        return middle + scatter * rng.standard_normal() * (_WILD if rng.random() < lapse else 1.0)

    first = len(steps)
    if any(r.answer != UNREACHED for r in readings.results):
        chance = outcomes(m.log_margin[i : i + 1], m.noise[i : i + 1])[0]
        first = int(rng.choice(chance.size, p=chance / chance.sum()))
        if rng.random() < lapse:
            first = int(rng.integers(chance.size))
        results = [Result(HELD if k < first else FAILED if k == first else UNREACHED) for k in range(len(steps))]
    if any(r.tail_mm is not None or r.lead_mm is not None for r in readings.results):
        for name, lengths in zip(("tail_mm", "lead_mm"), m.tapers_mm(), strict=True):
            spread = name.replace("_mm", "_spread_mm")
            for k, (length, own) in enumerate(zip(lengths[i], length_spreads_mm(readings, name), strict=True)):
                read = float(np.exp(noisy(float(np.log(length)), float(length_scatter(length, own)))))
                said = {name: max(read, LEAST_MM), spread: getattr(readings.results[k], spread)}
                results[k] = replace(results[k], **said)
    if any(r.moved_mm is not None for r in readings.results):
        for k, share in enumerate(m.moved_share()[i]):
            if results[k].answer != FAILED and k <= first:
                results[k] = replace(results[k], moved_mm=noisy(float(share), MOVED_SCATTER) * steps[k].asked_mm)
    if any(r.strings is not None for r in readings.results):
        for k, p in enumerate(m.thread_chance()[i]):
            of = steps[k].crossings
            count = rng.integers(of + 1) if rng.random() < lapse else rng.binomial(of, np.clip(p, 1e-9, 1 - 1e-9))
            results[k] = replace(results[k], strings=int(count))
    mass = None
    if readings.mass_g is not None:
        expected = float(m.mass_g()[i])
        mass = float(np.exp(noisy(float(np.log(expected)), float(mass_scatter(expected)))))
    return replace(readings, results=tuple(results), mass_g=mass)
