"""Short programs in the habits of many writers: posts in a zigzag order, and an end of a chosen kind.

One generator with switches, so that a fault that hides behind one habit is looked for behind all of them.
"""

import math

__all__ = ["ENDS", "ROW", "posts"]

ROW = ((20, 10), (60, 10), (30, 10), (70, 18), (45, 10), (85, 10))  # a zigzag, with one post out of the line
ENDS = {
    "last bead": [],
    "retraction": ["G1 {-2} F1800"],
    "retraction by the controller": ["{back}"],
    "lift": ["G1 Z10 F600"],
    "relative lift": ["G91", "G1 Z5 F600", "G90"],
    "dwell": ["G4 P100", "M104 S0"],
    "half a park": ["G1 {-2} F1800", "G1 Z10 F600", "G0 X0 F6000"],
    "park": ["G1 {-2} F1800", "G1 Z10 F600", "G0 X0 Y100 F6000"],
    "homing one axis": ["G1 {-2} F1800", "G28 X"],
    "a spiral lift": ["G2 Z1.4 I1 J0 F3000"],
    "relative park": ["G91", "G1 X-3 Y2 F6000", "G90"],
}


def posts(
    end="last bead", *, places=ROW, layers=3, absolute=False, arcs=False, resets=False, hop=False, short=False,
    firmware=False, walls_first=False, comments=False, modal=False,
):  # fmt: skip
    """Lines of a program that lays a small post at each place.

    `absolute`: E counts on; `resets`: G92 E0 before each layer; `hop`: the nozzle is lifted over each travel; `short`:
    an axis that stays is left out; `firmware`: G10 and G11; `walls_first`: every ring first, then every core;
    `modal`: a feed that stays is left out.
    """
    e = 0.0
    lines = ["G21", "G90", "M82" if absolute else "M83", "G28", "M109 S220", *(["M207 S0.8 F1800"] if firmware else [])]

    def fed(mm):
        nonlocal e
        e = e + mm if absolute else mm
        return f"E{e:.5f}"

    def back(sign):
        return ("G10" if sign < 0 else "G11") if firmware else f"G1 {fed(0.8 * sign)} F1800"

    here = (None, None)

    def words(x, y):
        nonlocal here
        said = [
            f"{axis}{new:.3f}" for axis, new, old in zip("XY", (x, y), here, strict=True) if not short or new != old
        ]
        here = (x, y)
        return " ".join(said)

    def ring(x, y, side):
        if arcs:
            r = side / 2
            lines.append(f"G3 {words(x + side, y)} I{r:.3f} J0 {fed(0.033 * math.pi * r)} F1200")
            lines.append(f"G3 {words(x, y)} I{-r:.3f} J0 {fed(0.033 * math.pi * r)}")
            return
        for dx, dy in ((side, 0), (side, side), (0, side), (0, 0)):
            lines.append(f"G1 {words(x + dx, y + dy)} {fed(0.033 * side)} F1200")

    def go(x, y, z):
        lines.append(back(-1))
        if hop:
            lines.append(f"G1 Z{z + 0.4:.2f} F600")
        lines.append(f"G0 {words(x, y)} F7200")
        if hop:
            lines.append(f"G1 Z{z:.2f} F600")
        lines.append(back(+1))

    for k in range(layers):
        z = 0.2 * (k + 1)
        if comments:
            lines.append(f"; {k + 1} of {layers} (X0 Y0)")
        if resets and absolute:
            lines.append("G92 E0")
            e = 0.0
        lines.append(f"G1 Z{z:.2f} F600")
        rounds = [(0, 3.0), (0.4, 2.2)]
        for inset in [[r] for r in rounds] if walls_first else [rounds]:
            for x, y in places:
                for n, (shift, side) in enumerate(inset):
                    at = (x + shift, y if arcs else y + shift)
                    if n == 0:
                        go(*at, z)
                    else:
                        lines.append(f"G0 {words(*at)} F7200")
                    ring(*at, side)
    for line in ENDS[end]:
        lines.append(back(-1) if line == "{back}" else line.replace("{-2}", fed(-2)) if "{-2}" in line else line)
    return _modal(lines) if modal else lines


def _modal(lines):
    """Leave out feeds that stand already."""
    stands, out = "", []
    for line in lines:
        words = line.split()
        feed = words[-1] if words[0] in ("G0", "G1", "G2", "G3") and words[-1].startswith("F") else ""
        out.append(" ".join(words[:-1]) if feed and feed == stands else line)
        stands = feed or stands
    return out
