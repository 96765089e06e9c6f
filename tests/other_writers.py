"""Programs by writers of other habits: each kind a part of its own, laid the way that some software lays it.

Line by line across islands, all walls before all fill, a lift at each travel, retraction before the rise, words of
state before every feature, sparse grids, several parts on a bed, a spiral: what stopped an order of whole islands.
"""

import math

__all__ = ["KINDS", "Writer", "posts_in_a_box"]

_WIDTH, _HEIGHT = 0.45, 0.2
_PER_MM = ((_WIDTH - _HEIGHT) * _HEIGHT + math.pi * _HEIGHT**2 / 4) / 2.405282  # of filament


class Writer:
    """Lays runs; its switches are the habits."""

    def __init__(
        self, *, absolute=False, lift=0.0, back=1.0, before_rise=False, words=None, wipe=0.0, short=False, resets=False,
        firmware=False, pause=False,
    ):  # fmt: skip
        self.absolute, self.lift, self.back, self.before_rise = absolute, lift, back, before_rise
        self.words, self.wipe, self.short, self.resets = words or {}, wipe, short, resets
        self.firmware, self.pause = firmware, pause
        self.e, self.x, self.y, self.z, self.last, self.kind = 0.0, 0.0, 0.0, 0.0, [(0.0, 0.0)], ""
        self.lines = ["G21", "G90", "M82" if absolute else "M83", "G28", "M109 S220", "M204 P900 T1500", "M106 S80"]
        self.lines += ["M207 S1 F1800"] if firmware else []
        self.laid = False

    def fed(self, mm):
        self.e = self.e + mm if self.absolute else mm
        return f"E{self.e:.5f}"

    def place(self, x, y):
        said = [] if self.short and f"{x:.3f}" == f"{self.x:.3f}" else [f"X{x:.3f}"]
        said += [] if self.short and f"{y:.3f}" == f"{self.y:.3f}" else [f"Y{y:.3f}"]
        self.x, self.y = x, y
        return " ".join(said or [f"X{x:.3f}"])

    def draw_back(self):
        if self.back and self.laid:
            self.lines.append("G10" if self.firmware else f"G1 {self.fed(-self.back)} F2100")

    def layer(self):
        """Rise."""
        if self.before_rise:
            self.draw_back()
        self.z += _HEIGHT
        if self.pause:
            self.lines.append(f"M117 {self.z:.1f} mm")
        if self.resets and self.absolute:
            self.lines.append("G92 E0")
            self.e = 0.0
        self.lines.append(f"G1 Z{self.z:.3f} F600")
        self.risen = self.before_rise and self.laid

    def run(self, points, kind="wall"):
        """A run through points, with its lead-in."""
        if math.dist(points[0], (self.x, self.y)) > 0.001:
            if not self.risen:
                self.draw_back()
            if self.lift and self.laid:
                self.lines.append(f"G1 Z{self.z + self.lift:.3f} F600")
            self.lines.append(f"G0 {self.place(*points[0])} F7200")
            if self.lift and self.laid:
                self.lines.append(f"G1 Z{self.z:.3f} F600")
            if self.back and self.laid:
                self.lines.append("G11" if self.firmware else f"G1 {self.fed(self.back)} F1800")
        self.risen = False
        if kind != self.kind and kind in self.words:
            self.lines += self.words[kind]
        self.kind, self.laid, self.last = kind, True, points
        for k, (x, y) in enumerate(points[1:]):
            e = _PER_MM * math.dist((self.x, self.y), (x, y))
            self.lines.append(f"G1 {self.place(x, y)} {self.fed(e)}" + (" F1500" if k == 0 else ""))

    def end(self, park=True):
        """Lines of the program."""
        self.draw_back()
        if park:
            self.lines += [f"G1 Z{self.z + 10:.2f} F600", "G0 X0 Y150 F6000", "M107", "M104 S0"]
        return self.lines


def _box(x, y, w, h, inset=0.0):
    i = inset
    a, b, c, d = x + i, y + i, x + w - i, y + h - i
    return [(a, b), (c, b), (c, d), (a, d), (a, b)]


def _ring(x, y, r, n=48, start=0.0):
    return [
        (x + r * math.cos(start + 2 * math.pi * k / n), y + r * math.sin(start + 2 * math.pi * k / n))
        for k in range(n + 1)
    ]


def _strips(x0, x1, y0, y1, solid, step):
    """Lines along x of the part of a box where `solid(x, y)` holds, in order of y."""
    out, count = [], int((y1 - y0) / step)
    for k in range(count + 1):
        y, begin, n = y0 + k * step, None, int((x1 - x0) / 0.1)
        for i in range(n + 2):
            x = x0 + i * 0.1
            inside = i <= n and solid(x, y)
            if inside and begin is None:
                begin = x
            elif not inside and begin is not None:
                if x - 0.1 - begin > 0.3:
                    out.append([(begin, y), (x - 0.1, y)])
                begin = None
    return out


def comb(layers=10, teeth=14, **habits):
    """A back with teeth; fill line by line across all of them, walls last."""
    w = Writer(**habits)
    width = 6 * teeth - 3

    def solid(x, y):
        return y < 8 or (x - 20) % 6 < 3

    for k in range(layers):
        w.layer()
        for line in _strips(
            20.5,
            20 + width - 0.5,
            20.5,
            38.0,
            lambda x, y: (solid(x, y - 20) and 0.4 < (x - 20) % 6 < 2.6) or y < 27.6,
            0.45,
        ):
            w.run(line if k % 2 == 0 else line[::-1], "fill")
        edge = [(20.0, 20.0), (20.0 + width, 20.0)]
        for t in reversed(range(teeth)):
            x = 20.0 + 6 * t
            edge += (
                [(x + 3, 28.0), (x + 3, 38.5), (x, 38.5), (x, 28.0)]
                if t < teeth - 1
                else [(x + 3, 38.5), (x, 38.5), (x, 28.0)]
            )
        w.run([*edge, (20.0, 20.0)], "wall")
    return w.end()


def grid_feet(layers=8, places=((20, 20), (60, 20), (100, 20), (20, 60), (60, 60), (100, 60)), **habits):
    """Feet with walls and a sparse grid inside: all walls of all feet first, then all fill."""
    w = Writer(**habits)
    for k in range(layers):
        w.layer()
        for x, y in places:
            w.run(_ring(x, y, 8.0), "wall")
        for x, y in places[::-1] if k % 2 else places:
            w.run(_ring(x, y, 7.55), "wall")
        for turn in (0, 1):
            for n in range(-5, 6):
                for x, y in places:
                    at, half = 1.4 * n, math.sqrt(max(7.3**2 - (1.4 * n) ** 2, 0.01))
                    line = (
                        [(x - half, y + at), (x + half, y + at)]
                        if turn == 0
                        else [(x + at, y - half), (x + at, y + half)]
                    )
                    w.run(line if n % 2 else line[::-1], "fill")
    return w.end()


def nested(layers=10, **habits):
    """Rings in one another with air between, a few parts; each layer goes round all outer rings first."""
    w = Writer(**habits)
    for k in range(layers):
        w.layer()
        for r in (12.0, 8.0, 4.0):
            for x, y in ((30, 30), (70, 30), (30, 70), (70, 70)):
                for inset in (0.0, 0.45, 0.9):
                    w.run(_ring(x, y, r - inset, 40, 0.7 * k), "wall" if inset == 0 else "fill")
    return w.end()


def two_posts(layers=40, **habits):
    """Two slender posts: whatever the order, every layer crosses the air between them."""
    w = Writer(**habits)
    for _ in range(layers):
        w.layer()
        for x in (20, 60):
            for inset in (0.0, 0.45, 0.9):
                w.run(_box(x, 20, 8, 8, inset), "wall")
            for line in _strips(x + 1.3, x + 6.7, 21.3, 26.7, lambda x, y: True, 0.45):
                w.run(line, "fill")
    return w.end()


def ring_gasket(layers=8, holes=10, **habits):
    """A flat ring with holes; fill line by line across the hole in the middle."""
    w = Writer(**habits)
    centres = [
        (70 + 30 * math.cos(2 * math.pi * k / holes), 70 + 30 * math.sin(2 * math.pi * k / holes)) for k in range(holes)
    ]

    def solid(x, y):
        r = math.dist((x, y), (70, 70))
        return 22.8 < r < 37.2 and all(math.dist((x, y), c) > 3.7 for c in centres)

    strips = _strips(32.0, 108.0, 32.0, 108.0, solid, 0.45)
    for k in range(layers):
        w.layer()
        for r in (38.0, 37.55, 22.0, 22.45):
            w.run(_ring(70, 70, r, 90), "wall")
        for c in centres:
            w.run(_ring(*c, 3.0, 24), "wall")
            w.run(_ring(*c, 3.45, 24), "wall")
        for line in strips:
            turned = [(y, x) for x, y in line] if k % 2 else line
            w.run(turned, "fill")
    return w.end()


def boot(layers=60, **habits):
    """A bellows: two thin walls whose radius goes up and down; inner and outer begin on opposite sides."""
    w = Writer(**habits)
    for k in range(layers):
        w.layer()
        r = 15 + 3 * math.sin(k / 4)
        w.run(_ring(60, 60, r, 80), "wall")
        w.run(_ring(60, 60, r - 0.45, 80, math.pi), "wall")
    return w.end()


def bed(layers=6, **habits):
    """Nine small parts on a bed in a zigzag, walls and fill of each."""
    w = Writer(**habits)
    places = [(20 + 30 * (k * 2 % 3), 20 + 30 * (k * 5 % 3 if k % 2 else k // 3)) for k in range(9)]
    places = list(dict.fromkeys(places + [(20 + 30 * i, 20 + 30 * j) for i in range(3) for j in range(3)]))
    for _ in range(layers):
        w.layer()
        for inset in (0.0, 0.45):
            for x, y in places:
                w.run(_box(x, y, 10, 10, inset), "wall")
        for x, y in places[::-1]:
            for line in _strips(x + 0.9, x + 9.1, y + 0.9, y + 9.1, lambda x, y: True, 0.45):
                w.run(line, "fill")
    return w.end()


def spiral(turns=30, **habits):
    """A vase: one wall that climbs all the way."""
    w = Writer(**habits)
    w.layer()
    w.run(_ring(50, 50, 20, 60))
    n = 60
    for k in range(turns * n):
        angle = 2 * math.pi * k / n
        x, y, z = 50 + 20 * math.cos(angle), 50 + 20 * math.sin(angle), w.z + _HEIGHT * (k + 1) / n
        w.lines.append(f"G1 X{x:.3f} Y{y:.3f} Z{z:.4f} {w.fed(_PER_MM * 2.1)}")
    return w.end()


_WORDS = {"wall": ["M204 P500", "M106 S60"], "fill": ["M204 P1200", "M106 S130"]}


def posts_in_a_box(*, floor=2, walls=5, roof=2, missing=None, outside=False, **habits):
    """A box of single walls with two posts inside; a wall bead of a layer may be missing, posts may stand outside."""
    w = Writer(**habits)
    corners, x = _box(20.0, 20.0, 20.0, 14.0), 60.0 if outside else 27.0
    for k in range(floor + walls + roof):
        w.layer()
        for side in range(4):
            if (k, side) != missing:
                w.run([corners[side], corners[side + 1]])
        if floor <= k < floor + walls:
            w.run([(x, 26.0), (x, 28.0)])
            w.run([(x + 6, 28.0), (x + 6, 26.0)])
        else:
            for n in range(30):
                y = 20.45 + 0.45 * n
                w.run([(20.2, y), (39.8, y)][:: 1 if n % 2 == 0 else -1])
    return w.end(park=False)


KINDS = {
    "comb": lambda n=10: comb(n),
    "comb, absolute, resets": lambda n=10: comb(n, absolute=True, resets=True, short=True),
    "feet, sparse grid": lambda n=8: grid_feet(n, before_rise=True),
    "feet, words of state": lambda n=8: grid_feet(n, words=_WORDS),
    "nested, lifts": lambda n=10: nested(n, lift=0.4, absolute=True),
    "two posts": lambda n=40: two_posts(n),
    "ring gasket": lambda n=8: ring_gasket(n),
    "ring gasket, lifts, words": lambda n=8: ring_gasket(n, lift=0.3, words=_WORDS, before_rise=True),
    "boot": lambda n=60: boot(n, before_rise=True),
    "bed": lambda n=6: bed(n, firmware=True, pause=True),
    "spiral": lambda n=30: spiral(n),
}
