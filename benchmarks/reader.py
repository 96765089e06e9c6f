"""Speed and memory of the reader, against a plain `re` reader in the same run.

`python benchmarks/reader.py [LINES]` writes a program of that many lines (default 10^6) to a temporary folder.
"""

import os
import platform
import re
import resource
import sys
import tempfile
import time
from pathlib import Path

import numba
import numpy as np

from pliant.kernels import scan
from pliant.program.read import read_program
from pliant.records.program import HOME

_WORD = re.compile(r"([A-Z])([-+]?[0-9]*\.?[0-9]+)")
_YARDSTICK_LINES = 100_000


def write_program(path: Path, n_lines: int) -> None:
    """Layers of short beads with a retraction, a travel and a recover every hundred lines; absolute E."""
    rng = np.random.default_rng(5)
    with path.open("w") as file:
        file.write("G21\nG90\nM82\nM104 S210\nM106 S255\nG28\nG92 E0\nG1 Z0.2 F600\n")
        e, written, layer = 0.0, 8, 0
        while written < n_lines:
            if written % 5000 < 100:
                layer += 1
                file.write(f"; next\nG1 Z{0.2 * layer:.2f} F600\n")
                written += 2
            xy = np.cumsum(rng.uniform(-2, 2, (96, 2)), axis=0) + 100
            file.write(f"G1 E{e - 0.8:.5f} F2400\nG0 X{xy[0, 0]:.3f} Y{xy[0, 1]:.3f} F9000\nG1 E{e:.5f} F2400\n")
            file.write("G1 F1800\n")
            for x, y in xy:
                e += 0.0312
                file.write(f"G1 X{x:.3f} Y{y:.3f} E{e:.5f}\n")
            written += 100


def plain_reader(path: Path, n_lines: int) -> tuple[int, int]:
    """The yardstick: words by `re`, floats into lists; no checks, no modes but absolute ones. -> moves, bytes."""
    place = dict.fromkeys("XYZEF", 0.0)
    rows, n_bytes = [], 0
    with path.open() as file:
        for number, line in enumerate(file, 1):
            if number > n_lines:
                break
            n_bytes += len(line)
            words = dict(_WORD.findall(line.split(";", 1)[0].upper()))
            if words.get("G") in ("0", "1"):
                before = tuple(place.values())
                for letter in place:
                    if letter in words:
                        place[letter] = float(words[letter])
                after = tuple(place.values())
                if after[:4] != before[:4]:
                    rows.append((number, *after, after[3] - before[3]))
    return len(np.array(rows)), n_bytes


def best(function, repeats: int = 7):
    """Least processor time of some repeats (other work on the machine does not count), and the last result."""
    times = []
    for _ in range(repeats):
        start = time.process_time()
        result = function()
        times.append(time.process_time() - start)
    return min(times), result


def main() -> None:
    n_lines = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    cpu = next(iter(re.findall("model name[^:]*: (.*)", Path("/proc/cpuinfo").read_text())), "")
    load = os.getloadavg()[0]
    print(f"machine   {platform.machine()} {cpu}, {os.cpu_count()} cores (one used; processor time), load {load:.1f}")
    print(f"versions  Python {platform.python_version()}, numpy {np.__version__}, numba {numba.__version__}")
    start = time.perf_counter()
    scan.warm()
    print(f"warm-up   {time.perf_counter() - start:.2f} s (compiling, or fetching what was compiled before)")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "program.gcode"
        write_program(path, n_lines)
        size = path.stat().st_size / 1e6
        idle = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        seconds, program = best(lambda: read_program(path))
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        part = min(_YARDSTICK_LINES, program.n_lines)
        plain_s, (plain_moves, plain_bytes) = best(lambda: plain_reader(path, part), 3)
    moves = np.count_nonzero((program.line <= part) & (program.kind != HOME))
    assert abs(plain_moves - moves) <= 3, "the two readers differ by more than what homing leaves unknown"
    plain_whole_s = plain_s * size * 1e6 / plain_bytes
    print(f"file      {program.n_lines:,} lines, {size:.1f} MB, {program.kind.size:,} moves")
    print(
        f"pliant    {seconds:.3f} s, {size / seconds:.0f} MB/s, {1e6 * seconds / program.n_lines:.3f} s per 10^6 lines"
    )
    print(f"plain re  {plain_s:.3f} s on the first {part:,} lines; scaled by bytes {plain_whole_s:.2f} s for the file")
    print(f"ratio     {plain_whole_s / seconds:.1f}")
    print(f"memory    {idle:.0f} MB before, {peak:.0f} MB at most while reading (two programs alive at the repeats)")


if __name__ == "__main__":
    main()
