"""What to do tonight with a job: the tries by least expected time, the surest, a flat speed, and what a proof leaves.

Every speed is a share of the one written, of beads and priming alone; travel takes the time it takes. Left out: that a
mended program holds each place to its own limit, which takes less time at the same chance; and that a bed that is off
jams in the first layer: the moment of a jam is taken from the central margin along the program, raised or lowered as a
whole for each draw.

Start at `weigh_tries`. What a test piece is worth is added by the workflow, which knows the pieces.
"""

from dataclasses import dataclass, replace

import numpy as np

from pliant.arrays import Floats
from pliant.feed.draws import Draws, tail_draws
from pliant.feed.envelope import Envelope
from pliant.feed.passage import JOB_SCATTER, Passage
from pliant.feed.proof import jams_by_evening, left_after_proof, proof_chances
from pliant.feed.risk import SLOWEST
from pliant.feed.tries import Order, Tries, bare_tries, best_order, expected_min, proved_tries
from pliant.job.job import Job
from pliant.job.proof import pad_envelope, pad_min, proof_bead
from pliant.job.slowed import flat_job, least_log_margin, minutes_at, minutes_of, read_off
from pliant.records.program import BEAD
from pliant.records.tonight import Choice, Curve, Piece, Plan, Proof, Tonight, Try

__all__ = [
    "INSIDE",
    "LOST_CAUSE",
    "Weighed",
    "curves_of",
    "decide",
    "gone_ahead",
    "proof_over",
    "proved",
    "weigh_tries",
]  # fmt: skip

_DRAWS, _SEED = 1000, 1000  # one of the sets that the stated chance was taken from: no search has seen it
_SPEEDS = 20  # from the slowest of use to the one written
_NODES = 9  # speeds at which margins are computed; between them they are read off, linear in logarithms
_OVER = (1.0, 1.05, 1.1, 1.16, 1.23, 1.31, 1.4, 1.5, 1.65, 1.85, 2.1, 2.5)  # flow of a proof over the job's worst
_TIMED = (1.0, 0.6, 0.35, 0.2, SLOWEST)  # shares of the speed that are timed; between them time is linear in 1/share
_RESTARTS_MIN = (5.0, 15.0, 30.0, 60.0, 120.0)  # drawn beside the record's own: our choice
_SOFTER = (0.6, 0.7, 0.85)  # of a bead whose gap is not known, which a pad presses on what lies below
INSIDE = 0.048  # [-] of jobs that may jam inside the part behind a proof: under 5 %
_WORTH = 0.02  # [-] of the expected time: differences below it are within what the sums know
LOST_CAUSE = 0.5  # [-] chance that every try jams, above which a start is no plan: our choice


@dataclass(frozen=True)
class AtFlat:
    """A job with every bead held to one speed that is called safe: what it asks, and how long it takes."""

    asks: Envelope
    time_s: float


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
    flat: AtFlat
    proof: Proof | None


@dataclass(frozen=True)
class _Moments:
    """When in the job a margin that is too small by a factor is met first."""

    above: Floats  # logarithms of factors above the least margin, rising
    share: Floats  # of the time of the job at which a margin within that factor of the least is met first


@dataclass(frozen=True)
class _Speeds:
    """What each speed comes to for every draw."""

    draws: Draws
    share: Floats  # (k,)
    node: Floats
    margin: Floats  # (n, k) logarithms
    time_min: Floats  # (k,)
    moments: _Moments
    lost_min: Floats  # (n, k)
    end_min: float


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
    surest_share = target_share or SLOWEST
    s = _speeds(job, surest_share, seed)
    fails, restart_min = job.passage.chance(s.margin), job.machine.tries.restart_min
    tries = bare_tries(s.draws.weight, fails, s.time_min, s.lost_min, restart_min, s.end_min)
    order, proof = best_order(tries), _proof(job, s, ())
    surest = best_order(tries, (int(np.flatnonzero(s.share == surest_share)[0]),))
    flat_min, flat = _at_flat(job, s, tries)
    return Weighed(s.draws, s.share, s.time_min, tries, order, surest, flat_min, flat, proof)


def proof_over(job: Job) -> float:
    """Flow of the best proof before a job at the speed written, over the job's worst. [-]"""
    proof = _proof(job, _speeds(job, SLOWEST, _SEED), (0,))
    return proof.flow_over_worst if proof is not None else 1.0


def _speeds(job: Job, surest_share: float, seed: int) -> _Speeds:
    draws, cost = tail_draws(job.machine, job.filament, _DRAWS, seed), job.machine.tries
    share = np.unique(np.append(np.geomspace(SLOWEST, 1.0, _SPEEDS), surest_share))[::-1]
    node = np.geomspace(SLOWEST, max(_OVER), _NODES)
    margin = read_off(node, np.column_stack([_log_margin(job, draws, s) for s in node]), share)
    time_min, moments = minutes_at(job, share, _TIMED), _moments(job)
    lost = _lost_min(job.passage, moments, margin, time_min, cost.looks_in_every_min)
    return _Speeds(draws, share, node, margin, time_min, moments, lost, cost.hardware_min + float(time_min[0]))


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
    # where nobody looks in, what does not hold the target is not tried
    for k in order.places if watched else order.places[: target_share is not None]:
        jams = still * w.tries.goes_on[:, k]
        tries.append(Try(float(w.share[k]), float(w.time_min[k]), float(jams.sum() / still.sum())))
        still = jams
    hopeless = not tries or float(still.sum()) > LOST_CAUSE
    if piece is not None and piece.saves_min > _WORTH * order.expected_min:
        choice: Choice = "piece-first"
    elif hopeless:
        choice = "another-part"
    else:
        choice = "watched-start" if watched else "go"
    return Tonight(
        choice, tuple(tries), order.expected_min, w.flat_min, w.surest.expected_min, piece,
        w.proof if tries and watched else None, watched=watched,
    )  # fmt: skip


def gone_ahead(job: Job, jam_probability: float) -> Tonight:
    """A job that feeds as it is written: go. Where in it a jam would come is not looked for; half of it is lost."""
    cost, time_min = job.machine.tries, minutes_of(job)
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
        behind = [best_order(dearer, (k,)) for k in range(w.share.size)]
        expected = tuple(order.expected_min for order in behind)
        plans = tuple(_plan(dearer, order, other) for order in (best, *behind))
        share, times, jams = (tuple(row.tolist()) for row in (w.share, w.time_min, chance))
        found.append(Curve(share, expected, times, jams, other, best.places, best.expected_min, plans))
    return tuple(found)


def _plan(tries: Tries, order: Order, restart_min: float) -> Plan:
    """An order as a line over what a restart takes: what is expected without one, and how many are."""
    restarts = expected_min(replace(tries, cost_min=tries.goes_on, end_min=0.0), order.places)
    return Plan(order.places, order.expected_min - restarts * restart_min, restarts)


def _log_margin(job: Job, draws: Draws, share: float) -> Floats:
    """Logarithm of the least margin of each draw at a share of the speed, `(n,)`."""
    return least_log_margin(job.envelope, job.machine, draws, share)


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


def _at_flat(job: Job, s: _Speeds, tries: Tries) -> tuple[float, AtFlat]:
    """Expected minutes with every bead held to one flat speed first, then the best speeds that take longer."""
    flat = flat_job(job)
    margin, total = _log_margin(flat, s.draws, 1.0)[:, None], np.array([minutes_of(flat)])
    cost = job.machine.tries
    lost = _lost_min(flat.passage, s.moments, margin, total, cost.looks_in_every_min)
    own = bare_tries(tries.weight, flat.passage.chance(margin), total, lost, cost.restart_min, tries.end_min)
    slower = s.time_min > total[0] * 1.01
    both = Tries(
        tries.weight, np.hstack([own.cost_min, tries.cost_min[:, slower]]),
        np.hstack([own.goes_on, tries.goes_on[:, slower]]), tries.end_min,
    )  # fmt: skip
    return best_order(both, (0,)).expected_min, AtFlat(flat.envelope, flat.course.time_s)


def proved(job: Job) -> Proof | None:
    """What the proof that a program begins with leaves of the chance that the part jams; None where there is none.

    The proof is fed through the chain as it is written, cold as the drive is then.
    """
    if job.proof is None:
        return None
    draws = tail_draws(job.machine, job.filament, _DRAWS, _SEED)
    margin, over = _log_margin(job, draws, 1.0), _log_margin(job.proof, draws, 1.0)
    fails, then = proof_chances(margin, over, job.passage, warms=0.0)
    laid = job.proof.program.kind == BEAD
    most, worst = float(job.proof.load.flow_mm3_per_s[laid].max()), proof_bead(job).flow_mm3_per_s
    return Proof(
        minutes=minutes_of(job.proof),
        flow_over_worst=most / max(worst, 1e-9),
        jam_probability_after=float(left_after_proof(draws.weight, fails, then)),
        held_probability=float(1 - draws.mean(fails)),
        jam_probability=float(draws.mean(job.passage.chance(margin))),
        laid=True,
    )


def _proof(job: Job, s: _Speeds, first: tuple[int, ...]) -> Proof | None:
    """The quickest tries behind a proof of those that leave few jams inside the part; else those that leave fewest.

    Tries begin with the speeds at the places `first`; where none are named and the quickest leaves too many, with
    slower ones. Jams inside the part are those of the first try.
    """
    pad, share, lost = pad_envelope(job), s.share, job.passage.chance(s.margin)
    pad_at_node = np.column_stack([least_log_margin(pad, job.machine, s.draws, at) for at in s.node])
    flows = _OVER if np.isfinite(job.laying.sections.gap_mm[proof_bead(job).move]) else (*_SOFTER, *_OVER)
    found: list[tuple[float, Proof]] = []  # with the jams inside the part
    ratio = np.minimum(s.lost_min / np.maximum(lost, 1e-9), s.time_min)  # at most all of it
    jams = jams_by_evening(s.margin, job.passage)  # whatever the proof
    for phi in flows:
        at_phi = read_off(s.node, pad_at_node, phi * share)
        # both margins know how warm the drive is
        fails, then = proof_chances(s.margin, at_phi, job.passage, warms=0.0, jams=jams)
        minutes = pad_min(job, share, phi)
        tries = proved_tries(
            s.draws.weight, fails, then, s.time_min, then * ratio, minutes, job.machine.tries.restart_min, s.end_min
        )
        order = best_order(tries, first)
        while order.places:
            k = order.places[0]
            inside = float(s.draws.mean(then[:, k]))
            proof = Proof(
                minutes=float(minutes[k]),
                flow_over_worst=phi,
                jam_probability_after=float(left_after_proof(s.draws.weight, fails[:, k], then[:, k])),
                held_probability=float(1 - s.draws.mean(fails[:, k])),
                speed_share=float(share[k]),
                jam_probability=float(s.draws.mean(lost[:, k])),
                expected_min=order.expected_min,
            )
            found.append((inside, proof))
            if first or inside <= INSIDE or k + 1 == share.size:
                break
            order = best_order(tries, (k + 1,))
    if not found:
        return None
    few = [one for one in found if one[0] <= INSIDE]
    return min(few, key=lambda one: one[1].expected_min or 0.0)[1] if few else min(found, key=lambda one: one[0])[1]
