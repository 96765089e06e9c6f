"""What the paragraph of tonight costs, and how its plan does against a flat 15 mm/s and the 2 % target.

Starter spools 85A and 95A on the open gap, the jobs of the example workshop and rings of 10^5 lines; processor time of
the sums and the curve, and expected times as the sums themselves have them. The least is that of the sums, so the
first ratio is 1 by construction; what a check of it would need is another year of jobs. `python benchmarks/tonight.py`
"""

import os
import platform
import tempfile
import time
from pathlib import Path

from check import write_program
from pliant.ahead import compile_ahead
from pliant.job.job import job_of
from pliant.job.tonight import curve_of
from pliant.job.verdict import judge
from pliant.program.read import read_program
from pliant.records.filament import read_filament
from pliant.records.machine import read_machine
from pliant.records.starters import starter
from pliant.workflows.tonight import tonight
from pliant.workflows.workshop import files


def main() -> None:
    """Print a table."""
    compile_ahead()
    print(f"machine   {platform.machine()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}; processor time")
    print("spool program          s  choice         first  jam  expected  flat 15  surest  after proof  piece saves")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "m.toml").write_text(starter("machine", "open-gap"), encoding="utf-8")
        machine = read_machine(folder / "m.toml")
        programs = [file for file, text in files() if file.endswith(".gcode") and (folder / file).write_text(text)]
        write_program(folder / "rings.gcode", 100_000)
        for like in ("85A", "95A"):
            (folder / "f.toml").write_text(starter("filament", like), encoding="utf-8")
            filament = read_filament(folder / "f.toml")
            for program in (*programs, "rings.gcode"):
                job = job_of(read_program(folder / program), machine, filament)
                findings = judge(job, remedies=False)
                begin = time.process_time()
                t, weighed = tonight(job, findings)
                if weighed is not None:
                    curve_of(weighed)
                spent, one = time.process_time() - begin, t.tries[0]
                flat = "" if t.flat_15_expected_min is None else f"{t.expected_min / t.flat_15_expected_min:.2f}"
                proof = "" if t.proof is None else f"{100 * t.proof.jam_probability_after:.1f} %"
                saves = "" if t.piece is None else f"{t.piece.saves_min:.0f} min"
                print(
                    f"{like}   {Path(program).stem:<14}{spent:4.2f}  {t.choice:<13} {one.speed_share:6.2f} "
                    f"{one.jam_probability:4.2f} {t.expected_min:5.0f} min {flat:>8} "
                    f"{t.expected_min / t.surest_min:7.2f} {proof:>12} {saves:>12}"
                )


if __name__ == "__main__":
    main()
