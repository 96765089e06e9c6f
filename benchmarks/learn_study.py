"""Simulated users with a hidden truth: coverage, narrowing, the worth of `next`, and simulation-based calibration.

    python benchmarks/learn_study.py users --first 0 --count 60 --out users.jsonl
    python benchmarks/learn_study.py ranks --first 0 --count 200 --out ranks.jsonl
    python benchmarks/learn_study.py ranks --wrong --first 0 --count 60 --out wrong.jsonl
    python benchmarks/learn_study.py table users.jsonl ranks.jsonl wrong.jsonl

Every user stands on its own seed, so the work can be cut into pieces and the pieces appended. `table` prints what
docs/learn.md shows. Of ten users, one has a truth well outside the belief of the records, one writes down one wrong
answer.
"""

# ruff: noqa: E501 (rows of tables stay whole)
import argparse
import json
import os
import tempfile
import time
from dataclasses import asdict
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from pliant.errors import NotConvergedError
from pliant.records.filament import read_filament
from pliant.records.machine import read_machine
from pliant.records.starters import starter
from pliant.workflows.next_coupon import candidates_for
from simulated_users import calibration, make_user, rank_user, run_user

WORLDS = (("open-gap", "85A"), ("guided", "75A"), ("tube-2.0", "95A"))
RANKED = ("consistency_pa_sn", "youngs_modulus_mpa", "model_factor", "noise", "lag_factor")


def records(world):
    with tempfile.TemporaryDirectory() as folder:
        paths = Path(folder) / "m.toml", Path(folder) / "f.toml"
        paths[0].write_text(starter("machine", world[0]))
        paths[1].write_text(starter("filament", world[1]))
        return read_machine(paths[0]), read_filament(paths[1])


def users(first, count, out):
    made = [records(w) for w in WORLDS]
    for i in range(first, first + count):
        kind = {8: "outside", 9: "errs"}.get(i % 10, "plain")
        user = make_user(*made[i % len(made)], seed=1000 + i, outside=kind == "outside", errs=kind == "errs")
        row = {"user": i, "kind": kind}
        start = time.process_time()
        for how in ("next", "fixed", "random"):
            try:
                row[how] = asdict(run_user(user, how, exact=how == "next"))
            except NotConvergedError as error:
                row[how] = {"not_converged": str(error)[:60]}
        row["cpu_s"] = round(time.process_time() - start, 1)
        _append(out, row)


def ranks(first, count, out, wrong):
    machine, filament = records(WORLDS[0])
    made = candidates_for(machine, filament)
    templates = [made["ladder"], made["stop-start"]]
    for i in range(first, first + count):
        user = make_user(machine, filament, seed=5000 + i)
        try:
            found = rank_user(user, templates, wrong=wrong, names=RANKED)
        except NotConvergedError as error:
            found = {"not_converged": str(error)[:60]}
        _append(out, {"user": i, "wrong": wrong, **found})


def _append(out, row):
    with open(out, "a") as file:
        file.write(json.dumps(row) + "\n")


def table(paths):
    import numpy as np
    from scipy.stats import wilcoxon

    rows = [json.loads(line) for path in paths for line in Path(path).read_text().splitlines()]
    told = [r for r in rows if "next" in r]
    if told:
        failed = sum("not_converged" in r["next"] for r in told)
        told = [r for r in told if all("not_converged" not in r[h] for h in ("next", "fixed", "random"))]
        print(f"| users ({len(told)}; {failed} not converged and left out) | 90 % intervals that cover: all parameters | "
              "the program's log margin | the limits of other beads | spread of ln(limit) on them, over before: draws | "
              "as written |")  # fmt: skip
        print("| --- | --- | --- | --- | --- | --- |")
        for kind in ("all", "plain", "outside", "errs"):
            some = [r for r in told if kind in ("all", r["kind"])]
            if not some:
                continue
            each = [v for r in some for k, v in r["next"]["covered"].items() if k != "program"]
            whole = [r["next"]["covered"]["program"] for r in some]
            other = [v for r in some for v in r["next"]["limits_covered"]]
            left = [np.median([r["next"][key] for r in some]) for key in ("left_draws", "left_written")]
            print(
                f"| {kind}, {len(some)} | {100 * np.mean(each):.1f} % | {100 * np.mean(whole):.0f} % | {100 * np.mean(other):.0f} % | {left[0]:.2f} | {left[1]:.2f} |"
            )
        print()
        print("| way of choosing | mean spread left | mean error left | users with a smaller spread under next | p |")
        print("| --- | --- | --- | --- | --- |")
        mine = np.array([r["next"]["spread_after"] for r in told])
        print(f"| next | {mine.mean():.4f} | {np.mean([r['next']['error_after'] for r in told]):.4f} | | |")
        for how in ("fixed", "random"):
            theirs = np.array([r[how]["spread_after"] for r in told])
            p = wilcoxon(mine, theirs, alternative="less").pvalue
            print(f"| {how} | {theirs.mean():.4f} | {np.mean([r[how]['error_after'] for r in told]):.4f} | "
                  f"{100 * np.mean(mine < theirs):.0f} % | {p:.2g} |")  # fmt: skip
        print()
        print(f"cpu {np.mean([r['cpu_s'] for r in told]):.1f} s a user for nine coupons; before: mean spread "
              f"{np.mean([r['next']['spread_before'] for r in told]):.3f}, mean error {np.mean([r['next']['error_before'] for r in told]):.3f}")  # fmt: skip
    for wrong in (False, True):
        some = [r for r in rows if r.get("wrong") is wrong and "program" in r]
        if some:
            print(
                f"\n| ranks, {len(some)} users{', wrong likelihood' if wrong else ''} | chi-square | p |\n| --- | --- | --- |"
            )
            for name in (*RANKED, "program"):
                chi, p = calibration([r[name] for r in some], 99)
                print(f"| {name} | {chi:.1f} | {p:.2g} |")


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("what", choices=["users", "ranks", "table"])
    parser.add_argument("paths", nargs="*")
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=60)
    parser.add_argument("--out", default="study.jsonl")
    parser.add_argument("--wrong", action="store_true")
    asked = parser.parse_args()
    if asked.what == "users":
        users(asked.first, asked.count, asked.out)
    elif asked.what == "ranks":
        ranks(asked.first, asked.count, asked.out, asked.wrong)
    else:
        table(asked.paths)
