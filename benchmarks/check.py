"""Cost of `check` against the reader, and its memory, each in processes of their own.

Prints the ratio of a whole check without the chance of a jam to the reader alone, on the same 10^6-line file, and time
and peak memory at 10^6 and 5·10^6 lines. `python benchmarks/check.py [lines]`
"""

import json
import math
import os
import platform
import subprocess
import sys
import tempfile
from pathlib import Path

import numba
import numpy as np

_CODE = """
import json, resource, sys, time
from pliant.job.job import job_of
from pliant.program.read import read_program
from pliant.records.filament import read_filament
from pliant.records.machine import read_machine
from pliant.workflows.check import check
from pliant.ahead import compile_ahead
compile_ahead()
what, program, machine, filament = sys.argv[1:]
m, f = read_machine(machine), read_filament(filament)
if what == "check":
    begin = time.process_time()
    check(program, m, f)
    read, spent, lines = 0.0, time.process_time() - begin, 0
else:
    rounds = []
    for _ in range(3):
        begin = time.process_time()
        p = read_program(program)
        read = time.process_time() - begin
        job = job_of(p, m, f)
        job.laying.coverage, job.load
        rounds.append((time.process_time() - begin, read))
    (spent, _), read, lines = min(rounds), min(r[1] for r in rounds), p.n_lines
print(json.dumps([read, spent, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6, lines]))
"""


def write_program(path: Path, lines: int) -> None:
    """Write islands of rings, layer on layer, until there are so many lines (invented)."""
    count, layer = 0, 0
    with path.open("w") as out:
        out.write("G21\nG90\nM83\nG28\nM109 S220\n")
        while count < lines:
            layer += 1
            rows = [f"G1 Z{0.2 * layer:.2f} F600"]
            for island in range(8):
                cx, cy = 30 + 40 * (island % 4), 40 + 50 * (island // 4)
                for ring in range(28):
                    r = 14 - 0.45 * ring
                    n = max(8, int(2 * math.pi * r / 0.8))
                    rows += [f"G0 X{cx + r:.3f} Y{cy:.3f} F7200", "G1 F2700"]
                    fed = 2 * r * math.sin(math.pi / n) * 0.03385
                    for j in range(1, n + 1):
                        a = 2 * math.pi * j / n
                        rows.append(f"G1 X{cx + r * math.cos(a):.3f} Y{cy + r * math.sin(a):.3f} E{fed:.5f}")
                rows += ["G1 E-1 F1800", "G1 E1 F1800"]
            out.write("\n".join(rows) + "\n")
            count += len(rows)


def _run(what: str, program: Path, folder: Path) -> list[float]:
    words = [sys.executable, "-c", _CODE, what, str(program), str(folder / "m.toml"), str(folder / "f.toml")]
    return json.loads(subprocess.run(words, check=True, capture_output=True, text=True).stdout)


def main() -> None:
    from pliant.records.starters import starter

    lines = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    print(f"machine   {platform.machine()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}; processor time")
    print(f"versions  Python {platform.python_version()}, numpy {np.__version__}, numba {numba.__version__}")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "m.toml").write_text(starter("machine", "open-gap"))
        (folder / "f.toml").write_text(starter("filament", "85A"))
        small, large = folder / "a.gcode", folder / "b.gcode"
        write_program(small, lines)
        write_program(large, 5 * lines)
        read, spent, _, n = _run("walk", small, folder)
        print(f"reader    {read:.2f} s for {n:.0f} lines (best of three, as below)")
        print(f"check     {spent:.2f} s with reading, without the chance of a jam: {spent / read:.1f} x (want <= 6)")
        one = _run("check", small, folder)
        five = _run("check", large, folder)
        print(f"whole     {one[1]:.2f} s, {one[2]:.2f} GB (want < 10 s): {one[1] / read:.1f} x the reader (want <= 6)")
        growth = five[1] / one[1] / 5
        print(f"5 x       {five[1]:.2f} s, {five[2]:.2f} GB (want < 1.5 GB); time per line x {growth:.2f} (want <= 1)")


if __name__ == "__main__":
    main()
