"""The obligation on a proof beside the part: it touches nothing, is in nobody's way, and asks no more than stated."""

from itertools import takewhile

import numpy as np

from pliant.language.line import read_line
from pliant.program.alongside import PLACE_MM
from pliant.program.beside import APART_MM, known_mm, moves_of, near_lines
from pliant.program.other_lines import other_lines
from pliant.program.outline import bead_lines, extent_mm
from pliant.proving.case import SAME_SPEED, WORD_MM, Case, Refuted, refute
from pliant.records.program import BEAD, HOME, TRAVEL, Program

__all__ = ["LIFT_MM_PER_S", "proof_apart"]

LIFT_MM_PER_S = 5.0  # of a rise, where the program has none to go by: our choice
_ROUNDED = 0.005  # [-] of a flow: its words have four decimals
_SAME_MM = 0.01
_WAITS = (("M", 109), ("M", 190))  # for a temperature


def proof_apart(case: Case) -> str:
    """A stated proof is laid apart, within reach, below what comes over it, no hotter, no faster, no longer."""
    if case.proof is None:
        raise Refuted("nothing in the mended file is laid apart and before the part, on a way there and back")
    pad = moves_of(case.whole, *case.proof)
    amount, flow = float(pad.filament_mm.sum()), _most_flow(case, pad)
    if amount > case.intent.proof_mm + WORD_MM * case.unit * pad.kind.size:
        raise Refuted(f"takes {amount:.3f} mm of filament; stated are {case.intent.proof_mm:.3f}")
    if flow > case.intent.proof_mm3_per_s * (1 + _ROUNDED):
        raise Refuted(f"asks {flow:.3f} mm³/s; stated are {case.intent.proof_mm3_per_s:.3f}")
    for wrong in (_place_wrong(case, pad), _way_wrong(case, pad), _heat_wrong(case, pad), _speed_wrong(case, pad)):
        refute(wrong)
    top = float(pad.point_mm[1:][pad.kind == BEAD, 2].max())
    return (
        f"{amount:.2f} mm of filament up to a height of {top:.2f} mm, {flow:.2f} mm³/s at most; nothing of the part, "
        f"and no later move lower than that, comes nearer than {APART_MM:g} mm"
    )


def _most_flow(case: Case, pad: Program) -> float:
    bead = (pad.kind == BEAD) & (pad.length_mm > 0)
    word = WORD_MM * float(pad.states["unit"][pad.state].max())  # of the short way from line to line a part that counts
    fed = np.maximum(pad.filament_mm[bead] - word, 0.0) / pad.length_mm[bead] * pad.speed_mm_per_s[bead]
    return float(np.pi * case.diameter_mm**2 / 4 * fed.max(initial=0.0))


def _place_wrong(case: Case, pad: Program) -> str:
    """Where it lies against the part, the bed, and the machine's reach."""
    assert case.proof is not None
    q, last, p = case.whole, case.proof[1], case.p
    z = pad.point_mm[1:][pad.kind == BEAD, 2]
    if z.min() < case.q.point_mm[1:][case.lays_q, 2].min(initial=np.inf) - PLACE_MM:
        return f"begins at a height of {z.min():.3f} mm, lower than the first layer"
    lines, top = bead_lines(pad, np.flatnonzero(pad.kind == BEAD)), float(z.max())
    low = np.minimum(q.point_mm[:-1, 2], q.point_mm[1:, 2]) < top - _SAME_MM
    low |= q.kind == BEAD
    later = np.flatnonzero(low[last:] & (q.kind[last:] != HOME)) + last
    if (near := near_lines(q, later, lines, APART_MM - PLACE_MM)).size:
        what = "a bead" if q.kind[near[0]] == BEAD else "a travel lower than it is high"
        return f"{what} comes nearer than {APART_MM:g} mm, line {q.line[near[0]]} of the mended file"
    own = extent_mm(pad, np.ones(pad.kind.size, dtype=np.bool_))
    space = np.array(case.reach_mm) if case.reach_mm else known_mm(p)
    if np.any(own[0] < space[0] - PLACE_MM) or np.any(own[1] > space[1] + PLACE_MM):
        (x0, y0, _), (x1, y1, z1) = own
        whose = "the machine's reach" if case.reach_mm else "the space that the input uses"
        return f"goes to X{x0:.1f}..{x1:.1f} Y{y0:.1f}..{y1:.1f} Z{z1:.2f}, beyond {whose}"
    return ""


def _way_wrong(case: Case, pad: Program) -> str:
    """Its ways: nothing drawn back or fed but along beads, and no way out lower than its top."""
    if np.any((pad.kind == TRAVEL) & (pad.filament_mm != 0)) or not np.isin(pad.kind, (BEAD, TRAVEL)).all():
        return "moves filament beside its beads"
    bead = np.flatnonzero(pad.kind == BEAD)
    after = np.arange(int(bead[-1]) + 1, pad.kind.size)
    flat = (pad.point_mm[after, :2] != pad.point_mm[after + 1, :2]).any(axis=1)
    low = np.minimum(pad.point_mm[after, 2], pad.point_mm[after + 1, 2])
    if np.any(low[flat] < pad.point_mm[bead[-1] + 1, 2] - PLACE_MM):
        return "the way back from it runs lower than its top"
    return ""


def _heat_wrong(case: Case, pad: Program) -> str:
    """Heat as at the first bead of the part, and within what the part's beads have."""
    assert case.proof is not None
    heat, first = pad.nozzle_c[pad.kind == BEAD], float(case.whole.nozzle_c[case.proof[1]])
    if np.any(heat != first) and not np.isnan(first):
        return f"is laid at {np.nanmax(heat):g} °C, the part begins at {first:g} °C"
    start, end = pad.line[0], case.whole.line[case.proof[1]]
    before = takewhile(lambda line: line[0] < end, other_lines(case.whole.path))
    if any(number > start and read_line(text).command in _WAITS for number, text in before):
        return "comes before a wait for temperature"
    return ""


def _speed_wrong(case: Case, pad: Program) -> str:
    """Its travel and rises, no faster than the input's."""
    p, q = case.p, pad
    for what, still in (("travels", False), ("rises", True)):
        mine, theirs = (_ways_mm_per_s(program, still) for program in (p, q))
        allowed = mine.max(initial=0.0) or (LIFT_MM_PER_S if still else p.speed_mm_per_s[case.lays_p].max(initial=0.0))
        if theirs.max(initial=0.0) > allowed * (1 + SAME_SPEED):
            return f"{what} at {theirs.max():g} mm/s; the input does at {allowed:g}"
    return ""


def _ways_mm_per_s(program: Program, still: bool) -> np.ndarray:
    """Speeds of travel over the plane, or of rises and falls alone. [mm/s]"""
    alone = (program.point_mm[:-1, :2] == program.point_mm[1:, :2]).all(axis=1)
    ways = (program.kind == TRAVEL) & (program.length_mm > 0) & (alone == still)
    return np.asarray(program.speed_mm_per_s[ways])
