"""A small program of straight runs with travel between them, and the same shaped; its lines are easy to damage."""

from pliant.job.job import job_of
from pliant.mending.shape import mend_shape
from pliant.mending.shape_fit import compensation_off
from pliant.program.read import read_program
from pliant.program.write import Edits, rewrite
from pliant.records.mending import Intent
from recipes import filament, machine

__all__ = ["PER_MM", "lines_of_runs", "pair", "shaped"]

PER_MM = 0.0374  # [mm] of filament for a bead of 0.45 × 0.2 mm


def pair(on="open-gap", spool="95A"):
    """Records."""
    return machine(on), filament(spool)


def lines_of_runs(
    runs=6, length=40.0, speed=20.0, travel=120.0, *, absolute=False, layers=1, advance=None, retract=0.0, arc=False,
    reset=False, speeds=None, inches=False,
):  # fmt: skip
    """Lines of a program: runs along x, side by side, with a travel of 30 mm between them."""
    unit = 25.4 if inches else 1.0
    out = ["G28", "G20" if inches else "G21", "G90", "M82" if absolute else "M83", "M104 S220", "M109 S220"]
    out += [f"M900 K{advance}"] if advance is not None else []
    e = 0.0

    def fed(mm):
        nonlocal e
        e += mm
        return f"E{(e if absolute else mm) / unit:.5f}"

    for layer in range(layers):
        z = 0.2 * (layer + 1)
        out.append(f"G1 Z{z / unit:.4f} F{600 / unit:.3f}")
        for k in range(runs):
            y, v = 10.0 + 4.0 * k, (speeds or [speed])[k % len(speeds or [speed])]
            if reset and k % 2:
                out.append("G92 E0")
                e = 0.0
            out.append(f"G0 X{10 / unit:.5f} Y{y / unit:.5f} F{60 * travel / unit:.3f}")
            if retract and (layer or k):
                out.append(f"G1 {fed(retract)} F{1800 / unit:.3f}")
            half = length / 2
            out.append(f"G1 X{(10 + half) / unit:.5f} {fed(round(half * PER_MM, 5))} F{60 * v / unit:.3f}")
            if arc:
                out.append(f"G3 X{(10 + half + 4) / unit:.5f} Y{y / unit:.5f} I{2 / unit:.5f} J0 {fed(0.23499)}")
            else:
                out.append(f"G1 X{(10 + length) / unit:.5f} {fed(round(half * PER_MM, 5))}")
            if retract and not (layer == layers - 1 and k == runs - 1):
                out.append(f"G1 {fed(-retract)} F{1800 / unit:.3f}")
    out += [f"G1 Z{(0.2 * layers + 10) / unit:.4f} F{600 / unit:.3f}", "M104 S0"]
    return out


def shaped(folder, lines, records=None, out="shaped.gcode"):
    """Write lines, shape them; both files and the intent."""
    records = records or pair()
    path, goal = folder / "plain.gcode", folder / out
    path.write_text("\n".join(lines) + "\n")
    job = job_of(read_program(path), *records)
    edits = Edits.none(job.program)
    compensation_off(job.program, edits)
    changes, promised = mend_shape(job, edits)
    rewrite(job.program, edits, goal)
    return path, goal, Intent(shaping=promised, may_change_retraction=True), changes
