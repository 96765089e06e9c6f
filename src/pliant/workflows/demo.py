"""`demo`: an invented repair workshop by a harbour, two machines, three spools, one honest answer each.

The programs are made here, in three controllers' habits (absolute E, relative E, arcs); nothing in them is real data.
"""

import math
from collections.abc import Iterator
from pathlib import Path

from pliant.records.starters import starter
from pliant.report.text import MEANS, percent
from pliant.workflows.check import check

__all__ = ["demo", "feet_program", "gasket_program"]

_FILAMENT_AREA_MM2 = math.pi * 1.75**2 / 4


def _bead_e(length_mm: float, width_mm: float, height_mm: float) -> float:
    area = (width_mm - height_mm) * height_mm + math.pi * height_mm**2 / 4
    return length_mm * area / _FILAMENT_AREA_MM2


def feet_program(nozzle_c: float = 220.0, speed_mm_per_s: float = 50.0, layers: int = 8) -> str:
    """A plate of twelve bumper feet, relative E, one retraction between feet."""
    out = ["; invented example: twelve bumper feet", "G21", "G90", "M83", "G28", f"M109 S{nozzle_c:g}"]
    out += ["G1 Z0.2 F600", "G1 X5 Y5 F6000", f"G1 X105 Y5 E{_bead_e(100, 0.5, 0.2):.5f} F1200"]
    for layer in range(layers):
        z = 0.2 * (layer + 1)
        out.append(f"G1 Z{z:.2f} F600")
        for k in range(12):
            x, y = 20 + 22 * (k % 4), 20 + 22 * (k // 4)
            first = True
            for r in (6.0, 5.55, 5.1, 4.65, 4.2):
                n = 36
                for j in range(n + 1):
                    px, py = x + r * math.cos(2 * math.pi * j / n), y + r * math.sin(2 * math.pi * j / n)
                    if j == 0:
                        out.append(f"G1 X{px:.3f} Y{py:.3f} F7200")
                        if first:
                            out.append("G1 E1.0 F1800")
                        first = False
                        out.append(f"G1 F{60 * (speed_mm_per_s / 2 if layer == 0 else speed_mm_per_s):g}")
                    else:
                        step = 2 * r * math.sin(math.pi / n)
                        out.append(f"G1 X{px:.3f} Y{py:.3f} E{_bead_e(step, 0.45, 0.2):.5f}")
            out.append("G1 E-1.0 F1800")
    return "\n".join([*out, "M104 S0"]) + "\n"


def gasket_program(nozzle_c: float = 220.0, speed_mm_per_s: float = 50.0, layers: int = 8) -> str:
    """A ring gasket with eight bolt holes, absolute E, full-turn arcs."""
    out = ["; invented example: ring gasket with eight bolt holes", "G21", "G90", "M82", "G28"]
    out += [f"M109 S{nozzle_c:g}", "G92 E0", "G1 Z0.2 F600"]
    e = 0.0
    circles = [(60.0, 60.0, r) for r in (40.0, 39.55, 39.1, 30.9, 30.45, 30.0)]
    circles += [
        (60 + 35 * math.cos(k * math.pi / 4), 60 + 35 * math.sin(k * math.pi / 4), r)
        for k in range(8)
        for r in (2.5, 2.95, 3.4)
    ]
    for layer in range(layers):
        out.append(f"G1 Z{0.2 * (layer + 1):.2f} F600")
        feed = 60 * (speed_mm_per_s / 2 if layer == 0 else speed_mm_per_s)
        for x, y, r in circles:
            out.append(f"G1 X{x + r:.3f} Y{y:.3f} F7200")
            e += _bead_e(2 * math.pi * r, 0.45, 0.2)
            out.append(f"G3 X{x + r:.3f} Y{y:.3f} I{-r:.3f} J0 E{e:.5f} F{feed:g}")
    return "\n".join([*out, "M104 S0"]) + "\n"


def demo(folder: Path) -> Iterator[str]:
    """Write the workshop's files to `folder`, check every pairing of the story, and yield the lines to print."""
    folder.mkdir(parents=True, exist_ok=True)
    files = {
        "bench-2.machine.toml": starter("machine", "open-gap"),
        "long-tube.machine.toml": starter("machine", "tube-2.0"),
        **{f"{h}.filament.toml": starter("filament", h) for h in ("75A", "85A", "95A")},
        "feet.gcode": feet_program(),
        "gasket.gcode": gasket_program(),
    }
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    yield "An invented workshop. Two machines, three spools, two jobs at 50 mm/s: will they feed?"
    for machine, spool in (("bench-2", "95A"), ("bench-2", "85A"), ("long-tube", "75A")):
        for job in ("gasket", "feet"):
            f = check(folder / f"{job}.gcode", folder / f"{machine}.machine.toml", folder / f"{spool}.filament.toml")
            yield ""
            yield f"{spool} on {machine}, {job}: {f.verdict}; {percent(f.jam_probability)} likely to jam"
            yield f"  first gives {f.mechanism}: {MEANS.get(f.mechanism, '')}"
            if f.speed_factor is None:
                yield "  refused: no speed down to 5 % of the program's brings the chance of a jam to 2 %"
            elif f.speed_factor < 1:
                yield f"  at {100 * f.speed_factor:.0f} % of the program's speed the chance falls to 2 %"
            for r in f.remedies[:3]:
                yield f"  would help: {r.change} ({percent(r.jam_probability)})"
    yield ""
    yield f"The files are in {folder}; look at one more closely with"
    yield f"  pliant check {folder}/feet.gcode -m {folder}/bench-2.machine.toml -f {folder}/85A.filament.toml"
