"""Figures of the models against published data, as the pages in docs/models print them.

Each entry of `PHRASES` computes the phrases that its page must contain, so that a page cannot go stale.
"""

import re

import numpy as np

from pliant.models import bead, column, drive, drying, guide, lag, melting, metering, pressure, slender, stiffness
from published_rows import beyond_range, rows

_FITTED = {"A": ("shore_A", 82, 95), "D": ("shore_D", 50, 76)}


def flexural_rows(scale):
    """Reading and flexural modulus at 23 degC of every data-sheet row in the fitted range."""
    key, low, high = _FITTED[scale]
    found = [
        (float(r[key]), float(r["value_MPa_unless_named"]))
        for r in rows("solid_tpu_stiffness.csv")
        if r["property"] == "flexural_modulus" and r["T_C"] == "23" and r[key]
    ]
    return [(shore, value) for shore, value in found if low <= shore <= high]


def fit_quality(scale):
    """Root mean square and worst factor between the fit and the rows behind it."""
    shore, value = np.array(flexural_rows(scale)).T
    miss = np.log(stiffness.modulus_from_hardness_mpa(shore, scale) / value)
    return float(np.exp(np.sqrt(np.mean(miss**2)))), float(np.exp(np.abs(miss).max()))


def secant_rows():
    """Kind of grade, strain, measured and modelled secant, of every row at up to 50 % strain with its own stiffness.

    Soft: up to 50D, tension. Hard: 51D to 60D, and compression of the 50D disc at 5 and 10 % (2 % is seating).
    """
    table = rows("solid_tpu_stiffness.csv")
    own = {}
    for r in table:
        flexural = r["property"] == "flexural_modulus" and r["T_C"] == "23"
        if flexural or (r["property"] == "tensile_storage_modulus" and r["T_C"] == "20"):
            own[r["material"]] = float(r["value_MPa_unless_named"])
    found = []
    for r in table:
        place = re.search(r"at (\d+) %", r["condition"])
        if not place or r["material"] not in own or not r["property"].endswith("_stress"):
            continue
        strain, hardness = float(place[1]) / 100, float(r["shore_D"] or 0)
        if strain > 0.5 or strain < 0.05 or hardness > 60:
            continue
        kind = "soft" if hardness <= 50 and r["property"] == "tensile_stress" else "hard"
        secant = float(r["value_MPa_unless_named"]) / strain
        found.append((kind, strain, secant, float(stiffness.softened_modulus_mpa(own[r["material"]], strain))))
    return found


def _stiffness():
    for scale in ("A", "D"):
        rms, worst = fit_quality(scale)
        yield f"{len(flexural_rows(scale))} rows, rms ×{rms:.2f}, worst ×{worst:.2f}"
    for kind in ("soft", "hard"):
        ratio = [model / secant for k, _, secant, model in secant_rows() if k == kind]
        yield f"×{min(ratio):.2f} to ×{max(ratio):.2f} over {len(ratio)} rows"


def _column():
    for length in (10, 4, 2):
        with beyond_range():
            base = column.buckling_force_n(1.0, 1.0, length)
            low, high = (
                float(column.buckling_force_n(1.0, 1.0, length, theory=t) / base) for t in ("haringx", "neo-hookean")
            )
        yield f"| {length} | {low:.3f} | {high:.3f} |"
    yield f"{float(column.euler_load_n(200e3, np.pi / 4 * (75**4 - 70**4), 7200.0)) / 1e3:.1f} kN"


def _guide():
    tube = {"length_mm": 300.0, "friction": 0.1, "turn_rad": 0.0, "diameter_mm": 1.75, "youngs_modulus_mpa": 20.0}
    into = guide.push_into_guide_n(np.array([4.0, 8.0]), bore_mm=2.0, **tube)
    yield f"4 N → {into[0]:.3f} N, 8 N → {into[1]:.1f} N"
    rod = {"diameter_mm": 1.75, "youngs_modulus_mpa": 20.0}
    for bore in (1.9, 2.0, 2.5):
        lock = float(guide.guide_lock_force_n(bore_mm=bore, **tube))
        yield f"| {bore:.1f} | {lock:.1f} | {float(guide.fill_force_n(bore_mm=bore, **rod)):.1f} |"
    strain = 0.234  # at which a bore of 2.0 is filled
    rod_secant = ((1 - strain) ** -2 - (1 - strain)) / 3 / strain
    yield f"{float(stiffness.softened_modulus_mpa(1.0, strain)) / rod_secant:.2f} of it"


def _drive():
    rod = {"diameter_mm": 1.75, "wheel_radius_mm": 5.5}
    with beyond_range():
        yield f"{float(drive.pinch_squash_mm(25.0, youngs_modulus_mpa=20.0, **rod)):.2f} mm"
    yield f"{100 * float(drive.stretch_loss(2.0, 20.0, 1.75)):.1f} %"


def _melting():
    for length, published in ((12.5, 13.0), (21.0, 38.5), (51.5, 87.5)):
        at = (length, 220.0, 25.0, 155.0, 1e6 * 0.195 / (1072.7 * 2060))
        axis, mean = (float(melting.melt_flow_limit_mm3_per_s(*at, criterion=c)) for c in melting.CRITERIA)
        yield f"| {published:.1f} | {axis:.1f} | {mean:.1f} | ×{axis / published:.2f} | ×{mean / published:.2f} |"


def _pressure():
    yield f"{float(pressure.cone_drop_mpa(1e4, 3.0, 1.5, np.rad2deg(np.arctan(1.5 / 60)), 16000.0, 0.3)):.2f} MPa"
    for rate, measured in ((47.4, 3.58), (94.8, 4.63)):
        with beyond_range():
            shear = float(pressure.cone_drop_mpa(rate * np.pi * 1.59**3 / 4, 7.5, 1.59, 45.0, 23300.0, 0.29))
        yield f"| {rate} | {1e3 * shear:.1f} | {measured:.2f} | ×{measured / shear:.1f} |"


def _lag():
    for modulus, length in ((20.0, 40.0), (20.0, 500.0), (3000.0, 40.0), (3000.0, 500.0)):
        c = lag.compliance_mm3_per_mpa(50.0, 1.75, length, modulus)
        tau = float(lag.time_constant_s(c, 5.0, 5.0, 0.4))
        out = f"{5 * c:.0f}" if c > 2 else f"{5 * c:.2g}"
        yield f"| {modulus:.0f} | {length:.0f} | {c:.3g} | {tau:.2g} | {out} |"


def _metering():
    for name, values in METERING.items():
        losses = metering_losses(*values)
        shares = ", ".join(f"{cause} {100 * loss:.1f} %" for cause, loss in losses.items())
        yield f"| {name} | {shares} | `{metering.largest_cause(**losses)}` | ×{metering.flow_factor(**losses):.2f} |"


# pull of the spool [N], push [N], size of the slip [-], bite [mm]; all guesses, none measured on soft filament
METERING = {"low": (0.2, 2.0, 0.05, 0.1), "middle": (0.5, 3.0, 0.1, 0.3), "high": (1.0, 5.0, 0.2, 0.5)}


def metering_losses(pull, push, size, bite):
    """Causes of underfeed of an 85A at one driven wheel of 5.5 mm; the modulus halved for strain."""
    modulus = float(stiffness.modulus_from_hardness_mpa(85.0)) / 2
    return {
        "stretch": float(drive.stretch_loss(pull, modulus, 1.75)),
        "slip": float(drive.slip_loss(push, float(drive.grip_force_n(25.0, 0.5, 1)), size)),
        "bite": float(metering.bite_loss(bite, 5.5)),
    }


def _bead():
    for width, height in ((0.45, 0.2), (0.6, 0.3)):
        yield f"{width} × {height} mm: {float(bead.bead_area_mm2(width, height)):.6f} mm²"


def _drying():
    yield f"Fo 0.10 → {1 - float(drying.water_left_fraction(1e-12, 2.0, 1e5)):.5f} gained"


def _slender():
    soft, stiff = slender.tip_stiffness_n_per_mm(np.array([13.2, 100.0]), 5.0**4 / 12, 40.0)
    yield f"{stiff:.3f} N/mm at 100 MPa and {soft:.4f} N/mm at 13.2 MPa"
    square = float(slender.self_weight_height_mm(13.2, 5.0**4 / 12, 25.0, 1200.0))
    wall = float(slender.self_weight_height_mm(13.2, 0.8**3 / 12, 0.8, 1200.0))
    yield f"{square:.0f} mm, and {wall:.0f} mm for a wall of 0.8 mm"


PHRASES = {
    "stiffness": _stiffness,
    "column": _column,
    "guide": _guide,
    "drive": _drive,
    "melting": _melting,
    "pressure": _pressure,
    "lag": _lag,
    "metering": _metering,
    "bead": _bead,
    "drying": _drying,
    "slender": _slender,
}
