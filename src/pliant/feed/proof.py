"""What a proving run is worth: a job that has fed harder than it ever will again is less likely to jam.

Surviving a known load cuts off the weak end of what is believed of the resistance (M. H. Faber, D. V. Val, M. G.
Stewart, Proof load testing for bridge assessment and upgrading, Engineering Structures 22, 2000, 1677-1689; abstract
read). Here the load is the worst flow of the job times `flow_over_worst`, the resistance the margin of a draw.

What proof and job share, and what not, is that of `feed.passage`: a stretch of filament wanders by itself, so that the
proof meets one stretch and the job the worst of its own; the rest of the scatter (how the filament lies, how dry it is,
how the wheel was set) is the evening's and is shared. The proof also runs before the drive has warmed; filament that
warms in it loses `WARMS` of its margin by the time the job is under way, which the job's margin holds already.
"""

import numpy as np

from pliant.arrays import Floats
from pliant.feed.passage import ONE, Passage

__all__ = ["WARMS", "jams_by_evening", "left_after_proof", "proof_chances"]

WARMS = 0.1  # [-] share of the margin that a drive loses as it warms; our own guess
_NODE, _SHARE = np.polynomial.hermite_e.hermegauss(40)


def jams_by_evening(job_log_margin: Floats, passage: Passage = ONE) -> Floats:
    """Chance that the job jams, on each of the evenings that are summed over, `(evenings, ...)`. [-]"""
    return np.stack([passage.jams_at(job_log_margin + passage.shared * node) for node in _NODE])


def proof_chances(
    job_log_margin: Floats,
    proof_log_margin: Floats,
    passage: Passage = ONE,
    *,
    warms: float = WARMS,
    jams: Floats | None = None,
) -> tuple[Floats, Floats]:
    """Chance that the proof fails, and that it holds and the job jams all the same.

    Parameters
    ----------
    job_log_margin, proof_log_margin : ndarray
        Logarithm of the least margin of the job, and of the proof, any one shape. [-]
    passage : Passage, default one stretch
        How the job's margin runs along its filament.
    warms : float
        Share of the margin that the job loses to a warm drive and the proof does not. [-]
    jams : ndarray, optional
        `jams_by_evening` of the job, where several proofs of it are asked for. [-]

    Returns
    -------
    fails, then_fails : ndarray
        Of that shape. [-]
    """
    proof_log_margin = proof_log_margin - np.log1p(-warms)
    stretch = Passage(wander=passage.wander)
    fails, then_fails = np.zeros_like(job_log_margin), np.zeros_like(job_log_margin)
    jams = jams_by_evening(job_log_margin, passage) if jams is None else jams
    for node, share, jam in zip(_NODE, _SHARE / _SHARE.sum(), jams, strict=True):
        broken = stretch.jams_at(proof_log_margin + passage.shared * node)
        fails += share * broken
        then_fails += share * (1 - broken) * jam
    return fails, then_fails


def left_after_proof(weight: Floats, fails: Floats, then_fails: Floats) -> Floats:
    """Chance that the job jams, given that the proof held; means over the draws first, `(n, ...) -> (...)`. [-]"""
    held = np.tensordot(weight, 1 - fails, axes=(0, 0))
    return np.asarray(np.tensordot(weight, then_fails, axes=(0, 0)) / np.maximum(held, 1e-300))
