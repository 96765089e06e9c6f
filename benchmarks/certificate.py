"""Speed and memory of the certificate, against reading both files in the same run.

`python benchmarks/certificate.py [LAYERS]` writes a plate of feet of that many layers (default 220, 10^6 lines).
"""

import platform
import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from pliant.program.read import read_program
from pliant.proving.certificate import certify
from pliant.records.mending import Intent
from pliant.workflows.workshop import feet_program


def main(layers: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        original, mended = Path(folder) / "a.gcode", Path(folder) / "b.gcode"
        text = feet_program(layers=layers)
        original.write_text(text)
        mended.write_text(text.replace("F2700", "F1500"))
        certify(original, original, Intent())  # compile
        start = time.perf_counter()
        for path in (original, mended):
            read_program(path)
        reading = time.perf_counter() - start
        print(f"python {platform.python_version()}, numpy {np.__version__}, {platform.machine()}")
        for name, intent in (("strict", Intent()), ("free ways", Intent(may_reroute=True))):
            start = time.perf_counter()
            certificate = certify(original, mended, intent)
            took = time.perf_counter() - start
            assert certificate.certified
            lines = text.count("\n")
            print(f"{name}: {lines:,} lines twice in {took:.2f} s, {took / reading:.1f} times reading both")
        print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 220)
