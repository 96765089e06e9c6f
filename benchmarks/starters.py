"""Speeds at which one in fifty, one in ten and half of all starter pairs have given, beside the trade's rules.

python benchmarks/starters.py            # a steady bead of 0.45 x 0.2 mm at the middle of the sheet's temperatures
python benchmarks/starters.py --plans    # what `plan` makes of each pair at the 2 % target
python benchmarks/starters.py --trade    # the same beside what it makes of it with what practitioners report
python benchmarks/starters.py --tied     # 2 % speeds were the default melt tied to its activation energy
"""

import sys
from dataclasses import replace

import numpy as np

from pliant.feed.risk import AIM
from pliant.feed.steps import failing_flow_mm3_per_s
from pliant.models.bead import bead_area_mm2
from pliant.models.pressure import temperature_shift
from pliant.recipe.derive import least_time
from pliant.recipe.window import carry
from pliant.records.baseline import read_baseline
from pliant.records.filament import read_filament
from pliant.records.machine import read_machine
from pliant.records.starters import MACHINES, RECIPES, SPOOLS, starter
from pliant.say import percent
from pliant.workflows.plan import plan


def _pairs(folder):
    for machine in MACHINES:
        for spool in SPOOLS:
            pair = []
            for kind, name, read in (("machine", machine, read_machine), ("filament", spool, read_filament)):
                path = folder / f"{name}.{kind}.toml"
                path.write_text(starter(kind, name), encoding="utf-8")
                pair.append(read(path))
            yield machine, spool, *pair


def plans(folder):
    """Print what `plan` makes of the everyday baseline for each pair."""
    (folder / "b.toml").write_text(starter("recipe", next(iter(RECIPES))), encoding="utf-8")
    base = read_baseline(folder / "b.toml")
    for machine, spool, m, f in _pairs(folder):
        made = plan(m, f, base)
        if made.works:
            said = {s.key: s.value for s in made.settings}
            speed, celsius = made.window.recipe
            first = said["first_layer.speed_mm_per_s"]
            print(f"{machine} {spool}: {speed:.2g} mm/s, {celsius:.0f} °C, first {first}, flow {said['flow_factor']}")
        else:
            point = least_time(carry(m, f), base, 0.02 * AIM)
            print(f"{machine} {spool}: none: {point.speed_mm_per_s['behind_outside']:.2g} mm/s", flush=True)


def trade(folder):
    """Print the second table of docs/practice.md: both answers side by side."""
    (folder / "b.toml").write_text(starter("recipe", next(iter(RECIPES))), encoding="utf-8")
    base = read_baseline(folder / "b.toml")
    print("| machine | spool | `plan` | the same with the trade's word |\n| --- | --- | --- | --- |")
    for machine, spool, m, f in _pairs(folder):
        cells = []
        for practice in (False, True):
            made = plan(m, f, base, practice=practice)
            if made.works:
                cells.append(f"{made.window.recipe[0]:.2g} mm/s, {made.window.recipe[1]:.0f} °C")
            else:
                cells.append(f"none: {percent(made.jam_probability)} at 3 mm/s")
        print(f"| {machine} | {spool} | {cells[0]} | {cells[1]} |", flush=True)


def tied(folder):
    """Print how far the speeds at 2 % and at a half move where the default consistency holds some kelvin lower.

    The middle of the sheet keeps its median; from there the spread of the energy works on the consistency too.
    """
    print(
        "| machine | spool | anchor, K below | printed, K above | 2 % | 50 % |\n| --- | --- | --- | --- | --- | --- |"
    )
    for machine, spool, m, f in _pairs(folder):
        if spool != "85A" or machine not in ("open-gap", "guided"):
            continue
        plain: dict[int, np.ndarray] = {}
        for below in (0, 6, 10):
            at = f.reference_c - below
            k, shift = f.consistency_pa_sn, float(temperature_shift(at, f.reference_c, f.activation_kj_per_mol.value))
            other = replace(f, consistency_at_c=at, consistency_pa_sn=replace(k, value=k.value * shift))
            for above in (0, 5, 10):
                flow = failing_flow_mm3_per_s(
                    m, other, nozzle_c=f.reference_c + above, width_mm=0.45, gap_mm=0.2, n=16000
                )
                speeds = np.quantile(flow, [0.02, 0.5])
                plain.setdefault(above, speeds)
                moved = " | ".join(f"{100 * v:+.1f} %" for v in speeds / plain[above] - 1)
                print(f"| {machine} | {spool} | {below} | {above} | {moved} |", flush=True)


def main(folder):
    """Print the table of docs/practice.md."""
    area = float(bead_area_mm2(0.45, 0.2))
    print("| machine | spool | 2 % | 10 % | 50 % |\n| --- | --- | --- | --- | --- |")
    for machine, spool, m, f in _pairs(folder):
        flow = failing_flow_mm3_per_s(m, f, nozzle_c=f.reference_c, width_mm=0.45, gap_mm=0.2, n=8000)
        speeds = np.quantile(flow, [0.02, 0.1, 0.5]) / area
        print(f"| {machine} | {spool} | " + " | ".join(f"{v:.2g}" for v in speeds) + " |")


if __name__ == "__main__":
    import tempfile
    from pathlib import Path

    with tempfile.TemporaryDirectory() as name:
        wanted = [job for word, job in (("--plans", plans), ("--trade", trade), ("--tied", tied)) if word in sys.argv]
        (wanted or [main])[0](Path(name))
