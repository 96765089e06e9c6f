"""The proof that a mended program deposits the same part.

Both files are read again from disk, with the reader alone; nothing of the passes that mended is used. Beads are paired
by geometry (`program.pairing`), then every obligation looks at the pairs, at what lies in the gaps between them, or at
the lines that move nothing. Start at `certify`; one function each for the obligations below it.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import islice, zip_longest
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray

from pliant.checks import require_positive
from pliant.errors import ProgramError
from pliant.program.layers import find_layers
from pliant.program.other_lines import other_lines
from pliant.program.pairing import Pairing, pair_programs
from pliant.program.read import read_program
from pliant.program.sections import bead_sections
from pliant.records.mending import Certificate, Intent, Obligation
from pliant.records.program import HOME, STATE_DTYPE, Program

__all__ = [
    "BEADS", "DEBT", "END", "LINES", "ORDER", "PUSH", "READING", "SPACE", "SPEED", "STATES", "VOLUME", "certify",
]  # fmt: skip

BEADS = "the same beads in the same layers"
VOLUME = "the filament of every bead"
ORDER = "the order of the beads"
STATES = "temperatures, fans and limits at every bead"
SPEED = "no bead and no travel faster"
DEBT = "every retraction has its recover, none longer or faster"
PUSH = "nothing pushed forward between beads"
SPACE = "nothing outside the input's space or below its travel"
LINES = "every other line kept, in its order and place"
READING = "read back without a new question"
END = "the same place and modes at the end"
_ALL = (READING, BEADS, VOLUME, ORDER, STATES, SPEED, DEBT, PUSH, SPACE, LINES, END)

_PLACE_MM = 0.002  # words have three decimals; two roundings and a projection
_WORD_MM = 2e-5  # [mm] of filament: E words have five decimals, and an absolute word is a difference of two
_DRIFT_MM = 6e-6  # [mm] of filament per word: half a unit of the fifth decimal, and a little
_MARGIN_MM = 1.0
_CHUNK = 4096  # [lines] compared at a time

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


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
        How both files are read.
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
    run and the whole within 6e-6 mm per word. A difference smaller than that is not seen.
    """
    require_positive(diameter_mm=diameter_mm)
    first = read_program(original, dialect)
    try:
        second = read_program(mended, dialect)
    except ProgramError as error:
        unproved = "not proved: the mended file cannot be read"
        return Certificate(tuple(Obligation(o, False, str(error) if o == READING else unproved) for o in _ALL))
    case = _Case(first, second, intent, diameter_mm, build_mm)
    proofs = (_reading, _beads, _volume, _order, _states, _speed, _debt, _push, _space, _lines, _end)
    found = []
    for name, proof in zip(_ALL, proofs, strict=True):
        wrong, figure = proof(case)
        if not wrong and not case.pairs.whole and name not in (READING, BEADS, ORDER):
            wrong = f"not proved past line {case.lost_line} of the input, where the beads part"
        found.append(Obligation(name, not wrong, wrong or figure))
    return Certificate(tuple(found))


@dataclass(frozen=True)
class _Gaps:
    """What a program does between beads; bin 0 lies before the first pair, bin k + 1 after pair k."""

    net_mm: Floats  # filament forward
    back_mm: Floats
    push_mm: Floats
    back_speed: Floats
    push_speed: Floats
    least_debt_mm: Floats  # while the nozzle travels over the plane; inf where it does not
    most_debt_mm: Floats
    low_mm: Floats  # lowest travel over the plane; inf where there is none
    plane_speed: Floats
    lift_speed: Floats


class _Case:
    """Both programs, their pairing and what several obligations need."""

    def __init__(
        self, first: Program, second: Program, intent: Intent, diameter_mm: float,
        build_mm: tuple[float, float, float] | None,
    ) -> None:  # fmt: skip
        self.p, self.q, self.intent, self.diameter_mm, self.build_mm = first, second, intent, diameter_mm, build_mm
        self.factor = intent.flow_factor
        self.lift_wrong, self.lift_mm = _lift(first, second, intent)
        free = 2 if intent.may_reroute or intent.may_reorder_islands else 1 if intent.prime_mm > 0 else 0
        self.pairs: Pairing = pair_programs(
            first, second, free=free, reorder=intent.may_reorder_islands, lift_mm=self.lift_mm, tolerance_mm=_PLACE_MM
        )
        pairs = self.pairs
        self.lays_p, self.lays_q = _lays(pairs.path_a, first), _lays(pairs.path_b, second)
        self.bead = self.lays_p[pairs.a]  # pairs on beads of the input; the mended may run dry there
        self.wet = self.bead & self.lays_q[pairs.b]
        # beads that are the same out of order are compared as well
        self.a = np.concatenate([pairs.a[self.wet], pairs.moved_a])
        self.b = np.concatenate([pairs.b[self.wet], pairs.moved_b])
        self.unit = float(second.states["unit"].max())
        self.extra_beads = np.setdiff1d(pairs.extra[self.lays_q[pairs.extra]], pairs.moved_b)
        self.lost_beads = np.setdiff1d(pairs.lost[self.lays_p[pairs.lost]], pairs.moved_a)
        start = int(pairs.b[self.wet].min()) if self.wet.any() else 0
        self.prime = self.extra_beads[self.extra_beads < start] if intent.prime_mm > 0 else self.extra_beads[:0]
        self.added = np.setdiff1d(self.extra_beads, self.prime)

    @property
    def lost_line(self) -> int:
        """Line of the input where the walk lost its way."""
        return int(self.p.line[self.pairs.lost[-1]]) if self.pairs.lost.size else self.p.n_lines

    @cached_property
    def on_bead(self) -> Ints:
        """Positions among the pairs that lie on beads."""
        return np.flatnonzero(self.bead)

    @cached_property
    def run(self) -> Ints:
        """Run of the input, for each pair on a bead."""
        return _per_move(self.pairs.path_a.move, self.pairs.path_a.run, self.p)[self.pairs.a[self.on_bead]]

    @cached_property
    def asked_mm(self) -> Floats:
        """Filament that each pair on a bead should have. [mm]"""
        at = self.on_bead
        return self.factor * self.p.filament_mm[self.pairs.a[at]] * self.pairs.share_a[at]

    @cached_property
    def given_mm(self) -> Floats:
        """Filament that each pair on a bead has. [mm]"""
        at = self.on_bead
        return np.where(self.wet[at], self.q.filament_mm[self.pairs.b[at]] * self.pairs.share_b[at], 0.0)

    @cached_property
    def coast(self) -> Bools:
        """Pairs on beads where the mended runs dry to the end of the run."""
        dry = ~self.wet[self.on_bead]
        if self.intent.coast_mm_per_run <= 0 or not dry.any():
            return np.zeros(dry.size, dtype=bool)
        last_wet = np.maximum.accumulate(np.where(dry, -1, np.arange(dry.size))[::-1])[::-1]  # any wet one to come
        after = np.flatnonzero(np.append(np.diff(self.run) != 0, True))
        end = after[np.searchsorted(after, np.arange(dry.size))]
        wet_so_far = np.concatenate([[0], np.cumsum(~dry)])
        del last_wet
        return dry & (wet_so_far[end + 1] == wet_so_far[np.arange(dry.size)])

    @cached_property
    def withheld_mm(self) -> Floats:
        """Filament held back by coasting, in the bin of the gap that follows. [mm]"""
        held = np.zeros(self.on_bead.size + 1)
        if self.coast.any():
            after = np.flatnonzero(np.append(np.diff(self.run) != 0, True))
            end = after[np.searchsorted(after, np.flatnonzero(self.coast))]
            np.add.at(held, end + 1, self.asked_mm[self.coast])
        return held

    @cached_property
    def gaps(self) -> tuple[_Gaps, _Gaps]:
        """What either program does between the beads."""
        pairs, at = self.pairs, self.on_bead
        return (
            _gaps(self.p, self.lays_p, pairs.a[at], 0.0),
            _gaps(self.q, self.lays_q | np.isin(np.arange(self.q.kind.size), pairs.b[at]), pairs.b[at], self.lift_mm),
        )

    @cached_property
    def block(self) -> Ints:
        """Block of the input for each gap; gap 0 lies in block -1, the last gap of a block still in it."""
        path = self.pairs.path_a
        return np.concatenate([[-1], path.run_block[self.run]]) if self.run.size else np.array([-1])

    @cached_property
    def loose(self) -> Bools:
        """Gaps in layers whose runs changed places; their ends included."""
        permuted = self.pairs.permuted
        return (
            np.concatenate([[False], permuted[self.block[1:]]]) if permuted.any() else np.zeros(self.block.size, bool)
        )


def _lays(path: "object", program: Program) -> Bools:
    out = np.zeros(program.kind.size, dtype=bool)
    out[path.move[path.lays]] = True  # type: ignore[attr-defined]
    return out


def _per_move(move: Ints, value: Ints, program: Program) -> Ints:
    out = np.full(program.kind.size, -1, dtype=np.int64)
    out[move] = value
    return out


def _lift(p: Program, q: Program, intent: Intent) -> tuple[str, Floats | float]:
    """How much higher the mended program lays its beads: one lift for the first layer, one for the rest. [mm]"""
    if not intent.first_layer_may_widen:
        return "", 0.0

    def heights(program: Program) -> Floats:
        flat = np.hypot(*np.diff(program.point_mm[:, :2], axis=0).T) > 0
        at = np.flatnonzero((program.filament_mm > 0) & (flat | (program.sweep_rad != 0)) & (program.kind != HOME))
        return program.point_mm[at + 1, 2]

    zp, zq = heights(p), heights(q)
    if zp.size == 0 or zq.size == 0:
        return "", 0.0
    first, rest = float(zq.min() - zp.min()), float(zq[-1] - zp[-1])
    if zp.max() - zp.min() <= 0.01:
        rest = first
    wrong = ""
    for name, lift in (("first layer", first), ("layers above", rest)):
        if not -_PLACE_MM <= lift <= intent.height_mm + _PLACE_MM:
            wrong = f"the {name} lies {lift:+.3f} mm higher; allowed is 0 to {intent.height_mm:g}"
    if wrong:
        return wrong, 0.0
    lift_mm = np.where(q.point_mm[:, 2] <= zq.min() + 0.01, first, rest)
    return "", lift_mm


def _gaps(program: Program, on_path: Bools, paired: Ints, lift_mm: Floats | float) -> _Gaps:
    """Sum up what lies between paired beads; `paired` are moves in the order of the pairs."""
    n, size = program.kind.size, paired.size + 1
    place = np.full(n, -1, dtype=np.int64)
    place[paired] = np.arange(paired.size)  # of several pairs on one move the last
    last = np.maximum.accumulate(np.where(place >= 0, np.arange(n), -1))
    gap = np.where(last >= 0, place[np.maximum(last, 0)], -1) + 1
    filament = np.where(on_path & (program.filament_mm > 0), 0.0, program.filament_mm)
    ends = program.point_mm[:, 2] - lift_mm
    flat = (np.hypot(*np.diff(program.point_mm[:, :2], axis=0).T) > 0) | (program.sweep_rad != 0)
    travel = flat & ~on_path & (program.kind != HOME) & (program.length_mm > 0)
    lift = ~flat & (program.length_mm > 0) & (program.kind != HOME)
    back, push = filament < 0, filament > 0

    def most(mask: Bools, value: Floats, start: float) -> Floats:
        out = np.full(size, start)
        (np.maximum if start <= 0 else np.minimum).at(out, gap[mask], value[mask])
        return out

    fed = np.concatenate([[0.0], np.cumsum(filament)])
    opens = np.flatnonzero(np.diff(gap, prepend=-1))
    at_open = fed[opens][np.searchsorted(opens, np.arange(n), side="right") - 1]
    debt = at_open - fed[:-1]
    return _Gaps(
        net_mm=np.bincount(gap, filament, size),
        back_mm=np.bincount(gap[back], -filament[back], size),
        push_mm=np.bincount(gap[push], filament[push], size),
        back_speed=most(back, program.speed_mm_per_s, 0.0),
        push_speed=most(push, program.speed_mm_per_s, 0.0),
        least_debt_mm=most(travel, debt, np.inf),
        most_debt_mm=most(travel, debt, -np.inf),
        low_mm=most(travel, np.minimum(ends[:-1], ends[1:]), np.inf),
        plane_speed=most(travel, program.speed_mm_per_s, 0.0),
        lift_speed=most(lift, program.speed_mm_per_s, 0.0),
    )


def _reading(case: _Case) -> tuple[str, str]:
    def kinds(program: Program) -> set[str]:
        said = [*program.questions, *program.warnings]
        return {re.sub(r"[0-9][0-9,.]*", "#", text.split(" (line ", 1)[0]) for text in said}

    new = kinds(case.q) - kinds(case.p)
    if case.factor != 1.0:  # whether a flow factor scales a retraction is the controller's choice; both are allowed
        new = {text for text in new if not text.startswith("M#/M#")}
    if new:
        return f"new: {sorted(new)[0]}", ""
    numbers = [_numbering(program.path) for program in (case.p, case.q)]
    if numbers[0] and not numbers[1]:
        return "line numbers of the mended file do not follow one another, those of the input do", ""
    return "", f"{case.q.n_lines:,} lines of {Path(case.q.path).name} read again, checksums right, no new question"


def _numbering(path: str) -> bool:
    """Whether the numbers of checked lines, if there are any, go up by one."""
    number, rest, last = re.compile(rb"^[ \t]*N([0-9]+)[^\n;]*\*", re.M | re.I), b"", None
    with Path(path).open("rb") as file:
        while piece := file.read(1 << 20):
            block = rest + piece.replace(b"\r", b"\n")
            end = block.rfind(b"\n") + 1
            rest = block[end:]
            for found in number.finditer(block[:end]):
                if last is not None and int(found[1]) not in (last + 1, 0):
                    return False
                last = int(found[1])
    return True


def _where(program: Program, move: int) -> str:
    x, y, z = program.point_mm[move + 1]
    return f"line {program.line[move]} (to X{x:.3f} Y{y:.3f} Z{z:.3f})"


def _beads(case: _Case) -> tuple[str, str]:
    said = []
    if case.lift_wrong:
        said.append(case.lift_wrong)
    if case.lost_beads.size:
        said.append(f"{case.lost_beads.size:,} missing, the first at {_where(case.p, int(case.lost_beads[0]))}")
    if case.added.size:
        said.append(f"{case.added.size:,} added, the first at {_where(case.q, int(case.added[0]))}")
    if case.prime.size and (wrong := _prime_touches(case)):
        said.append(wrong)
    n_p, n_q = int(case.lays_p.sum()), int(case.lays_q.sum())
    primed = f", of them {case.prime.size:,} primed outside the part" if case.prime.size else ""
    return "; ".join(said), (
        f"{n_p:,} beads of the input are {n_q:,} of the mended file{primed}, within {_PLACE_MM:g} mm"
    )


def _prime_touches(case: _Case) -> str:
    """Whether the added priming run lies on the part or below its first layer."""
    p, q = case.p, case.q
    widest = 1.0  # [mm] half a wide priming bead beside half a bead of the part
    low = p.point_mm[1:][case.lays_p, 2].min() if case.lays_p.any() else 0.0
    if q.point_mm[case.prime + 1, 2].min() < low - _PLACE_MM:
        return "the priming run lies lower than the first layer"
    line = shapely.union_all(_segments(q, case.prime))
    x0, y0, x1, y1 = line.bounds
    at = np.flatnonzero(case.lays_p)
    ends = np.concatenate([p.point_mm[at, :2], p.point_mm[at + 1, :2]], axis=1)
    radius = np.where(p.sweep_rad[at] != 0, 2 * np.hypot(*(p.centre_mm[at] - ends[:, :2]).T), 0.0)
    reach = widest + np.nan_to_num(radius)
    near = (
        (np.minimum(ends[:, 0], ends[:, 2]) <= x1 + reach) & (np.maximum(ends[:, 0], ends[:, 2]) >= x0 - reach)
        & (np.minimum(ends[:, 1], ends[:, 3]) <= y1 + reach) & (np.maximum(ends[:, 1], ends[:, 3]) >= y0 - reach)
    )  # fmt: skip
    if near.any() and shapely.dwithin(_segments(p, at[near]), line, widest).any():
        return f"the priming run comes nearer than {widest:g} mm to the part"
    return ""


def _segments(program: Program, moves: Ints) -> NDArray[np.object_]:
    """Beads as line strings; arcs as chords of at most 10 degrees."""
    out = np.empty(moves.size, dtype=object)
    arc = program.sweep_rad[moves] != 0
    straight = moves[~arc]
    out[~arc] = shapely.linestrings(np.stack([program.point_mm[straight, :2], program.point_mm[straight + 1, :2]], 1))
    for k in np.flatnonzero(arc):
        move = moves[k]
        centre, sweep = program.centre_mm[move], program.sweep_rad[move]
        x, y = program.point_mm[move, :2] - centre
        angle = np.arctan2(y, x) + np.linspace(0, sweep, 2 + int(abs(sweep) / 0.17))
        out[k] = shapely.linestrings(centre + np.hypot(x, y) * np.column_stack([np.cos(angle), np.sin(angle)]))
    return out


def _volume(case: _Case) -> tuple[str, str]:
    p, q, pairs, at = case.p, case.q, case.pairs, case.on_bead
    asked, given, word = case.asked_mm, case.given_mm, _WORD_MM * case.unit
    density = case.factor * p.filament_mm[pairs.a[at]] / p.length_mm[pairs.a[at]]
    off = np.abs(given - asked) - (word + _PLACE_MM * density)
    off[case.coast] = -1.0
    worst = int(np.argmax(off)) if off.size else 0
    if off.size and off[worst] > 0:
        n = int((off > 0).sum())
        return (
            f"{n:,} beads differ, the worst at {_where(p, int(pairs.a[at[worst]]))}: {given[worst]:.5f} mm of filament "
            f"instead of {asked[worst]:.5f}"
        ), ""
    moved = case.factor * p.filament_mm[pairs.moved_a] - q.filament_mm[pairs.moved_b]
    if np.any(np.abs(moved) > word + _PLACE_MM * p.filament_mm[pairs.moved_a] / p.length_mm[pairs.moved_a]):
        return "beads that are out of order differ in filament", ""
    runs = int(case.run.max()) + 1 if case.run.size else 0
    owed = np.bincount(case.run, np.where(case.coast, 0.0, asked) - given, runs)
    allowed = word + _DRIFT_MM * case.unit * np.bincount(case.run, minlength=runs)
    allowed += np.bincount(case.run, case.coast * _PLACE_MM * density, runs)
    if np.any(np.abs(owed) > allowed):
        run = int(np.argmax(np.abs(owed) - allowed))
        line = p.line[pairs.a[at[np.flatnonzero(case.run == run)[0]]]]
        return f"the run from line {line} gets {-owed[run]:+.5f} mm of filament over all, by many small differences", ""
    held = case.withheld_mm
    if held.max() > case.intent.coast_mm_per_run * max(1.0, case.factor) + word:
        return f"a run ends {held.max():.4f} mm of filament early; allowed is {case.intent.coast_mm_per_run:g}", ""
    total_p = float(p.filament_mm[case.lays_p].sum())
    total_q = float(q.filament_mm[case.lays_q].sum() - q.filament_mm[case.prime].sum())
    drift = total_q - case.factor * total_p + held.sum()
    if abs(drift) > word + _DRIFT_MM * case.unit * max(case.lays_q.sum(), 1) + float(allowed.sum()):
        return f"{total_q:.3f} mm of filament in all beads instead of {case.factor * total_p:.3f}", ""
    coasted = f", {held.sum():.3f} mm held back by coasting" if held.any() else ""
    return "", f"{total_q:.3f} mm = {case.factor:g} × {total_p:.3f} mm of the input{coasted}; drift {drift:+.5f} mm"


def _order(case: _Case) -> tuple[str, str]:
    pairs = case.pairs
    if pairs.moved_a.size:
        return f"{pairs.moved_a.size:,} beads out of order, the first at {_where(case.p, int(pairs.moved_a.min()))}", ""
    if not pairs.whole:
        return f"not proved past line {case.lost_line} of the input, where the beads part", ""
    if not pairs.permuted.any():
        return "", f"{pairs.path_a.run_start.size:,} runs in the order of the input"
    if wrong := _overlapping(case):
        return wrong, ""
    return "", (
        f"{int(pairs.permuted.sum()):,} of {pairs.permuted.size:,} layers lay their runs in another order, each run "
        "whole, and runs that touch in their old order"
    )


def _overlapping(case: _Case) -> str:
    """The first two runs that touch and changed their order."""
    p, pairs = case.p, case.pairs
    path = pairs.path_a
    width = bead_sections(p, find_layers(p), case.diameter_mm).width_mm
    stop = np.append(path.run_start[1:], path.move.size)
    for block in np.flatnonzero(pairs.permuted):
        runs = np.flatnonzero(path.run_block == block)
        rank = pairs.rank[runs]
        shapes, wide = [], []
        for r in runs:
            piece = np.arange(path.run_start[r], stop[r])
            moves = path.move[piece[path.lays[piece]]]
            shapes.append(shapely.union_all(_segments(p, moves)))
            wide.append(float(width[moves].max()))
        half = np.array(wide) / 2
        box = shapely.bounds(np.array(shapes)) + half[:, None] * np.array([-1, -1, 1, 1])
        tree = shapely.STRtree(shapely.box(*box.T))
        i, j = tree.query(shapely.box(*box.T))
        turned = (i < j) & (rank[i] > rank[j])
        i, j = i[turned], j[turned]
        touch = shapely.dwithin(np.array(shapes)[i], np.array(shapes)[j], half[i] + half[j])
        if touch.any():
            k = int(np.argmax(touch))
            lines = [int(p.line[path.move[path.run_start[runs[r]]]]) for r in (i[k], j[k])]
            return f"the runs from lines {lines[0]} and {lines[1]} touch and changed their order"
    return ""


def _states(case: _Case) -> tuple[str, str]:
    p, q = case.p, case.q
    code, first = np.unique(p.state[case.a].astype(np.int64) * len(q.states) + q.state[case.b], return_index=True)
    bad: list[tuple[int, str]] = []
    for which, at in zip(code, first, strict=True):
        s, t = p.states[which // len(q.states)], q.states[which % len(q.states)]
        for name in STATE_DTYPE.names or ():
            if name in ("offset_mm", "e_absolute", "absolute", "unit"):
                continue  # how words are meant, which the positions have already shown
            old, new = float(s[name]), float(t[name])
            if old == new or (np.isnan(old) and np.isnan(new)):
                continue
            if name == "flow_factor" and abs(new / old - case.factor) <= 1e-9:
                continue
            if name == "nozzle_c" and case.intent.nozzle_c and new:
                low, high = case.intent.nozzle_c
                if low <= new <= high:
                    continue
            bad.append((int(at), f"{name} is {new:g} instead of {old:g}"))
    if bad:
        at, what = min(bad)
        return f"from {_where(p, int(case.a[at]))} {what}", ""
    return "", f"{len(code):,} pairs of machine states compared over {case.a.size:,} stretches"


def _speed(case: _Case) -> tuple[str, str]:
    p, q, pairs = case.p, case.q, case.pairs
    on = case.on_bead
    a = np.concatenate([pairs.a[on], pairs.moved_a])
    b = np.concatenate([pairs.b[on], pairs.moved_b])
    if not (case.intent.may_reroute or case.intent.may_reorder_islands):
        a = np.concatenate([a, pairs.a[~case.bead]])
        b = np.concatenate([b, pairs.b[~case.bead]])
    old, new = p.speed_mm_per_s[a], q.speed_mm_per_s[b]
    if np.any(faster := new > old * (1 + 1e-6)):
        k = int(np.argmax(faster))
        return (
            f"{int(faster.sum()):,} moves faster, the first at {_where(p, int(a[k]))}: {new[k]:g} mm/s, not {old[k]:g}",
            "",
        )
    if not case.intent.may_slow and np.any(slower := new < old * (1 - 1e-3)):
        k = int(np.argmax(slower))
        return f"{_where(p, int(a[k]))} is slower: {new[k]:g} mm/s, not {old[k]:g}; speeds were to be kept", ""
    one, two = case.gaps
    for what, mine, theirs in (
        ("travel", one.plane_speed, two.plane_speed), ("lift", one.lift_speed, two.lift_speed),
    ):  # fmt: skip
        limit = _limits(case, mine)
        limit = np.where(limit > 0, limit, mine.max(initial=0.0))
        wrong = np.flatnonzero(theirs > limit * (1 + 1e-6))
        if wrong.size:
            k = int(wrong[0])
            return f"{what} {_gap_name(case, k)} at {theirs[k]:g} mm/s; the input has {limit[k]:g}", ""
    if case.prime.size and q.speed_mm_per_s[case.prime].max() > p.speed_mm_per_s[case.lays_p].max() * (1 + 1e-6):
        return "the priming run is faster than any bead of the input", ""
    slowed = int((new[: on.size] < old[: on.size] * (1 - 1e-3)).sum())
    return "", f"{a.size:,} stretches compared, {slowed:,} on beads slower"


def _limits(case: _Case, value: Floats) -> Floats:
    """The input's largest value per gap; over the whole layer where runs changed places."""
    if not case.loose.any():
        return value
    top = np.zeros(int(case.block.max()) + 1)
    np.maximum.at(top, case.block[1:], value[1:])
    return np.where(case.loose, top[np.maximum(case.block, 0)], value)


def _gap_name(case: _Case, gap: int) -> str:
    if gap == 0:
        return "before the first bead"
    return f"after {_where(case.p, int(case.pairs.a[case.on_bead[gap - 1]]))}"


def _near(value: Floats, target: Floats, factor: float, tolerance: float) -> Bools:
    """Equal to the target, or to the target times the flow factor, which some controllers apply here too."""
    return (np.abs(value - target) <= tolerance) | (np.abs(value - factor * target) <= tolerance)


def _debt(case: _Case) -> tuple[str, str]:
    one, two = case.gaps
    tolerance = 3 * _WORD_MM * case.unit
    up = max(1.0, case.factor)
    primes = case.intent.prime_mm > 0
    settled = two.net_mm - case.withheld_mm
    ok = _near(settled, one.net_mm, case.factor, tolerance)
    ok[-1] |= bool(_near(two.net_mm[-1:], one.net_mm[-1:], case.factor, tolerance)[0])  # nothing follows the last run
    if case.loose.any():
        inside = (settled >= _limits(case, one.net_mm * 0 + one.net_mm) * 0 + one.net_mm.min() - tolerance) & (
            settled <= one.net_mm.max() + tolerance
        )
        ok |= case.loose & inside
    if primes:
        extra = settled[0] - one.net_mm[0] + case.q.filament_mm[case.prime].sum()
        ok[0] |= -tolerance <= extra <= case.intent.prime_mm * up + tolerance
    if not ok.all():
        k = int(np.argmin(ok))
        return f"{_gap_name(case, k)} {settled[k]:+.5f} mm of filament net, the input has {one.net_mm[k]:+.5f}", ""
    spread = abs(case.factor - 1) * np.abs(one.net_mm).sum() + tolerance + _DRIFT_MM * case.unit * two.net_mm.size
    left = float(settled[1:].sum() - one.net_mm[1:].sum())
    last = float(case.withheld_mm[-1])
    if not -spread <= left <= spread + last:
        return f"{-left:+.4f} mm of filament more stays withdrawn at the end than in the input", ""
    limit = _limits(case, one.back_mm)
    if primes:
        limit[0] = max(limit[0], one.back_mm.max())
    longer = np.flatnonzero(two.back_mm > up * limit + tolerance)
    if longer.size:
        k = int(longer[0])
        return f"{_gap_name(case, k)} {two.back_mm[k]:.4f} mm withdrawn; the input has {limit[k]:.4f}", ""
    deeper = np.flatnonzero(two.most_debt_mm > up * np.maximum(_limits(case, one.most_debt_mm), 0.0) + tolerance)
    if deeper.size and not (primes and deeper[0] == 0):
        return f"travel {_gap_name(case, int(deeper[0]))} with more withdrawn than in the input", ""
    for what, mine, theirs in (
        ("withdrawn", one.back_speed, two.back_speed), ("fed", one.push_speed, two.push_speed),
    ):  # fmt: skip
        fastest = _limits(case, mine)
        fastest = np.where(fastest > 0, fastest, mine.max(initial=0.0))
        wrong = np.flatnonzero(theirs > fastest * (1 + 1e-6))
        if wrong.size and not (primes and wrong[0] == 0 and what == "fed"):
            k = int(wrong[0])
            return f"{what} {_gap_name(case, k)} at {theirs[k]:g} mm/s; the input has {fastest[k]:g}", ""
    if not case.intent.may_change_retraction and (wrong := _retraction_kept(case, one, two, tolerance)):
        return wrong, ""
    pairs_p, pairs_q = int((one.back_mm > 0).sum()), int((two.back_mm > 0).sum())
    return "", f"{pairs_q:,} gaps with a retraction, {pairs_p:,} in the input; net filament of every gap the same"


def _retraction_kept(case: _Case, one: _Gaps, two: _Gaps, tolerance: float) -> str:
    keep = ~case.loose
    if case.intent.prime_mm > 0:
        keep[0] = False
    wrong = keep & ~_near(two.back_mm, one.back_mm, case.factor, tolerance)
    wrong |= keep & (two.back_speed < one.back_speed * (1 - 1e-3))
    wrong |= keep & (two.push_speed < one.push_speed * (1 - 1e-3))
    dry = np.isfinite(two.least_debt_mm) & np.isfinite(one.least_debt_mm)
    wrong |= (
        keep & dry & (two.least_debt_mm < np.minimum(one.least_debt_mm, case.factor * one.least_debt_mm) - tolerance)
    )
    if not wrong.any():
        return ""
    k = int(np.argmax(wrong))
    return f"the retraction {_gap_name(case, k)} is not the input's; retractions were to be kept"


def _push(case: _Case) -> tuple[str, str]:
    one, two = case.gaps
    wet = case.pairs.b[case.lays_q[case.pairs.b] & ~case.bead]
    pushed = np.union1d(wet, case.added)
    if pushed.size:
        return (
            f"{pushed.size:,} moves with filament where the input has none, the first at {_where(case.q, int(pushed[0]))}",
            "",
        )
    limit = _limits(case, one.push_mm) * max(1.0, case.factor) + case.withheld_mm + 3 * _WORD_MM * case.unit
    if case.intent.prime_mm > 0:
        limit[0] += case.intent.prime_mm * max(1.0, case.factor)
    more = np.flatnonzero(two.push_mm > limit)
    if more.size:
        k = int(more[0])
        return f"{_gap_name(case, k)} {two.push_mm[k]:.4f} mm pushed forward; the input has {one.push_mm[k]:.4f}", ""
    return "", f"{two.push_mm.sum():.3f} mm of recover and prime, {one.push_mm.sum():.3f} in the input"


def _extent(program: Program, lift_mm: Floats | float, moves: Bools) -> Floats:
    """Lowest and highest corner of moves, (2, 3); arcs with the furthest points on the way."""
    at = np.flatnonzero(moves & (program.kind != HOME))
    z = program.point_mm[:, 2] - lift_mm
    end = np.column_stack([program.point_mm[at + 1, :2], z[at + 1]])
    points = [end]
    arcs = at[program.sweep_rad[at] != 0]
    if arcs.size:
        sweep, centre = program.sweep_rad[arcs], program.centre_mm[arcs]
        ray = program.point_mm[arcs, :2] - centre
        radius, start = np.hypot(*ray.T), np.arctan2(ray[:, 1], ray[:, 0])
        for angle in (0.0, np.pi / 2, np.pi, 1.5 * np.pi):
            turn = np.mod((angle - start) * np.sign(sweep), 2 * np.pi)
            hit = turn < np.abs(sweep)
            far = centre[hit] + radius[hit, None] * np.array([np.cos(angle), np.sin(angle)])
            points.append(np.column_stack([far, z[arcs[hit] + 1]]))
    every = np.concatenate(points)
    return np.stack([every.min(axis=0), every.max(axis=0)]) if every.size else np.zeros((2, 3))


def _space(case: _Case) -> tuple[str, str]:
    p, q, intent = case.p, case.q, case.intent
    box = _extent(p, 0.0, np.ones(p.kind.size, dtype=bool))
    check = np.ones(q.kind.size, dtype=bool)
    if case.prime.size and case.build_mm is not None:
        check[: case.prime[-1] + 1] = False  # a priming run may lie beyond the input's space, within the build volume
    used = _extent(q, case.lift_mm, check)
    if np.any(used[0] < box[0] - _MARGIN_MM) or np.any(used[1] > box[1] + _MARGIN_MM):
        return f"goes to {_corner(used)}; the input stays within {_corner(box)}", ""
    if case.build_mm is not None:
        whole = _extent(q, 0.0, np.ones(q.kind.size, dtype=bool))
        if np.any(whole[0] < -_PLACE_MM) or np.any(whole[1] > np.array(case.build_mm) + _PLACE_MM):
            return (
                f"goes to {_corner(whole)}, beyond the build volume of {' × '.join(f'{v:g}' for v in case.build_mm)} mm",
                "",
            )
    one, two = case.gaps
    laid = p.point_mm[1:, 2][case.pairs.a[case.on_bead]]
    floor = np.where(np.isfinite(one.low_mm), one.low_mm, np.concatenate([laid[:1], laid]))
    if case.loose.any():
        low = np.full(int(case.block.max()) + 1, np.inf)
        np.minimum.at(low, case.block[1:], floor[1:])
        floor = np.where(case.loose, low[np.maximum(case.block, 0)], floor)
    if intent.prime_mm > 0 and case.lays_p.any():
        floor[0] = min(floor[0], p.point_mm[1:][case.lays_p, 2].min())
    under = np.flatnonzero(two.low_mm < floor - _PLACE_MM)
    if under.size:
        k = int(under[0])
        return (
            f"travel {_gap_name(case, k)} at a height of {two.low_mm[k]:.3f} mm; the input stays above {floor[k]:.3f}",
            "",
        )
    ways = case.pairs.extra[~case.lays_q[case.pairs.extra]]
    missing = case.pairs.lost[~case.lays_p[case.pairs.lost]]
    if ways.size or missing.size:
        where = f"line {q.line[ways[0]]} of the mended file" if ways.size else f"line {p.line[missing[0]]} of the input"
        return f"travel takes another way at {where}; ways were to be kept", ""
    return "", f"within {_corner(used)}; travel on the input's ways or no lower"


def _corner(box: Floats) -> str:
    return " ".join(f"{axis}{a:.2f}..{b:.2f}" for axis, a, b in zip("XYZ", box[0], box[1], strict=True))


def _lines(case: _Case) -> tuple[str, str]:
    intent = case.intent
    paired_p, paired_q = _Places(case, case.p, case.pairs.a), _Places(case, case.q, case.pairs.b)
    end_p, end_q = paired_p.last_line, paired_q.last_line
    count = 0
    waits: tuple[set[int], set[int]] = (set(), set())
    loose: dict[int, list[list[bytes]]] = {}
    streams = [
        _kept(program.path, intent, end, places, wait)
        for program, end, places, wait in ((case.p, end_p, paired_p, waits[0]), (case.q, end_q, paired_q, waits[1]))
    ]
    if case.loose.any():
        streams = [_set_aside(stream, loose, k) for k, stream in enumerate(streams)]
    for one, two in zip_longest(*streams):
        if one is None or two is None or one[1] != two[1]:
            return _line_difference(one, two), ""
        if one[2] != two[2]:
            return f"{_shown(one[1])} of line {one[0]} stands at another place between the beads (line {two[0]})", ""
        count += 1
    for block, (mine, theirs) in loose.items():
        comments = [sorted(t for t in texts if t[:1] in b";(") for texts in (mine, theirs)]
        words = [[t for t in texts if t[:1] not in b";("] for texts in (mine, theirs)]
        if comments[0] != comments[1] or words[0] != words[1]:
            return f"the other lines of layer block {block + 1} are not those of the input", ""
        count += len(mine)
    if not waits[0] <= waits[1]:
        return "a wait for the nozzle temperature (M109) is gone", ""
    return "", f"{count:,} lines that are not motion, all there, in order, at their places between the beads"


class _Places:
    """Where a line stands among the pairs: after which one, in the numbering that both programs share."""

    def __init__(self, case: _Case, program: Program, paired: Ints) -> None:
        n = program.kind.size
        place = np.full(n, -1, dtype=np.int64)
        place[paired] = np.arange(paired.size)
        on = np.flatnonzero(place >= 0)
        self.line, self.place = program.line[on], place[on]
        bead = np.full(paired.size, -1, dtype=np.int64)
        bead[case.on_bead] = np.arange(case.on_bead.size)
        bead = np.maximum.accumulate(bead)
        self.loose = case.loose[bead + 1]
        self.block = case.block[bead + 1]
        lays = case.lays_p if program is case.p else case.lays_q
        self.last_line = int(program.line[lays][-1]) if lays.any() else 0

    def of(self, numbers: list[int]) -> list[int]:
        """Place of lines; -2 - block where the runs of a layer changed places."""
        before = np.searchsorted(self.line, numbers) - 1
        if self.place.size == 0:
            return [-1] * len(numbers)
        place = np.where(before >= 0, self.place[np.maximum(before, 0)], -1)
        loose = (place >= 0) & self.loose[np.maximum(place, 0)]
        out: list[int] = np.where(loose, -2 - self.block[np.maximum(place, 0)], place).tolist()
        return out


_Line = tuple[int, bytes, int]
_NOZZLE = re.compile(rb"M10([49])(?![0-9])", re.I)
_FLOW = re.compile(rb"M221(?![0-9])", re.I)


def _kept(path: str, intent: Intent, last_bead: int, places: _Places, waits: set[int]) -> Iterator[_Line]:
    """Lines that the intent does not allow to change, with their places."""
    lines = other_lines(path)
    while chunk := list(islice(lines, _CHUNK)):
        for (number, text), place in zip(chunk, places.of([number for number, _ in chunk]), strict=True):
            if intent.flow_factor != 1.0 and _FLOW.match(text):
                continue
            if intent.nozzle_c and number < last_bead and (nozzle := _NOZZLE.match(text)):
                if nozzle[1] == b"9":
                    waits.add(place)
                continue
            yield number, text, place


def _set_aside(stream: Iterator[_Line], loose: dict[int, list[list[bytes]]], which: int) -> Iterator[_Line]:
    for line in stream:
        if line[2] <= -2:
            loose.setdefault(-2 - line[2], [[], []])[which].append(line[1])
        else:
            yield line


def _shown(text: bytes) -> str:
    return repr(text[:40].decode("ascii", "replace"))


def _line_difference(one: _Line | None, two: _Line | None) -> str:
    if one is None:
        assert two is not None
        return f"{_shown(two[1])} was added (line {two[0]} of the mended file)"
    if two is None:
        return f"{_shown(one[1])} of line {one[0]} is gone: the mended file ends before it"
    return f"{_shown(one[1])} of line {one[0]} is not there; the mended file has {_shown(two[1])} (line {two[0]})"


def _end(case: _Case) -> tuple[str, str]:
    p, q = case.p, case.q
    lift = case.lift_mm if isinstance(case.lift_mm, float) else float(np.asarray(case.lift_mm)[-1])
    away = q.point_mm[-1] - [0.0, 0.0, lift] - p.point_mm[-1]
    ends_laying = bool(case.lays_p[-1]) and bool(case.pairs.permuted[-1:].any())
    if np.linalg.norm(away) > _PLACE_MM and not ends_laying:
        return f"ends {np.linalg.norm(away):.3f} mm away from where the input ends", ""
    s, t = p.states[p.state[-1]], q.states[q.state[-1]]
    for name, what in (
        ("absolute", "G90/G91"), ("e_absolute", "M82/M83"), ("unit", "G20/G21"), ("filament_area_mm2", "M200"),
    ):  # fmt: skip
        if s[name] != t[name]:
            return f"ends with another mode of {what}", ""
    if np.abs(s["offset_mm"] - t["offset_mm"]).max() > _PLACE_MM:
        return "ends with another offset of G92", ""
    x, y, z = q.point_mm[-1]
    return "", f"ends at X{x:.3f} Y{y:.3f} Z{z:.3f} in the modes of the input"
