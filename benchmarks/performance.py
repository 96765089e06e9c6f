"""Every figure of docs/performance.md, one benchmark after the other, each in a process of its own.

`python benchmarks/performance.py [--short]`; some ten minutes on two idle cores, two with `--short`, which leaves out a
million lines and the solver. Each prints its own ratio to a yardstick of the same run: only those can be compared
between machines.
"""

import subprocess
import sys
import time
from pathlib import Path

from pliant.ahead import compile_ahead

_HERE = Path(__file__).parent
_ALWAYS = (
    ("the reader", "reader.py", "100000"),
    ("a small read and check from the start of the process", "start.py"),
    ("which travel lies over bead", "cover.py"),
    ("a cheapest way over a layer", "ways.py"),
    ("sections and orientations of a mesh", "sections.py"),
    ("the window map", "window.py"),
    ("whole mends, ten thousand lines", "mend_kinds.py", "10000"),
    ("whole mends, a hundred thousand lines", "mend_kinds.py", "100000"),
    ("checks, a hundred thousand lines", "check.py", "100000"),
)
_LONG = (
    ("the reader, a million lines", "reader.py", "1000000"),
    ("checks, a million lines", "check.py", "1000000"),
    ("order of islands, beside a solver that proves the optimum", "order.py"),
    ("the book", "book.py"),
)


def main() -> None:
    """Run them all."""
    compile_ahead()
    failed = []
    for what, *words in (*_ALWAYS, *(() if "--short" in sys.argv else _LONG)):
        print(f"\n== {what}: python benchmarks/{' '.join(words)}", flush=True)
        begun = time.monotonic()
        done = subprocess.run([sys.executable, _HERE / words[0], *words[1:]], check=False)
        print(f"   ({time.monotonic() - begun:.0f} s)", flush=True)
        failed += [what] if done.returncode else []
    if failed:
        sys.exit(f"failed: {', '.join(failed)}")


if __name__ == "__main__":
    main()
