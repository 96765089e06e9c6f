"""A small part in every dialect, for the tests of the certificate. Invented."""

import math

__all__ = ["part"]


def part(layers=2, centres=((20.0, 20.0), (50.0, 20.0)), *, absolute=False, unit=1.0, flow=None, digits=5):
    """Lines of a program: per island an outer and an inner square that touch, and a circle of two arcs."""
    e = 0.0

    def n(value, digits=3):
        return f"{value / unit:.{digits if unit == 1.0 else digits + 2}f}"

    def fed(mm):
        nonlocal e
        e = e + mm if absolute else mm
        return f"E{n(e, digits)}"

    def feed(mm_per_s):
        return f"F{n(60 * mm_per_s, 0)}"

    out = ["; invented example", "G20" if unit != 1.0 else "G21", "G90", "M82" if absolute else "M83"]
    out += ["M140 S45", "M104 S220", "G28", "M109 S220", "M204 P800 T1000", "M900 K0.1", "G92 E0"]
    out += [f"M221 S{flow:g}"] if flow else []
    out += [f"G1 Z{n(5)} {feed(10)}", f"G1 X{n(2)} Y{n(2)} {feed(120)}"]
    for k in range(layers):
        z = 0.2 * (k + 1)
        out += [f"; layer {k + 1}", f"G1 Z{n(z)} {feed(10)}"]
        if k == 1:
            out += ["M106 S128", "M400"]
        for number, (x, y) in enumerate(centres):
            for half, retract in ((5.0, True), (4.6, False)):
                if retract:
                    out.append(f"G1 {fed(-0.8)} {feed(30)}")
                out.append(f"G0 X{n(x - half)} Y{n(y - half)} {feed(120)}")
                if retract:
                    out.append(f"G1 {fed(0.8)} {feed(30)}")
                for i, (dx, dy) in enumerate(((half, -half), (half, half), (-half, half), (-half, -half))):
                    f = f" {feed(30 if half == 5 else 40)}" if i == 0 else ""
                    out.append(f"G1 X{n(x + dx)} Y{n(y + dy)} {fed(2 * half * 0.034)}{f}")
            out.append(f"G0 X{n(x + 2)} Y{n(y)} {feed(120)}")
            out.append(f"G3 X{n(x - 2)} Y{n(y)} I{n(-2)} J{n(0)} {fed(2 * math.pi * 0.034)} {feed(20)}")
            out.append(f"G3 X{n(x + 2)} Y{n(y)} I{n(2)} J{n(0)} {fed(2 * math.pi * 0.034)}")
            if number == 0 and k == 0:
                out.append("; between the islands")
    out += [f"G1 {fed(-0.8)} {feed(30)}", f"G1 Z{n(10)} {feed(10)}", f"G0 X{n(2)} Y{n(90)} {feed(120)}"]
    return [*out, "M107", "M104 S0", "M140 S0", "M84"]
