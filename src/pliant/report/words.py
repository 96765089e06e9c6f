"""The plain words of the report: chances, mechanisms, states and unknowns, for someone who opens no manual.

Numbers get no more digits than are known: two, and "under" or "over" at the ends.
"""

from pliant.records.findings import Levelling
from pliant.records.unknown import Unknown
from pliant.say import count, number, percent, quantity

__all__ = [
    "NARROW_FILL",
    "NBSP",
    "ROOM_FILL",
    "STATE",
    "WHY",
    "air",
    "chance",
    "chance_in_words",
    "clock",
    "full",
    "levelling_words",
    "number",
    "ranges",
    "state_of",
    "strings",
    "unknown_in_words",
]

# A third full. In our own runs of the example workshop the chance of a jam met the 2 % that counts as `feeds` at a
# margin of 2.2 with records that hold measured values, and of 3.8 with starter records
ROOM_FILL = 1 / 3
NARROW_FILL = 1.0
_NOTHING_MM = 0.005  # less is rounding
STATE = {"room": "room to spare", "narrow": "narrow", "over": "over"}
WHY = {
    "bow": "Between the drive and the next guide nothing holds the filament. Pushed harder than it can bear there, "
    "it bows out sideways, and no more of it reaches the hot end.",
    "lock": "Pushed, the filament leans on the wall of its guide, and leaning costs more push. Past a certain push the "
    "friction grows faster than the push, and nothing moves.",
    "swell": "Squeezed lengthwise, soft filament grows thicker. In a gap too short to bow it squashes and squeezes out "
    "sideways; in a guide that it fills it sticks like a cork.",
    "slip": "The drive wheel cannot hold the filament against this push: it slips, and grinds a flat into it.",
    "stall": "The drive motor cannot make this push: it skips steps.",
    "starve": "The filament passes the hot end faster than heat reaches its middle; its stiff core blocks the nozzle.",
    "dam": "The melt has to squeeze out sideways from under the flat of the nozzle. The closer the surface, the harder "
    "that is, and the whole feed path has to bear it.",
    "none": "No mechanism comes near its limit.",
}
NBSP = "\u00a0"
_CHANCES = (
    (0.01, "1 in 100"), (0.02, "1 in 50"), (0.033, "1 in 30"), (0.05, "1 in 20"), (0.067, "1 in 15"), (0.1, "1 in 10"),
    (0.143, "1 in 7"), (0.2, "1 in 5"), (0.25, "1 in 4"), (0.33, "1 in 3"), (0.4, "2 in 5"), (0.5, "1 in 2"),
    (0.67, "2 in 3"), (0.75, "3 in 4"), (0.8, "4 in 5"), (0.9, "9 in 10"), (0.95, "19 in 20"),
)  # fmt: skip
# unknown: what it is, how to find out
_UNKNOWN = {
    "shore": ("how hard the filament is (Shore)", "the box, or the maker's data sheet"),
    "nozzle_c": ("which nozzle temperatures it is made for", "the maker's data sheet"),
    "consistency_pa_sn": ("how thick the melt is", "slow test prints at two speeds; or ask the maker for a melt index"),
    "flow_index": ("how much the melt thins when it runs faster", "test prints at two or three speeds"),
    "activation_kj_per_mol": ("how much the melt thins with heat", "test prints at two temperatures"),
    "model_factor": ("how well our equations fit your machine", "test prints: nothing on the machine can be measured"),
    "entry_factor": ("what the melt loses at the nozzle's cone", "test prints with two nozzles"),
    "youngs_modulus_mpa": ("how stiff the filament is", "hang a weight on a metre of it and measure the stretch"),
    "soften_c": ("where the filament softens", "the maker's data sheet"),
    "diffusivity_mm2_per_s": ("how fast heat travels in it", "the maker's data sheet"),
    "density_kg_per_m3": ("how dense the filament is", "weigh a metre of it"),
    "diameter_mm": ("how thick the filament is", "a calliper, at five places, both ways across"),
    "pinch_force_n": ("how hard the drive pinches", "a spring balance on the lever"),
    "grip_friction": ("how well the drive wheel grips", "pull with a spring balance until it slips: grip_n"),
    "grip_n": ("how hard the drive pushes before it slips", "pull with a spring balance until it slips"),
    "bite_mm2": ("how much of the filament the teeth hold", "pull with a spring balance until it slips: grip_n"),
    "warming_k": ("how warm the drive makes the filament", "a thermometer on the drive after an hour"),
    "warming_min": ("how soon the drive is warm", "a thermometer on the drive, every five minutes"),
    "motor_force_n": ("how hard the motor can push", "push against a kitchen scale until it skips"),
    "heated_length_mm": ("how long the heated bore is", "the drawing of the hot end"),
    "nozzle_mm": ("how wide the nozzle is", "a set of drills, or its marking"),
    "land_mm": ("how long the nozzle's straight end is", "the drawing of the nozzle"),
    "face_mm": ("how wide the nozzle's flat is", "a calliper"),
    "cone_half_angle_deg": ("how steep the nozzle's cone is", "the drawing of the nozzle"),
    "wheel_radius_mm": ("how large the drive wheel is", "a calliper"),
    "spool_pull_n": ("how hard the spool pulls back", "a spring balance on the filament"),
    "half_strain": ("how fast the filament softens as it is squeezed", "test prints: it cannot be seen"),
    "dam_halving": ("how the dam grows as the gap narrows", "a gap-steps coupon: it cannot be seen"),
    "break_mm": ("how long the warm stretch above the melt is", "the drawing of the hot end"),
    "spool.pull_n": ("how hard the spool pulls back", "a spring balance on the filament"),
    "bore_mm": ("how wide the bore is", "a drill shank that just fits"),
    "length_mm": ("how long it is", "a calliper or a ruler"),
    "friction": ("how much the guide rubs", "pull filament through it with a spring balance"),
    "lag_factor": ("how much filament the push stores", "a stop-start coupon: it cannot be seen"),
    "end_factor": ("how firmly the drive and the inlet hold the filament", "test prints: it cannot be seen"),
    "restart_min": ("how long it takes to clear a jam and start again", "a clock"),
    "looks_in_every_min": ("how often somebody looks at a print", "your own habit"),
    "hardware_min": ("how long it takes to get and fit another part", "your own experience"),
    "column_mix": ("which of two theories of bending holds", "test prints: it cannot be seen"),
}

_ACTS = {
    "measure-the-first-gap": "measure the first gap with a feeler gauge at five places of the bed",
    "level-again": "level the bed again",
    "thicker-first-layer": "lay a thicker first layer",
}


def clock(seconds: float) -> str:
    """A duration as people say it."""
    s = round(seconds)
    if s < 60:
        return f"{s}{NBSP}s"
    if s < 3600:
        return f"{s // 60}{NBSP}min {s % 60}{NBSP}s" if s < 600 and s % 60 else f"{round(s / 60)}{NBSP}min"
    minutes = round(s / 60)
    return f"{minutes // 60}{NBSP}h {minutes % 60}{NBSP}min" if minutes % 60 else f"{minutes // 60}{NBSP}h"


def air(open_mm: float, seen_mm: float, digits: int = 2) -> str:
    """Travel over air, and how much of it shows in the finished part."""
    whole, seen = quantity(open_mm, "mm", digits), quantity(seen_mm, "mm", digits)
    if open_mm < _NOTHING_MM:
        return f"{whole} over air"
    share = "none" if seen_mm < _NOTHING_MM else "all" if seen == whole else seen
    return f"{whole} over air, {share} of it in sight"


def strings(many: int, seen: int) -> str:
    """Strings that are expected, and how many of them a person sees."""
    said = f"{count(many, 'string')} expected"
    return said if many == 0 else f"{said}, {'all' if seen == many > 1 else seen or 'none'} in sight"


def chance(probability: float) -> str:
    """A chance in per cent, as the text report says it, its figure kept on one line with its sign."""
    return percent(probability).replace(" %", f"{NBSP}%")


def chance_against(probability: float, target: float) -> str:
    """A chance beside its target: two that would read alike are told apart."""
    said = chance(probability)
    return f"just over {said}" if probability > target and said == chance(target) else said


def ranges(numbers: list[int]) -> str:
    """Whole numbers in ascending order, neighbours joined: 3–8, 11."""
    parts: list[list[int]] = []
    for k in numbers:
        if parts and k == parts[-1][1] + 1:
            parts[-1][1] = k
        else:
            parts.append([k, k])
    return ", ".join(f"{a}" if a == b else f"{a}–{b}" for a, b in parts)


def chance_in_words(probability: float) -> str:
    """A chance as odds that can be pictured."""
    if probability < 0.01:
        return "less than 1 in 100"
    if probability > 0.975:
        return "nearly certain"
    return "about " + min(_CHANCES, key=lambda c: abs(c[0] - probability))[1]


def state_of(fill: float) -> str:
    """Room, narrow or over: key of `STATE`."""
    return "room" if fill <= ROOM_FILL else "narrow" if fill <= NARROW_FILL else "over"


def full(fill: float) -> str:
    """How full a vessel is, in words that stay honest at the ends."""
    if fill > 10:
        return "over 10 times full"
    if fill > 2:
        return f"{number(fill)} times full"
    return f"{number(100 * fill)}{NBSP}% full" if fill >= 0.01 else f"under 1{NBSP}% full"


def levelling_words(levelling: Levelling) -> str:
    """What the bed's error makes of the doubt, and what helps against it."""
    *acts, last = (_ACTS[act] for act in levelling.acts)
    return (
        f"how even the bed is makes {percent(levelling.share)} of the doubt, anew with each levelling: "
        f"{', '.join(acts)}, or {last}"
    )


def unknown_in_words(name: str) -> tuple[str, str]:
    """What an unknown is, and how to find it out; the name itself where we have no words for it."""
    unknown = Unknown.of(name)
    short = name.rsplit(".", maxsplit=1)[-1]
    what, how = _UNKNOWN.get(name) or _UNKNOWN.get(short) or (name, "")
    if unknown.span is not None:
        what += f" (span {unknown.span + 1} of the feed path)"
    elif short == "bore_mm":
        what += " (hot end)"
    return what, how
