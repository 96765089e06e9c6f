"""Simulated users with a hidden truth: does learning find it, how far does it narrow the answer, is `next` worth it?

A user has a machine, a spool and a program; what is true of them is drawn from what the records believe, or from well
outside it; some users write down one wrong answer. They print coupons, each made from the records as learned so far,
and read them. Everything runs through the same functions as for a real user. Start with `run_user` and `rank_user`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.errors import PliantError
from pliant.feed import chain
from pliant.feed.draws import tail_draws
from pliant.feed.envelope import Envelope, envelope
from pliant.feed.load import Course
from pliant.feed.risk import BED_ERROR_MM, log_least, log_margins
from pliant.learning.likelihood import Sheets, Space, simulated
from pliant.learning.next_coupon import expected_shrinkage
from pliant.learning.other_beads import log_limits
from pliant.learning.posterior import cloud_of, fit
from pliant.learning.proposal import informed
from pliant.learning.summary import summarise, updated
from pliant.records.coupon import FAILED, HELD, Readings, Result
from pliant.records.filament import Filament
from pliant.records.machine import Machine
from pliant.workflows.next_coupon import answer_at, candidate, candidates_for, least_log_margin

__all__ = [
    "FIXED_ORDER", "Outcome", "Shifted", "User", "calibration", "make_user", "rank_user", "read_sheet", "run_user"
]  # fmt: skip

FIXED_ORDER = ("ladder", "stop-start", "gap-steps")  # the order in which the design lists them
_INNER, _OUTER = 700, 40
_OUTSIDE = 1.8  # [-] scores of a truth outside the bulk are this many times as large


@dataclass(frozen=True)
class User:
    """A simulated user: records, program, and the truth nobody has told."""

    machine: Machine
    filament: Filament
    flows: Envelope
    truth: dict[str, float]  # scores by name
    errs: bool
    seed: int


@dataclass(frozen=True)
class Outcome:
    """What three coupons did for one user."""

    kinds: tuple[str, ...]
    covered: dict[str, bool]  # whether the 90 % interval holds the truth, by quantity
    band_before: float
    band_after: float
    spread_before: float
    spread_after: float
    error_before: float  # distance of the chance of a jam from the true one
    error_after: float
    left_draws: float  # spread of ln(limit) on beads never printed over that before, median: by the draws themselves
    left_written: float  # and by the records made from them
    limits_covered: list[bool]  # of those beads, whether the written records' 90 % interval holds the truth


class Shifted(Sheets):
    """A deliberately wrong likelihood: every margin too large by a quarter. For the control that must fail."""

    def _predictions(self, x: NDArray[np.float64]) -> Any:
        for piece, expected in super()._predictions(x):
            expected.log_margin = expected.log_margin + 0.25
            yield piece, expected


def make_user(
    machine: Machine,
    filament: Filament,
    *,
    seed: int,
    outside: bool = False,
    errs: bool = False,
    templates: Sequence[Readings] | None = None,
) -> User:
    """Draw a user: truth from the records' belief (or `_OUTSIDE` times as far), program at a random flow.

    `templates` are the sheets that the truth must have parameters for; all kinds when left out.
    """
    rng = np.random.default_rng([seed, 1])
    space = Space(
        machine, filament, list(candidates_for(machine, filament).values()) if templates is None else templates
    )
    x = rng.standard_normal(space.size) * (_OUTSIDE if outside else 1.0)
    return User(machine, filament, _program(rng, machine, filament), dict(zip(space.names, x, strict=True)), errs, seed)


def _program(rng: np.random.Generator, machine: Machine, filament: Filament) -> Envelope:
    """A job of two steady stretches, the faster between 0.8 and 8 mm3/s, on beads of 0.45 by 0.2 mm."""
    diameter = filament.diameter_mm.value
    flow = float(np.exp(rng.uniform(np.log(0.8), np.log(8.0))))
    fed = np.array([0.5, 1.0]) * flow * 120.0 / (np.pi * diameter**2 / 4)
    job = Course.steady([120.0, 120.0], fed, filament.reference_c, 0.45, 0.2)
    return envelope(job, machine, filament)


def run_user(user: User, how: str, *, coupons: int = 3, exact: bool = True) -> Outcome:
    """Let a user print coupons one after the other and learn from them.

    Parameters
    ----------
    user : User
        The simulated user.
    how : {"next", "fixed", "random"}
        How the coupons are chosen.
    coupons : int, default 3
        How many.
    exact : bool, default True
        Whether the last fit is emcee's; else the importance sampler's, for comparing ways of choosing.

    Returns
    -------
    Outcome
    """
    rng = np.random.default_rng([user.seed, 2])
    machine, filament = user.machine, user.filament
    sheets: list[Readings] = []
    names: list[str] = []
    wrong = int(rng.integers(coupons)) if user.errs else -1
    for turn in range(coupons):
        sheet, label = _choice(how, turn, user, machine, filament)
        names.append(label)
        sheet = read_sheet(user, sheet, turn)
        sheets.append(_misread(sheet, rng) if turn == wrong else sheet)
        space = Space(user.machine, user.filament, sheets)
        if turn < coupons - 1 or not exact:
            cloud = cloud_of(Sheets(space, sheets), seed=user.seed)
            draws = cloud.x[rng.choice(cloud.x.shape[0], size=3000, p=cloud.weight)]
        else:
            draws = fit(Sheets(space, sheets), seed=user.seed).thinned(6000, rng)
        basis = informed(Sheets(space, sheets), draws[:150])
        machine, filament = updated(user.machine, user.filament, summarise(space, draws, (), basis))
    left_draws, left_written, covered = _other_beads(user, space, draws, machine, filament)
    low, high = _chance_band(user.flows, user.machine, user.filament)
    later_low, later_high = _chance_band(user.flows, machine, filament)
    true, now, prior = _answers(user, space, draws)
    return Outcome(
        kinds=tuple(names),
        covered=_covered(user, space, draws),
        band_before=high - low,
        band_after=later_high - later_low,
        spread_before=float(prior.std()),
        spread_after=float(now.std()),
        error_before=abs(float(prior.mean()) - true),
        error_after=abs(float(now.mean()) - true),
        left_draws=left_draws,
        left_written=left_written,
        limits_covered=covered,
    )


def _chance_band(course, machine, filament):
    """90 % range of what a job's chance would be were the unknowns known: 0 or 1 but for jobs near a limit."""
    draws = tail_draws(machine, filament)
    by_name, _ = log_margins(course, machine, draws.theta, BED_ERROR_MM * draws.bed, 1.0)
    return np.quantile(course.passage.chance(log_least(by_name)[draws.plain]), [0.05, 0.95]).tolist()


def _other_beads(
    user: User, space: Space, draws: NDArray[np.float64], machine: Machine, filament: Filament
) -> tuple[float, float, list[bool]]:
    """How much of the spread of ln(limit) is left on beads never printed, and whether the truth lies in it."""
    own, written = (user.machine, user.filament), (machine, filament)
    x = np.array([[user.truth.get(name, 0.0) for name in space.names]])
    true = log_limits(*own, space.values(x)[0])[0]
    before = log_limits(*own, chain.sample(*own, 2000, np.random.default_rng(1))[0]).std(axis=0)
    exact = log_limits(*own, space.values(draws[:3000])[0]).std(axis=0)
    found = log_limits(*written, chain.sample(*written, 3000, np.random.default_rng(2))[0])
    low, high = np.quantile(found, [0.05, 0.95], axis=0)
    left = (float(np.median(spread / before)) for spread in (exact, found.std(axis=0)))
    return *left, ((low <= true) & (true <= high)).tolist()


def rank_user(
    user: User,
    templates: Sequence[Readings],
    *,
    draws: int = 99,
    wrong: bool = False,
    exact: bool = True,
    names: Sequence[str] = (),
) -> dict[str, int]:
    """Rank of the truth among draws of its own posterior, for simulation-based calibration.

    Parameters
    ----------
    user : User
        Whose truth is ranked.
    templates : sequence of Readings
        The sheets that the user fills in.
    draws : int, default 99
        Among how many.
    wrong : bool, default False
        Whether to fit the deliberately wrong likelihood instead.
    exact : bool, default True
        emcee's draws; else those of the importance sampler.
    names : sequence of str
        Parameters to rank, beside the program's log margin.

    Returns
    -------
    dict of str to int
        Ranks, 0 to `draws`.
    """
    space = Space(user.machine, user.filament, templates)
    x = np.array([[user.truth[name] for name in space.names]])
    sheets = written_down(Sheets(space, templates), x, np.random.default_rng([user.seed, 3]))[0]
    kind = Shifted if wrong else Sheets
    rng = np.random.default_rng([user.seed, 4])
    if exact:
        picked = fit(kind(space, sheets), seed=user.seed).thinned(draws, rng)
    else:
        cloud = cloud_of(kind(space, sheets), seed=user.seed)
        picked = cloud.x[rng.choice(cloud.x.shape[0], size=draws, p=cloud.weight)]
    found = {name: int((picked[:, space.names.index(name)] < user.truth[name]).sum()) for name in names}
    return found | {"program": int((_margin(user, space, picked) < _margin(user, space, x)[0]).sum())}


def calibration(ranks: Sequence[int], draws: int, bins: int = 10) -> tuple[float, float]:
    """Chi-square of ranks against uniform, and its p-value.

    Parameters
    ----------
    ranks : sequence of int
        From 0 to `draws`, one per user.
    draws : int
        Draws each truth was ranked among; `draws + 1` should be a multiple of `bins`.
    bins : int, default 10
        Of equal width.

    Returns
    -------
    chi_square, p_value : float

    References
    ----------
    .. [1] S. Talts and others, Validating Bayesian inference algorithms with simulation-based calibration, 2018,
       arXiv 1804.06788 (from memory).
    """
    from scipy.stats import chisquare

    found = chisquare(np.bincount(np.asarray(ranks) * bins // (draws + 1), minlength=bins))
    return float(found.statistic), float(found.pvalue)


def _choice(how: str, turn: int, user: User, machine: Machine, filament: Filament) -> tuple[Readings, str]:
    """The coupon printed at this turn, from the records as learned so far."""
    rng = np.random.default_rng([user.seed, 5, turn])
    if how == "fixed":
        label = FIXED_ORDER[turn % len(FIXED_ORDER)]
        try:
            return candidate(machine, filament, label), label
        except PliantError:  # a path too slow to settle: print a ladder instead, as it says
            return candidate(machine, filament, "ladder"), "ladder"
    candidates = candidates_for(machine, filament)
    if how == "random":
        label = str(rng.choice(list(candidates)))
        return candidates[label], label
    space = Space(machine, filament, list(candidates.values()))
    x = rng.standard_normal((_INNER, space.size))
    theta, alone = space.values(x)
    answer = answer_at(user.flows, machine, filament, theta, alone.get("bed_error_mm", np.zeros((_INNER, 1))))
    told = expected_shrinkage(space, x, answer, candidates, users=_OUTER, seed=user.seed + turn)
    best = max(told, key=lambda k: told[k][0])
    return candidates[best], best


def written_down(sheets: Sheets, x: NDArray[np.float64], rng: np.random.Generator) -> list[list[Readings]]:
    """Readings that users with these scores would write down: per row of x, one for each sheet."""
    found: list[list[Readings]] = [[] for _ in range(x.shape[0])]
    for piece, expected in zip(sheets.pieces, sheets.predictions(x), strict=True):
        for i, one in enumerate(found):
            one.append(simulated(piece.readings, expected, i, rng))
    return found


def read_sheet(user: User, sheet: Readings, turn: int) -> Readings:
    """What the user's true machine makes of a coupon."""
    space = Space(user.machine, user.filament, [sheet])
    x = np.array([[user.truth.get(name, 0.0) for name in space.names]])
    return written_down(Sheets(space, [sheet]), x, np.random.default_rng([user.seed, 6, turn]))[0][0]


def _misread(sheet: Readings, rng: np.random.Generator) -> Readings:
    """One wrong answer: the failing step is three away from the true one; or a length or count is off by a factor."""
    count = len(sheet.results)
    if any(r.answer for r in sheet.results):
        first = next((k for k, r in enumerate(sheet.results) if r.answer == FAILED), count)
        first = first + 3 if first + 3 <= count and rng.random() < 0.5 else max(first - 3, 0)
        results = tuple(
            replace(
                r,
                answer=HELD if k < first else FAILED if k == first else "",
                moved_mm=r.moved_mm if k < first else None,
            )
            for k, r in enumerate(sheet.results)
        )
        return replace(sheet, results=results)
    k = int(rng.integers(count))
    r = sheet.results[k]
    changed = Result(strings=sheet.steps[k].crossings - r.strings) if r.strings is not None else replace(
        r, tail_mm=None if r.tail_mm is None else 2.0 * r.tail_mm
    )  # fmt: skip
    return replace(sheet, results=(*sheet.results[:k], changed, *sheet.results[k + 1 :]))


def _chance(user: User, space: Space, x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Chance that the program jams at each draw."""
    theta, alone = space.values(x)
    return answer_at(user.flows, user.machine, user.filament, theta, alone.get("bed_error_mm", np.zeros((len(x), 1))))


def _margin(user: User, space: Space, x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Log margin of the program at each draw: unlike the chance, never twice the same."""
    theta, alone = space.values(x)
    bed = alone.get("bed_error_mm", np.zeros((len(x), 1)))
    return least_log_margin(user.flows, user.machine, user.filament, theta, bed)


def _answers(user: User, space: Space, draws: NDArray[np.float64]) -> tuple[float, Any, Any]:
    x = np.array([[user.truth.get(name, 0.0) for name in space.names]])
    prior = np.random.default_rng([user.seed, 7]).standard_normal((2000, space.size))
    return float(_chance(user, space, x)[0]), _chance(user, space, draws), _chance(user, space, prior)


def _covered(user: User, space: Space, draws: NDArray[np.float64]) -> dict[str, bool]:
    found = {}
    scores = space.scores(draws)
    x = np.array([[user.truth.get(name, 0.0) for name in space.names]])
    true = space.scores(x)[0]
    for i, name in enumerate(space.names):
        low, high = np.quantile(scores[:, i], [0.05, 0.95])
        found[name] = bool(low <= true[i] <= high)
    low, high = np.quantile(_margin(user, space, draws), [0.05, 0.95])
    found["program"] = bool(low <= _margin(user, space, x)[0] <= high)
    return found
