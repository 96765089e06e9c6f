"""What to do tonight with a job: the tries by least expected time, the surest, a flat speed, and what a proof leaves.

Every speed is a share of the one written, of beads and priming alone; travel takes the time it takes. Left out: that a
mended program holds each place to its own limit, which takes less time at the same chance; and that a bed that is off
jams in the first layer: the moment of a jam is taken from the central margin along the program, raised or lowered as a
whole for each draw.

Start at `weigh_tries`. What a test piece is worth is added by the workflow, which knows the pieces.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pliant.feed import chain
from pliant.feed.draws import Draws, tail_draws
from pliant.feed.passage import JOB_SCATTER, Passage
from pliant.feed.proof import left_after_proof, proof_chances
from pliant.feed.risk import BED_ERROR_MM, SLOWEST, log_least, log_margins
from pliant.feed.tries import Order, Tries, bare_tries, best_order, expected_min, proved_tries
from pliant.job.job import Job
from pliant.models.lag import time_constant_s
from pliant.records.program import BEAD, PRIME
from pliant.records.tonight import Curve, Piece, Proof, Tonight, Try

__all__ = ["Weighed", "curves_of", "decide", "gone_ahead", "weigh_tries"]

_DRAWS, _SEED = 1000, 1000  # one of the sets that the stated chance was taken from: no search has seen it
_SPEEDS = 20  # from the slowest of use to the one written
_NODES = 9  # speeds at which margins are computed; between them they are read off, linear in logarithms
_OVER = (1.0, 1.25, 1.5, 1.75, 2.0, 2.5)  # flow of a proof over the job's worst
_TIMED = (1.0, 0.6, 0.35, 0.2, SLOWEST)  # shares of the speed that are timed; between them time is linear in 1/share
_RESTARTS_MIN = (5.0, 15.0, 30.0, 60.0, 120.0)  # drawn beside the record's own: our choice
_FLAT_MM_PER_S = 15.0  # common practice, no source: the speed that is called conservative and safe
_LAGS, _FOOT_S = 3.0, 60.0  # a proof holds its flow so many lags; its foot takes about a minute, our guess
_PROOF_WORTH = 0.05  # [-] of the expected time that a harder proof may cost, for what it leaves less: our choice
_WORTH = 0.02  # [-] of the expected time: differences below it are within what the sums know
_LOST_CAUSE = 0.5  # [-] chance that every try jams, above which a start is no plan: our choice

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Weighed:
    """A job's speeds, fastest first, as every draw of the unknowns sees them."""

    draws: Draws
    share: Floats  # (k,) of the speed written
    time_min: Floats  # (k,)
    tries: Tries  # over `share`
    order: Order
    surest: Order  # with the speed that meets the target first
    flat_min: float  # expected, with the flat speed first
    proof: Proof | None


@dataclass(frozen=True)
class _Moments:
    """When in the job a margin that is too small by a factor is met first."""

    above: Floats  # logarithms of factors above the least margin, rising
    share: Floats  # of the time of the job at which a margin within that factor of the least is met first


def weigh_tries(job: Job, target_share: float | None, *, seed: int = _SEED) -> Weighed:
    """Reckon what each speed costs.

    Parameters
    ----------
    job : Job
        As written.
    target_share : float, optional
        Share of the speed at which the target is met; None where no speed meets it. [-]
    seed : int
        Of the draws.

    Returns
    -------
    Weighed
    """
    machine = job.machine
    draws, cost = tail_draws(machine, job.filament, _DRAWS, seed), machine.tries
    surest_share = target_share or SLOWEST
    share = np.unique(np.append(np.geomspace(SLOWEST, 1.0, _SPEEDS), surest_share))[::-1]
    node = np.geomspace(SLOWEST, max(_OVER), _NODES)
    at_node = np.column_stack([_log_margin(job, draws, s) for s in node])
    margin = _read_off(node, at_node, share)
    time_min = np.interp(1 / share, [1 / s for s in _TIMED], [_time_min(_at_share(job, s)) for s in _TIMED])
    moments = _moments(job)
    lost = _lost_min(job.passage, moments, margin, time_min, cost.looks_in_every_min)
    end_min = cost.hardware_min + float(time_min[0])
    tries = bare_tries(draws.weight, job.passage.chance(margin), time_min, lost, cost.restart_min, end_min)
    order = best_order(tries)
    proof = None
    if order.places:
        at = list(order.places)
        over = np.stack([_read_off(node, at_node, phi * share[at]) for phi in _OVER])
        proof = _proof(job, draws, share[at], margin[:, at], over, time_min[at], lost[:, at], end_min)
    surest = best_order(tries, (int(np.flatnonzero(share == surest_share)[0]),))
    return Weighed(draws, share, time_min, tries, order, surest, _flat_min(job, draws, tries, time_min, moments), proof)


def decide(weighed: Weighed, job: Job, target_share: float | None, piece: Piece | None) -> Tonight:
    """Choose between a piece first, a watched start, and another part.

    Parameters
    ----------
    weighed : Weighed
        From `weigh_tries`.
    job : Job
        As written.
    target_share : float, optional
        As there. [-]
    piece : Piece, optional
        The test piece, and what it saves.

    Returns
    -------
    Tonight
        Where nobody looks in, only a speed that meets the target is tried.
    """
    w, watched = weighed, job.machine.tries.watched
    order = w.order if watched else w.surest
    still, tries = w.draws.weight / w.draws.weight.sum(), []
    for k in order.places if watched else order.places[:1]:
        jams = still * w.tries.goes_on[:, k]
        tries.append(Try(float(w.share[k]), float(w.time_min[k]), float(jams.sum() / still.sum())))
        still = jams
    hopeless = not tries or float(still.sum()) > _LOST_CAUSE or not (watched or target_share is not None)
    if piece is not None and piece.saves_min > _WORTH * order.expected_min:
        choice = "piece-first"
    elif hopeless:
        choice = "another-part"
    else:
        choice = "watched-start" if watched else "go"
    return Tonight(
        choice, tuple(tries), order.expected_min, w.flat_min, w.surest.expected_min, piece, w.proof if tries else None
    )


def gone_ahead(job: Job, jam_probability: float) -> Tonight:
    """A job that feeds as it is written: go. Where in it a jam would come is not looked for; half of it is lost."""
    cost, time_min = job.machine.tries, _time_min(job)
    late = time_min if cost.looks_in_every_min is None else time_min / 2
    expected = time_min + jam_probability * (late + cost.restart_min)
    return Tonight("go", (Try(1.0, time_min, jam_probability),), expected, None, expected, None, None)


def curves_of(weighed: Weighed, restart_min: float) -> tuple[Curve, ...]:
    """Expected time over the speed of the first try, the best slower ones after it, for cheap and dear restarts.

    `restart_min` is what the tries were reckoned with; its curve comes first. [min]
    """
    w, chance = weighed, weighed.draws.mean(weighed.tries.goes_on)
    found = []
    for other in (restart_min, *(r for r in _RESTARTS_MIN if abs(r - restart_min) > 1)):
        dearer = replace(w.tries, cost_min=w.tries.cost_min + w.tries.goes_on * (other - restart_min))
        best = w.order if other == restart_min else best_order(dearer)
        expected = tuple(best_order(dearer, (k,)).expected_min for k in range(w.share.size))
        share, times, jams = (tuple(row.tolist()) for row in (w.share, w.time_min, chance))
        found.append(Curve(share, expected, times, jams, other, best.places, best.expected_min))
    return tuple(found)


def _at_share(job: Job, share: float) -> Job:
    p = job.program
    fed = ((p.kind == BEAD) | (p.kind == PRIME)) & (p.filament_mm > 0)
    return job if share == 1.0 else job.at(np.where(fed, share * p.speed_mm_per_s, p.speed_mm_per_s))


def _time_min(job: Job) -> float:
    return float(job.laying.timing.move_s.sum()) / 60


def _log_margin(job: Job, draws: Draws, share: float) -> Floats:
    """Logarithm of the least margin of each draw at a share of the speed, `(n,)`."""
    by_name, _ = log_margins(job.envelope, job.machine, draws.theta, BED_ERROR_MM * draws.bed, share)
    return log_least(by_name) if by_name else np.full(draws.weight.size, np.log(1e6))


def _read_off(node: Floats, at_node: Floats, share: Floats) -> Floats:
    """Log margins at other shares of the speed, `(n, k)`."""
    x = np.clip((np.log(share) - np.log(node[0])) / np.log(node[1] / node[0]), 0, node.size - 1 - 1e-9)
    low = x.astype(np.int64)
    return np.asarray(at_node[:, low] + (x - low) * (at_node[:, low + 1] - at_node[:, low]))


def _moments(job: Job) -> _Moments:
    margin = np.minimum.accumulate(np.maximum(job.load.margin.astype(np.float64), 1e-6))
    seconds = job.laying.timing.move_s
    least, above = float(margin[-1]), np.linspace(0.0, 8.0, 400)
    first = np.searchsorted(-margin, -least * np.exp(above) * (1 + 1e-9))
    begun = np.cumsum(seconds) - seconds
    return _Moments(above, begun[np.minimum(first, margin.size - 1)] / max(float(seconds.sum()), 1e-9))


def _lost_min(
    passage: Passage, moments: _Moments, margin: Floats, time_min: Floats, looks_in_every_min: float | None
) -> Floats:
    """Minutes until a jam is noticed, times its chance, `(n, k)`.

    A draw whose log margin is l, in a job whose scatter is z, jams where the central margin first comes within a factor
    exp(-l - z) of its least.
    """
    if looks_in_every_min is None:
        return passage.chance(margin) * time_min
    sigma, notice = np.log(JOB_SCATTER), looks_in_every_min / 2
    step = moments.above[1]
    grid = np.linspace(-moments.above[-1], 5 * sigma, 600)
    density = np.exp(-0.5 * ((moments.above + grid[:, None]) / sigma) ** 2) * step / (sigma * np.sqrt(2 * np.pi))
    density[:, 0] /= 2  # ends of a trapezoid
    chance, inside = passage.chance(grid), density.sum(axis=1)
    lost = np.empty_like(margin)
    for k, total in enumerate(time_min.tolist()):
        minutes = np.minimum(moments.share * total + notice, total)
        # what the grid of factors leaves out at its end fails at once
        table = np.where(inside > 0, density @ minutes / np.maximum(inside, 1e-300), minutes[0]) * chance
        lost[:, k] = np.interp(margin[:, k], grid, table, left=minutes[-1])
    return lost


def _flat_min(job: Job, draws: Draws, tries: Tries, time_min: Floats, moments: _Moments) -> float:
    """Expected minutes with every bead held to one flat speed first, then the best speeds that take longer."""
    p = job.program
    flat = job.at(np.where(p.kind == BEAD, np.minimum(p.speed_mm_per_s, _FLAT_MM_PER_S), p.speed_mm_per_s))
    margin, total = _log_margin(flat, draws, 1.0)[:, None], np.array([_time_min(flat)])
    cost = job.machine.tries
    lost = _lost_min(flat.passage, moments, margin, total, cost.looks_in_every_min)
    own = bare_tries(draws.weight, flat.passage.chance(margin), total, lost, cost.restart_min, tries.end_min)
    slower = time_min > total[0] * 1.01
    both = Tries(
        draws.weight, np.hstack([own.cost_min, tries.cost_min[:, slower]]),
        np.hstack([own.goes_on, tries.goes_on[:, slower]]), tries.end_min,
    )  # fmt: skip
    return best_order(both, (0,)).expected_min


def _proof(
    job: Job, draws: Draws, share: Floats, margin: Floats, over: Floats, time_min: Floats, lost: Floats, end_min: float
) -> Proof:
    """The proving run before these tries: of the flows that the sums cannot tell apart, the one that leaves least."""
    found = []
    ratio = np.minimum(lost / np.maximum(job.passage.chance(margin), 1e-9), time_min)  # at most all of it
    for phi, proved in zip(_OVER, over, strict=True):
        fails, then = proof_chances(margin, proved, job.passage)
        minutes = np.array([_proof_min(job, s * phi) for s in share])
        tries = proved_tries(
            draws.weight, fails, then, time_min, then * ratio, minutes, job.machine.tries.restart_min, end_min
        )
        left = float(left_after_proof(draws.weight, fails[:, 0], then[:, 0]))
        found.append((expected_min(tries, tuple(range(share.size))), Proof(float(minutes[0]), phi, left)))
    least = min(expected for expected, _ in found)
    alike = (proof for expected, proof in found if expected <= (1 + _PROOF_WORTH) * least)
    return min(alike, key=lambda proof: proof.jam_probability_after)


def _proof_min(job: Job, share: float) -> float:
    """Minutes of a proof at a share of the job's speed: a foot, then so many lags at central values."""
    theta, load = chain.central(job.machine, job.filament), job.load
    worst = int(load.pressure_mpa.argmax())
    flow, pressure = float(load.flow_mm3_per_s[worst]), float(load.pressure_mpa[worst])
    if not (flow > 0 and pressure > 0):
        return _FOOT_S / 60
    n = float(theta["flow_index"])
    lag = time_constant_s(float(chain.compliance(job.machine, theta)), pressure * share**n, flow * share, n)
    return (_FOOT_S + _LAGS * float(lag)) / 60
