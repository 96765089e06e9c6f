"""Findings and facts as plain sentences for a terminal."""

from pliant.records.findings import Facts, Findings, Remedy

__all__ = ["cause_words", "facts_text", "findings_text", "percent"]

MEANS = {
    "bow": "the filament bows out in the open gap",
    "lock": "friction in the guide grows until nothing moves",
    "swell": "the squeezed filament fills the guide",
    "slip": "the drive wheel loses its grip",
    "stall": "the drive motor stalls",
    "starve": "the hot end cannot melt this fast",
    "dam": "the nozzle sits so close to the surface that it dams the melt",
}
TOO_COLD = "the hot end is colder than what softens this filament"
VERDICT = {"feeds": "it feeds", "marginal": "it may jam", "jams": "it is more likely to jam than not"}


def percent(probability: float) -> str:
    """A chance with no more digits than are known."""
    value = 100 * probability
    if value < 1:
        return "under 1 %"
    return "over 99 %" if value > 99 else f"{value:.0f} %"


def cause_words(findings: Findings) -> str:
    """What gives first, in words."""
    f = findings
    if f.mechanism == "starve" and f.unsoftened_probability > 0.5 * f.by_mechanism.get("starve", 0.0):
        return TOO_COLD
    return MEANS.get(f.mechanism, "nothing comes near its limit")


def remedy_words(remedy: Remedy) -> str:
    """What a remedy buys, in words."""
    if remedy.speed_factor is None:
        return f"not enough alone ({percent(remedy.jam_probability)} likely to jam)"
    if remedy.speed_factor == 1:
        return f"feeds as it is ({percent(remedy.jam_probability)} likely to jam)"
    return f"feeds at {100 * remedy.speed_factor:.0f} % of the speed ({percent(remedy.jam_probability)} at full speed)"


def minutes(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"


def facts_text(facts: Facts) -> str:
    """The facts of a program, one a line."""
    lines = [
        f"time        {minutes(facts.time_s)}",
        f"layers      {facts.layers}, in {facts.runs} runs",
        f"bead        {facts.bead_mm / 1000:.2f} m, {facts.bead_mm3:.0f} mm3",
        f"filament    {facts.filament_forward_mm:.0f} mm forward, {facts.filament_back_mm:.0f} mm back, "
        f"{facts.retractions} retractions",
        f"travel      {facts.travel_mm / 1000:.2f} m, of it {facts.open_travel_mm / 1000:.2f} m over air; "
        f"{facts.strings} strings expected",
        f"read as     {facts.dialect}",
    ]
    lines += [f"question    {q}" for q in facts.dialect_questions]
    lines += [f"warning     {w}" for w in facts.warnings]
    lines += [f"assumed     {a}" for a in facts.assumed]
    return "\n".join(lines)


def findings_text(findings: Findings) -> str:
    """Verdict first, then why, then what would help, then what was assumed."""
    f = findings
    low, high = percent(f.jam_probability_low), percent(f.jam_probability_high)
    band = "whatever is not known" if low == high else f"90 % range {low} to {high}"
    lines = [
        f"verdict     {f.verdict}: {VERDICT[f.verdict]}",
        f"jam         {percent(f.jam_probability)} likely; {band}",
        f"first gives {f.mechanism}: {cause_words(f)}",
        f"push        {f.peak_push_n:.1f} N at most, at the drive, at central values"
        if f.peak_push_n is not None
        else "push        beyond what the guide lets through, at central values",
        f"margin      {f.least_margin:.2g} (capacity / demand), at central values"
        if f.least_margin is not None
        else "margin      beyond measure: nothing is pushed",
    ]
    if f.max_passes > 1:
        lines.append(f"passes      the same filament passes the drive up to {f.max_passes} times")
    lines.append(f"spool       {f.mass_g:.2g} g; pressure stores {f.stored_length_mm:.2g} mm of filament")
    if f.verdict != "feeds":
        if f.speed_factor is None:
            lines.append("speed       refused: no speed down to a tenth of the program's meets the 2 % target")
        else:
            lines.append(f"speed       at {100 * f.speed_factor:.0f} % of the program's speed the chance falls to 2 %")
    for r in f.remedies:
        lines.append(f"would help  {r.change}: {remedy_words(r)}")
    for name, share in f.measure_next.items():
        lines.append(f"measure     {name}: {percent(share)} of the doubt")
    lines.append("")
    lines.append("worst moments (line, layer, time, what gives, margin)")
    lines += [
        f"  {m.line:>8}  {m.layer + 1:>4}  {minutes(m.time_s):>7}  {m.mechanism:<7} {m.margin:.2g}" for m in f.worst
    ]
    lines += ["", facts_text(f.facts), ""]
    lines += [f"part        {p}" for p in f.part]
    lines += [f"caution     {c}" for c in f.cautions]
    return "\n".join(lines)
