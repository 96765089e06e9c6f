"""Whether readings contradict the model: each sheet against what the others lead one to expect of it.

A fit always goes somewhere; where it goes through readings that cannot all be true, its numbers mean nothing. So every
sheet is left out once, its readings predicted from the rest (from the records alone where there is no rest), and those
that fall outside are named.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.learning import likelihood as lk
from pliant.learning.likelihood import Sheets, Space, outcomes
from pliant.learning.posterior import cloud_of
from pliant.learning.proposal import Proposal
from pliant.records.coupon import FAILED, HELD, Readings
from pliant.records.filament import Filament
from pliant.records.learned import Suspect
from pliant.records.machine import Machine
from pliant.say import number

__all__ = ["suspects"]

_ODD = 0.01  # [-] a reading with a smaller chance (shared among all readings that were looked at) is named
_DRAWS, _CLOUD = 800, 1500
Floats = NDArray[np.float64]


def suspects(
    machine: Machine,
    filament: Filament,
    readings: Sequence[Readings],
    *,
    near: Proposal | None = None,
    seed: int = 7,
) -> tuple[Suspect, ...]:
    """Readings that the rest did not lead one to expect.

    Parameters
    ----------
    machine, filament : Machine, Filament
        The records before.
    readings : sequence of Readings
        All sheets.
    near : Proposal, optional
        Of the posterior of all sheets together; it saves most of the time.
    seed : int, default 7
        Of the draws.

    Returns
    -------
    tuple of Suspect
        The oddest first; empty where nothing contradicts.
    """
    found: list[Suspect] = []
    looked = 0
    space = Space(machine, filament, readings)
    rng = np.random.default_rng(seed)
    for i, sheet in enumerate(readings):
        rest = [r for j, r in enumerate(readings) if j != i]
        if rest:
            cloud = cloud_of(Sheets(space, rest), seed=seed, n=_CLOUD, near=near)
            x = cloud.x[rng.choice(cloud.x.shape[0], size=_DRAWS, p=cloud.weight)]
        else:
            x = rng.standard_normal((_DRAWS, space.size))
        items = _items(sheet, Sheets(space, [sheet]).predictions(x)[0])
        looked += len(items)
        found += items
    return tuple(sorted((s for s in found if s.chance * max(looked, 1) < _ODD), key=lambda s: s.chance))


def _items(sheet: Readings, m: Any) -> list[Suspect]:
    """Every reading of a sheet with its two-sided chance under the draws."""
    found = []
    name, results = sheet.name or sheet.kind, sheet.results
    held = [k for k, r in enumerate(results) if r.answer == HELD]
    failed = [k for k, r in enumerate(results) if r.answer == FAILED]
    if held or failed:
        chance = outcomes(m.log_margin, m.noise).mean(axis=0)
        low = max(held) + 1 if held else 0
        high = min(failed) if failed else len(results)
        as_early, as_late = float(chance[: high + 1].sum()), float(chance[low:].sum())
        middle = int(np.searchsorted(np.cumsum(chance), 0.5))
        found.append(
            Suspect(
                name, _step_words(middle, len(results)), _step_words(high, len(results)), _two_sided(as_early, as_late)
            )
        )
    for key, values, scatter, log in _measured(sheet, m):
        for k, r in enumerate(results):
            read = getattr(r, key)
            if read is None or (key == "moved_mm" and r.answer == FAILED):
                continue
            middle, sd = values[:, k], np.broadcast_to(scatter, values.shape)[:, k]
            y = np.log(max(read, lk.LEAST_MM)) if log else read / sheet.steps[k].asked_mm
            expected = float(np.median(np.exp(middle) if log else middle * sheet.steps[k].asked_mm))
            found.append(
                Suspect(f"{name}, step {k + 1}, {key}", number(expected, 3), f"{number(read, 3)}", _tail(y, middle, sd))
            )
    if any(r.strings is not None for r in results):
        from scipy.stats import binom

        p = m.thread_chance()
        for k, r in enumerate(results):
            if r.strings is None:
                continue
            of = sheet.steps[k].crossings
            early = float(binom.cdf(r.strings, of, p[:, k]).mean())
            late = float(binom.sf(r.strings - 1, of, p[:, k]).mean())
            usual = f"{of * float(np.median(p[:, k])):.0f} of {of}"
            found.append(Suspect(f"{name}, step {k + 1}, strings", usual, str(r.strings), _two_sided(early, late)))
    if sheet.mass_g is not None and not failed:
        mass = np.log(m.mass_g())
        chance_of = _tail(np.log(sheet.mass_g), mass, lk.mass_scatter(np.exp(mass)))
        found.append(
            Suspect(f"{name}, mass_g", number(np.exp(np.median(mass)), 3), f"{number(sheet.mass_g, 3)}", chance_of)
        )
    return found


def _measured(sheet: Readings, m: Any) -> Any:
    if any(r.tail_mm is not None or r.lead_mm is not None for r in sheet.results):
        for key, lengths in zip(("tail_mm", "lead_mm"), m.tapers_mm(), strict=True):
            yield key, np.log(lengths), lk.length_scatter(lengths), True
    if any(r.moved_mm is not None for r in sheet.results):
        yield "moved_mm", m.moved_share(), lk.MOVED_SCATTER, False


def _tail(y: float, middle: Floats, scatter: Floats) -> float:
    from scipy.special import ndtr

    below = float(ndtr((y - middle) / scatter).mean())
    return _two_sided(below, 1 - below)


def _two_sided(early: float, late: float) -> float:
    return min(1.0, 2 * min(early, late))


def _step_words(k: int, count: int) -> str:
    return "all steps held" if k >= count else f"failed at step {k + 1}"
