"""Two programs side by side: an input and what was made of it, with everything that was paired between them.

Filament is compared on pairs of stretches of beads, the rest in the gaps between them. What is allowed is for the
caller to say; only where beads may be sought (free ways, runs that changed places) is taken from the intent.
"""

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Floats
from pliant.program.gaps import Gaps, between_beads, debt_before, gap_numbers
from pliant.program.pairing import Pairing, Path, pair_programs
from pliant.records.mending import Intent
from pliant.records.program import HOME, Program

__all__ = ["PLACE_MM", "Alongside"]

PLACE_MM = 0.002  # words have three decimals; two roundings and a projection

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


class Alongside:
    """Both programs, their pairing and what several obligations need."""

    def __init__(self, first: Program, second: Program, intent: Intent) -> None:
        self.p, self.q, self.intent = first, second, intent
        self.factor = intent.flow_factor
        self.lift_wrong, self.lift_mm = _lift(first, second, intent)
        strict = 1 if intent.prime_mm > 0 else 0
        self.ways_free = intent.may_reroute or intent.may_reorder_islands
        self.pairs: Pairing = self._paired(2 if self.ways_free else strict)
        if not intent.may_reroute and intent.may_reorder_islands and not self.pairs.permuted.any():
            self.ways_free, self.pairs = False, self._paired(strict)  # nothing changed places: ways have to stay
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
        self.start = int(pairs.b[self.wet].min()) if self.wet.any() else 0  # move of the mended: its first bead
        self.prime = self.extra_beads[self.extra_beads < self.start] if intent.prime_mm > 0 else self.extra_beads[:0]
        self.added = np.setdiff1d(self.extra_beads, self.prime)

    def _paired(self, free: int) -> Pairing:
        reorder = free == 2 and self.intent.may_reorder_islands
        return pair_programs(self.p, self.q, free=free, reorder=reorder, lift_mm=self.lift_mm, tolerance_mm=PLACE_MM)

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
        return self.factor_of(self.pairs.a[at]) * self.p.filament_mm[self.pairs.a[at]] * self.pairs.share_a[at]

    @cached_property
    def asked_per_mm(self) -> Floats:
        """The same per length of bead. [-]"""
        moves = self.pairs.a[self.on_bead]
        return np.asarray(self.factor_of(moves) * self.p.filament_mm[moves] / self.p.length_mm[moves])

    def factor_of(self, moves: Ints) -> Floats:
        """Mended filament over the input's that each of the input's beads should have, `(n,)`. [-]"""
        z = self.p.point_mm[1:, 2]
        first = z[moves] <= z[self.lays_p].min(initial=np.inf) + 0.01
        return self.factor * np.where(first, self.intent.first_layer_factor, 1.0)

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
        here = np.arange(dry.size)
        wet_so_far = np.concatenate([[0], np.cumsum(~dry)])
        return dry & (wet_so_far[self._gap_after(here)] == wet_so_far[here])

    def _gap_after(self, places: Ints) -> Ints:
        """Number of the gap that follows the run of each of these places among the pairs on beads."""
        last = np.flatnonzero(np.append(np.diff(self.run) != 0, True))
        return last[np.searchsorted(last, places)] + 1

    @cached_property
    def held_mm(self) -> tuple[Ints, Floats]:
        """Numbers of the gaps after runs that coasted, and the filament that each held back. [mm]"""
        dry = np.flatnonzero(self.coast)
        number, place = np.unique(self._gap_after(dry), return_inverse=True)
        return number, np.bincount(place.reshape(-1), self.asked_mm[dry], number.size).astype(np.float64)

    @cached_property
    def gap(self) -> Ints:
        """Numbers of the gaps in which either program does anything; the first and the last are always there."""
        return self._between[0]

    @property
    def gaps(self) -> tuple[Gaps, Gaps]:
        """What either program does in these gaps."""
        return self._between[1]

    @cached_property
    def withheld_mm(self) -> Floats:
        """Filament held back by coasting before each gap. [mm]"""
        number, held = self.held_mm
        out = np.zeros(self.gap.size)
        out[np.searchsorted(self.gap, number)] = held
        return out

    @cached_property
    def coast_slack_mm(self) -> Floats:
        """How far `withheld_mm` may be off, since the words of the place where feeding stops are rounded. [mm]"""
        out = np.zeros(self.gap.size)
        dry = np.flatnonzero(self.coast)
        places = np.searchsorted(self.gap, self._gap_after(dry))
        np.maximum.at(out, places, PLACE_MM * self.asked_per_mm[dry])
        return out

    @cached_property
    def _off_beads(self) -> list[tuple[Program, Ints, Ints]]:
        """Of either program the moves that lie on no bead, and the gap of each."""
        beads, paths = self.on_bead, []
        for program, lays, paired in ((self.p, self.lays_p, self.pairs.a), (self.q, self.lays_q, self.pairs.b)):
            on_path = lays.copy()
            on_path[paired[beads]] = True
            off = np.flatnonzero(~on_path)
            paths.append((program, off, gap_numbers(program, paired[beads])[off]))
        return paths

    @cached_property
    def debts_mm(self) -> tuple[Floats, Floats]:
        """Filament withdrawn since the gap began, before each pair that lies on no bead. [mm]"""
        both = []
        for (program, off, where), paired in zip(self._off_beads, (self.pairs.a, self.pairs.b), strict=True):
            debt = np.zeros(program.kind.size)
            debt[off] = debt_before(program.filament_mm[off], where)
            both.append(debt[paired[~self.bead]])
        return both[0], both[1]

    @cached_property
    def _between(self) -> tuple[Ints, tuple[Gaps, Gaps]]:
        beads, paths = self.on_bead, self._off_beads
        gap = np.unique(
            np.concatenate([[0, beads.size], self.held_mm[0], *(np.unique(where) for _, _, where in paths)])
        )
        lifts = (0.0, self.lift_mm)
        one, two = (
            between_beads(program, off, np.searchsorted(gap, where), gap.size, lift)
            for (program, off, where), lift in zip(paths, lifts, strict=True)
        )
        return gap, (one, two)

    @cached_property
    def block(self) -> Ints:
        """Block of the input for each gap; before the first bead it is -1, and the last gap of a block is in it."""
        path = self.pairs.path_a
        return np.where(self.gap > 0, path.run_block[self.run[self.gap - 1]], -1) if self.run.size else self.gap - 1

    @cached_property
    def loose(self) -> Bools:
        """Gaps in layers whose runs changed places, and the gap before such a layer."""
        permuted = self.pairs.permuted
        if not permuted.any():
            return np.zeros(self.block.size, dtype=bool)
        inside = (self.block >= 0) & permuted[self.block]
        return inside | np.append(inside[1:], False)

    def layer_worst(self, value: Floats, worst: np.ufunc = np.maximum) -> Floats:
        """The input's value per gap; where runs changed places the largest (or smallest) of the layers beside it."""
        if not self.loose.any():
            return value.copy()
        block = self.block + 1
        top = value[np.searchsorted(block, np.arange(block.max() + 1))]
        worst.at(top, block, value)
        beside = worst(top[block], top[np.append(block[1:], block[-1])])
        return np.where(self.loose, beside, value)


def _lays(path: Path, program: Program) -> Bools:
    out = np.zeros(program.kind.size, dtype=bool)
    out[path.move[path.lays]] = True
    return out


def _per_move(move: Ints, value: Ints, program: Program) -> Ints:
    out = np.full(program.kind.size, -1, dtype=np.int64)
    out[move] = value
    return out


def _lift(p: Program, q: Program, intent: Intent) -> tuple[str, Floats | float]:
    """How much higher the mended program lays its beads: one lift for the first layer, one for the rest. [mm]"""
    if not intent.first_layer_may_widen:
        return "", 0.0

    def beads(program: Program) -> Ints:
        flat = np.hypot(*np.diff(program.point_mm[:, :2], axis=0).T) > 0
        return np.flatnonzero((program.filament_mm > 0) & (flat | (program.sweep_rad != 0)) & (program.kind != HOME))

    laid = beads(q)
    zp, zq = p.point_mm[beads(p) + 1, 2], q.point_mm[laid + 1, 2]
    if zp.size == 0 or zq.size == 0:
        return "", 0.0
    first, rest = float(zq.min() - zp.min()), float(zq[-1] - zp[-1])
    if zp.max() - zp.min() <= 0.01:
        rest = first
    wrong = ""
    for name, lift in (("first layer", first), ("layers above", rest)):
        if not -PLACE_MM <= lift <= intent.height_mm + PLACE_MM:
            wrong = f"the {name} lies {lift:+.3f} mm higher; allowed is 0 to {intent.height_mm:g}"
    if wrong:
        return wrong, 0.0
    z = q.point_mm[:, 2]
    lift_mm = np.where(z <= zq.min() + 0.01, first, rest)
    known = np.unique(p.point_mm[:, 2])
    fixed = ~_among(z - lift_mm, known) & _among(z, known)  # approach and park keep their heights, no bead does
    fixed[laid] = fixed[laid + 1] = False
    return "", np.where(fixed, 0.0, lift_mm)


def _among(value: Floats, known: Floats) -> Bools:
    """Whether values are among sorted known ones."""
    above = np.minimum(np.searchsorted(known, value), known.size - 1)
    nearest = np.minimum(np.abs(known[above] - value), np.abs(known[np.maximum(above - 1, 0)] - value))
    return nearest <= PLACE_MM
