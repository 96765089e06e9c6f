"""Cost of many programs on many machines: two processes beside one, a local cluster beside both, and a combination.

`python benchmarks/batch.py [programs]`; programs are invented gaskets of two layers. Wall time, all in the same run.
"""

import os
import sys
import tempfile
import time
from pathlib import Path

from pliant.ahead import compile_ahead
from pliant.records.starters import starter
from pliant.workflows.matrix import matrix
from pliant.workflows.workshop import gasket_program


def main() -> None:
    """Print the times and what they are in each other."""
    from distributed import LocalCluster

    many = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    compile_ahead()
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        (place / "jobs").mkdir()
        for k in range(many):
            (place / "jobs" / f"{k}.gcode").write_text(gasket_program(layers=2) + f"; {k}\n")
        for like, kind in (("open-gap", "machine"), ("guided", "machine"), ("85A", "filament"), ("95A", "filament")):
            (place / f"{like}.toml").write_text(starter(kind, like))
        machines = [place / "open-gap.toml", place / "guided.toml"]
        words = place / "jobs", machines, [place / "85A.toml", place / "95A.toml"]

        def timed(**more: object) -> float:
            begin = time.perf_counter()
            found = matrix(*words, **more)
            spent = time.perf_counter() - begin
            assert len(found.combinations) == 4 * many
            return spent

        print(f"machine   {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}; {many} programs, 4 combinations each")
        one, two = timed(workers=1), timed(workers=2)
        print(f"one       {one:.1f} s: {1000 * one / (4 * many):.0f} ms a combination with reading")
        print(f"two       {two:.1f} s: {one / two:.2f} x as fast (want >= 1.8)")
        with LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as engine:
            address = engine.scheduler_address.removeprefix("tcp://")
            timed(on=address)  # its processes import what they need once
            there = timed(on=address)
        print(f"cluster   {there:.1f} s: {there / two:.2f} x the two processes (want <= 1.2)")


if __name__ == "__main__":
    main()
