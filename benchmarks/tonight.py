"""What the paragraph of tonight costs, and how its plan does against a flat 15 mm/s and the 2 % target.

Starter spools 85A and 95A on the open gap, on a bed of 200 mm; the jobs of the example workshop, seven programs by
writers of other habits, and rings of 10^5 lines. Processor time of the sums and the curve; expected times as the sums
themselves have them, with a proof before each try; and what the pad leaves that `mend` wrote for `quickest`.
The least is that of the sums, with a proof or without; what a check of it would need is another year of jobs.
`python benchmarks/tonight.py`, `--sums` without the mending.
"""

import os
import platform
import sys
import tempfile
import time
from pathlib import Path
from unittest import mock

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from check import write_program
from other_writers import KINDS
from pliant.ahead import compile_ahead
from pliant.job import tonight as tonight_sums
from pliant.job.job import Job, job_of
from pliant.job.tonight import curves_of
from pliant.job.verdict import judge
from pliant.program.read import read_program
from pliant.records.filament import Filament, read_filament
from pliant.records.findings import Findings
from pliant.records.machine import Machine, read_machine
from pliant.records.starters import starter
from pliant.workflows.mend import mend
from pliant.workflows.tonight import tonight
from pliant.workflows.workshop import files

_KINDS = ("comb", "feet, sparse grid", "nested, lifts", "two posts", "ring gasket", "bed", "spiral")


def _sums(program: Path, machine: Machine, filament: Filament) -> str:
    job = job_of(read_program(program), machine, filament)
    findings = judge(job, remedies=False)
    begin = time.process_time()
    t, weighed = tonight(job, findings)
    if weighed is not None:
        curves_of(weighed, machine.tries.restart_min)
    spent, one = time.process_time() - begin, t.tries[0]
    said = f"{spent:4.2f}  {t.choice:<13} {one.speed_share:6.2f} {one.jam_probability:4.2f} {t.expected_min:5.0f} min"
    if t.flat_15_expected_min is None or t.proof is None or t.proof.expected_min is None:
        return said
    ours, least = t.proof.expected_min, min(t.expected_min, _least_proved(job, findings))
    return (
        f"{said} {ours:5.0f} min {ours / least:7.3f} {least / t.flat_15_expected_min:8.2f} "
        f"{ours / t.flat_15_expected_min:8.2f} {ours / t.surest_min:7.2f}"
    )


def _least_proved(job: Job, findings: Findings) -> float:
    """Expected minutes by the quickest tries behind proofs, however many jam inside the part."""
    with mock.patch.object(tonight_sums, "INSIDE", 1.0):
        weighed = tonight_sums.weigh_tries(job, findings.speed_share)
    assert weighed.proof is not None and weighed.proof.expected_min is not None
    return weighed.proof.expected_min


def _mended(program: Path, machine: Machine, filament: Filament, folder: Path) -> str:
    mended = mend(program, machine, filament, output=folder / "out.gcode", aim="quickest")
    took = f"{mended.after.facts.time_s / 60:5.0f} min {100 * mended.after.jam_probability:4.0f} %"
    if (p := mended.proof) is None:
        why = next((note for note in mended.notes if note.startswith("proof")), "it feeds")
        return f"{took}  no pad: {why[:40]}"
    return (
        f"{took} {60 * p.minutes:5.0f} s {p.flow_over_worst:5.2f} {100 * p.jam_probability_after:5.1f} % "
        f"{100 * p.inside_probability:5.1f} %"
    )


def main() -> None:
    """Print a table."""
    compile_ahead()
    print(f"machine   {platform.machine()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}; processor time")
    print(
        "spool program             s  choice         first  jam  expected    proved  /least  least/ /flat15 /surest | "
        "mended  jams  pad    flow  after  of jobs"
    )
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "m.toml").write_text(
            starter("machine", "open-gap").replace("# volume_mm", "volume_mm"), encoding="utf-8"
        )
        machine = read_machine(folder / "m.toml")
        programs = [file for file, text in files() if file.endswith(".gcode") and (folder / file).write_text(text)]
        for kind in _KINDS:
            programs.append(f"{kind.replace(', ', '-').replace(' ', '-')}.gcode")
            (folder / programs[-1]).write_text("\n".join(KINDS[kind]()) + "\n", encoding="utf-8")
        write_program(folder / "rings.gcode", 100_000)
        for like in ("85A", "95A"):
            (folder / "f.toml").write_text(starter("filament", like), encoding="utf-8")
            filament = read_filament(folder / "f.toml")
            for program in (*programs, "rings.gcode"):
                row = _sums(folder / program, machine, filament)
                if "--sums" not in sys.argv and program != "rings.gcode":
                    row += " | " + _mended(folder / program, machine, filament, folder)
                print(f"{like}   {Path(program).stem:<17}{row}", flush=True)


if __name__ == "__main__":
    main()
