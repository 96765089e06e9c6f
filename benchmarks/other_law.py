"""Users whose machine dams by another law: is the first layer still told, and is it said that the sheets do not agree?

    python benchmarks/other_law.py --count 12

Laws of the truth: our own; melt that spreads all round below the face (radial); a bed that stands still (still); and
our own, twice as large with each halving of the gap (steep). What is asked is the limit of a bead in a gap of a tenth
of a millimetre, after a ladder, and after a stop-start piece and a piece in low gaps besides. `--sure` takes the law of
the gap as known: how it was before that could be learned.
"""

import argparse
import os
from contextlib import contextmanager
from dataclasses import replace

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np

from learn_study import WORLDS, records
from pliant.errors import PliantError
from pliant.feed import chain
from pliant.feed.steps import log_limit
from pliant.learning.checks import left_out
from pliant.learning.likelihood import Sheets, Space
from pliant.learning.posterior import cloud_of
from pliant.learning.proposal import informed
from pliant.learning.summary import summarise, updated
from pliant.models import pressure
from pliant.workflows.next_coupon import candidate
from simulated_users import make_user, read_sheet

GAP_MM, WIDTH_MM = 0.1, 0.45


def _radial(width_mm, gap_mm, theta, height_mm=None, unit_mpa=None):
    unit = chain.unit_drop_mpa(theta) if unit_mpa is None else unit_mpa
    gap = np.where(np.isfinite(gap_mm), gap_mm, 1e3)
    rim = np.maximum(theta["face_mm"], 1.1 * theta["nozzle_mm"]) / 2
    return 1 + pressure.face_drop_mpa(1.0, gap, theta["nozzle_mm"] / 2, rim, 1.0, theta["flow_index"]) / unit


def _still(width_mm, gap_mm, theta, height_mm=None, unit_mpa=None):
    unit = chain.unit_drop_mpa(theta) if unit_mpa is None else unit_mpa
    gap = np.where(np.isfinite(gap_mm), gap_mm, 1e3)
    reach = np.maximum(theta["face_mm"] - theta["nozzle_mm"], 0.1 * theta["nozzle_mm"]) / 2
    return 1 + pressure.slit_drop_mpa(1.0, width_mm, gap, reach, 1.0, theta["flow_index"]) / unit


def _steep(width_mm, gap_mm, theta, height_mm=None, unit_mpa=None):
    return OURS(width_mm, gap_mm, {**theta, "dam_halving": 2.0}, height_mm, unit_mpa)


OURS = chain.dam_ratio
LAWS = {"ours": OURS, "radial": _radial, "still": _still, "steep": _steep}


@contextmanager
def _by(law):
    chain.dam_ratio = LAWS[law]
    try:
        yield
    finally:
        chain.dam_ratio = OURS


def _limit(machine, theta, celsius):
    return log_limit(machine, theta, nozzle_c=celsius, width_mm=WIDTH_MM, gap_mm=GAP_MM)


def _user(law, kinds, i, sure):
    """Whether the limit is covered and how far it is missed, after each piece; which sheets are named."""
    machine, filament = records(WORLDS[i % len(WORLDS)])
    if sure:
        machine = replace(machine, dam_halving=replace(machine.dam_halving, spread=1.0))
    user, sheets, told = make_user(machine, filament, seed=3000 + i), [], []
    now = machine, filament
    for turn, kind in enumerate(kinds):
        try:
            blank = candidate(*now, kind)
        except PliantError:  # a path too slow for this piece
            continue
        with _by(law):
            sheets.append(replace(read_sheet(user, blank, turn), name=kind))
        space = Space(machine, filament, sheets)
        made = Sheets(space, sheets)
        cloud = cloud_of(made, seed=user.seed)
        draws = cloud.x[np.random.default_rng(i).choice(len(cloud.x), size=3000, p=cloud.weight)]
        now = updated(machine, filament, summarise(space, draws, (), informed(made, draws[:150])))
        found = _limit(now[0], chain.sample(*now, 3000, np.random.default_rng(2))[0], filament.reference_c)
        with _by(law):
            x = np.array([[user.truth.get(name, 0.0) for name in space.names]])
            true = float(_limit(machine, space.values(x)[0], filament.reference_c)[0])
        low, high = np.quantile(found, [0.05, 0.95])
        told.append((low <= true <= high, true - found.mean(), found.std()))
    odd, unpredicted = left_out(machine, filament, sheets)
    return told[0], told[-1], bool(odd), bool(unpredicted)


def main(count, sure):
    """Print a row for each law and each piece in low gaps."""
    print("| law | pieces | covered after the ladder | after all | missed by, ln | reading suspected | sheet named |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for law in LAWS:
        for low in ("gap-steps", "thin ladder"):
            rows = [_user(law, ("ladder", "stop-start", low), i, sure) for i in range(count)]
            first, last = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
            odd, named = (sum(r[k] for r in rows) for k in (2, 3))
            print(
                f"| {law} | {low} | {first[:, 0].sum():.0f} of {count} | {last[:, 0].sum():.0f} of {count} | "
                f"{first[:, 1].mean():+.2f}, then {last[:, 1].mean():+.2f} | {odd} | {named} |", flush=True
            )  # fmt: skip


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--count", type=int, default=12)
    parser.add_argument("--sure", action="store_true")
    asked = parser.parse_args()
    main(asked.count, asked.sure)
