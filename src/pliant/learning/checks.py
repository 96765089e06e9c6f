"""Whether readings contradict the model: each sheet against what the others lead one to expect of it.

A fit always goes somewhere; where it goes through readings that cannot all be true, its numbers mean nothing. So every
sheet is left out once, its readings predicted from the rest (from the records alone where there is no rest), and those
that fall outside are named.
"""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from pliant.arrays import Floats
from pliant.learning import likelihood as lk
from pliant.learning.likelihood import Sheets, Space, outcomes
from pliant.learning.posterior import cloud_of
from pliant.learning.proposal import Proposal
from pliant.records.coupon import FAILED, HELD, Readings
from pliant.records.filament import Filament
from pliant.records.learned import Suspect, Unpredicted
from pliant.records.machine import Machine
from pliant.say import number

__all__ = ["as_odd", "left_out"]

_ODD = 0.01  # [-] a reading with a smaller chance (shared among all readings that were looked at) is named
_UNPREDICTED = 0.05  # [-] of a sheet, shared among the sheets
_REPLICATES = 400
_DRAWS, _CLOUD = 800, 1500


def left_out(
    machine: Machine,
    filament: Filament,
    readings: Sequence[Readings],
    *,
    near: Proposal | None = None,
    seed: int = 7,
) -> tuple[tuple[Suspect, ...], tuple[Unpredicted, ...]]:
    """Predict each sheet from the others; single readings that do not fit, and whole sheets.

    A sheet's chance is that of readings as odd as its own, or more so, under what the others leave of the doubt.
    It looks at all its readings at once, and so finds what no single one gives away: a law that holds at the gap of the
    others and not at its own. Of users whose machine obeys the model, one in twenty sees a sheet named.

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
    suspects : tuple of Suspect
        The oddest first.
    unpredicted : tuple of Unpredicted
        In the order of the sheets; none of one sheet alone.
    """
    found: list[Suspect] = []
    told: list[Unpredicted] = []
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
        expected = Sheets(space, [sheet]).predictions(x)[0]
        items = _items(sheet, expected)
        looked += len(items)
        found += items
        if rest and items:
            chance = as_odd(sheet, expected, np.random.default_rng([seed, i]))
            told.append(_as_told(sheet, rest, min(items, key=lambda s: s.chance), chance))
    sheets = tuple(u for u in told if u.chance <= _least_odd([v.chance for v in told]))
    odd = tuple(sorted((s for s in found if s.chance * max(looked, 1) < _ODD), key=lambda s: s.chance))
    return odd, sheets


def _as_told(sheet: Readings, rest: Sequence[Readings], oddest: Suspect, chance: float) -> Unpredicted:
    return Unpredicted(
        sheet.name or sheet.kind, tuple(r.name or r.kind for r in rest), _gaps_mm([sheet]), _gaps_mm(rest),
        oddest.reading, oddest.expected, oddest.found, chance,
    )  # fmt: skip


def _least_odd(chances: Sequence[float]) -> float:
    """Largest of some sheets' chances that is still odd; under all of them where none is.

    Two sheets that contradict one another are both odd, so the chance is shared as Y. Hochberg (A sharper Bonferroni
    procedure for multiple tests of significance, Biometrika 75, 1988, from memory): the k-th largest is held against a
    k-th of it, and with it go all that are smaller.
    """
    for k, chance in enumerate(sorted(chances, reverse=True), 1):
        if chance <= _UNPREDICTED / k:
            return chance
    return -1.0


def as_odd(sheet: Readings, expected: Any, rng: np.random.Generator) -> float:
    """Chance of a sheet that the draws find as odd as this one, or more so. [-]

    Parameters
    ----------
    sheet : Readings
        As it was read.
    expected : Any
        What the draws expect of it, from `Sheets.predictions`.
    rng : numpy.random.Generator
        Of the sheets that it is compared with.

    Returns
    -------
    float
        A predictive check (G. E. P. Box, Sampling and Bayes' inference in scientific modelling and robustness, 1980,
        from memory).
    """
    middle = np.median(expected.log_margin, axis=0)

    def log_density(read: Readings, without: int = -1) -> float:
        each = lk.log_chance(read, expected)
        if without >= 0:  # its own draw would favour it
            each = np.delete(each, without)
        return float(np.log(np.mean(np.exp(each - each.max()))) + each.max()) - _usual(read) - _breadth(read, middle)

    mine = log_density(sheet)
    picked = rng.integers(len(expected.log_margin), size=_REPLICATES)
    odder = sum(
        log_density(_as_asked(sheet, lk.simulated(sheet, expected, i, rng)), i) <= mine + 1e-9 for i in picked.tolist()
    )
    return (odder + 1) / (_REPLICATES + 1)


def _as_asked(sheet: Readings, simulated: Readings) -> Readings:
    """The same sheet without what nobody looked at on the real one."""
    keys = ("tail_mm", "lead_mm", "strings")
    results = tuple(
        replace(new, **{key: None for key in keys if getattr(old, key) is None})  # type: ignore[arg-type]
        for old, new in zip(sheet.results, simulated.results, strict=True)
    )
    return replace(simulated, results=results)


def _usual(read: Readings) -> float:
    """Log density to be expected of what is read as far as the piece held: longer sheets shall be no likelier."""
    failed = any(r.answer == FAILED for r in read.results)
    moved = sum(r.moved_mm is not None and r.answer != FAILED for r in read.results)
    usual = -moved * math.log(lk.MOVED_SCATTER * math.sqrt(2 * math.pi * math.e))
    if read.mass_g is not None and not failed:
        usual -= math.log(float(lk.mass_scatter(read.mass_g)) * math.sqrt(2 * math.pi * math.e))
    return usual


def _breadth(read: Readings, middle: Floats) -> float:
    """Logarithm of the width of the bracket that a limit was read to, in the log margin of the middle draw.

    Steps are quantiles of what was expected, so that every outcome is about as likely as the next: what is odd about a
    limit far out is not its chance but how much room it had. An open end counts as wide as all steps together.
    """
    held = [k for k, r in enumerate(read.results) if r.answer == HELD]
    failed = [k for k, r in enumerate(read.results) if r.answer == FAILED]
    if not (held or failed):
        return 0.0
    most, least = float(middle.max()), float(middle.min())
    above = float(middle[max(held)]) if held else 2 * most - least
    below = float(middle[min(failed)]) if failed else 2 * least - most
    return math.log(max(above - below, 1e-3))


def _gaps_mm(sheets: Sequence[Readings]) -> tuple[float | None, float | None]:
    gaps = [s.gap_mm for r in sheets for s in r.steps]
    low, high = (None if math.isinf(gap) else gap for gap in (min(gaps), max(gaps)))
    return low, high


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
            yield key, np.log(lengths), lk.length_scatter(lengths, lk.length_spreads_mm(sheet, key)), True
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
