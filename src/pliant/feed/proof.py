"""What a proving run is worth: a job that has fed harder than it ever will again is less likely to jam.

Surviving a known load cuts off the weak end of what is believed of the resistance (M. H. Faber, D. V. Val, M. G.
Stewart, Proof load testing for bridge assessment and upgrading, Engineering Structures 22, 2000, 1677-1689; abstract
read). Here the load is the worst flow of the job times `flow_over_worst`, the resistance the margin of a draw.

What proof and job share, and what not, is our assumption, from no measurement. Part of the scatter from job to job
(factor `JOB_SCATTER`) is wander: it comes and goes within a job by a factor `WANDER` (diameter along the strand,
friction), another one every ten minutes. The proof meets one of these moments, an hour of the job the worst of
`MOMENTS`, which lies lower and scatters less. The rest (how the filament lies, how dry it is, how the wheel was set) is
the evening's and is shared. The proof also runs before the drive has warmed; filament that warms in the drive loses
`WARMS` of its margin by the time the job is under way. The chance that is told elsewhere is that of the job, worst
moment and warm drive inside: without a proof it stays as told, and the proof is flattered by both.
"""

import numpy as np
from numpy.typing import NDArray

from pliant.feed.steps import JOB_SCATTER

__all__ = ["MOMENTS", "WANDER", "WARMS", "left_after_proof", "proof_chances"]

WANDER = 1.05  # [-] multiplicative spread of the margin from moment to moment of a job; our own guess
WARMS = 0.1  # [-] share of the margin that a drive loses as it warms; our own guess
MOMENTS = 6  # [-] moments of an hour that wander on their own; our own guess
_NODE, _SHARE = np.polynomial.hermite_e.hermegauss(40)

Floats = NDArray[np.float64]


def proof_chances(
    job_log_margin: Floats,
    proof_log_margin: Floats,
    *,
    scatter: float = JOB_SCATTER,
    wander: float = WANDER,
    warms: float = WARMS,
    moments: int = MOMENTS,
) -> tuple[Floats, Floats]:
    """Chance that the proof fails, and that it holds and the job jams all the same.

    Parameters
    ----------
    job_log_margin, proof_log_margin : ndarray
        Logarithm of the least margin of the job, and of the proof, any one shape. [-]
    scatter : float
        From job to job, multiplicative. [-]
    wander : float
        From moment to moment, multiplicative; what proof and job do not share. [-]
    warms : float
        Share of the margin that the job loses to a warm drive and the proof does not. [-]
    moments : int
        Moments of the job, of which the worst counts. [-]

    Returns
    -------
    fails, then_fails : ndarray
        Of that shape. [-]
    """
    from scipy.special import ndtr

    mean, spread = _worst_of(moments)
    proof_own = max(np.log(wander), 1e-9)
    job_own = spread * proof_own
    shared = np.sqrt(max(np.log(scatter) ** 2 - job_own**2, 0.0))
    proof_log_margin = proof_log_margin - np.log1p(-warms) - mean * proof_own
    fails, then_fails = np.zeros_like(job_log_margin), np.zeros_like(job_log_margin)
    for node, share in zip(_NODE, _SHARE / _SHARE.sum(), strict=True):
        held = ndtr((proof_log_margin + shared * node) / proof_own)
        fails += share * (1 - held)
        then_fails += share * held * ndtr(-(job_log_margin + shared * node) / job_own)
    return fails, then_fails


def _worst_of(moments: int) -> tuple[float, float]:
    """Mean (below 0) and standard deviation of the least of so many standard normal values."""
    from scipy.special import ndtri

    least = ndtri(1 - (1 - (np.arange(20_000) + 0.5) / 20_000) ** (1 / moments))
    return float(least.mean()), float(least.std())


def left_after_proof(weight: Floats, fails: Floats, then_fails: Floats) -> Floats:
    """Chance that the job jams, given that the proof held; means over the draws first, `(n, ...) -> (...)`. [-]"""
    held = np.tensordot(weight, 1 - fails, axes=(0, 0))
    return np.asarray(np.tensordot(weight, then_fails, axes=(0, 0)) / np.maximum(held, 1e-300))
