"""Mending without routing against reading the same file: time of the passes, of the whole verb, and peak memory.

Run with `python benchmarks/mend.py [LINES ...]` (10^5 and 10^6 when left out). Prints machine, versions, times and
ratios to the reader in the same run; every size is measured in a process of its own, so its memory is its own.
"""

# ruff: noqa: E501  (rows of tables stay whole)

import json
import math
import platform
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numba
import numpy as np

from pliant.program.read import read_program
from pliant.records.filament import read_filament
from pliant.records.machine import read_machine
from pliant.workflows.check import examine
from pliant.workflows.mend import PASSES, mend
from pliant.workflows.mend_passes import Bench, run_passes
from pliant.workflows.workshop import RECORDS

_QUIET = tuple(name for name in PASSES if name not in ("order", "route"))
_ROUNDS = 3


def write_program(path, lines, absolute):
    """Six islands a layer, each of three rings and a hatch, one retraction an island; written for rigid filament."""
    out, e, z = ["G21", "G90", "M82" if absolute else "M83", "G28", "M109 S220", "G92 E0"], 0.0, 0.0

    def fed(mm):
        nonlocal e
        e = e + mm if absolute else mm
        return f"E{e:.5f}"

    while len(out) < lines:
        z += 0.2
        out.append(f"G1 Z{z:.3f} F600")
        for k in range(6):
            cx, cy = 30 + 40 * (k % 3), 30 + 40 * (k // 3)
            for ring in range(3):
                r = 8 - 0.41 * ring
                out += [f"G1 {fed(-1)} F1800"] if ring == 0 else []
                out.append(f"G0 X{cx + r:.3f} Y{cy:.3f} F7200")
                out += [f"G1 {fed(1)} F1800"] if ring == 0 else []
                out.append("G1 F2700")
                for i in range(1, 61):
                    a = 2 * math.pi * i / 60
                    step = 2 * r * math.sin(math.pi / 60) * 0.0339
                    out.append(f"G1 X{cx + r * math.cos(a):.3f} Y{cy + r * math.sin(a):.3f} {fed(step)}")
            side, y = 3, -6.0
            out += [f"G0 X{cx - side:.3f} Y{cy + y:.3f} F7200", "G1 F2700"]
            while y < 6:
                out.append(f"G1 X{cx + side:.3f} Y{cy + y:.3f} {fed(6 * 0.0339)}")
                y += 0.45
                out.append(f"G1 X{cx + side:.3f} Y{cy + y:.3f} {fed(0.45 * 0.0339)}")
                side = -side
    path.write_text("\n".join(out) + "\n")


def measure(folder, lines, absolute):
    folder = Path(folder)
    for name in ("bench-2.machine.toml", "95A.filament.toml"):
        (folder / name).write_text(RECORDS[name])
    machine, filament = read_machine(folder / "bench-2.machine.toml"), read_filament(folder / "95A.filament.toml")
    small, path = folder / "small.gcode", folder / "job.gcode"
    write_program(small, 2000, absolute)
    mend(small, machine, filament, output=folder / "warm.gcode", passes=_QUIET)  # compiled before anything is timed
    write_program(path, lines, absolute)
    reads, passes, wholes = [], [], []
    for _ in range(_ROUNDS):
        start = time.perf_counter()
        program = read_program(path)
        reads.append(time.perf_counter() - start)
        seen = examine(program, machine, filament)
        with tempfile.TemporaryDirectory() as work:
            bench = Bench(Path(work), seen, "auto", 0.02)
            del seen
            start = time.perf_counter()
            run_passes(bench, _QUIET)
            passes.append(time.perf_counter() - start)
        del bench, program
        start = time.perf_counter()
        mended = mend(path, machine, filament, output=folder / "out.gcode", passes=_QUIET)
        wholes.append(time.perf_counter() - start)
    print(json.dumps({
        "lines": lines, "megabytes": path.stat().st_size / 1e6, "read_s": min(reads), "passes_s": min(passes),
        "mend_s": min(wholes), "changes": len(mended.changes),
        "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }))  # fmt: skip


def main(sizes):
    print(
        f"{platform.machine()} {platform.system()}, Python {sys.version.split()[0]}, numpy {np.__version__}, "
        f"numba {numba.__version__}"
    )
    for absolute in (False, True):
        for lines in sizes:
            with tempfile.TemporaryDirectory() as folder:
                done = subprocess.run(
                    [sys.executable, __file__, "--one", folder, str(lines), str(int(absolute))],
                    capture_output=True, text=True, check=True,
                )  # fmt: skip
            m = json.loads(done.stdout)
            mode, read = "absolute" if absolute else "relative", m["read_s"]
            print(
                f"{lines:>9,} lines, {m['megabytes']:.1f} MB, {mode} filament: read {read:.2f} s; {', '.join(_QUIET)} "
                f"{m['passes_s']:.2f} s = {m['passes_s'] / read:.0f} x; whole verb with both checks and the certificate "
                f"{m['mend_s']:.2f} s = {m['mend_s'] / read:.0f} x; peak {m['peak_mb']:.0f} MB = "
                f"{m['peak_mb'] * 1048576 / 1e6 / m['megabytes']:.0f} x the file"
            )


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        measure(sys.argv[2], int(sys.argv[3]), sys.argv[4] == "1")
    else:
        main([int(float(a)) for a in sys.argv[1:]] or [100_000, 1_000_000])
