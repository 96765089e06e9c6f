"""Mending without routing against reading the same file: time of the passes, of the rest of the verb, and peak memory.

What is compared with what, all of it processor time in one process, the least of three rounds:

- *read*: `read_program` on the file, as every verb needs it, questions of all dialects included;
- *passes*: all that heat, flow and retract do from the program in memory to the bytes of the mended program on the disk:
  finding the speeds, what they do to the push, the retractions, the words, the file. Layers, widths, cover and push of
  the input are at hand, as they are in `mend`, which has examined it just before;
- *examination*: `check` on the program in memory before, and on the mended file, which it reads, after;
- *certificate*: both files read again from the disk on their own, and every obligation proved;
- *verb*: `mend` as a whole, with all of these and the comparison with a flat speed.

Run with `python benchmarks/mend.py [LINES ...]` (10^5 and 10^6 when left out). Prints machine, versions, times and
ratios to *read*; every size is measured in a process of its own, so its memory is its own. Some 2 s of the verb do not
grow with the file: the chance of a jam at other speeds and with other hardware.
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

from pliant.mending.passes import run_passes
from pliant.mending.stages import Stages
from pliant.program.read import read_program
from pliant.proving.certificate import certify
from pliant.records.filament import read_filament
from pliant.records.machine import read_machine
from pliant.workflows.check import examine
from pliant.workflows.mend import PASSES, mend
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
    spent = {name: [] for name in ("read", "before", "passes", "after", "certificate", "mend")}

    def timed(name, work):
        start = time.process_time()
        result = work()
        spent[name].append(time.process_time() - start)
        return result

    for _ in range(_ROUNDS):
        program = timed("read", lambda: read_program(path))
        seen = timed("before", lambda p=program: examine(p, machine, filament))
        del program
        with tempfile.TemporaryDirectory() as work:
            stages = Stages(Path(work), seen.job, seen.findings.jam_probability, "auto", 0.02)
            del seen
            timed("passes", lambda s=stages: run_passes(s, _QUIET))
            out, intent = stages.path, stages.intent
            del stages
            timed("after", lambda o=out: examine(o, machine, filament).findings)
            timed("certificate", lambda o=out, i=intent: certify(path, o, i))
        timed("mend", lambda: mend(path, machine, filament, output=folder / "out.gcode", passes=_QUIET).meets_target)
    print(json.dumps({
        "lines": lines, "megabytes": path.stat().st_size / 1e6, **{name: min(s) for name, s in spent.items()},
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
            mode, read = "absolute" if absolute else "relative", m["read"]
            print(
                f"{lines:>9,} lines, {m['megabytes']:.1f} MB, {mode} filament: read {read:.2f} s; {', '.join(_QUIET)} "
                f"{m['passes'] / read:.1f} x; examination {m['before'] / read:.1f} x before and {m['after'] / read:.1f} x "
                f"after; certificate {m['certificate'] / read:.1f} x; whole verb {m['mend'] / read:.0f} x; peak "
                f"{m['peak_mb']:.0f} MB = {m['peak_mb'] * 1048576 / 1e6 / m['megabytes']:.0f} x the file"
            )


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        measure(sys.argv[2], int(sys.argv[3]), sys.argv[4] == "1")
    else:
        main([int(float(a)) for a in sys.argv[1:]] or [100_000, 1_000_000])
