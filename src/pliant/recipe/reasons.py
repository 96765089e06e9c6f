"""The ledger: every setting of the soft recipe beside the baseline's, with its range, reason, and what would move it.

Numbers come from `derive` and `around`; what is only the trade's habit says so. Start with `ledger`.
"""

from dataclasses import dataclass

import numpy as np

from pliant.constants import GENTLE_MM_PER_S, Z90
from pliant.feed import chain
from pliant.feed.load import bounded_gap_mm
from pliant.feed.pull import pull_for
from pliant.feed.risk import BED_ERROR_MM
from pliant.models.bead import bead_area_mm2, bead_width_mm
from pliant.recipe.around import Metering, Ranged, StartsAndStops
from pliant.recipe.derive import SENSOR_C, Point, areas_mm2, baseline_point
from pliant.recipe.window import Carry
from pliant.records.baseline import BEAD_WORDS, KINDS, Baseline
from pliant.records.limits import PTFE_CEILING_C, allowed_c
from pliant.records.recipe import Setting
from pliant.say import number

__all__ = ["Known", "advice", "ledger"]

GIVES = {
    "bow": "the filament bowing out in the open gap", "lock": "the filament locking in its guide",
    "swell": "the filament thickening until it sticks", "slip": "the drive losing its grip",
    "stall": "the drive motor stalling", "starve": "melt running short",
    "dam": "the melt damming up under the nozzle's flat", "none": "a jam",
}  # fmt: skip
_MOST_COAST_MM = 5.0  # [mm] longer, the seam opens; our choice
_BACK_MM = 5.0  # [mm] back over the bead; common practice, no source
_MOST_BED_C = 60.0  # [degC] common practice, no source: soft filament sticks by itself
_FAN = (0.3, 0.5)  # [-] share of the rigid fan: least and most; common practice, no source
_CLOSE = "common practice"


@dataclass(frozen=True)
class Known:
    """What the ledger is written from."""

    carried: Carry
    baseline: Baseline
    point: Point
    target: float
    mechanism: str
    by_mechanism: dict[str, float]
    critical_mm3_per_s: Ranged  # flow that would be safe, were everything known
    heat_gain: float  # flow at the recipe's temperature over flow at the baseline's, at the same chance of a jam
    wide_gain: float  # first layer: flow at its width over flow at the usual width
    times: StartsAndStops
    metering: Metering
    measure: str  # what would narrow the doubt most, in words
    best_help: str  # the change of hardware that helps most, in words


def ledger(k: Known) -> tuple[Setting, ...]:
    """Write every line.

    Parameters
    ----------
    k : Known
        Point, ranges and gains.

    Returns
    -------
    tuple of Setting
        By what they do to the push: what melts, what pushes, where the bed pushes back, what holds back at starts and
        stops, what the part needs.
    """
    return (_nozzle(k), *_speeds(k), *_shape(k), _flow(k), *_first_layer(k), *_stops(k), *_part(k))


def advice(k: Known) -> tuple[str, ...]:
    """What the part itself should do, with this recipe's own numbers."""
    t = k.times
    said = [
        f"Long, closed runs: after a stop the first {number(t.run_in_mm.value)} mm of a run come out thin, while the "
        "pressure builds up again.",
        "One island per layer where you can, or one part at a time: every jump over air draws a thread about "
        f"{number(t.thread_mm.value, 1)} mm thick.",
        "Lay the part so that nothing needs a support: a soft support cannot be broken away.",
        "No slender posts: soft ones give way under the nozzle. Thicken them, or lay them flat.",
    ]
    if k.carried.filament.water_percent is None:
        said.append("Dry the spool first: steam from wet filament ruins any recipe.")
    return tuple(said)


def _percent(share: float) -> str:
    return f"{number(100 * share)} %"


def _nozzle(k: Known) -> Setting:
    b, p, machine, filament = k.baseline, k.point, k.carried.machine, k.carried.filament
    low, high = allowed_c(machine, filament)
    top = "the liner's ceiling" if machine.liner == "ptfe" and high >= PTFE_CEILING_C else "the data sheet's top"
    at_top = p.nozzle_c >= max(low, high - SENSOR_C) - 0.5
    more = p.nozzle_c - b.nozzle_c
    if more > 0.5 and not np.isfinite(k.heat_gain):
        why = f"At the {b.nozzle_c:g} °C of your rigid recipe the feed path carries no flow at all"
    elif more > 0.5:
        why = (
            f"{number(more)} °C hotter than your rigid recipe, the melt is thin enough for {number(k.heat_gain)} times "
            "the flow at the same chance of a jam"
        )
    else:
        why = f"The data sheet asks for {low:g} to {filament.nozzle_c[1]:g} °C"
    why += (
        f"; {SENSOR_C:g} °C stay in reserve under {top}, since sensors are off by about that." if at_top and
        high - low > SENSOR_C else f", which is {top}." if at_top else
        "; hotter would hardly be faster, and hot melt oozes."
    )  # fmt: skip
    return Setting(
        "nozzle_c", "nozzle", "°C", b.nozzle_c, p.nozzle_c, p.nozzle_c - SENSOR_C, p.nozzle_c + SENSOR_C,
        "computed", why, k.mechanism, "a data sheet or a liner that allows more; a longer heated bore",
    )  # fmt: skip


def _speeds(k: Known) -> list[Setting]:
    area, b, p = areas_mm2(k.baseline), k.baseline, k.point
    reason = (
        f"At {number(p.flow_mm3_per_s)} mm³/s the melt pushes back with {number(k.times.push_n.value)} N "
        f"({number(k.times.push_n.low)} to {number(k.times.push_n.high)}), and the chance of a jam, most likely "
        f"{GIVES[k.mechanism]}, stays under {_percent(k.target)}; every kind of bead has this one flow, since a "
        f"change of flow takes {number(k.times.lag_s.value)} s to arrive."
    )
    out = []
    for kind in KINDS:
        speed, was = p.speed_mm_per_s[kind], b.speed_mm_per_s[kind]
        kept = speed >= was
        low = min(k.critical_mm3_per_s.low / area[kind], speed)
        high = max(min(k.critical_mm3_per_s.high / area[kind], was), speed)
        out.append(
            Setting(
                f"bead_speed_mm_per_s.{kind}", BEAD_WORDS[kind], "mm/s", was, speed, round(low, 2), round(high, 2),
                "kept" if kept else "computed",
                "Kept: the feed path carries more than you ask of it here." if kept else reason,
                k.mechanism, f"{k.measure}; or the hardware: {k.best_help}" if k.best_help else k.measure,
            )
        )  # fmt: skip
    return out


def _shape(k: Known) -> list[Setting]:
    b = k.baseline
    h = b.layer_height_mm
    out = [
        Setting(
            "layer_height_mm", "layer height", "mm", h, h, h, h, "kept",
            "Kept: it belongs to your part; the table of layer heights says what another one would allow.",
            "dam", "a nozzle of another size",
        )
    ]  # fmt: skip
    spread = max(k.metering.factor.high / k.metering.factor.value, 1.0)
    for kind in KINDS[:4]:
        w = b.width_mm[kind]
        area = float(bead_area_mm2(max(w, h), h))
        low, high = (round(float(bead_width_mm(area * f, h)), 3) for f in (1 / spread, spread))
        out.append(
            Setting(
                f"bead_width_mm.{kind}", f"{BEAD_WORDS[kind]}, width", "mm", w, w, min(low, w), max(high, w), "kept",
                "Kept; the range is what the bead may really measure while the flow factor is not known better.",
                "dam", "measuring a single wall with a calliper, then correcting the flow factor",
            )
        )  # fmt: skip
    return out


def _flow(k: Known) -> Setting:
    b, m = k.baseline, k.metering
    cause = {
        "stretch": "the pull of the spool stretches it before the wheel", "slip": "it slips a little under its push",
        "bite": "it sinks into the teeth, so the wheel acts smaller than it is",
    }[m.dominant]  # fmt: skip
    return Setting(
        "flow_factor", "flow factor", "", b.flow_factor, round(b.flow_factor * m.factor.value, 2),
        round(b.flow_factor * m.factor.low, 2), round(b.flow_factor * m.factor.high, 2), "computed",
        f"Less soft filament arrives than is asked for, most of all because {cause}: bite {_percent(m.bite)}, slip "
        f"{_percent(m.slip)}, stretch {_percent(m.stretch)}.",
        "underfill", "mark the filament and measure how much is drawn in when 100 mm are asked for",
    )  # fmt: skip


def _first_layer(k: Known) -> list[Setting]:
    b, p, theta = k.baseline, k.point, chain.central(k.carried.machine, k.carried.filament)
    h, w, h0 = p.first_height_mm, p.first_width_mm, b.layer_height_mm
    off = Z90 * BED_ERROR_MM
    worse = float(
        chain.dam_ratio(w, bounded_gap_mm(h - off), theta, h) / chain.dam_ratio(w, h, theta)
    )  # fmt: skip
    area = float(bead_area_mm2(w, h))
    wide = [float(bead_width_mm(area, g)) if g < w else w for g in (h + off, max(h - off, 0.05))]
    height_why = (
        f"Never thinner than the other layers: where the bed is {number(off, 1)} mm too near, the pressure under the "
        f"nozzle grows {number(worse)}-fold"
        + (f", and at {number(h0)} mm the layer would have to crawl, so it is made thicker." if h > h0 else ".")
    )
    q1 = p.first_speed_mm_per_s * area
    kept = p.first_speed_mm_per_s >= b.first_speed_mm_per_s
    return [
        Setting(
            "first_layer.height_mm", "first layer, height", "mm", b.first_height_mm, h, round(max(h - off, 0.03), 3),
            round(h + off, 3), _CLOSE if h <= max(h0, b.first_height_mm) else "computed", height_why, "dam",
            "a feeler gauge at five places of the bed",
        ),
        Setting(
            "first_layer.width_mm", "first layer, width", "mm", b.first_width_mm, w, round(min(wide[0], w), 3),
            round(max(wide[1], w), 3), _CLOSE,
            f"A wide bead gives the melt a wide way out from under the nozzle's flat: {_percent(k.wide_gain - 1)} "
            "more flow at the same chance of a jam than at the usual width.",
            "dam", "a wider or narrower flat around the nozzle's hole",
        ),
        Setting(
            "first_layer.speed_mm_per_s", "first layer, speed", "mm/s", b.first_speed_mm_per_s, p.first_speed_mm_per_s,
            round(0.8 * p.first_speed_mm_per_s, 2),
            round(max(p.first_speed_mm_per_s, min(p.speed_mm_per_s["behind_outside"], b.first_speed_mm_per_s)), 2),
            "kept" if kept else "computed",
            "Kept: the feed path carries it even over an uneven bed." if kept else
            f"No bed is even: with {BED_ERROR_MM:g} mm of error under the nozzle's flat, {number(q1)} mm³/s is what "
            f"stays under {_percent(k.target / 2)}.",
            "dam", "levelling the bed, and measuring how even it is",
        ),
    ]  # fmt: skip


def _stops(k: Known) -> list[Setting]:
    b, t = k.baseline, k.times
    priming = max(float(np.ceil(t.priming_mm.high / 10) * 10), b.priming_mm)
    early = round(min(t.coast_mm.value, _MOST_COAST_MM), 1)
    back = max(b.back_over_bead_mm, _BACK_MM)
    stored = t.stored_mm
    policy = pull_for(stored.low, stored.value, stored.high)
    pull = policy.most_mm > 0 and b.retract_mm > 0
    length = round(min(stored.value, b.retract_mm), 2) if pull else 0.0
    why = "None, as in your rigid recipe." if policy.most_mm > 0 and not pull else policy.why
    moved = "a harder spool or a shorter feed path, which store less"
    speed = min(GENTLE_MM_PER_S, b.retract_mm_per_s)
    v = b.travel_mm_per_s
    thread = f"what the lag still delivers would draw a thread {number(t.thread_mm.value, 1)} mm thick over air"
    return [
        Setting(
            "stops.priming_bead_mm", "priming bead", "mm", b.priming_mm, priming,
            round(min(t.priming_mm.low, priming), 1), round(max(t.priming_mm.high, priming), 1),
            "kept" if priming == b.priming_mm else "computed",
            f"Lay a loop beside the part first: it takes {number(t.priming_mm.value)} mm of first-layer bead "
            f"({number(t.priming_mm.low)} to {number(t.priming_mm.high)}) until the pressure is up and the flow steady"
            + ("; yours is long enough." if priming == b.priming_mm else "."),
            "underfill", "the lag of your machine",
        ),
        Setting(
            "stops.feed_ends_early_mm", "feed ends early", "mm", b.coast_mm, early,
            round(min(t.coast_mm.low, early), 1), round(max(min(t.coast_mm.high, _MOST_COAST_MM), early), 1),
            "computed",
            f"Coast this far before the end of a run that goes on over air: with a lag of {number(t.lag_s.value)} s "
            "the bead hardly thins, and the pressure is already falling when the travel starts.",
            "string", "the lag of your machine: watch how far a line runs on after the feed stops",
        ),
        Setting(
            "stops.back_over_bead_mm", "back over the bead", "mm", b.back_over_bead_mm, back, round(0.4 * back, 1),
            round(2 * back, 1), _CLOSE,
            "Go back over the bead just laid before you leave it: what oozes meanwhile ends on the part.",
            "string", "the threads you see",
        ),
        Setting(
            "stops.retraction_mm", "retraction", "mm", b.retract_mm, length, round(min(stored.low, length), 2),
            round(max(length, stored.high if pull else 0.0), 2), "computed", why, "slip", moved,
        ),
        Setting(
            "stops.retraction_mm_per_s", "retraction, speed", "mm/s", b.retract_mm_per_s, speed if pull else "none",
            0.5 * speed if pull else None, speed if pull else None, _CLOSE,
            "Gently, so that the teeth hold." if pull else "There is no retraction to set a speed for.", "slip", moved,
        ),
        Setting(
            "stops.travel_route", "travel", "", b.route, "inside", None, None, _CLOSE,
            f"Stay over the part: without retraction {thread}; over the part it is laid on bead.",
            "string", "a part without jumps: one island, or a spiral",
        ),
        Setting(
            "stops.travel_mm_per_s", "travel, speed", "mm/s", v, v, v, v, "kept",
            "Kept: travel pushes no filament, and the quicker it is over, the thinner the thread.",
            "string", "a machine that shakes",
        ),
    ]  # fmt: skip


def _part(k: Known) -> list[Setting]:
    b = k.baseline
    bed = min(b.bed_c, _MOST_BED_C)
    slower = k.point.time_s_per_mm3 / baseline_point(b).time_s_per_mm3
    share = float(np.clip(1 / max(slower, 1.0), *_FAN))
    fan = round(b.fan_percent * share / 5) * 5.0
    ends = [round(b.fan_percent * s / 5) * 5.0 for s in _FAN]
    return [
        Setting(
            "part.bed_c", "bed", "°C", b.bed_c, bed, max(bed - 20, 0.0), bed, "kept" if bed == b.bed_c else _CLOSE,
            "No hotter than for rigid filament: soft filament sticks by itself, and heat makes its first layers sink.",
            "lifting", "a corner that lifts, or a part that does not come off",
        ),
        Setting(
            "part.fan_percent", "fan", "%", b.fan_percent, fan, min(ends[0], fan), max(ends[1], fan), _CLOSE,
            (f"Each layer takes {number(slower)} times as long and cools with less air; " if slower > 1.05 else "")
            + "a soft part needs its layers well bonded. Off on the first layer.",
            "weak layers", "a bridge or a tip that sags: a little more",
        ),
        Setting(
            "part.supports", "supports", "", _yes(b.supports), "none", None, None, _CLOSE,
            "None: soft supports weld to the part and cannot be broken away; turn the part instead.",
            "tearing", "a support of another, soluble material",
        ),
        Setting(
            "part.raft", "raft", "", _yes(b.raft), "none", None, None, _CLOSE,
            "None: soft filament sticks to a plain bed, and does not peel off a raft of itself.",
            "tearing", "a bed to which nothing sticks",
        ),
    ]  # fmt: skip


def _yes(value: bool) -> str:
    return "as needed" if value else "none"
