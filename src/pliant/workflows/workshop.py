"""The example workshop: a community repair workshop by a harbour. All of it is invented, measured values included.

Two machines, three spools, four jobs, written in the habits of several controllers: absolute and relative filament,
arcs, a spiral. The programs are what someone who prints rigid filament would send: quick, with a retraction per gap.
"""

import math
from collections.abc import Iterator

__all__ = ["JOBS", "RECORDS", "bellows_program", "feet_program", "gasket_program", "strain_relief_program"]

_FILAMENT_AREA_MM2 = math.pi * 1.75**2 / 4
_WIDTH, _HEIGHT = 0.45, 0.2
_PITCH = _WIDTH - _HEIGHT * (1 - math.pi / 4)  # [mm] centre distance at which rounded beads fill the plane
_BEAD, _FIRST, _TRAVEL = 45.0, 20.0, 120.0  # [mm/s] as for rigid filament
_RETRACT_MM, _RETRACT_SPEED = 1.0, 30.0

_MACHINE = """# Invented example: values as this workshop might have measured them.
name = "{name}"

[drive]
driven_wheels = 1
pinch_force_n = {{value = 32, spread = 1.15, source = "luggage scale"}}
grip_n = {{value = 18, spread = 1.15, source = "luggage scale"}}
motor_force_n = 60

{path}
[hot_end]
heated_length_mm = 12.5
bore_mm = 2.0
cone_half_angle_deg = 30
nozzle_mm = 0.4
land_mm = 0.6
face_mm = 1.0
liner = "{liner}"

[motion]
acceleration_mm_per_s2 = 1000
retract_acceleration_mm_per_s2 = 1000
corner_deviation_mm = 0.02
max_speed_mm_per_s = [150, 150, 12, 60]
"""
_GAP = (
    '[[path]]\nkind = "gap"\nlength_mm = {{value = {0}, spread = 1.03, source = "calliper"}}\nends = "pinned-fixed"\n\n'
)
_GUIDE = '[[path]]\nkind = "guide"\nlength_mm = {0}\nbore_mm = {1}\nturn_deg = {2}\nfriction = [0.05, 0.15]\n\n'
_FILAMENT = """# Invented example: no product; values as a data sheet and one ladder of flows might give them.
name = "Harbour {shore}A"
shore = {shore}
scale = "A"
diameter_mm = 1.75
nozzle_c = [{low}, {high}]
youngs_modulus_mpa = {{value = {modulus}, spread = 1.12, source = "data sheet (invented)"}}
consistency_pa_sn = {{value = {consistency}, spread = 1.2, source = "ladder of flows (invented)"}}
flow_index = {{value = 0.56, spread = 1.06, source = "ladder of flows (invented)"}}
activation_kj_per_mol = {{value = 50, spread = 1.2, source = "ladder of temperatures (invented)"}}
entry_factor = {{value = 1.8, spread = 1.25, source = "ladder of flows (invented)"}}
model_factor = {{value = 1.0, spread = 1.1, source = "ladder of flows (invented)"}}
"""
RECORDS = {
    "bench-2.machine.toml": _MACHINE.format(
        name="Bench 2", liner="none", path=_GAP.format(6.0) + _GUIDE.format(25, 2.0, 0)
    ),
    "long-tube.machine.toml": _MACHINE.format(
        name="Long Tube", liner="ptfe", path=_GAP.format(3.0) + _GUIDE.format(420, 2.0, 180)
    ),
    "95A.filament.toml": _FILAMENT.format(shore=95, low=215, high=235, modulus=69, consistency=3940),
    "85A.filament.toml": _FILAMENT.format(shore=85, low=210, high=230, modulus=33, consistency=3100),
    "75A.filament.toml": _FILAMENT.format(shore=75, low=210, high=230, modulus=15, consistency=2700),
}


class _Writer:
    """Writes words of motion; keeps the filament register for programs that count it."""

    def __init__(self, title: str, nozzle_c: float, *, relative: bool) -> None:
        self.relative, self.e, self.z = relative, 0.0, 0.0
        self.lines = [f"; invented example: {title}", "G21", "G90", "M83" if relative else "M82", "G28"]
        self.lines += ["M190 S45", f"M109 S{nozzle_c:g}", "G92 E0"]
        self.speed = _FIRST

    def _fed(self, mm: float) -> str:
        self.e = mm if self.relative else self.e + mm
        return f"E{self.e:.5f}"

    def layer(self, index: int) -> None:
        self.z = _HEIGHT * (index + 1)
        self.speed = _FIRST if index == 0 else _BEAD
        self.lines.append(f"G1 Z{self.z:.3f} F600")

    def travel(self, x: float, y: float, *, retract: bool) -> None:
        if retract:
            self.lines.append(f"G1 {self._fed(-_RETRACT_MM)} F{60 * _RETRACT_SPEED:g}")
        self.lines.append(f"G0 X{x:.3f} Y{y:.3f} F{60 * _TRAVEL:g}")
        if retract:
            self.lines.append(f"G1 {self._fed(_RETRACT_MM)} F{60 * _RETRACT_SPEED:g}")
        self.lines.append(f"G1 F{60 * self.speed:g}")

    def _volume(self, length: float, height: float = _HEIGHT) -> float:
        return length * ((_WIDTH - height) * height + math.pi * height**2 / 4) / _FILAMENT_AREA_MM2

    def bead(self, x: float, y: float, length: float, z: str = "") -> None:
        self.lines.append(f"G1 X{x:.3f} Y{y:.3f}{z} {self._fed(self._volume(length))}")

    def arc(self, x: float, y: float, i: float, j: float, length: float) -> None:
        self.lines.append(f"G3 X{x:.3f} Y{y:.3f} I{i:.3f} J{j:.3f} {self._fed(self._volume(length))}")

    def ring(self, cx: float, cy: float, r: float, n: int, *, retract: bool) -> None:
        self.travel(cx + r, cy, retract=retract)
        step = 2 * r * math.sin(math.pi / n)
        for k in range(1, n + 1):
            self.bead(cx + r * math.cos(2 * math.pi * k / n), cy + r * math.sin(2 * math.pi * k / n), step)

    def skirt(self, x0: float, y0: float, x1: float, y1: float) -> None:
        self.travel(x0, y0, retract=False)
        for x, y, length in ((x1, y0, x1 - x0), (x1, y1, y1 - y0), (x0, y1, x1 - x0), (x0, y0, y1 - y0)):
            self.bead(x, y, length)

    def text(self) -> str:
        return "\n".join([*self.lines, "M107", "M104 S0", "M140 S0"]) + "\n"


def feet_program(nozzle_c: float = 220.0, layers: int = 16) -> str:
    """A plate of twelve bumper feet: relative filament, domed, one retraction between feet."""
    w = _Writer("twelve bumper feet", nozzle_c, relative=True)
    for layer in range(layers):
        w.layer(layer)
        if layer == 0:
            w.skirt(6, 6, 106, 84)
        outer = 6.0 - 1.6 * (layer / layers) ** 2
        for k in range(12):
            x, y = 20 + 22 * (k % 4), 20 + 22 * (k // 4)
            r, first = outer, True
            while r > 0.6:
                w.ring(x, y, r, 28, retract=first)
                r, first = r - _PITCH, False
    return w.text()


def _open_arcs(r: float, holes: int, at: float, hole: float) -> list[tuple[float, float]]:
    """Parts of a circle of radius r outside the holes, as (start, end) angles."""
    cos = (r * r + at * at - hole * hole) / (2 * r * at)
    if cos >= 1:
        return [(0.0, 2 * math.pi)]
    half = math.acos(max(cos, -1.0))
    pitch = 2 * math.pi / holes
    return [(k * pitch + half, (k + 1) * pitch - half) for k in range(holes)]


def gasket_program(nozzle_c: float = 220.0, layers: int = 8) -> str:
    """A ring gasket with eight bolt holes: relative filament, arcs."""
    w = _Writer("ring gasket with eight bolt holes", nozzle_c, relative=True)
    cx = cy = 60.0
    inner, outer, at, hole = 30.0, 42.0, 36.0, 2.4
    for layer in range(layers):
        w.layer(layer)
        if layer == 0:
            w.skirt(12, 12, 108, 108)
        for k in range(8):
            x, y = cx + at * math.cos(k * math.pi / 4), cy + at * math.sin(k * math.pi / 4)
            for turn in range(2):
                r = hole + _PITCH * (turn + 0.5)
                w.travel(x + r, y, retract=turn == 0)
                w.arc(x + r, y, -r, 0, 2 * math.pi * r)
        r = outer - _PITCH / 2
        while r > inner:
            for a, b in _open_arcs(r, 8, at, hole + 2.5 * _PITCH):
                ax, ay = r * math.cos(a), r * math.sin(a)
                w.travel(cx + ax, cy + ay, retract=b - a < 2 * math.pi)
                w.arc(cx + r * math.cos(b), cy + r * math.sin(b), -ax, -ay, r * (b - a))
            r -= _PITCH
    return w.text()


def strain_relief_program(nozzle_c: float = 220.0, layers: int = 50) -> str:
    """A finned cable strain relief: absolute filament, a tube with six fins at every fourth millimetre."""
    w = _Writer("finned cable strain relief", nozzle_c, relative=False)
    cx = cy = 40.0
    for layer in range(layers):
        w.layer(layer)
        if layer == 0:
            w.skirt(20, 20, 60, 60)
        for turn in range(3):
            w.ring(cx, cy, 3.2 + _PITCH * turn, 32, retract=turn == 0)
        if layer % 20 >= 8 and layer:
            continue
        reach = 9.5 - 0.05 * layer
        for fin in range(6):
            a0 = fin * math.pi / 3
            half, r = math.radians(16), 3.2 + 3 * _PITCH
            forward, first = True, True
            while r < reach:
                a, b = (a0 - half, a0 + half) if forward else (a0 + half, a0 - half)
                if first:
                    w.travel(cx + r * math.cos(a), cy + r * math.sin(a), retract=True)
                else:
                    w.bead(cx + r * math.cos(a), cy + r * math.sin(a), _PITCH)
                for k in range(1, 6):
                    t = a + (b - a) * k / 5
                    w.bead(cx + r * math.cos(t), cy + r * math.sin(t), 2 * r * math.sin(half / 5))
                r, forward, first = r + _PITCH, not forward, False
    return w.text()


def bellows_program(nozzle_c: float = 220.0, turns: int = 60) -> str:
    """A thin bellows boot: absolute filament, one wall that climbs as a spiral on a flat foot."""
    w = _Writer("thin bellows boot", nozzle_c, relative=False)
    cx = cy = 50.0
    w.layer(0)
    r = 20.0
    while r > 14.0:
        w.ring(cx, cy, r, 96, retract=False)
        r -= _PITCH
    n = 96
    w.speed = _BEAD
    w.travel(cx + 16.0, cy, retract=False)
    px, py = cx + 16.0, cy
    for k in range(1, turns * n + 1):
        r = 16.0 + 2.5 * math.sin(2 * math.pi * k / n / 20)
        angle = 2 * math.pi * k / n
        x, y = cx + r * math.cos(angle), cy + r * math.sin(angle)
        w.bead(x, y, math.hypot(x - px, y - py), f" Z{_HEIGHT * (1 + k / n):.4f}")
        px, py = x, y
    return w.text()


JOBS = {
    "feet.gcode": feet_program,
    "gasket.gcode": gasket_program,
    "strain-relief.gcode": strain_relief_program,
    "bellows.gcode": bellows_program,
}


def files() -> Iterator[tuple[str, str]]:
    """Name and text of every file of the workshop."""
    yield from RECORDS.items()
    for name, make in JOBS.items():
        yield name, make()
