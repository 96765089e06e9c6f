"""Forks processes that mend a file in place, and kills them with signal 9 at random moments; run by a test.

Usage: killed_mend.py FOLDER KILLS SEED. Prints one line of JSON, or fails with an assertion.
"""

import json
import os
import random
import signal
import sys
import time
from pathlib import Path

from pliant.records.filament import read_filament
from pliant.records.machine import read_machine
from pliant.workflows.mend import mend
from pliant.workflows.workshop import RECORDS, strain_relief_program


def _forked(job):
    child = os.fork()
    if child == 0:
        try:
            job()
        finally:
            os._exit(0)
    return child


def main(folder, kills, seed):
    folder, rng = Path(folder), random.Random(seed)
    for name in ("bench-2.machine.toml", "95A.filament.toml"):
        (folder / name).write_text(RECORDS[name])
    machine, filament = read_machine(folder / "bench-2.machine.toml"), read_filament(folder / "95A.filament.toml")
    program = folder / "in.gcode"
    old = strain_relief_program(layers=1).encode()
    program.write_bytes(old)
    program.chmod(0o640)

    def job():
        mend(program, machine, filament, in_place=True, passes=("retract",))

    job()
    new = program.read_bytes()
    assert new != old
    program.write_bytes(old)
    start = time.monotonic()
    os.waitpid(_forked(job), 0)
    whole = time.monotonic() - start
    seen = {"old": 0, "new": 0, "left_beside": 0}
    for k in range(kills):
        program.write_bytes(old)
        # half of the moments over the whole run, half near its end, where the file is replaced
        wait = rng.uniform(0, 1.05 * whole) if k % 2 else rng.uniform(0.8, 1.05) * whole
        child = _forked(job)
        time.sleep(wait)
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        now = program.read_bytes()
        assert now in (old, new), f"{len(now)} bytes that are neither the old nor the new file"
        assert program.stat().st_mode & 0o777 == 0o640
        seen["new" if now == new else "old"] += 1
    seen["left_beside"] = len(list(folder.glob(".in.gcode*")))
    job()  # what killed ones left beside is in nobody's way
    assert program.read_bytes() == new
    print(json.dumps(seen))


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
