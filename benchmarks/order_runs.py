"""Order and route on programs by writers of other habits: travel over air as written, as laid, and the least there is.

Run with `python benchmarks/order_runs.py [LINES] [KIND ...]`; about 10^4 lines each when left out. Prints machine and
versions, then for each kind: travel over air as written, after order, after order and route, and the bound that no
order of runs goes below; how much of these shows, and strings with those that are seen; planned time at the written
speeds; the rest of 99 spots in 100; processor time of order, of route and of the proof, each for 10^5 lines. Compiled
beforehand.
"""

import platform
import sys
import tempfile
import time
from pathlib import Path

import numba
import numpy as np
import shapely

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from other_writers import KINDS
from pliant.job.laying import Laying
from pliant.mending.air import air_that_counts
from pliant.mending.leads import find_leads
from pliant.mending.order import mend_order
from pliant.mending.route import layer_region, mend_routes
from pliant.program.read import read_program
from pliant.program.write import Edits, rewrite
from pliant.proving.certificate import certify
from pliant.records.mending import Intent

DIAMETER_MM = 1.75


def laid(path):
    """A program and what it lays, with cover and time worked out."""
    laying = Laying(read_program(path), DIAMETER_MM)
    _ = laying.sections, laying.coverage, laying.timing
    return laying


def timed(work, *args, **more):
    start = time.process_time()
    result = work(*args, **more)
    return result, time.process_time() - start


def run(folder, lines):
    """One program through order, route and the proof; figures and processor times."""
    paths = [folder / name for name in ("in.gcode", "ordered.gcode", "routed.gcode")]
    paths[0].write_text("\n".join(lines) + "\n")
    stages = [laid(paths[0])]
    edits = Edits.none(stages[0].program)
    (_, why), order_s = timed(mend_order, stages[0].program, edits, stages[0].layering, stages[0].sections)
    rewrite(stages[0].program, edits, paths[1])
    stages.append(laid(paths[1]))
    p, layering = stages[1].program, stages[1].layering
    saved = max(stages[0].timing.move_s.sum() - stages[1].timing.move_s.sum(), 0.0)
    edits, leads = Edits.none(p), find_leads(p, layering)
    region = layer_region(p, layering, stages[1].sections)
    air, air_s = timed(air_that_counts, stages[1], leads, p.speed_mm_per_s)
    _, route_s = timed(mend_routes, p, edits, leads, air.counts_mm, region, seen_mm=air.seen_mm, more_s=saved)
    route_s += air_s
    rewrite(p, edits, paths[2])
    stages.append(laid(paths[2]))
    proof, proof_s = timed(certify, paths[0], paths[2], Intent(may_reorder_islands=True, may_reroute=True))
    return stages, (order_s, route_s, proof_s), why, proof.certified


def main():
    lines = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    kinds = sys.argv[2:] or list(KINDS)
    print(
        f"{platform.machine()} {platform.system()}, Python {sys.version.split()[0]}, numpy {np.__version__}, "
        f"numba {numba.__version__}, shapely {shapely.__version__}"
    )
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for kind in ("comb", "feet, words of state", "nested, lifts"):
            run(folder, KINDS[kind](2))  # compiles
        for kind in kinds:
            few = len(KINDS[kind](4)) - len(KINDS[kind](2))
            text = KINDS[kind](max(round(2 * lines / few), 2))
            stages, spent, why, certified = run(folder, text)
            told = [s.facts() for s in stages]
            air = [f.open_travel_mm / 1000 for f in told]
            seen = [f.seen_travel_mm / 1000 for f in told]
            first, last = told[0], told[2]
            bound, rest = (
                first.travel_bound_mm / 1000,
                [f.rest_s if f.rest_s is not None else np.nan for f in (first, last)],
            )
            order_s, route_s, proof_s = (1e5 * s / len(text) for s in spent)
            print(
                f"{kind}: {len(text)} lines; {air[0]:.3f} m over air, ordered {air[1]:.3f}, routed {air[2]:.3f}, bound "
                f"{bound:.3f}; in sight {seen[0]:.3f}, {seen[1]:.3f}, {seen[2]:.3f}, strings {first.strings} "
                f"({first.seen_strings} seen), "
                f"then {last.strings} ({last.seen_strings}); "
                f"{first.time_s:.0f} s, then {last.time_s:.0f}; rest {rest[0]:.0f} s, then {rest[1]:.0f}; "
                f"for 10^5 lines order {order_s:.2f} s, route {route_s:.2f}, proof {proof_s:.2f}; "
                f"{'certified' if certified else 'NOT CERTIFIED'}{'; ' + why if why else ''}",
                flush=True,
            )


if __name__ == "__main__":
    main()
