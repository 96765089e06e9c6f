"""Pairs of machine and spool that nobody owns, and what must hold for each: a change for the better is never riskier.

One thing is changed at a time, with common draws: slower, harder, hotter, a higher gap below the nozzle, a shorter
span, less pull of the spool. Hotter and higher are so by the chain as it stands (heat reaches no filament
above the melt).
"""

from dataclasses import replace

import numpy as np

from pliant.errors import RecordError
from pliant.feed.envelope import Envelope
from pliant.feed.risk import Risk, jam_risk
from pliant.files import Text
from pliant.models.bead import bead_area_mm2
from pliant.records.filament import read_filament
from pliant.records.machine import read_machine

__all__ = ["drawn_pair", "wrongs"]

SPEEDS = (0.3, 2.0, 8.0, 25.0, 80.0)  # [mm/s]
_DRAWS = 400


def _number(rng, low, high):
    """A value, a range or a value with a spread, as a record may say it."""
    v = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    spread = rng.choice([1.0, 1.05, 1.3, 2.0])
    said = (f"{v:.5g}", f"[{v / 1.3:.5g}, {v * 1.3:.5g}]", f"{{value = {v:.5g}, spread = {spread:g}}}")
    return said[rng.integers(3)]


def _machine_text(rng):
    lines = ['name = "m"', "[drive]", f"driven_wheels = {rng.choice([1, 2])}"]
    for key, low, high in (
        ("pinch_force_n", 5, 80), ("grip_friction", 0.2, 1.0), ("motor_force_n", 10, 120), ("grip_n", 2, 60),
    ):  # fmt: skip
        if rng.random() < 0.4:
            lines.append(f"{key} = {_number(rng, low, high)}")
    for _ in range(rng.integers(1, 5)):
        if rng.random() < 0.5:
            ends = rng.choice(["pinned-pinned", "pinned-fixed", "fixed-fixed"])
            lines += ["[[path]]", 'kind = "gap"', f"length_mm = {_number(rng, 0.5, 25)}", f'ends = "{ends}"']
        else:
            bore, turn = rng.uniform(1.85, 3.0), rng.choice([0, 0, 90, 270])
            lines += ["[[path]]", 'kind = "guide"', f"length_mm = {_number(rng, 3, 600)}", f"bore_mm = {bore:.3f}"]
            lines += [f"turn_deg = {turn}", f"friction = {_number(rng, 0.03, 0.6)}"]
    nozzle = rng.choice([0.2, 0.3, 0.4, 0.6, 0.8])
    lines += ["[spool]", f"pull_n = {_number(rng, 0.01, 5)}", "[hot_end]", f"nozzle_mm = {nozzle}"]
    lines += [f"heated_length_mm = {_number(rng, 6, 40)}", f"cone_half_angle_deg = {_number(rng, 15, 60)}"]
    lines += [f"bore_mm = {rng.uniform(1.9, 3.2):.3f}", f"land_mm = {_number(rng, 0.2, 2)}"]
    return "\n".join([*lines, f"face_mm = {max(1.2 * nozzle, rng.choice([0.8, 1.0, 1.5])):.3g}", ""])


def _filament_text(rng, shore, scale):
    low, wide = rng.integers(175, 230), rng.choice([10, 20, 40])
    lines = ['name = "f"', f"shore = {shore}", f'scale = "{scale}"', f"nozzle_c = [{low}, {low + wide}]"]
    for key, least, most in (("consistency_pa_sn", 200, 20000), ("flow_index", 0.3, 0.8), ("soften_c", 100, 180)):
        if rng.random() < 0.3:
            lines.append(f"{key} = {_number(rng, least, most)}")
    return "\n".join([*lines, ""])


def drawn_pair(seed):
    """Machine, spool, and one that is some points harder and melts alike; None where a record is refused."""
    rng = np.random.default_rng(seed)
    machine, scale = _machine_text(rng), str(rng.choice(["A", "D"]))
    shore = int(rng.integers(20, 90) if scale == "A" else rng.integers(25, 88))
    text = _filament_text(rng, shore, scale)
    harder = text.replace(f"shore = {shore}", f"shore = {shore + int(rng.integers(1, 10))}")
    try:
        m, f, h = (read(Text("r.toml", t)) for read, t in zip(
            (read_machine, read_filament, read_filament), (machine, text, harder), strict=True
        ))  # fmt: skip
    except RecordError:
        return None
    return m, f, replace(h, soften_c=f.soften_c, consistency_pa_sn=f.consistency_pa_sn)


def wrongs(seed):
    """What came out riskier though it must not; one line each."""
    pair = drawn_pair(seed)
    if pair is None:
        return []
    machine, filament, harder = pair
    nozzle, middle = machine.nozzle_mm.value, filament.reference_c
    width, height = 1.1 * nozzle, 0.5 * nozzle
    area = float(bead_area_mm2(width, height))

    def bead(speed, celsius=middle):
        return Envelope.steady([speed * area] * 2, celsius, [width] * 2, [height] * 2, [True, False])

    def risk(asked, m=machine, f=filament, scale=1.0):
        return jam_risk(asked, m, f, scale=scale, shares=False, n=_DRAWS)

    by_speed = [risk(bead(v)) for v in SPEEDS]
    wall = [risk(bead(10.0, middle + k)) for k in (20, 10, 0, -10)]
    air = [risk(Envelope.steady([5 * area], middle, [width], [x * height], [False])) for x in (1.3, 1.0, 0.8, 0.5)]
    whole = [risk(bead(40.0), scale=s) for s in (0.1, 0.25, 0.5, 0.8, 1.0)]
    found = []
    for name, rising in (("slower", by_speed), ("hotter", wall), ("higher", air), ("slower as a whole", whole)):
        chance = [r.probability for r in rising]
        if not (np.isfinite(chance).all() and min(chance) >= 0 and max(chance) <= 1):
            found.append(f"{name}: no chance: {chance}")
        if (np.diff(chance) < -1e-9).any():
            found.append(f"{name} is riskier: {np.round(chance, 5)}")
    for speed, softer in zip(SPEEDS, by_speed, strict=True):
        found += _told(f"harder at {speed:g} mm/s", softer, risk(bead(speed), f=harder))
    for i, span in enumerate(machine.path):
        longer = replace(span, length_mm=replace(span.length_mm, value=1.5 * span.length_mm.value))
        other = replace(machine, path=(*machine.path[:i], longer, *machine.path[i + 1 :]))
        found += _told(f"shorter {span.kind}", risk(bead(8.0), other), by_speed[2])
    pulled = replace(machine, spool_pull_n=replace(machine.spool_pull_n, value=3 * machine.spool_pull_n.value))
    return found + _told("less pull", risk(bead(8.0), pulled), by_speed[2])


def _told(name: str, before: Risk, after: Risk) -> list[str]:
    """What a change for the better did, where it is riskier: the draws of two records are alike, not the same."""
    doubt = max(2e-3, 3.5 * float(np.hypot(before.error, after.error)))
    worse = after.probability > before.probability + doubt
    return [f"{name}: {before.probability:.4f}, then {after.probability:.4f}"] if worse else []
