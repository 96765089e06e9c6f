"""Shaped flow against an independent plant: error of the bead, ooze, time and passes of five ways to start and stop.

`python benchmarks/shape.py [TRUTHS [PAIR ...]]`. The plant (tests/plant.py) has equations of its own: a row of springs
that soften, friction with hysteresis, a late part; its truths are drawn from the spread of the starter records. What a
stop-start piece tells is read off the plant with the scatter of an eye and a ruler, and learned from with `learn`. Rows
are medians over the truths, of seven runs of 40 mm with a travel of 40 mm between them, the first left out.
"""

import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from plant import bead_of_lines, stored_by, tapers_of, truths_of
from pliant.coupons.forecast import length_forecast
from pliant.coupons.stop_start import _RUN_IN, _stretch_mm, stop_start_steps
from pliant.errors import PliantError
from pliant.feed import chain
from pliant.feed.pull import passes_through_drive
from pliant.job.job import job_of, motion_of
from pliant.mending.shape_fit import require_store
from pliant.program.read import read_program
from pliant.records.coupon import Readings, Result
from pliant.records.filament import read_filament
from pliant.records.machine import read_machine
from pliant.records.starters import starter
from pliant.workflows.learn import learn
from pliant.workflows.mend import mend
from shape_program import PER_MM, lines_of_runs, shaped

PAIRS = (("open-gap", "85A"), ("open-gap", "95A"), ("guided", "75A"), ("tube-2.0", "95A"))
SPEEDS = (15.0, 30.0, 45.0)
WAYS = ("plain", "retraction of the stored length", "coast", "shaped, records", "shaped, one stop-start")
SECTION_MM2 = 0.09


def _learned(machine_file, filament_file, truth, machine, filament, folder, seed):
    """Records after one stop-start piece that was printed on the truth, and what `learn` said."""
    steps = stop_start_steps(machine, filament)
    tail, _ = length_forecast(machine, filament, steps)
    rng = np.random.default_rng(seed)
    results = []
    for step, foreseen in zip(steps, tail, strict=True):
        run_in = _stretch_mm(_RUN_IN * foreseen.middle, step.speed_mm_per_s) / step.speed_mm_per_s
        ratio = chain.dam_ratio(step.width_mm, step.gap_mm, truth.theta)
        read = tapers_of(truth, step, ratio=float(np.asarray(ratio).reshape(-1)[0]), settle_s=run_in, rng=rng)
        results.append(Result(tail_mm=round(float(read[0]), 1), lead_mm=round(float(read[1]), 1)))
    sheet = Readings(
        "stop-start", steps, tuple(results), name=f"{seed}.toml", machine=machine.name, filament=filament.name,
        mark=str(seed),
    )  # fmt: skip
    told = learn([sheet], machine_file, filament_file, folder=folder, write=True)
    new = [told.machine_file or machine_file, told.filament_file or filament_file]
    return (read_machine(new[0]), read_filament(new[1])), told


def _programs(folder, pair, speed, plain):
    """The program in each way but the last."""
    lines = lines_of_runs(speed=speed, runs=7)
    job = job_of(read_program(plain), *pair)
    back = min(float(job.store.stored_mm3(SECTION_MM2 * speed, float(np.max(job.squeeze))) / 2.405), 1.0)
    drawn, coast = folder / "drawn.gcode", folder / "coast.gcode"
    drawn.write_text("\n".join(lines_of_runs(speed=speed, runs=7, retract=round(back, 3))) + "\n")
    fed = [*lines[:6], "G1 E0.3 F900", *lines[6:]]  # coasting gives back at a speed that the input has
    (folder / "fed.gcode").write_text("\n".join(fed) + "\n")
    mend(folder / "fed.gcode", *pair, output=coast, passes=("coast",))
    return {"plain": plain, WAYS[1]: drawn, "coast": coast}


def _shaped(folder, pair, speed, out):
    """The program shaped with records, or why not."""
    lines = lines_of_runs(speed=speed, runs=7)
    path = folder / "plain.gcode"
    path.write_text("\n".join(lines) + "\n")
    try:
        require_store(job_of(read_program(path), *pair))
    except PliantError as error:
        return None, str(error)
    return shaped(folder, lines, pair, out)[1], ""


def main(count=4, wanted=()):
    """Print the tables."""
    folder = Path(tempfile.mkdtemp(prefix="pliant-shape-"))
    print("| path | spool | mm/s | way | rms | worst | worst start | ooze per travel, mm³ | time, s | passes |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    knew = []
    for on, spool in [p for p in PAIRS if not wanted or f"{p[0]}/{p[1]}" in wanted]:
        files = folder / f"{on}.toml", folder / f"{spool}.toml"
        files[0].write_text(starter("machine", on), encoding="utf-8")
        files[1].write_text(starter("filament", spool), encoding="utf-8")
        pair = read_machine(files[0]), read_filament(files[1])
        truths = truths_of(*pair, count, flow=SECTION_MM2 * 15)
        after = []
        for k, truth in enumerate(truths):
            began = time.time()
            place = folder / f"{on}-{spool}-{k}"
            place.mkdir()
            records, told = _learned(*files, truth, *pair, place, 100 + k)
            after.append(records)
            before_s, now = told.store_before, told.store_after
            flow = now.flow_mm3_per_s
            ratio = float(np.asarray(chain.dam_ratio(0.46, 0.16, truth.theta)).reshape(-1)[0])
            knew.append((on, spool, k, before_s, now, stored_by(truth, flow, ratio)))
            print(f"learned {on} {spool} {k} in {time.time() - began:.0f} s", file=sys.stderr)
        for speed in SPEEDS:
            plain = folder / "plain.gcode"
            plain.write_text("\n".join(lines_of_runs(speed=speed, runs=7)) + "\n")
            programs = _programs(folder, pair, speed, plain)
            programs[WAYS[3]], why = _shaped(folder, pair, speed, "records.gcode")
            found = {way: [] for way in WAYS}
            for k, truth in enumerate(truths):
                ratio = chain.dam_ratio(0.45, 0.2, truth.theta)
                programs[WAYS[4]], _ = _shaped(folder, after[k], speed, "after.gcode")
                for way in WAYS:
                    if programs[way] is None:
                        continue
                    read = read_program(programs[way])
                    bead = bead_of_lines(
                        read, truth, motion_of(pair[0]), PER_MM, ratio=float(np.asarray(ratio).reshape(-1)[0])
                    )
                    found[way].append(
                        (bead.rms, bead.worst, float(np.abs(bead.start).max()), bead.ooze_mm3 / max(bead.travels, 1),
                         bead.time_s, passes_through_drive(read.filament_mm))
                    )  # fmt: skip
            for way in WAYS:
                if not found[way]:
                    print(f"| {on} | {spool} | {speed:g} | {way} | refused: {why} |")
                    continue
                rms, worst, start, ooze, seconds, passes = np.median(np.array(found[way]), axis=0)
                print(
                    f"| {on} | {spool} | {speed:g} | {way} | {100 * rms:.0f} % | {100 * worst:.0f} % | "
                    f"{100 * start:.0f} % | {ooze:.2f} | {seconds:.1f} | {passes:.0f} |", flush=True,
                )  # fmt: skip
    told = "stored at 15 mm/s, mm³: records | true | learned (90 %) | n learned (90 %)"
    print(f"\n| path | spool | truth | {told} |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for on, spool, k, was, now, true in knew:
        a, b, n = was.stored_mm3, now.stored_mm3, now.flow_index
        print(
            f"| {on} | {spool} | {k} | {a[0]:.2f} ({a[1]:.2f} to {a[2]:.2f}) | {true:.2f} | "
            f"{b[0]:.2f} ({b[1]:.2f} to {b[2]:.2f}) | {n[0]:.2f} ({n[1]:.2f} to {n[2]:.2f}) |"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 4, sys.argv[2:])
