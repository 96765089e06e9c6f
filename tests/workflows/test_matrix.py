"""Many jobs, machines and spools: combinations beside `check`, plans beside brute force and a published instance."""

import itertools
import json
import re

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

import pliant
from json_keys import differences
from pliant.cli import main
from pliant.errors import PliantError
from pliant.job.assign import assign
from pliant.records.filament import read_filament
from pliant.records.machine import read_machine
from pliant.records.many import Batch, Combination, Matrix
from pliant.records.starters import starter
from pliant.workflows.check import check
from pliant.workflows.matrix import matrix
from pliant.workflows.workshop import bellows_program, gasket_program


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    folder = tmp_path_factory.mktemp("shop")
    for name in ("machines", "spools", "jobs"):
        (folder / name).mkdir()
    for like in ("open-gap", "guided"):
        (folder / "machines" / f"{like}.toml").write_text(starter("machine", like))
    for like in ("85A", "95A"):
        (folder / "spools" / f"{like}.toml").write_text(starter("filament", like))
    (folder / "jobs" / "a.gcode").write_text(gasket_program(layers=1))
    (folder / "jobs" / "b.nc").write_text(bellows_program(turns=2))
    (folder / "jobs" / "bad.gcode").write_bytes(b"G1 X1..2\n")
    return folder


@pytest.fixture(autouse=True)
def _one_process(monkeypatch):
    """What several processes do has tests of its own: each takes a second to start."""
    monkeypatch.setattr("os.cpu_count", lambda: 1)


@pytest.fixture(scope="module")
def found(shop):
    return matrix(shop / "jobs", [shop / "machines"], [shop / "spools"], workers=1)


def test_limit_a_combination_is_near_what_check_says(shop, found):
    assert len(found.combinations) == 8 and list(found.unread) == ["bad.gcode"]
    for machine, spool in itertools.product(("open-gap", "guided"), ("85A", "95A")):
        pair = shop / "machines" / f"{machine}.toml", shop / "spools" / f"{spool}.toml"
        told = check(shop / "jobs" / "b.nc", *pair)
        names = read_machine(pair[0]).name, read_filament(pair[1]).name
        (one,) = [c for c in found.combinations if (c.program, c.machine, c.filament) == ("b.nc", *names)]
        assert one.jam_probability == pytest.approx(told.jam_probability, rel=0.25, abs=0.01)
        assert told.tonight is not None
        assert one.expected_min == pytest.approx(told.tonight.expected_min, rel=0.25, abs=0.5)


def test_roundtrip_the_same_for_any_number_of_processes(shop, found):
    assert matrix(shop / "jobs", [shop / "machines"], [shop / "spools"], workers=2) == found


def test_the_front_door_takes_many_as_well_as_one(shop, found, monkeypatch):
    with monkeypatch.context() as patched:
        patched.setattr("pliant.workflows.batch.matrix", lambda *said, **more: (found, said, more))
        asked = pliant.batch(shop / "jobs", shop / "machines", [shop / "spools"], workers=1)
        assert asked[:2] == (found, (shop / "jobs", [shop / "machines"], [shop / "spools"]))
    pair = shop / "machines" / "open-gap.toml", shop / "spools" / "95A.toml"
    one = pliant.batch(shop / "jobs", *pair, workers=1)
    assert isinstance(one, Batch) and not one.all_read
    plan = pliant.batch(shop / "jobs", *pair, assign="surest", workers=1)
    assert isinstance(plan, Matrix) and plan.assignment is not None
    verdicts = {c.program: c.verdict for c in one.combinations()}
    assert {c.program: c.verdict for c in plan.combinations} == verdicts
    assert one.all_feed == plan.all_feed == (set(verdicts.values()) == {"feeds"})
    with pytest.raises(PliantError, match="`only` is for a plan; say `assign` too"):
        pliant.batch(shop / "jobs", *pair, only={"a.gcode": "x"})


def test_json_text_and_exit_code(shop, found, monkeypatch):
    words = ["batch", shop / "jobs", "-m", shop / "machines", "-f", shop / "spools", "--assign", "least-time"]
    run = CliRunner().invoke(main, [*(str(w) for w in words), "--json"])
    data = json.loads(run.stdout)
    assert run.exit_code == 2  # one could not be read
    assert differences(data, "batch --assign") == (set(), set())
    assert {s["program"] for s in data["plan"]} == {"a.gcode", "b.nc"} and data["gap"] <= 1e-6
    assert data["expected_min"] == pytest.approx(sum(s["end_min"] - s["start_min"] for s in data["plan"]))
    monkeypatch.setattr("pliant.workflows.batch.matrix", lambda *a, **k: found)
    text = CliRunner().invoke(main, [str(w) for w in words]).stdout
    assert "no plan does better" in text and "not read: " in text


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--spool-m", "x=3"], "--spool-m is for a plan; say --assign too"),
        (["--assign", "fastest"], "least-time"),
        (["--assign", "soonest", "--spool-m", "x"], "write a name, = and a value"),
        (["--assign", "soonest", "--spool-m", "x=far"], "write metres, such as 120"),
        (["--assign", "soonest", "--only", "a.gcode=x"], "no spool is called 'x'"),
    ],
)
def test_bad_words_are_one_line(shop, more, said):
    words = ["batch", shop / "jobs", "-m", shop / "machines", "-f", shop / "spools", *more]
    run = CliRunner().invoke(main, [str(w) for w in words])
    assert run.exit_code == 2 and said in run.stderr and run.stderr.count("\n") == 1


def test_empty_folders_and_twins_are_refused(shop, tmp_path):
    with pytest.raises(PliantError, match="no programs"):
        matrix(tmp_path, [shop / "machines"], [shop / "spools"])
    with pytest.raises(PliantError, match="no spool in this folder"):
        matrix(shop / "jobs", [shop / "machines"], [tmp_path])
    twin = tmp_path / "twin.toml"
    twin.write_text(starter("machine", "guided"))
    with pytest.raises(PliantError, match="give one another name"):
        matrix(shop / "jobs", [shop / "machines", twin], [shop / "spools"])


def test_a_dialect_that_cannot_read_a_program_costs_its_own_machines_alone(shop, tmp_path):
    (tmp_path / "jobs").mkdir()
    (tmp_path / "machines").mkdir()
    lines = gasket_program(layers=1).splitlines()
    (tmp_path / "jobs" / "exponent.gcode").write_text("\n".join([*lines, "G1 X1E9"]))
    for dialect in ("many-per-line", "e-on-its-own"):
        text = starter("machine", "open-gap").replace('dialect = "auto"', f'dialect = "{dialect}"')
        named = re.sub("^name = .*$", f'name = "{dialect}"', text, count=1, flags=re.M)
        (tmp_path / "machines" / f"{dialect}.toml").write_text(named)
    told = matrix(tmp_path / "jobs", [tmp_path / "machines"], [shop / "spools" / "95A.toml"], workers=1)
    assert told.unread == {}
    of = {c.machine: c for c in told.combinations}
    assert set(of) == {"many-per-line", "e-on-its-own"}
    assert of["e-on-its-own"].jam_probability is not None and of["e-on-its-own"].error == ""
    lost = of["many-per-line"]
    assert lost.jam_probability is None and lost.filament_mm is None and "X1e+09 mm is beyond" in lost.error
    assert assign(told.combinations).plan[0].machine == "e-on-its-own"


def _made(minutes, chances=None, takes=None):
    """Combinations of jobs by machines (j, m), each with one spool of its own, or (j, m, f)."""
    minutes = np.asarray(minutes, dtype=float)
    minutes = minutes[:, :, None] if minutes.ndim == 2 else minutes
    found = []
    for j, m, f in np.ndindex(minutes.shape):
        jam = 0.1 if chances is None else float(chances[j][m])
        length = 1000.0 if takes is None else 1000.0 * takes[j]
        found.append(Combination(f"j{j}", f"m{m}", f"f{f}", "marginal", jam, minutes[j, m, f], 1.0, "bow", length, ""))
    return found


def test_published_graham_where_longest_first_is_a_third_off():
    """R. L. Graham, Bounds on multiprocessing timing anomalies, SIAM J. Appl. Math. 17, 1969: not 4m - 1 but 3m."""
    for m in (2, 3, 4):
        jobs = [k for k in range(2 * m - 1, m, -1) for _ in range(2)] + [m] * 3
        plan = assign(_made([[t] * m for t in jobs]))
        assert plan.makespan_min == pytest.approx(3 * m) and plan.gap < 1e-4


@settings(max_examples=25, deadline=None)
@given(st.integers(1, 5), st.integers(1, 3), st.integers(0, 10**6))
def test_limit_plans_are_those_of_brute_force(n, m, seed):
    rng = np.random.default_rng(seed)
    minutes, chance = rng.integers(1, 30, (n, m)).astype(float), rng.uniform(0, 0.9, (n, m))
    best = {"soonest": np.inf, "least-time": np.inf, "surest": -np.inf}
    for where in itertools.product(range(m), repeat=n):
        taken = minutes[range(n), where]
        best["soonest"] = min(best["soonest"], np.bincount(where, taken, m).max())
        best["least-time"] = min(best["least-time"], taken.sum())
        best["surest"] = max(best["surest"], np.prod(1 - chance[range(n), where]))
    plans = {name: assign(_made(minutes, chance), name) for name in best}
    assert plans["soonest"].makespan_min == pytest.approx(best["soonest"])
    assert plans["least-time"].expected_min == pytest.approx(best["least-time"])
    assert plans["surest"].all_feed_probability == pytest.approx(best["surest"], rel=1e-5)
    for plan in plans.values():  # every job once, no machine at two jobs at once
        assert sorted(s.program for s in plan.plan) == [f"j{j}" for j in range(n)]
        for one, two in itertools.pairwise([s for s in plan.plan if s.machine == "m0"]):
            assert two.start_min == one.end_min


def test_limit_spools_end_and_jobs_keep_to_theirs():
    minutes = [[[10.0, 12.0]], [[10.0, 12.0]], [[10.0, 12.0]]]  # one machine, the first spool is quicker
    made = _made(minutes, takes=[3.0, 2.0, 2.0])
    plan = assign(made, "least-time", spool_m={"f0": 4.5})
    assert plan.expected_min == 32.0 and sum(s.filament == "f0" for s in plan.plan) == 2
    plan = assign(made, "least-time", only={"j1": "f1"})
    assert {s.program: s.filament for s in plan.plan}["j1"] == "f1" and plan.expected_min == 32.0
    with pytest.raises(PliantError, match="spools are too short"):
        assign(made, spool_m={"f0": 1.0, "f1": 1.0})
    lost = Combination("far", "m0", "f0", None, None, None, None, "none", 1.0, "line 3: goes to X400")
    with pytest.raises(PliantError, match=r"far: no machine and spool can print it .*X400"):
        assign([*made, lost])


def _four(takes):
    """Programs a to d on two machines, each for so many minutes."""
    return [
        Combination(name, machine, "S", "feeds", 0.0, minutes, 1.0, "bow", 1000.0, "")
        for name, minutes in takes.items()
        for machine in ("M", "N")
    ]


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_limit_due_jobs_and_busy_machines_are_those_of_brute_force(seed):
    rng = np.random.default_rng(seed)
    takes = {name: float(rng.integers(1, 20)) for name in "abcd"}
    by = {name: float(rng.integers(5, 50)) for name in "abcd" if rng.random() < 0.6}
    busy = {"M": float(rng.integers(0, 15))} if rng.random() < 0.6 else {}
    best = np.inf
    for where in itertools.product("MN", repeat=4):
        for order in itertools.permutations("abcd"):
            ends, kept = {"M": busy.get("M", 0.0), "N": 0.0}, True
            for name in order:
                machine = where["abcd".index(name)]
                ends[machine] += takes[name]
                kept &= ends[machine] <= by.get(name, np.inf)
            if kept:
                best = min(best, max(ends[machine] for machine in where))
    if np.isinf(best):
        with pytest.raises(PliantError, match="done by"):
            assign(_four(takes), "soonest", by_min=by, busy_min=busy)
        return
    found = assign(_four(takes), "soonest", by_min=by, busy_min=busy)
    assert found.makespan_min == pytest.approx(best, abs=1e-4)
    assert all(slot.end_min <= by.get(slot.program, np.inf) + 1e-6 for slot in found.plan)
    assert all(slot.start_min >= busy.get(slot.machine, 0.0) for slot in found.plan)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"by_min": {"e": 3}}, "no program is called 'e'"),
        ({"busy_min": {"X": 3}}, "no machine is called 'X'"),
        ({"by_min": {"a": -1}}, "minutes from now on must be 0 or more"),
        ({"by_min": {"a": 3}}, "no machine and spool can print it (it takes 5 min or more, and has to be done by 3)"),
        ({"by_min": dict.fromkeys("abcd", 9)}, "not all is done by then"),
    ],
)
def test_bad_times_are_one_line(more, said):
    with pytest.raises(PliantError) as error:
        assign(_four(dict.fromkeys("abcd", 5.0)), "soonest", **more)
    assert said in str(error.value) and "\n" not in str(error.value)


def test_limit_a_program_for_another_nozzle_is_not_given_to_this_one(shop, tmp_path):
    text = starter("machine", "open-gap")
    assert "nozzle_mm = 0.4" in text
    (tmp_path / "wide.toml").write_text(
        re.sub(r'(?m)^name = ".*"', 'name = "Wide"', text.replace("nozzle_mm = 0.4", "nozzle_mm = 0.8"))
    )
    for name in ("a.gcode", "b.nc"):
        (tmp_path / name).write_bytes((shop / "jobs" / name).read_bytes())
    found = matrix(tmp_path, [shop / "machines", tmp_path / "wide.toml"], [shop / "spools" / "95A.toml"], workers=1)
    wide = [c for c in found.combinations if c.machine == "Wide"]
    assert len(wide) == 2 and all("the nozzle of 0.8 mm lays 0.64 to 1.6" in c.error for c in wide)
    assert not any(c.error for c in found.combinations if c.machine != "Wide")


def test_regression_the_order_of_the_spools_does_not_matter(shop):
    """Of another thickness, and of another warmth where the program sets no heat: each has a job of its own."""
    from dataclasses import replace

    from pliant.job.outlook import Outlook
    from pliant.program.read import read_program

    cold = "\n".join(line for line in gasket_program(layers=1).splitlines() if not line.startswith(("M104", "M109")))
    (shop / "cold.gcode").write_text(cold)
    machine = read_machine(shop / "machines" / "open-gap.toml")
    soft, hard = (read_filament(shop / "spools" / f"{like}.toml") for like in ("85A", "95A"))
    hot = replace(hard, nozzle_c=(245.0, 265.0), name="hot")
    thick = replace(soft, diameter_mm=replace(soft.diameter_mm, value=1.85), name="thick")
    program = read_program(shop / "cold.gcode")
    told = []
    for spools in ((soft, hot, thick), (thick, hot, soft)):
        outlook = Outlook(program, "cold", machine)
        told.append({s.name: outlook.with_spool(s) for s in spools})
    assert told[0] == told[1]
