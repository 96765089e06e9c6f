"""Orders of runs on programs by writers of other habits: less air, proved, nothing the second time; and damage."""

import itertools
import re

import numpy as np
import pytest

from mend_workshop import judged, program_of
from other_writers import KINDS, Writer, comb, grid_feet, nested
from pliant.job.laying import Laying
from pliant.mending.order import mend_order
from pliant.program.read import read_program
from pliant.program.runs import runs_of
from pliant.program.write import Edits, rewrite
from pliant.proving import certificate as certificate_module
from pliant.proving.certificate import certify
from pliant.records.mending import Intent

ORDERED = Intent(may_reorder_islands=True)
NAMES = {getattr(certificate_module, name): name for name in certificate_module.__all__ if name.isupper()}
SMALL = {
    "comb": 3, "comb, absolute, resets": 3, "feet, sparse grid": 2, "feet, words of state": 2, "nested, lifts": 2,
    "two posts": 3, "ring gasket": 2, "ring gasket, lifts, words": 2, "boot": 4, "bed": 2, "spiral": 3,
}  # fmt: skip
GAINS = {"comb": 0.9, "feet": 0.8, "nested": 0.5, "ring gasket": 0.9, "bed": 0.5}  # [-] of open travel, at least


def _ordered(folder, lines):
    program = program_of(folder, lines)
    case, edits = judged(program), Edits.none(program)
    changes, why = mend_order(program, edits, case.layering, case.sections)
    rewrite(program, edits, folder / "out.gcode")
    assert bool(changes) != bool(why)
    return program, read_program(folder / "out.gcode"), changes


def _failed(folder, lines=None):
    if lines is not None:
        (folder / "out.gcode").write_text("\n".join(lines) + "\n")
    proof = certify(folder / "in.gcode", folder / "out.gcode", ORDERED)
    return {NAMES[o.obligation] for o in proof.obligations if not o.holds}


def _open_mm(program):
    return Laying(program, 1.75).coverage.open_mm.sum()


@pytest.mark.parametrize("kind", KINDS)
def test_roundtrip_less_air_certified_and_nothing_the_second_time(tmp_path, kind):
    program, read, changes = _ordered(tmp_path, KINDS[kind](SMALL[kind]))
    assert _failed(tmp_path) == set()
    before, after = _open_mm(program), _open_mm(read)
    share = next((share for name, share in GAINS.items() if kind.startswith(name)), 0.0)
    assert after <= (1 - share) * before + 1e-6
    assert after >= Laying(program, 1.75).least_travel.bound_mm - 1e-6
    case = judged(read)
    assert mend_order(read, Edits.none(read), case.layering, case.sections)[0] == []
    if not changes:
        assert (tmp_path / "in.gcode").read_bytes() == (tmp_path / "out.gcode").read_bytes()


@pytest.mark.parametrize("kind", KINDS)
def test_limit_the_bound_hangs_on_no_order(tmp_path, kind):
    program, read, _ = _ordered(tmp_path, KINDS[kind](SMALL[kind]))
    bounds = [Laying(p, 1.75).least_travel.bound_mm for p in (program, read)]
    assert bounds[0] == pytest.approx(bounds[1], abs=1e-6)


def _scattered(seed):
    """A layer of small parts, each two or three runs that touch; written in random order."""
    rng = np.random.default_rng(seed)
    w = Writer(back=0.5)
    w.layer()
    cells = rng.permutation(16)[:4]
    runs = []
    for c in cells:
        x, y = 20 + 15 * (c % 4) + rng.uniform(0, 6), 20 + 15 * (c // 4) + rng.uniform(0, 6)
        for k in range(int(rng.integers(1, 4))):
            line = [(x, y + 0.43 * k), (x + 5, y + 0.43 * k)]
            runs.append((c, k, line if rng.random() < 0.5 else line[::-1]))
    order = sorted(range(len(runs)), key=lambda i: rng.random() + runs[i][1] / 3)
    for i in order:
        w.run(runs[i][2])
    return w.end()


def _proven(begin, end, air, before):
    """Least air through all runs from the first one on, the pairs `before` in their order; proven by a solver."""
    from ortools.sat.python import cp_model

    n = len(begin)
    model, arcs, fees = cp_model.CpModel(), [], []
    place = [model.new_int_var(0, n - 1, "") for _ in range(n)]
    model.add(place[0] == 0)
    for a, b in itertools.permutations(range(n), 2):
        on = model.new_bool_var("")
        arcs.append((a, b, on))
        if b:
            fees.append(round(1e4 * air[a, b]) * on)
            model.add(place[b] == place[a] + 1).only_enforce_if(on)
    for a, b in before:
        model.add(place[a] < place[b])
    model.add_circuit(arcs)
    model.minimize(sum(fees))
    solver = cp_model.CpSolver()
    solver.parameters.num_workers, solver.parameters.max_time_in_seconds = 1, 30
    assert solver.solve(model) == cp_model.OPTIMAL
    return solver.objective_value / 1e4


@pytest.mark.parametrize("seed", range(6))
def test_limit_small_layers_are_near_the_proven_optimum(tmp_path, seed):
    """Sequential ordering problem, straight ways; ours goes by routed ways and may take a little more of these."""
    from pliant.kernels.cover import cover_travels

    program, read, _ = _ordered(tmp_path, _scattered(seed))
    laying = Laying(program, 1.75)
    runs = runs_of(program, laying.sections.width_mm)
    begin, end = runs.chord_mm[runs.begin[:-1], :2], runs.chord_mm[runs.begin[1:] - 1, 2:]
    n = len(runs)
    ways = np.hstack([np.repeat(end, n, axis=0), np.tile(begin, (n, 1))])
    half = laying.sections.width_mm[runs.chord_move].astype(float) / 2
    zero = np.zeros(len(ways), np.int64)
    covered = cover_travels(np.ascontiguousarray(ways), zero, runs.chord_mm, half, np.zeros(len(half), np.int64))
    air = (np.hypot(*(ways[:, 2:] - ways[:, :2]).T) - covered).reshape(n, n)
    best = _proven(begin, end, air, runs.touching.tolist())
    ours = _open_mm(read)
    assert laying.least_travel.bound_mm <= best + 1e-3
    assert best - 1e-3 <= ours <= 1.25 * best + 1


# ---- damage: what another order must not do, each by its obligation


def _runs_of_lines(lines):
    """Lines as head, runs with their lead-ins, tail; a lead-in begins with its retraction."""
    at = [k for k, line in enumerate(lines) if re.match(r"G1 E-", line)]
    cut = [0, *at, len(lines)]
    return [lines[a:b] for a, b in itertools.pairwise(cut)]


def _feet_words(layers=1):
    return grid_feet(
        layers, places=((20, 20), (60, 20), (100, 20)), words={"wall": ["M204 P500"], "fill": ["M204 P900"]}
    )


def test_limit_touching_runs_swapped_are_refused(tmp_path):
    lines = comb(1, 6)
    program_of(tmp_path, lines)
    parts = _runs_of_lines(lines)
    assert _failed(tmp_path, [*parts[0], *parts[2], *parts[1], *itertools.chain(*parts[3:])]) >= {"ORDER"}


def test_limit_a_run_laid_with_another_in_between_is_refused(tmp_path):
    """Half a ring, a ring elsewhere, the other half: all beads are there, and no pair of whole runs was swapped."""
    w = Writer(back=0)
    w.layer()
    halves = [[(20, 20), (30, 20), (30, 30)], [(30, 30), (20, 30), (20, 20.5)]]
    w.run([*halves[0], *halves[1][1:]])
    w.run([(60, 20), (70, 20)])
    w.run([(20, 20.45), (12, 20.45)])
    whole = w.end()
    program_of(tmp_path, whole)
    broken = Writer(back=0)
    broken.layer()
    broken.run(halves[0])
    broken.run([(60, 20), (70, 20)])
    broken.run(halves[1])
    broken.run([(20, 20.45), (12, 20.45)])
    assert _failed(tmp_path, broken.end())


def test_limit_a_run_the_other_way_round_is_refused(tmp_path):
    lines = _feet_words()
    program_of(tmp_path, lines)
    parts = _runs_of_lines(lines)
    k = next(k for k, p in enumerate(parts) if sum(" E" in x and "X" in x for x in p) == 1)
    go = next(i for i, x in enumerate(parts[k]) if x.startswith("G0"))
    lay = next(i for i, x in enumerate(parts[k]) if re.match(r"G1 X.* E", x))
    here, there = (re.search(r"X\S+ Y\S+", parts[k][i])[0] for i in (go, lay))
    turned = [*parts[k]]
    turned[go], turned[lay] = turned[go].replace(here, there), turned[lay].replace(there, here)
    assert _failed(tmp_path, list(itertools.chain(*parts[:k], turned, *parts[k + 1 :]))) >= {"BEADS"}


@pytest.mark.parametrize("damage", ["lost", "twice", "squeezed"])
def test_limit_beads_lost_doubled_or_thinned_in_another_order_are_refused(tmp_path, damage):
    _ordered(tmp_path, nested(1))
    lines = (tmp_path / "out.gcode").read_text().splitlines()
    k = [k for k, line in enumerate(lines) if re.match(r"G1 X.* E", line)][200]
    if damage == "lost":
        del lines[k]
    elif damage == "twice":
        before = next(re.search("X[^ ]+ Y[^ ]+", line)[0] for line in lines[k - 1 :: -1] if "X" in line)
        lines[k + 1 : k + 1] = [f"G0 {before}", lines[k]]
    else:
        lines[k] = re.sub(r"E(\S+)", lambda m: f"E{0.8 * float(m[1]):.5f}", lines[k])
    assert _failed(tmp_path, lines) & {"BEADS", "VOLUME"}


def test_limit_a_state_lost_in_another_order_is_refused(tmp_path):
    _ordered(tmp_path, _feet_words(2))
    assert _failed(tmp_path) == set()
    lines = (tmp_path / "out.gcode").read_text().splitlines()
    told = [k for k, line in enumerate(lines) if line.startswith("M204 P") and "T" not in line]
    assert told
    # some lines repeat what stands; of those that do not, each is missed
    refused = [_failed(tmp_path, lines[:k] + lines[k + 1 :]) for k in told]
    assert {"STATES"} in refused and all(found <= {"STATES", "LINES"} for found in refused)


def test_limit_a_state_left_otherwise_at_the_end_is_refused(tmp_path):
    lines = _feet_words(1)
    _ordered(tmp_path, lines)
    out = (tmp_path / "out.gcode").read_text().splitlines()
    k = max(k for k, line in enumerate(out) if re.match(r"G1 X.* E", line))
    assert _failed(tmp_path, out) == set()
    assert _failed(tmp_path, [*out[: k + 1], "M204 P123", *out[k + 1 :]]) >= {"LINES"}


def test_limit_a_barrier_crossed_is_refused(tmp_path):
    """A message between two islands of a layer: a run that comes from behind it to before it."""
    w = Writer(back=0)
    w.layer()
    places = [(20, 20), (60, 20), (100, 20), (140, 20)]
    for k, (x, y) in enumerate(places):
        if k == 2:
            w.lines.append("M117 half")
        w.run([(x, y), (x + 8, y)])
    lines = w.end()
    program_of(tmp_path, lines)
    at = [k for k, line in enumerate(lines) if line.startswith("G0 X")]
    pairs = [lines[k : k + 2] for k in at[:4]]
    head, tail, word = lines[: at[0]], lines[at[3] + 2 :], ["M117 half"]
    kept = [*head, *pairs[0], *pairs[1], *word, *pairs[3], *pairs[2], *tail]
    crossed = [*head, *pairs[0], *pairs[2], *word, *pairs[1], *pairs[3], *tail]
    assert _failed(tmp_path, kept) == set()
    assert _failed(tmp_path, crossed) == {"LINES"}


def test_limit_an_order_that_leaves_no_rest_is_refused(tmp_path):
    """Two posts laid there and back: the one that ends a layer begins the next, and has half the time it had."""
    w, turned = Writer(back=0), Writer(back=0)
    for writer in (w, turned):
        for k in range(4):
            writer.layer()
            for x in (20, 60) if writer is w or k % 2 == 0 else (60, 20):
                writer.run([(x, 20), (x + 8, 20), (x + 8, 28), (x, 28), (x, 20)])
                writer.run([(x + 1, 21), (x + 7, 21), (x + 7, 27), (x + 1, 27), (x + 1, 21)])
    program_of(tmp_path, w.end())
    assert _failed(tmp_path, turned.end()) == {"REST"}


def test_limit_runs_that_meet_in_their_new_order_are_found(tmp_path):
    """A run that ends where another begins looks like one with it: the certificate takes them apart again."""
    w = Writer(back=0)
    w.layer()
    for line in (
        [(5, 5), (6, 5)],
        [(20, 20), (30, 20)],
        [(60, 20), (60, 30)],
        [(30, 20.0), (40, 28)],
        [(80, 9), (70, 9)],
    ):
        w.run(line)
    lines = w.end()
    program_of(tmp_path, lines)
    at = [k for k, line in enumerate(lines) if line.startswith("G0 X")]
    runs = [lines[k : k + 2] for k in at[:5]]
    mended = [*lines[: at[0]], *runs[0], *runs[1], *runs[3][1:], *runs[2], *runs[4], *lines[at[4] + 2 :]]
    mended[at[0] + 4] += " F1500" if "F" not in mended[at[0] + 4] else ""
    assert _failed(tmp_path, mended) == set()
