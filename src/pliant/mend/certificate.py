"""The proof that a mended program deposits the same part.

Both files are read again from disk, with the reader alone; nothing of the passes that mended is used. Beads are paired
by geometry (`program.pairing`), then every obligation looks at the pairs, at what lies in the gaps between them, or at
the lines that move nothing (`program.alongside`, `program.carried`). Start at `certify`; one function an obligation.
"""

import re
from collections.abc import Callable
from itertools import takewhile
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray

from pliant.checks import require_positive
from pliant.errors import ProgramError
from pliant.job.laying import Laying
from pliant.program.alongside import PLACE_MM, Alongside
from pliant.program.carried import carried_lines
from pliant.program.dialects import BEHAVIOURS
from pliant.program.gaps import Gaps
from pliant.program.other_lines import numbers_follow, other_lines
from pliant.program.outline import bead_lines, extent_mm
from pliant.program.read import read_program
from pliant.records.mending import Certificate, Intent, Obligation
from pliant.records.program import HOME, STATE_DTYPE, Program

__all__ = [
    "BEADS", "DEBT", "END", "LINES", "ORDER", "PUSH", "READING", "SPACE", "SPEED", "STATES", "VOLUME", "certify",
]  # fmt: skip

READING = "read back without a new question"
BEADS = "the same beads in the same layers"
VOLUME = "the filament of every bead"
ORDER = "the order of the beads"
STATES = "temperatures, fans and limits at every bead"
SPEED = "no bead and no travel faster"
DEBT = "every retraction has its recover, none longer or faster"
PUSH = "nothing pushed forward between beads"
SPACE = "nothing outside the input's space or below its travel"
LINES = "every other line kept, in its order and place"
END = "the same place and modes at the end"

_WORD_MM = 2e-5  # [mm] of filament: E words have five decimals, and an absolute word is a difference of two
_DRIFT_MM = 6e-6  # [mm] of filament per word: half a unit of the fifth decimal, and a little
_MARGIN_MM = 1.0
_CLEAR_MM = 1.0  # from the middle of a priming bead to the middle of a bead of the part
_SAME_SPEED = 1e-6  # share
_KEPT_SPEED = 1e-3  # share; where speeds are to be kept an F word may still be rounded
# How words are meant; positions and filament have already shown it.
_READING_STATES = ("offset_mm", "e_absolute", "absolute", "unit")

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


class _Refuted(Exception):
    """An obligation that does not hold; the text is its figure."""


def certify(
    original: str | Path,
    mended: str | Path,
    intent: Intent,
    *,
    dialect: str = "auto",
    diameter_mm: float = 1.75,
    build_mm: tuple[float, float, float] | None = None,
) -> Certificate:
    """Prove, obligation by obligation, that a mended program deposits the same part as its input.

    Parameters
    ----------
    original, mended : str or Path
        The files; both are read again from disk.
    intent : Intent
        What the passes were allowed to do.
    dialect : str, default "auto"
        How both files are read. With `auto`, the proof is made again for every behaviour that reads the mended file
        otherwise.
    diameter_mm : float, default 1.75
        Filament diameter, for the width of beads that must not touch. [mm]
    build_mm : tuple of 3 floats, optional
        Build volume from the origin, checked beside the space that the input uses. [mm]

    Returns
    -------
    Certificate
        Every obligation with its figure; `certified` only if all hold.

    Raises
    ------
    ProgramError
        If the original cannot be read. A mended file that cannot be read is a failed obligation.

    Notes
    -----
    Positions agree within 0.002 mm; filament of each stretch within 2e-5 mm plus 0.002 mm of its length, and of each
    run and the whole within 6e-6 mm per word. A smaller difference is not seen. With `first_layer_may_widen` the first
    layer may lie higher by one lift and all other layers by one lift, both from 0 to `height_mm`; its filament is then
    the input's times `first_layer_factor`.
    """
    require_positive(diameter_mm=diameter_mm)
    first = read_program(original, dialect)
    try:
        second = read_program(mended, dialect)
    except ProgramError as error:
        unproved = "not proved: the mended file cannot be read"
        return Certificate(tuple(Obligation(o, False, str(error) if o == READING else unproved) for o in _PROOFS))
    case = _Case(first, second, intent, diameter_mm, build_mm)
    certificate = Certificate(tuple(_prove(case)))
    return _proved_otherwise(case, certificate) if certificate.certified else certificate


def _prove(case: "_Case") -> list[Obligation]:
    found = []
    for name, proof in _PROOFS.items():
        try:
            figure = proof(case)
            _refute(_unproved(case, name))
            found.append(Obligation(name, True, figure))
        except _Refuted as why:
            found.append(Obligation(name, False, str(why)))
    return found


class _Case(Alongside):
    """Both programs and the two numbers of the machine that an obligation needs."""

    def __init__(
        self, first: Program, second: Program, intent: Intent, diameter_mm: float,
        build_mm: tuple[float, float, float] | None,
    ) -> None:  # fmt: skip
        super().__init__(first, second, intent)
        self.diameter_mm, self.build_mm = diameter_mm, build_mm


def _refute(wrong: str) -> None:
    if wrong:
        raise _Refuted(wrong)


def _unproved(case: _Case, name: str) -> str:
    """Why an obligation cannot be proved although nothing speaks against it."""
    if case.pairs.lost_way < 0 or name in (READING, BEADS):
        return ""
    if name in (VOLUME, STATES) and not case.lost_beads.size and not case.added.size:
        return ""  # every bead was found again, if not in its order
    return f"not proved past line {case.p.line[case.pairs.lost_way]} of the input, where the beads part"


def _where(program: Program, move: int) -> str:
    x, y, z = program.point_mm[move + 1]
    return f"line {program.line[move]} (to X{x:.3f} Y{y:.3f} Z{z:.3f})"


def _gap_name(case: _Case, gap: int) -> str:
    if gap == 0:
        return "before the first bead"
    return f"after {_where(case.p, int(case.pairs.a[case.on_bead[case.gap[gap] - 1]]))}"


def _first(wrong: Bools) -> int:
    """Place of the first True, -1 if there is none."""
    return int(np.argmax(wrong)) if wrong.any() else -1


def _reading(case: _Case) -> str:
    def kinds(program: Program) -> set[str]:
        said = [*program.questions, *program.warnings]
        return {re.sub(r"[0-9][0-9,.]*", "#", text.split(" (line ", 1)[0]) for text in said}

    new = {text for text in kinds(case.q) - kinds(case.p) if not text.startswith(tuple(BEHAVIOURS))}
    if case.factor != 1.0:  # whether a flow factor scales a retraction is the controller's choice; both are allowed
        new = {text for text in new if not text.startswith("M#/M#")}
    if new:
        raise _Refuted(f"new: {min(new)}")
    if numbers_follow(case.p.path) and not numbers_follow(case.q.path):
        raise _Refuted("line numbers of the mended file do not follow one another, those of the input do")
    stand = f"; {len(case.p.questions)} questions of the input stand" if case.p.questions else ""
    return f"{case.q.n_lines:,} lines of the mended file, checksums right, no new question{stand}"


def _proved_otherwise(case: _Case, certificate: Certificate) -> Certificate:
    """Prove again for every behaviour that reads the mended file otherwise; the outcome is part of the reading."""
    others = [name for name in BEHAVIOURS if any(text.startswith(name) for text in case.q.questions)]
    wrong = next((text for name in others if (text := _read_otherwise(case, name))), "")
    if not others:
        return certificate
    reading, *rest = certificate.obligations
    figure = wrong or f"{reading.figure}; proved as well as {' and '.join(others)} would read both files"
    return Certificate((Obligation(reading.obligation, not wrong, figure), *rest))


def _read_otherwise(case: _Case, dialect: str) -> str:
    """What fails where a controller of another behaviour reads both files; empty if it refuses the input anyway."""
    try:
        first = read_program(case.p.path, dialect)
    except ProgramError:
        return ""
    try:
        second = read_program(case.q.path, dialect)
    except ProgramError as error:
        return f"{dialect} would refuse the mended file, not the input: {error}"
    broken = [o for o in _prove(_Case(first, second, case.intent, case.diameter_mm, case.build_mm)) if not o.holds]
    return f"as {dialect} reads both, {broken[0].obligation} fails: {broken[0].figure}" if broken else ""


def _beads(case: _Case) -> str:
    said = [case.lift_wrong] if case.lift_wrong else []
    if case.lost_beads.size:
        said.append(f"{case.lost_beads.size:,} missing, the first at {_where(case.p, int(case.lost_beads[0]))}")
    if case.added.size:
        said.append(f"{case.added.size:,} added, the first at {_where(case.q, int(case.added[0]))}")
    if case.prime.size and (wrong := _prime_wrong(case)):
        said.append(wrong)
    _refute("; ".join(said))
    n_p, n_q = int(case.lays_p.sum()), int(case.lays_q.sum())
    primed = f", of them {case.prime.size:,} primed outside the part" if case.prime.size else ""
    lifted = ""
    if np.any(case.lift_mm):
        lift = np.broadcast_to(case.lift_mm, case.q.kind.size + 1)[1:][case.lays_q]
        lifted = f", first layer {lift[0]:+.3f} mm and the last {lift[-1]:+.3f} mm higher"
    return f"{n_p:,} beads of the input are {n_q:,} of the mended file{primed}, within {PLACE_MM:g} mm{lifted}"


def _prime_wrong(case: _Case) -> str:
    """What speaks against an added priming run: it lies on the part or too low, or machine or melt is not ready."""
    p, q = case.p, case.q
    start, bead = int(case.prime[0]), case.start
    if q.point_mm[case.prime + 1, 2].min() < p.point_mm[1:][case.lays_p, 2].min() - PLACE_MM:
        return "the priming run lies lower than the first layer"
    if np.any(q.kind[start:bead] == HOME):
        return "the priming run comes before homing"
    target = q.nozzle_c[case.prime]
    if np.any(target != q.nozzle_c[bead]) and not np.isnan(q.nozzle_c[bead]):
        return "the priming run has another nozzle temperature than the first bead"
    before = takewhile(lambda line: line[0] < q.line[bead], other_lines(q.path))
    if any(number > q.line[start] and re.match(rb"M1[09][09](?![0-9])", text, re.I) for number, text in before):
        return "the priming run comes before a wait for temperature"
    line = shapely.multilinestrings(bead_lines(q, case.prime).tolist())
    x0, y0, x1, y1 = line.bounds
    at = np.flatnonzero(case.lays_p)
    ends = np.concatenate([p.point_mm[at, :2], p.point_mm[at + 1, :2]], axis=1)
    turning = p.sweep_rad[at] != 0
    reach = np.full(at.size, _CLEAR_MM)
    reach[turning] += 2 * np.hypot(*(p.centre_mm[at[turning]] - ends[turning, :2]).T)
    near = (
        (np.minimum(ends[:, 0], ends[:, 2]) <= x1 + reach) & (np.maximum(ends[:, 0], ends[:, 2]) >= x0 - reach)
        & (np.minimum(ends[:, 1], ends[:, 3]) <= y1 + reach) & (np.maximum(ends[:, 1], ends[:, 3]) >= y0 - reach)
    )  # fmt: skip
    if near.any() and shapely.dwithin(bead_lines(p, at[near]), line, _CLEAR_MM).any():
        return f"the priming run comes nearer than {_CLEAR_MM:g} mm to the part"
    return ""


def _volume(case: _Case) -> str:
    p, q, pairs, at = case.p, case.q, case.pairs, case.on_bead
    asked, given, word = case.asked_mm, case.given_mm, _WORD_MM * case.unit
    density = case.factor_of(pairs.a[at]) * p.filament_mm[pairs.a[at]] / p.length_mm[pairs.a[at]]
    off = np.where(case.coast, -1.0, np.abs(given - asked) - (word + PLACE_MM * density))
    if np.any(off > 0):
        k = int(np.argmax(off))
        raise _Refuted(
            f"{int((off > 0).sum()):,} beads differ, the worst at {_where(p, int(pairs.a[at[k]]))}: {given[k]:.5f} mm "
            f"of filament instead of {asked[k]:.5f}"
        )
    wanted = case.factor_of(pairs.moved_a) * p.filament_mm[pairs.moved_a]
    moved = np.abs(wanted - q.filament_mm[pairs.moved_b])
    if np.any(moved > word + PLACE_MM * wanted / p.length_mm[pairs.moved_a]):
        raise _Refuted("beads that are out of order differ in filament")
    runs = int(case.run.max()) + 1 if case.run.size else 0
    owed = np.bincount(case.run, np.where(case.coast, 0.0, asked) - given, runs)
    allowed = word + _DRIFT_MM * case.unit * np.bincount(case.run, minlength=runs)
    allowed += np.bincount(case.run, case.coast * PLACE_MM * density, runs)
    if np.any(np.abs(owed) > allowed):
        run = int(np.argmax(np.abs(owed) - allowed))
        line = p.line[pairs.a[at[np.argmax(case.run == run)]]]
        raise _Refuted(f"the run from line {line} gets {-owed[run]:+.5f} mm of filament by many small differences")
    held = case.held_mm[1]
    if held.max(initial=0.0) > case.intent.coast_mm_per_run * max(1.0, case.factor) + word:
        limit = case.intent.coast_mm_per_run
        raise _Refuted(f"a run ends {held.max():.4f} mm of filament early; allowed is {limit:g}")
    laid = np.flatnonzero(case.lays_p)
    total_p = float(p.filament_mm[laid].sum())
    total_q = float(q.filament_mm[case.lays_q].sum() - q.filament_mm[case.prime].sum())
    wanted_all = float((case.factor_of(laid) * p.filament_mm[laid]).sum())
    drift = total_q - wanted_all + held.sum()
    if abs(drift) > word + _DRIFT_MM * case.unit * max(case.lays_q.sum(), 1) + allowed.sum():
        raise _Refuted(f"{total_q:.3f} mm of filament in all beads instead of {wanted_all:.3f}")
    coasted = f", {held.sum():.3f} mm held back by coasting" if held.any() else ""
    first_layer = case.intent.first_layer_factor
    more = f", × {first_layer:g} in the first layer" if first_layer != 1 else ""
    return f"{total_q:.3f} mm = {case.factor:g} × {total_p:.3f} mm of the input{more}{coasted}; drift {drift:+.5f} mm"


def _order(case: _Case) -> str:
    pairs = case.pairs
    if pairs.moved_a.size:
        first = _where(case.p, int(pairs.moved_a.min()))
        raise _Refuted(f"{pairs.moved_a.size:,} beads out of order, the first at {first}")
    if not pairs.permuted.any():
        return f"{pairs.path_a.run_start.size:,} runs in the order of the input"
    _refute(_overlapping(case))
    return (
        f"{int(pairs.permuted.sum()):,} of {pairs.permuted.size:,} layers lay their runs in another order, each run "
        "whole, and runs that touch in their old order"
    )


def _overlapping(case: _Case) -> str:
    """The first two runs that touch and changed their order."""
    p, path = case.p, case.pairs.path_a
    width = Laying(p, case.diameter_mm).sections.width_mm
    stop = np.append(path.run_start[1:], path.move.size)
    opens = np.flatnonzero(np.diff(path.run_block, prepend=-1))
    closes = np.append(opens[1:], path.run_block.size)
    for block in np.flatnonzero(case.pairs.permuted):
        runs = np.arange(opens[block], closes[block])
        rank = case.pairs.rank[runs]
        shapes, half = np.empty(runs.size, dtype=object), np.zeros(runs.size)
        for k, r in enumerate(runs):
            piece = np.arange(path.run_start[r], stop[r])
            moves = path.move[piece[path.lays[piece]]]
            shapes[k] = shapely.multilinestrings(bead_lines(p, moves).tolist())
            half[k] = width[moves].max() / 2
        box = shapely.box(*(shapely.bounds(shapes) + half[:, None] * np.array([-1, -1, 1, 1])).T)
        i, j = shapely.STRtree(box).query(box)
        turned = (i < j) & (rank[i] > rank[j])
        i, j = i[turned], j[turned]
        k = _first(shapely.dwithin(shapes[i], shapes[j], half[i] + half[j]))
        if k >= 0:
            lines = [int(p.line[path.move[path.run_start[runs[r]]]]) for r in (i[k], j[k])]
            return f"the runs from lines {lines[0]} and {lines[1]} touch and changed their order"
    return ""


def _states(case: _Case) -> str:
    p, q = case.p, case.q
    code, first = np.unique(p.state[case.a].astype(np.int64) * len(q.states) + q.state[case.b], return_index=True)
    bad: list[tuple[int, str]] = []
    for which, at in zip(code, first, strict=True):
        s, t = p.states[which // len(q.states)], q.states[which % len(q.states)]
        for name in STATE_DTYPE.names or ():
            if name in _READING_STATES:
                continue
            old, new = float(s[name]), float(t[name])
            same = old == new or (np.isnan(old) and np.isnan(new))
            same |= name == "flow_factor" and abs(new - old * case.factor) <= 1e-9
            if name == "nozzle_c" and case.intent.nozzle_c and new:
                same |= case.intent.nozzle_c[0] <= new <= case.intent.nozzle_c[1]
            if not same:
                bad.append((int(at), f"{name} is {new:g} instead of {old:g}"))
    if bad:
        at, what = min(bad)
        raise _Refuted(f"from {_where(p, int(case.a[at]))} {what}")
    return f"{len(code):,} pairs of machine states compared over {case.a.size:,} stretches"


def _speed(case: _Case) -> str:
    p, q, pairs = case.p, case.q, case.pairs
    order = [case.bead] if case.ways_free else [case.bead, ~case.bead]  # free ways have no partners
    a = np.concatenate([pairs.a[mask] for mask in order] + [pairs.moved_a])
    b = np.concatenate([pairs.b[mask] for mask in order] + [pairs.moved_b])
    old, new = p.speed_mm_per_s[a], q.speed_mm_per_s[b]
    faster = new > old * (1 + _SAME_SPEED)
    if (k := _first(faster)) >= 0:
        what = f"{int(faster.sum()):,} moves faster, the first at {_where(p, int(a[k]))}"
        raise _Refuted(f"{what}: {new[k]:g} mm/s, not {old[k]:g}")
    slower = new < old * (1 - _KEPT_SPEED)
    if not case.intent.may_slow and (k := _first(slower)) >= 0:
        raise _Refuted(f"{_where(p, int(a[k]))} is slower: {new[k]:g} mm/s, not {old[k]:g}; speeds were to be kept")
    one, two = case.gaps
    _not_faster(case, "travel", one.plane_speed, two.plane_speed)
    _not_faster(case, "lift", one.lift_speed, two.lift_speed)
    if case.prime.size:
        top = p.speed_mm_per_s[case.lays_p].max()
        if q.speed_mm_per_s[case.prime].max() > top * (1 + _SAME_SPEED):
            raise _Refuted(f"the priming run is faster than any bead of the input, {top:g} mm/s")
    return f"{a.size:,} stretches compared, {int(slower[: case.on_bead.size].sum()):,} of beads slower"


def _not_faster(
    case: _Case, what: str, mine: Floats, theirs: Floats, skip_first: bool = False, at_least: float = 0.0
) -> None:
    """Hold the fastest move of each gap to the input's, or where it has none there to its fastest anywhere."""
    limit = case.layer_worst(mine)
    limit = np.where(limit > 0, limit, mine.max() if np.any(mine > 0) else at_least)
    wrong = theirs > limit * (1 + _SAME_SPEED)
    wrong[0] &= not skip_first
    if (k := _first(wrong)) >= 0:
        raise _Refuted(f"{what} {_gap_name(case, k)} at {theirs[k]:g} mm/s; the input has {limit[k]:g}")


def _near(value: Floats, target: Floats, factor: float, tolerance: float) -> Bools:
    """Equal to the target, or to the target times the flow factor, which some controllers apply here too."""
    return (np.abs(value - target) <= tolerance) | (np.abs(value - factor * target) <= tolerance)


def _debt(case: _Case) -> str:
    one, two = case.gaps
    tolerance, up = 3 * _WORD_MM * case.unit, max(1.0, case.factor)
    primes = case.intent.prime_mm > 0
    settled = two.net_mm - case.withheld_mm
    ok = _near(settled, one.net_mm, case.factor, tolerance)
    ok[-1] |= bool(_near(two.net_mm[-1:], one.net_mm[-1:], case.factor, tolerance)[0])  # nothing follows the last run
    low, high = case.layer_worst(one.net_mm, np.minimum), case.layer_worst(one.net_mm)
    ok |= case.loose & (settled >= low - tolerance) & (settled <= high + tolerance)
    if primes:
        more = settled[0] - one.net_mm[0] + case.q.filament_mm[case.prime].sum()
        ok[0] = -tolerance <= more <= case.intent.prime_mm * up + tolerance
        if not ok[0]:
            raise _Refuted(f"primes {more:+.4f} mm of filament; allowed is {case.intent.prime_mm:g}")
    if (k := _first(~ok)) >= 0:
        raise _Refuted(f"{_gap_name(case, k)} {settled[k]:+.5f} mm of filament net; the input has {one.net_mm[k]:+.5f}")
    # many differences below the tolerance of a gap must not add up, over a layer or to the end
    words = np.cumsum(two.words[1:])
    spread = abs(case.factor - 1) * np.cumsum(np.abs(one.net_mm[1:])) + tolerance + _DRIFT_MM * case.unit * words
    spread += np.cumsum(case.coast_slack_mm[1:])
    owed = np.cumsum(one.net_mm[1:] - settled[1:])
    ends = np.append(np.diff(case.block[1:]) != 0, True)[: owed.size]
    wrong = ends & (
        np.abs(owed) > spread + np.append(np.zeros(max(owed.size - 1, 0)), case.withheld_mm[-1])[-owed.size :]
    )
    if (k := _first(wrong)) >= 0:
        raise _Refuted(f"{owed[k]:+.4f} mm of filament more than in the input stays withdrawn {_gap_name(case, k + 1)}")
    limit = case.layer_worst(one.back_mm)
    if primes:
        limit[0] = max(limit[0], one.back_mm.max())
    if (k := _first(two.back_mm > up * limit + tolerance)) >= 0:
        raise _Refuted(f"{_gap_name(case, k)} {two.back_mm[k]:.4f} mm withdrawn; the input has {limit[k]:.4f}")
    deeper = two.most_debt_mm > up * np.maximum(case.layer_worst(one.most_debt_mm), 0.0) + tolerance
    deeper[0] &= not primes
    if (k := _first(deeper)) >= 0:
        raise _Refuted(f"travel {_gap_name(case, k)} with more withdrawn than in the input")
    _not_faster(case, "withdrawn", one.back_speed, two.back_speed)
    # a coast is given back even where the input never feeds filament alone: no faster than its beads take it
    beads = np.flatnonzero(case.lays_p) if case.intent.coast_mm_per_run > 0 else np.zeros(0, dtype=np.int64)
    takes = case.p.filament_mm[beads] / case.p.length_mm[beads] * case.p.speed_mm_per_s[beads]
    _not_faster(case, "fed", one.push_speed, two.push_speed, primes, takes.max(initial=0.0))
    if not case.intent.may_change_retraction:
        _retraction_kept(case, one, two, tolerance)
    pairs_p, pairs_q = int((one.back_mm > 0).sum()), int((two.back_mm > 0).sum())
    return f"{pairs_q:,} gaps with a retraction, {pairs_p:,} in the input; net filament of every gap the same"


def _retraction_kept(case: _Case, one: Gaps, two: Gaps, tolerance: float) -> None:
    wrong = ~_near(two.back_mm, one.back_mm, case.factor, tolerance)
    wrong |= two.back_speed < one.back_speed * (1 - _KEPT_SPEED)
    wrong |= two.push_speed < one.push_speed * (1 - _KEPT_SPEED)
    travels = np.isfinite(two.least_debt_mm) & np.isfinite(one.least_debt_mm)
    least = np.minimum(one.least_debt_mm, case.factor * one.least_debt_mm)
    wrong[travels] |= two.least_debt_mm[travels] < least[travels] - tolerance
    wrong &= ~case.loose
    wrong[0] &= case.intent.prime_mm <= 0
    if (k := _first(wrong)) >= 0:
        raise _Refuted(f"the retraction {_gap_name(case, k)} is not the input's; retractions were to be kept")
    mine, theirs = case.debts_mm
    a, b = case.pairs.a[~case.bead], case.pairs.b[~case.bead]
    still = (case.p.filament_mm[a] == 0) & (case.q.filament_mm[b] == 0)
    if (k := _first(still & ~_near(theirs, mine, case.factor, tolerance))) >= 0:
        what = f"{theirs[k]:.4f} mm withdrawn on the way to {_where(case.p, int(a[k]))}"
        raise _Refuted(f"{what}; the input has {mine[k]:.4f}, and retractions were to be kept")


def _push(case: _Case) -> str:
    one, two = case.gaps
    pushed = case.pairs.b[case.lays_q[case.pairs.b] & ~case.bead]
    if pushed.size:
        what = f"{pushed.size:,} moves with filament where the input has none"
        raise _Refuted(f"{what}, the first at {_where(case.q, int(pushed[0]))} of the mended file")
    up = max(1.0, case.factor)
    limit = case.layer_worst(one.push_mm) * up + case.withheld_mm + 3 * _WORD_MM * case.unit
    limit[0] += case.intent.prime_mm * up
    if (k := _first(two.push_mm > limit)) >= 0:
        what = f"{_gap_name(case, k)} {two.push_mm[k]:.4f} mm pushed forward"
        raise _Refuted(f"{what}; the input has {one.push_mm[k]:.4f}")
    return f"{two.push_mm.sum():.3f} mm of recover and prime, {one.push_mm.sum():.3f} in the input"


def _space(case: _Case) -> str:
    p, q = case.p, case.q
    box = extent_mm(p, np.ones(p.kind.size, dtype=bool))
    counts = np.ones(q.kind.size, dtype=bool)
    if case.prime.size and case.build_mm is not None:
        counts[: case.start] = False  # within the build volume priming may go beyond the input's space
    used = extent_mm(q, counts, case.lift_mm)
    if np.any(used[0] < box[0] - _MARGIN_MM) or np.any(used[1] > box[1] + _MARGIN_MM):
        raise _Refuted(f"goes to {_corner(used)}; the input stays within {_corner(box)}")
    if case.build_mm is not None:
        whole = extent_mm(q, np.ones(q.kind.size, dtype=bool))
        if np.any(whole[0] < -PLACE_MM) or np.any(whole[1] > np.array(case.build_mm) + PLACE_MM):
            volume = " × ".join(f"{v:g}" for v in case.build_mm)
            raise _Refuted(f"goes to {_corner(whole)}, beyond the build volume of {volume} mm")
    one, two = case.gaps
    laid = p.point_mm[1:, 2][case.pairs.a[case.on_bead]]
    laid = laid[np.maximum(case.gap - 1, 0)] if laid.size else np.zeros(case.gap.size)
    lift = float(np.max(case.lift_mm))
    for what, mine, theirs in (("travel", one.low_mm, two.low_mm), ("goes", one.lowest_mm, two.lowest_mm)):
        floor = case.layer_worst(np.where(np.isfinite(mine), mine, laid), np.minimum)
        floor = np.where(floor > laid, np.maximum(laid, floor - lift), floor)  # high travel need not rise with the part
        if case.intent.prime_mm > 0 and case.lays_p.any():
            floor[0] = min(floor[0], p.point_mm[1:][case.lays_p, 2].min())
        if (k := _first(theirs < floor - PLACE_MM)) >= 0:
            height = f"at a height of {theirs[k]:.3f} mm; the input stays above {floor[k]:.3f}"
            raise _Refuted(f"{what} {_gap_name(case, k)} {height}")
    other = case.pairs.extra[~case.lays_q[case.pairs.extra]]
    missing = case.pairs.lost[~case.lays_p[case.pairs.lost]]
    if other.size or missing.size:
        where = (
            f"line {q.line[other[0]]} of the mended file" if other.size else f"line {p.line[missing[0]]} of the input"
        )
        raise _Refuted(f"travel takes another way at {where}; ways were to be kept")
    if case.intent.prime_mm <= 0:
        _homing_kept(case)
    return f"within {_corner(used)}; travel {'nowhere lower' if case.ways_free else 'on the ways of the input'}"


def _homing_kept(case: _Case) -> None:
    """After homing the file does not tell the way to the first place, but the places have to be the same."""
    homes = [np.flatnonzero(program.kind == HOME) + 1 for program in (case.p, case.q)]
    if homes[0].size == homes[1].size:
        off = case.q.point_mm[homes[1]] - case.p.point_mm[homes[0]]
        off[:, 2] -= np.clip(off[:, 2], 0.0, np.max(case.lift_mm))
        if not np.any(np.abs(off) > PLACE_MM):
            return
    raise _Refuted("the first places after homing are not those of the input")


def _corner(box: Floats) -> str:
    return " ".join(f"{axis}{a:.2f}..{b:.2f}" for axis, a, b in zip("XYZ", box[0], box[1], strict=True))


def _lines(case: _Case) -> str:
    wrong, figure = carried_lines(case)
    _refute(wrong)
    return figure


def _end(case: _Case) -> str:
    p, q = case.p, case.q
    off = q.point_mm[-1] - p.point_mm[-1]
    rise = float(np.clip(off[2], 0.0, np.max(case.lift_mm)))  # where it parks may rise with the part or not
    off[2] -= rise
    away = float(np.linalg.norm(off))
    if away > PLACE_MM:
        raise _Refuted(f"ends {away:.3f} mm away from where the input ends")
    s, t = p.states[p.state[-1]], q.states[q.state[-1]]
    for name, what in (
        ("absolute", "G90/G91"), ("e_absolute", "M82/M83"), ("unit", "G20/G21"), ("filament_area_mm2", "M200"),
    ):  # fmt: skip
        if s[name] != t[name]:
            raise _Refuted(f"ends with another mode of {what}")
    if np.abs(s["offset_mm"] - t["offset_mm"]).max() > PLACE_MM:
        raise _Refuted("ends with another offset of G92")
    x, y, z = q.point_mm[-1]
    higher = f", {rise:.3f} mm higher with the part," if rise > PLACE_MM else ""
    return f"ends at X{x:.3f} Y{y:.3f} Z{z:.3f}{higher} in the modes of the input"


_PROOFS: dict[str, Callable[[_Case], str]] = {
    READING: _reading, BEADS: _beads, VOLUME: _volume, ORDER: _order, STATES: _states, SPEED: _speed,
    DEBT: _debt, PUSH: _push, SPACE: _space, LINES: _lines, END: _end,
}  # fmt: skip
