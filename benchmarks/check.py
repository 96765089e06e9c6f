"""Cost of `check` against the reader, part by part, on 10^6 lines of several kinds of program, and its memory.

Each kind in a process of its own, warm: the best of three, so that neither compiling nor other work counts. *Walk* is
what the first edition's bound of six was about: reading, times, layers, cover and the push at central values. The rest
is what was added since: the chance of a jam, the bead along the way, bounds of travel and what shows, tonight.
`python benchmarks/check.py [lines]`
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
from pliant.ahead import compile_ahead
from pliant.job.job import job_of
from pliant.job.verdict import judge
from pliant.program.read import read_program
from pliant.records.filament import read_filament
from pliant.records.machine import read_machine
from pliant.workflows.tonight import tonight
compile_ahead()
program, machine, filament, times = sys.argv[1:]
m, f = read_machine(machine), read_filament(filament)
rounds = []
for _ in range(int(times)):
    parts, begin = [], time.process_time()
    def lap():
        global begin
        parts.append(time.process_time() - begin)
        begin = time.process_time()
    p = read_program(program); lap()
    job = job_of(p, m, f); job.laying.coverage, job.load; lap()
    job.envelope, job.bead; lap()
    job.laying.least_travel, job.laying.sight; lap()
    found = judge(job); lap()
    tonight(job, found); lap()
    rounds.append(parts)
best = [min(r[k] for r in rounds) for k in range(6)]
print(json.dumps([*best, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6, p.n_lines]))
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


def _written(lines: int, folder: Path) -> dict[str, Path]:
    """Programs of about so many lines: ours, and four of other habits, their layers repeated (invented)."""
    sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
    import other_writers

    found = {"rings": folder / "rings.gcode"}
    write_program(found["rings"], lines)
    for name, unit in (("comb", "layers"), ("nested", "layers"), ("bed", "layers"), ("spiral", "turns")):
        make = getattr(other_writers, name)
        few, more = (len(make(**{unit: n})) for n in (4, 8))
        found[name] = folder / f"{name}.gcode"
        found[name].write_text("\n".join(make(**{unit: max(4 * lines // (more - few), 1)})) + "\n")
    return found


def _run(program: Path, folder: Path, times: int = 3) -> list[float]:
    words = [sys.executable, "-c", _CODE, str(program), str(folder / "m.toml"), str(folder / "f.toml"), str(times)]
    return json.loads(subprocess.run(words, check=True, capture_output=True, text=True).stdout)


def main() -> None:
    from pliant.records.starters import starter

    lines = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    print(f"machine   {platform.machine()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}; processor time")
    print(f"versions  Python {platform.python_version()}, numpy {np.__version__}, numba {numba.__version__}")
    print("kind      reader, s   walk   + chance, bead   + bounds, sight   + verdict   + tonight   whole, s   GB")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "m.toml").write_text(starter("machine", "open-gap"))
        (folder / "f.toml").write_text(starter("filament", "85A"))
        for kind, path in _written(lines, folder).items():
            *parts, memory, _ = _run(path, folder)
            so_far = np.cumsum(parts)
            ratio = "".join(f"{t / parts[0]:{w}.1f}" for t, w in zip(so_far[1:], (9, 17, 18, 12, 12), strict=True))
            print(f"{kind:10}{parts[0]:9.3f}{ratio}{so_far[-1]:11.2f}{memory:6.2f}", flush=True)
        print("          (times the reader; walk: want <= 6)")
        large = folder / "large.gcode"
        write_program(large, 5 * lines)
        *five, memory, _ = _run(large, folder, 1)
        print(f"5 x       {sum(five):.2f} s, {memory:.2f} GB (want < 1.5 GB)")


if __name__ == "__main__":
    main()
