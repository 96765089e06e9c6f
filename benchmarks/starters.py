"""Speeds at which one in fifty, one in ten and half of all starter pairs have given, beside the trade's rules.

python benchmarks/starters.py     # a steady bead of 0.45 x 0.2 mm at the middle of the sheet's temperatures
"""

import numpy as np

from pliant.feed.steps import failing_flow_mm3_per_s
from pliant.models.bead import bead_area_mm2
from pliant.records.filament import read_filament
from pliant.records.machine import read_machine
from pliant.records.starters import MACHINES, SPOOLS, starter


def main(folder):
    """Print the table of docs/plan.md."""
    area = float(bead_area_mm2(0.45, 0.2))
    print("| machine | spool | 2 % | 10 % | 50 % |\n| --- | --- | --- | --- | --- |")
    for machine in MACHINES:
        for spool in SPOOLS:
            pair = []
            for kind, name, read in (("machine", machine, read_machine), ("filament", spool, read_filament)):
                path = folder / f"{name}.{kind}.toml"
                path.write_text(starter(kind, name), encoding="utf-8")
                pair.append(read(path))
            m, f = pair
            flow = failing_flow_mm3_per_s(m, f, nozzle_c=f.reference_c, width_mm=0.45, gap_mm=0.2, n=8000)
            speeds = np.quantile(flow, [0.02, 0.1, 0.5]) / area
            print(f"| {machine} | {spool} | " + " | ".join(f"{v:.2g}" for v in speeds) + " |")


if __name__ == "__main__":
    import tempfile
    from pathlib import Path

    with tempfile.TemporaryDirectory() as name:
        main(Path(name))
