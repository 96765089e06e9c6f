"""Whole `mend`, certificate and all, against reading the same file, on programs of writers with other habits.

Run with `python benchmarks/mend_kinds.py [LINES] [KIND ...]`; about 10^5 lines each when left out. Prints machine and
versions, then for each kind: lines, processor time of one reading and of the whole verb (order and route included),
their ratio, and the peak memory; each kind in a process of its own. Some 1 s of the verb does not grow with the file.
"""

import json
import os
import platform
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numba
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))


def measure(kind: str, lines: int) -> None:
    """One kind, in this process; prints what it found as JSON."""
    from other_writers import KINDS
    from pliant.program.read import read_program
    from pliant.records.filament import read_filament
    from pliant.records.machine import read_machine
    from pliant.records.starters import starter
    from pliant.workflows.mend import mend

    few = len(KINDS[kind](4)) - len(KINDS[kind](2))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "m.toml").write_text(starter("machine", "open-gap"))
        (folder / "f.toml").write_text(starter("filament", "85A"))
        pair = read_machine(folder / "m.toml"), read_filament(folder / "f.toml")
        small, path = folder / "small.gcode", folder / "in.gcode"
        small.write_text("\n".join(KINDS[kind](2)) + "\n")
        mend(small, *pair, output=folder / "out.gcode")  # fetches what is kept
        text = KINDS[kind](max(round(2 * lines / few), 2))
        path.write_text("\n".join(text) + "\n")
        count = len(text)
        del text
        read_s = np.inf
        for _ in range(3):
            begin = time.process_time()
            read_program(path)
            read_s = min(read_s, time.process_time() - begin)
        begin = time.process_time()
        mended = mend(path, *pair, output=folder / "out.gcode")
        spent = time.process_time() - begin
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(json.dumps([count, read_s, spent, peak, mended.certificate.certified]))


def main() -> None:
    """Each kind in a process of its own."""
    from other_writers import KINDS
    from pliant.ahead import compile_ahead

    compile_ahead()
    lines = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    print(f"{platform.machine()} {platform.system()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}, ", end="")
    print(f"Python {platform.python_version()}, numpy {np.__version__}, numba {numba.__version__}")
    for kind in sys.argv[2:] or KINDS:
        run = [sys.executable, __file__, "--one", kind, str(lines)]
        count, read_s, spent, peak, proved = json.loads(
            subprocess.run(run, check=True, capture_output=True, text=True).stdout
        )
        print(
            f"{kind}: {count} lines; read {1000 * read_s:.0f} ms, mend {spent:.2f} s, {spent / read_s:.0f} x; "
            f"{peak:.2f} GB; {'certified' if proved else 'NOT CERTIFIED'}",
            flush=True,
        )


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        measure(sys.argv[2], int(sys.argv[3]))
    else:
        main()
