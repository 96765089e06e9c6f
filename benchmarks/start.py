"""What a small `read` and `check` cost from the start of the process, beside a bare start of numpy and numba.

Prints processor time, the least of five, of each as a process of its own, and its ratio to the yardstick: Python,
numpy, numba and one kernel fetched from the disk, which no verb that uses kernels can do without.
`python benchmarks/start.py`
"""

import os
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

from pliant.ahead import compile_ahead
from pliant.records.starters import starter
from pliant.workflows.workshop import feet_program

_BARE = "import numpy as np; from pliant.kernels.level import level_stretches; level_stretches(np.ones(3), 1.1)"


def _least_s(command: list[str]) -> float:
    found = []
    for _ in range(5):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        found.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return min(found)


def main() -> None:
    """Measure and print."""
    compile_ahead()
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "m.toml").write_text(starter("machine", "open-gap"))
        (folder / "f.toml").write_text(starter("filament", "85A"))
        text = feet_program(layers=2).splitlines()[:200]
        (folder / "p.gcode").write_text("\n".join(text) + "\n")
        program, *pair = (str(folder / n) for n in ("p.gcode", "m.toml", "f.toml"))
        run = [sys.executable, "-c", "from pliant.cli import main; main()"]
        yardstick = _least_s([sys.executable, "-c", _BARE])
        print(f"bare start   {yardstick:.2f} s")
        verbs = {
            "help": ["--help"],
            "read": ["read", program],
            "check": ["check", program, "-m", pair[0], "-f", pair[1]],
        }
        for what, words in verbs.items():
            spent = _least_s([*run, *words])
            print(f"{what:12} {spent:.2f} s, {spent / yardstick:.1f} x")


if __name__ == "__main__":
    main()
