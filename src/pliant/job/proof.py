"""What a proof beside a job is made of, how large it is, and how long it takes: known before it is laid.

A foot of two layers, at the height and speed of the program's first bead and at the flow of the part's worst; on it the
layers that count, with the section of the worst bead at the flow asked for, held for some lags. Where it lies is no
matter here, nor is the way there.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pliant.arrays import Floats
from pliant.feed import chain
from pliant.feed.envelope import Envelope
from pliant.job.job import Job
from pliant.models.lag import time_constant_s
from pliant.records.program import BEAD

__all__ = [
    "LAGS", "LEAST_MM", "MOST_LAYERS", "Pad", "ProofBead", "pad_envelope", "pad_min", "pads_of", "proof_bead",
    "proof_lag_s",
]  # fmt: skip

LAGS = 3.0  # a proof holds its flow so many
_COLD_S = 60.0  # into the job its layers that count end, for how warm the drive is: our guess
_SIDES_MM = (12.0, 15.0, 20.0, 30.0, 40.0, 60.0)  # lengths of its lines
LEAST_MM = (_SIDES_MM[0], 5.0)  # narrower, it tears where it is peeled
MOST_LAYERS = 4  # that count; on a foot of two
_TELLS_MM = 0.05  # shorter moves tell no section: places have three decimals
_OF_TURNS = 7.0  # lines this often as long as the way to their speed and back lose a seventh of their time there


@dataclass(frozen=True)
class ProofBead:
    """What the layers of a proof that count are made of: the section of the bead with the largest melt pressure."""

    move: int
    flow_mm3_per_s: float  # of the job there, the lag inside
    section_mm2: float
    width_mm: float
    gap_mm: float  # that of the first layer where the program does not tell: a spiral, a strand that hangs free


@dataclass(frozen=True)
class Pad:
    """A rectangle of lines along x, in layers."""

    side_mm: float
    lines: int
    pitch_mm: float
    layers: int  # that count; two more carry them
    held_s: float  # at the flow that counts

    @property
    def layer_mm(self) -> float:
        """Length of the lines of one layer, the steps between them inside."""
        return self.lines * (self.side_mm + self.pitch_mm)


def proof_bead(job: Job) -> ProofBead:
    """The bead that a proof repeats, at central values."""
    p, sections = job.program, job.laying.sections
    laid = (p.kind == BEAD) & (p.length_mm > 0)
    whole = laid & (p.length_mm >= _TELLS_MM)
    k, first = int(np.where(whole if whole.any() else laid, job.load.pressure_mpa, -1.0).argmax()), int(laid.argmax())
    area = np.pi * float(chain.central(job.machine, job.filament)["diameter_mm"]) ** 2 / 4
    section = area * float(p.filament_mm[k] / p.length_mm[k])
    width, gap = float(sections.width_mm[k]), float(sections.gap_mm[k])
    if not np.isfinite(gap):
        gap = float(min(sections.gap_mm[first], p.point_mm[first + 1, 2]))
        width = max(section / gap + (1 - np.pi / 4) * gap, float(np.sqrt(4 * section / np.pi))) if gap > 0 else width
    return ProofBead(k, float(job.load.flow_mm3_per_s[k]), section, width, gap)


def proof_lag_s(job: Job, over: ArrayLike) -> Floats:
    """Lag at flows over the job's worst, any shape, at central values; 0 where nothing presses. [- -> s]"""
    theta, bead = chain.central(job.machine, job.filament), proof_bead(job)
    flow, pressure = bead.flow_mm3_per_s, float(job.load.pressure_mpa[bead.move])
    over = np.asarray(over, dtype=float)
    if not (flow > 0 and pressure > 0):
        return np.zeros(over.shape)
    n = float(theta["flow_index"])
    held = float(chain.compliance(job.machine, theta))
    return np.asarray(time_constant_s(held, pressure * over**n, flow * over, n))


def pads_of(job: Job, bead: ProofBead, flow_mm3_per_s: float, held_s: float) -> list[Pad]:
    """Pads that hold a flow for so long, the one to be tried first first: what is laid soonest.

    Parameters
    ----------
    job : Job
        Whose acceleration decides how long lines have to be.
    bead : ProofBead
        What the layers that count are made of.
    flow_mm3_per_s : float
        Of them. [mm3/s]
    held_s : float
        How long it is held. [s]

    Returns
    -------
    list of Pad
        Empty where it would take a large part of the bed.
    """
    width, speed = bead.width_mm, flow_mm3_per_s / bead.section_mm2
    wanted = held_s * speed
    turns_mm = _OF_TURNS * speed**2 / job.machine.acceleration_mm_per_s2
    found, least = [], math.ceil(LEAST_MM[1] / width) + 1
    for layers in range(1, MOST_LAYERS + 1):
        for side in _SIDES_MM:
            lines = max(math.ceil(wanted / layers / (side + width)), least)
            if layers > 1 and (layers - 1) * lines * (side + width) >= wanted:
                continue  # a layer less holds it on the same ground
            if (lines - 1) * width <= 1.5 * side:
                found.append(Pad(side, lines, width, layers, held_s))
    return sorted(found, key=lambda pad: (pad.side_mm < turns_mm, (2 + pad.layers) * pad.layer_mm))


def pad_min(job: Job, share: ArrayLike, over: float) -> Floats:
    """Time that a proof takes before a job at shares of its speed, `(k,)`; without the way there. [min]

    Parameters
    ----------
    job : Job
        As written.
    share : ndarray
        Of its speed. [-]
    over : float
        Flow of the layers that count over the largest of the job at that speed. [-]

    Returns
    -------
    ndarray
    """
    share, bead, p = np.atleast_1d(np.asarray(share, dtype=float)), proof_bead(job), job.program
    first = int(((p.kind == BEAD) & (p.length_mm > 0)).argmax())
    lag = proof_lag_s(job, share * over)
    foot = max(float(p.point_mm[first + 1, 2]), bead.gap_mm) / max(bead.gap_mm, 1e-3)  # section of its first layer
    found = np.empty(share.size)
    for k, (one, tau) in enumerate(zip(share.tolist(), lag.tolist(), strict=True)):
        flow, section = max(bead.flow_mm3_per_s * one, 1e-6), max(bead.section_mm2, 1e-6)
        carries, pads = flow / section, pads_of(job, bead, flow * over, LAGS * tau)
        if not pads:  # none that fits: what a foot takes at most
            found[k] = _COLD_S + LAGS * tau
            continue
        pad, below = pads[0], carries * min(over, 1.0)  # never faster than what is to be proved
        slow = max(min(float(p.speed_mm_per_s[first]) * one, below / foot), 1e-3)
        found[k] = pad.layer_mm * (1 / slow + 1 / below + pad.layers / (carries * over))
        found[k] += tau * math.log(max(over, 1.0))
    return found / 60


def pad_envelope(job: Job) -> Envelope:
    """What a proof at the job's own worst flow asks: its section, on a foot and not on the bed, and a cold drive."""
    bead = proof_bead(job)
    heat = float(job.course.nozzle_c[job.course.heat[bead.move]])
    return Envelope.steady(
        [max(bead.flow_mm3_per_s, 1e-6)], heat, [bead.width_mm], [bead.gap_mm], [False], end_s=_COLD_S
    )
