"""Draw the pictures of the model pages: `python docs/models/make_pictures.py`.

Curves are the models', rings and squares the published tables in tests/published or the reference sheets. A test holds
the drawn files against what this writes.
"""

import sys
import warnings
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parents[1] / "tests"))

from model_figures import METERING, flexural_rows, metering_losses  # noqa: E402
from pliant.colours import INK, MOSS, OCHRE, PAPER, PLUM  # noqa: E402
from pliant.errors import ValidityWarning  # noqa: E402
from pliant.models import (  # noqa: E402
    bead,
    cellular,
    column,
    dam,
    drive,
    drying,
    guide,
    lag,
    melting,
    pressure,
    slender,
    stiffness,
    store,
)  # fmt: skip
from pliant.report.plot import Frame, line  # noqa: E402
from published_rows import rows  # noqa: E402

DASH = {MOSS: "", OCHRE: "9 5", PLUM: "2 4", INK: "12 3 2 3"}


def _mark(frame, x, y, square=False):
    px, py = frame.x(x), frame.y(y)
    if square:
        return f'<path d="M{px - 4:.1f} {py - 4:.1f}h8v8h-8z" fill="{PAPER}" stroke="{PLUM}" stroke-width="1.5"/>'
    return f'<circle cx="{px:.1f}" cy="{py:.1f}" r="3.5" fill="none" stroke="{PLUM}" stroke-width="1.5"/>'


def _word(frame, x, y, words, anchor="start", rise=-6):
    return f'<text x="{frame.x(x):.1f}" y="{frame.y(y) + rise:.1f}" text-anchor="{anchor}" class="halo">{words}</text>'


def _curve(frame, xs, ys, colour):
    keep = np.isfinite(ys)
    return line(frame, list(np.asarray(xs)[keep]), list(np.asarray(ys)[keep]), colour, DASH[colour])


def _picture(frame, label, axes, drawing):
    text = frame.svg(label, axes + frame.inside(drawing))
    style = (
        '<style>text{font:13px "DejaVu Sans",sans-serif;fill:#1d2430}'
        f".halo{{paint-order:stroke;stroke:{PAPER};stroke-width:4px}}</style>"
        f'<rect width="100%" height="100%" fill="{PAPER}"/>'
    )
    return text.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1).replace("><defs>", f">{style}<defs>", 1)


def stiffness_picture():
    """Modulus against Shore A, with the data-sheet rows."""
    f = Frame(560, 300, 98, 2, 200, log_y=True, x_low=60)
    shore = np.linspace(60, 98, 77)
    curves = {
        "data-sheets": (stiffness.modulus_from_hardness_mpa(shore), MOSS, 79),
        "log-linear": (stiffness.modulus_from_hardness_mpa(shore, method="log-linear"), OCHRE, 69),
        "indentation": (stiffness.modulus_from_hardness_mpa(shore, method="indentation"), INK, 82),
    }
    out = ""
    for name, (e, colour, at) in curves.items():
        out += _curve(f, shore, e, colour)
        below = name == "indentation"
        out += _word(f, at, np.interp(at, shore, e), name, "start" if below else "end", 18 if below else -8)
    out += "".join(_mark(f, s, e) for s, e in flexural_rows("A"))
    axes = f.axes([60, 70, 80, 90], [2, 5, 10, 20, 50, 100, 200], "Shore A", "E, MPa")
    return _picture(f, "Modulus against Shore A by three methods; rings are data sheets of polyurethane", axes, out)


def column_picture():
    """Buckling load over Euler's against slenderness."""
    f = Frame(560, 300, 10, 0.2, 2.0, x_low=1)
    slender = np.linspace(1, 10, 200)
    euler = column.buckling_force_n(1.0, 1.0, slender)
    out = f'<rect x="{f.x(1):.1f}" y="{f.top}" width="{f.x(2) - f.x(1):.1f}" height="244" fill="{f.hatch()}"/>'
    out += f'<path d="M{f.x(1):.1f} {f.y(1):.1f}H{f.x(10):.1f}" stroke="{INK}" stroke-width="1.5"/>'
    for words, colour, place in (
        ("neo-hookean", MOSS, 1.09), ("haringx, dashed", OCHRE, 0.66), ("engesser, dotted", PLUM, 0.5),
    ):  # fmt: skip
        ratio = column.buckling_force_n(1.0, 1.0, slender, theory=words.split(",")[0]) / euler
        out += _curve(f, slender, ratio, colour) + _word(f, 3.4, place, words)
    for row in rows("solid_column_neohookean.csv"):
        for key in ("exact_neohookean", "engesser_kappa0.9", "haringx_kappa0.9"):
            out += _mark(f, float(row["Le_over_d"]), float(row[f"N_over_NEuler_{key}"]))
    out += _word(f, 8.4, 1.0, "Euler", rise=18) + _word(f, 1.08, 0.25, "squash")
    axes = f.axes([1, 2, 4, 6, 8, 10], [0.5, 1, 1.5, 2], "effective length over diameter", "load over Euler's load")
    return _picture(f, "Buckling load over Euler's against slenderness; rings are the table", axes, out)


def guide_picture():
    """Push at the entry against push at the far end."""
    f = Frame(560, 300, 18, 0, 45)
    out = ""
    tube = {"length_mm": 300.0, "friction": 0.1, "turn_rad": 0.0, "diameter_mm": 1.75, "youngs_modulus_mpa": 20.0}
    push = np.linspace(0, 17, 341)
    for bore, colour, words in ((2.5, PLUM, "bore 2.5"), (2.0, MOSS, "2.0"), (1.9, OCHRE, "1.9")):
        into = guide.push_into_guide_n(push, bore_mm=bore, **tube)
        into = np.where(into < 60, into, np.nan)
        out += _curve(f, push, into, colour)
        place = int(np.nanargmin(np.abs(into - 33)))
        out += _word(f, push[place] - 0.2, 33, words, "end")
    fill = float(guide.fill_force_n(bore_mm=1.9, diameter_mm=1.75, youngs_modulus_mpa=20.0))
    out += f'<path d="M{f.x(0):.1f} {f.y(fill):.1f}H{f.x(18):.1f}" stroke="{OCHRE}" stroke-dasharray="3 3"/>'
    out += _word(f, 17.8, fill, "a bore of 1.9 is filled", "end")
    for x, y in zip((1, 2, 4, 6, 8), (1.113, 2.511, 6.748, 15.42, 43.1), strict=True):
        out += _mark(f, x, y)
    axes = f.axes([0, 5, 10, 15], [0, 10, 20, 30, 40], "push that leaves, N", "push that enters, N")
    return _picture(f, "Push into a guide against push out for three bores; rings are a worked example", axes, out)


def drive_picture():
    """Squash against pinch."""
    f = Frame(560, 300, 45, 0, 0.5)
    pinch = np.linspace(0, 45, 181)
    out = f'<rect x="{f.left}" y="{f.top}" width="494" height="{f.y(0.306) - f.top:.1f}" fill="{f.hatch()}"/>'
    table = {10: (0.83, 2.4, 4.3), 20: (1.7, 4.7, 8.7), 40: (3.3, 9.4, 17.3), 100: (8.3, 23.6, 43.3)}
    for (modulus, pinches), colour in zip(table.items(), (INK, PLUM, OCHRE, MOSS), strict=True):
        squash = drive.pinch_squash_mm(pinch, youngs_modulus_mpa=float(modulus), diameter_mm=1.75, wheel_radius_mm=5.5)
        out += _curve(f, pinch, squash, colour)
        at = float(np.interp(0.42, squash, pinch)) if squash[-1] > 0.42 else 36.0
        out += _word(f, at + 0.6, np.interp(at, pinch, squash), f"{modulus} MPa", rise=16)
        out += "".join(_mark(f, n, d) for n, d in zip(pinches, (0.1, 0.2, 0.3), strict=True))
    out += _word(f, 44, 0.4, "beyond Hertz", "end")
    axes = f.axes([0, 10, 20, 30, 40], [0, 0.1, 0.2, 0.3, 0.4, 0.5], "pinch, N", "squash of one side, mm")
    return _picture(f, "Squash against pinch for four moduli; rings are the table", axes, out)


def melting_picture():
    """Limit of flow against the wall's temperature."""
    f = Frame(560, 300, 245, 0, 30, x_low=175)
    wall = np.linspace(175, 245, 141)
    out = ""
    for criterion, colour in (("axis", MOSS), ("mean", OCHRE)):
        limit = melting.melt_flow_limit_mm3_per_s(12.5, wall, 25.0, 167.0, 0.087, criterion)
        out += _curve(f, wall, limit, colour) + _word(f, 230, np.interp(230, wall, limit), criterion, "end", -8)
    for t, axis, mean in ((200, 9.2, 15.2), (220, 11.1, 21.1), (240, 12.7, 27.4)):
        out += _mark(f, t, axis) + _mark(f, t, mean)
    axes = f.axes([180, 200, 220, 240], [0, 10, 20, 30], "wall, °C", "largest flow, mm³/s")
    return _picture(f, "Largest flow against wall temperature by two criteria; rings are the table", axes, out)


def pressure_picture():
    """Shear part of a cone against the measured entry loss."""
    f = Frame(560, 300, 120, 0.05, 20, log_y=True)
    rate = np.linspace(10, 120, 111)
    shear = pressure.cone_drop_mpa(rate * np.pi * 1.59**3 / 4, 7.5, 1.59, 45.0, 23300.0, 0.29)
    out = _curve(f, rate, shear, MOSS)
    for x, low, high in ((47.4, 0.1395, 3.58), (94.8, 0.1706, 4.63)):
        out += f'<path d="M{f.x(x):.1f} {f.y(low):.1f}V{f.y(high):.1f}" stroke="{PLUM}" stroke-dasharray="2 4"/>'
        out += _mark(f, x, low) + _mark(f, x, high, square=True) + _word(f, x + 1.5, 0.8, f"×{high / low:.0f}")
    out += _word(f, 112, 0.17, "shear part", "end", 20) + _word(f, 112, 5.2, "measured entry loss", "end")
    axes = f.axes([0, 40, 80, 120], [0.1, 1, 10], "apparent shear rate, 1/s", "pressure, MPa")
    return _picture(f, "Shear part of a cone and the entry loss measured on it, 26 times higher", axes, out)


def dam_picture():
    """Share of the still slit's pressure against how much of the slit the bead fills."""
    f = Frame(560, 300, 2.0, 0, 1.0, x_low=0.5)
    s = np.linspace(0.5, 2.0, 151)
    out = ""
    for n, colour in ((0.45, MOSS), (0.72, OCHRE), (1.0, INK)):
        share = dam.moving_bed_share(s, n)
        out += _curve(f, s, share, colour) + _word(f, 1.98, share[-1], f"n {n:g}", "end", 22 if n > 0.5 else -8)
    # derived outside the project, as in tests/models/test_dam.py
    for x, row in ((0.6, (0.1323, 0.1589, 0.1667)), (0.905, (0.6088, 0.5234, 0.4475)), (1.0, (0.6770, 0.5812, 0.5))):
        for y in row:
            out += _mark(f, x, y)
    axes = f.axes(
        [0.5, 1.0, 1.5, 2.0],
        [0, 0.25, 0.5, 0.75, 1],
        "section of the bead over that of the slit",
        "share of the pressure",
    )
    return _picture(
        f, "Share of a still slit's pressure that a moving bed leaves; rings are a table derived elsewhere", axes, out
    )


def lag_picture():
    """Share of the stored melt that has left."""
    f = Frame(560, 300, 6, 0, 1.12)
    t = np.linspace(0, 6, 121)
    out = ""
    for n, colour, at, rise in ((1.0, INK, 2.4, -14), (0.7, OCHRE, 4.4, 20), (0.45, MOSS, 2.4, 22)):
        share = lag.ooze_mm3(t, 1.0, 1.0, 1.0, n)
        out += _curve(f, t, share, colour)
        out += _word(f, at, np.interp(at, t, share), f"n {n:g}" + (" (exponential)" if n == 1 else ""), rise=rise)
    axes = f.axes([0, 1, 2, 3, 4, 5, 6], [0, 0.25, 0.5, 0.75, 1], "time since the stop, t Q / (C P)", "share oozed")
    return _picture(f, "Share of the stored melt that has left after a stop, for three flow indices", axes, out)


def store_picture():
    """Feed for a flow that starts, changes and stops, with what the drive can give."""
    f = Frame(560, 300, 6, -6.5, 8.5)
    h = 0.02
    t = np.arange(0, 6 + h / 2, h)
    flow = np.where((t >= 1) & (t < 3), 1.0, np.where((t >= 3) & (t < 5), 2.0, 0.0))
    feed = store.planned_feed_mm3_per_s(flow, h, 1.0, 0.6, most_mm3_per_s=6.0, rise_s=0.08)
    out = _curve(f, t, flow, MOSS) + _curve(f, t[1:], feed, INK)
    out += (
        _word(f, 3.6, 2.0, "wanted flow", rise=-8) + _word(f, 1.25, 5.6, "charge") + _word(f, 3.75, -5.6, "draw-back")
    )
    axes = f.axes([0, 1, 2, 3, 4, 5, 6], [-6, -3, 0, 3, 6], "time, s", "feed, mm³/s")
    return _picture(f, "Feed planned for a flow that starts, rises and stops: charge, step and draw-back", axes, out)


def metering_picture():
    """Causes of underfeed, low to high."""
    f = Frame(560, 190, 12, 0, 3, left=80)
    out = ""
    ends = [metering_losses(*values) for values in METERING.values()]
    for i, (cause, colour) in enumerate((("bite", PLUM), ("slip", OCHRE), ("stretch", MOSS))):
        low, middle, high = (100 * loss[cause] for loss in ends)
        y = f.y(i + 0.5)
        out += f'<path d="M{f.x(low):.1f} {y:.1f}H{f.x(high):.1f}" stroke="{colour}" stroke-width="8"/>'
        out += f'<circle cx="{f.x(middle):.1f}" cy="{y:.1f}" r="6" fill="{PAPER}" stroke="{INK}" stroke-width="2"/>'
    axes = f.axes([0, 3, 6, 9, 12], [], "share of the filament that does not arrive, %", "")
    for i, cause in enumerate(("bite", "slip", "stretch")):
        axes += f'<text x="72" y="{f.y(i + 0.5) + 4:.1f}" text-anchor="end">{cause}</text>'
    return _picture(f, "Low, middle and high guess of stretch, slip and bite", axes, out)


def bead_picture():
    """Section of a pressed bead beside the free strand of the same area."""
    f = Frame(560, 240, 1.0, 0, 0.44, left=20, bottom=30)
    scale = f.x(1) - f.x(0)
    f = Frame(560, 240, 1.0, 0, 196 / scale, left=20, bottom=30)  # one scale both ways
    w, h = 0.45, 0.2
    d = float(bead.strand_diameter_mm(bead.bead_area_mm2(w, h)))
    bed, r = f.y(0), h / 2 * scale
    out = f'<path d="M{f.x(0):.1f} {bed:.1f}H{f.x(1):.1f}" stroke="{INK}" stroke-width="2"/>'
    out += f'<path d="M{f.x(0.02):.1f} {f.y(h):.1f}H{f.x(0.58):.1f}" stroke="{INK}" stroke-dasharray="6 4"/>'
    left, right = f.x(0.075), f.x(0.075 + w)
    out += (
        f'<path d="M{left + r:.1f} {bed:.1f}A{r:.1f} {r:.1f} 0 0 1 {left + r:.1f} {bed - 2 * r:.1f}H{right - r:.1f}'
        f'A{r:.1f} {r:.1f} 0 0 1 {right - r:.1f} {bed:.1f}Z" fill="{MOSS}" stroke="{INK}" stroke-width="1.5"/>'
    )
    radius = d / 2 * scale
    out += (
        f'<circle cx="{f.x(0.8):.1f}" cy="{bed - radius:.1f}" r="{radius:.1f}" fill="{OCHRE}" stroke="{INK}" '
        f'stroke-width="1.5"/>'
    )
    out += _word(f, 0.3, h, "nozzle face", "middle") + _word(f, 0.3, 0.09, "pressed, 0.45 × 0.2", "middle", 0)
    out += _word(f, 0.8, d, f"free strand, {d:.3f}", "middle", -8)
    notes = (
        f'<text x="280" y="{bed + 20:.1f}" text-anchor="middle">same area, {bead.bead_area_mm2(w, h):.4f} mm²</text>'
    )
    return _picture(f, "A pressed bead between nozzle face and bed, and the round strand of the same area", notes, out)


def drying_picture():
    """Share of water left against Fourier number."""
    f = Frame(560, 300, 0.7, 0, 1.0)
    fourier = np.concatenate([np.linspace(0, 0.02, 41)[1:], np.linspace(0.02, 0.7, 137)])
    left = drying.water_left_fraction(1e-12, 2.0, fourier * 1e6)  # a radius of 1 mm: Fo = D t / 1e-6 m2
    out = _curve(f, fourier, left, MOSS)
    for row in rows("solid_crank_cylinder.csv"):
        if float(row["Dt_over_a2"]) <= 0.7:
            out += _mark(f, float(row["Dt_over_a2"]), float(row["fraction_remaining"]))
    out += _word(f, 0.22, 0.42, "water leaves through the skin")
    axes = f.axes([0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7], [0, 0.25, 0.5, 0.75, 1], "D t / a²", "share left")
    return _picture(f, "Share of water left against D t over radius squared; rings are the published table", axes, out)


def cellular_picture():
    """Modulus of an infill over that of its walls, against density."""
    f = Frame(560, 320, 0.42, 0.001, 1, log_y=True, x_low=0.04, left=60)
    rho = np.linspace(0.05, 0.4, 71)
    out = ""
    for pattern, direction, colour, words, at, rise in (
        ("hexagon", "axial", INK, "any prism, axial", 0.055, -26), ("square", "in-plane", OCHRE, "square", 0.3, -6),
        ("triangle", "in-plane", PLUM, "triangle", 0.1, 17), ("foam", "in-plane", INK, "foam", 0.11, 20),
        ("hexagon", "in-plane", MOSS, "hexagon, in plane", 0.2, 20),
    ):  # fmt: skip
        share = cellular.cellular_modulus_mpa(1.0, rho, pattern, direction)
        out += _curve(f, rho, share, colour) + _word(f, at, np.interp(at, rho, share), words, rise=rise)
    # the course formula sheet's table, as in tests/models/test_cellular.py
    for x, plane, foam in ((0.1, 0.0015, 0.01), (0.2, 0.012, 0.04), (0.3, 0.0405, 0.09), (0.4, 0.096, 0.16)):
        out += _mark(f, x, plane) + _mark(f, x, x) + _mark(f, x, foam)
    axes = f.axes([0.1, 0.2, 0.3, 0.4], [0.001, 0.01, 0.1, 1], "relative density", "E / E of the solid")
    return _picture(
        f, "Modulus over that of the solid against relative density; rings are the published table", axes, out
    )


def slender_picture():
    """How far the tip of a square post gives way under the estimated side force."""
    f = Frame(560, 300, 60, 0.0001, 10, log_y=True, x_low=2, left=64)
    height = np.linspace(3, 60, 115)
    force = float(slender.side_force_n(1.0, 0.0814))  # 1 MPa under the face, a bead of 0.45 x 0.2 mm
    spread = slender.SIDE_FORCE_SPREAD**1.6449
    out = ""
    for side, colour, at in ((2, PLUM, 14), (4, OCHRE, 30), (8, MOSS, 34)):
        stiff = slender.tip_stiffness_n_per_mm(33.0, side**4 / 12, height, area_mm2=side**2)
        give = force / stiff
        if side == 4:
            edge = [*zip(height, give / spread, strict=True), *zip(height[::-1], give[::-1] * spread, strict=True)]
            path = "L".join(f"{f.x(x):.1f} {f.y(y):.1f}" for x, y in edge)
            out += f'<path d="M{path}Z" fill="{f.hatch()}"/>'
        place, rise = ("end", -6) if side < 8 else ("start", 18)
        out += _curve(f, height, give, colour)
        out += _word(f, at, np.interp(at, height, give), f"{side} × {side} mm", place, rise)
    out += f'<path d="M{f.x(2):.1f} {f.y(0.1):.1f}H{f.x(60):.1f}" stroke="{INK}" stroke-dasharray="3 3"/>'
    out += _word(f, 2.5, 0.1, "0.1 mm")
    axes = f.axes([10, 20, 30, 40, 50, 60], [0.001, 0.01, 0.1, 1, 10], "height of the post, mm", "tip gives way, mm")
    label = "Tip of square posts of 33 MPa under the estimated side force against height; hatched: 90 % range of one"
    return _picture(f, label, axes, out)


PICTURES = {
    "stiffness": stiffness_picture,
    "column": column_picture,
    "guide": guide_picture,
    "drive": drive_picture,
    "melting": melting_picture,
    "pressure": pressure_picture,
    "dam": dam_picture,
    "lag": lag_picture,
    "store": store_picture,
    "metering": metering_picture,
    "bead": bead_picture,
    "drying": drying_picture,
    "cellular": cellular_picture,
    "slender": slender_picture,
}


def draw(name):
    """Text of one picture."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ValidityWarning)  # the ends of the axes lie beyond the ranges on purpose
        return PICTURES[name]() + "\n"


if __name__ == "__main__":
    for picture in PICTURES:
        (HERE / f"{picture}.svg").write_text(draw(picture), encoding="utf-8")
