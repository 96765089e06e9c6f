"""The text view of a recipe: a ledger, baseline beside soft, with the reason under each block."""

from pliant.records.baseline import BEAD_WORDS
from pliant.records.recipe import Helps, Recipe, Setting
from pliant.report.check import MEANS
from pliant.report.evidence import evidence_lines
from pliant.report.tonight import tonight_lines
from pliant.report.words import levelling_words, number, unknown_in_words
from pliant.say import percent

__all__ = ["blocks", "grouped", "plan_text", "range_words", "tonight_about", "value_words"]

# what a line of the ledger does to the push, by how its key begins
_GROUPS = (
    ("nozzle", "What melts"), (("bead_", "layer_height", "flow_factor"), "What pushes"),
    ("first_layer", "Where the bed pushes back"), ("stops", "What holds back at starts and stops"),
    ("part", "What the part needs"),
)  # fmt: skip


def value_words(setting: Setting, value: float | str) -> str:
    """A value of the ledger as people write it."""
    if isinstance(value, str):
        return value
    if value == 0 and setting.key.startswith("stops"):
        return "none"
    return f"{value:.4g}"


def range_words(setting: Setting) -> str:
    """The 90 % range, or nothing where there is none to give."""
    if setting.low is None or setting.high is None or setting.low == setting.high:
        return ""
    digits = 3 if setting.key.endswith("_c") or setting.key == "flow_factor" or setting.high >= 100 else 2
    return f"{number(setting.low, digits)} to {number(setting.high, digits)}"


def blocks(recipe: Recipe) -> list[list[Setting]]:
    """Neighbouring lines that share one reason."""
    out: list[list[Setting]] = []
    for s in recipe.settings:
        if out and out[-1][0].reason == s.reason:
            out[-1].append(s)
        else:
            out.append([s])
    return out


def grouped(recipe: Recipe) -> list[tuple[str, list[list[Setting]]]]:
    """Blocks of one reason under the heading of what they do to the push."""
    out: list[tuple[str, list[list[Setting]]]] = []
    for block in blocks(recipe):
        name = next(name for start, name in _GROUPS if block[0].key.startswith(start))
        if out and out[-1][0] == name:
            out[-1][1].append(block)
        else:
            out.append((name, [block]))
    return out


def _helps_words(helps: Helps) -> str:
    """What a change buys, in words."""
    if helps.time_factor is None or not helps.works:
        return "not enough"
    pace = f"{number(helps.time_factor)} times your rigid time"
    return f"{number(helps.speed_mm_per_s)} mm/s at {helps.nozzle_c:g} °C, {pace}"


def _speeds_words(speed_mm_per_s: dict[str, float]) -> str:
    if len(set(speed_mm_per_s.values())) == 1:
        return f"every bead {next(iter(speed_mm_per_s.values())):g}"
    return ", ".join(f"{BEAD_WORDS[k]} {v:g}" for k, v in speed_mm_per_s.items())


def tonight_about(r: Recipe) -> str:
    """What the sums of tonight are for, and what the recipe itself is for."""
    own = (
        "the recipe below holds the target, for a print that nobody watches"
        if r.works
        else "no recipe holds the target"
    )
    return f"reckoned for a part of an hour at your rigid speed; {own}"


def plan_text(recipe: Recipe) -> str:
    """Verdict first, then the ledger, then what would help and what was assumed."""
    r = recipe
    which = "the recipe" if r.works else "at the slowest speed of use"
    lines = [
        r.verdict,
        f"jam         {percent(r.jam_probability)} likely ({which}); "
        f"your rigid recipe with this spool: {percent(r.baseline_jam_probability)}",
        *evidence_lines(r),
    ]
    if r.tonight is not None:
        lines += tonight_lines(r.tonight, MEANS.get(r.mechanism, r.mechanism), tonight_about(r))
    if r.settings:
        lines.append("")
    wide = max((len(s.what) for s in r.settings), default=0) + 2
    for k, (name, found) in enumerate(grouped(r)):
        head = f"{'baseline':>10}{'soft':>10}   90 % range" if k == 0 else ""
        lines.append(f"{name.upper():<{wide}}{head}".rstrip())
        for block in found:
            for s in block:
                row = f"{s.what:<{wide}}{value_words(s, s.baseline):>10}{value_words(s, s.value):>10}"
                lines.append(f"{row}   {range_words(s)} {s.unit}".rstrip())
            basis = {b.basis for b in block}
            lines.append(f"    {block[0].reason}" + (" (common practice)" if "common practice" in basis else ""))
    if r.by_height:
        lines += ["", "other layer heights (same temperature, same chance of a jam; time against this recipe)"]
        lines += [
            f"  {row.layer_height_mm:g} mm: "
            + _speeds_words(row.speed_mm_per_s)
            + f" mm/s; {number(row.time_factor)} times the time"
            for row in r.by_height
        ]
    if r.helps:
        lines += ["", "what would help" if not r.works else "what would make it faster"]
        lines += [f"  {h.change}: {_helps_words(h)}" for h in r.helps]
    for name, share in r.measure_next.items():
        what, how = unknown_in_words(name)
        lines.append(f"measure     {what}: {percent(share)} of the doubt ({how})")
    if r.levelling is not None:
        lines.append(f"bed         {levelling_words(r.levelling)}")
    lines += [f"part        {a}" for a in r.part_advice]
    lines += [f"note        {n}" for n in r.notes]
    lines += [f"assumed     {a}" for a in r.assumed]
    lines += [f"caution     {c}" for c in r.cautions]
    return "\n".join(lines)
