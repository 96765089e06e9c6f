"""Choices and forces as plain sentences for a terminal."""

from pliant.records.feel import Feel, Piece, Predicted
from pliant.say import number

__all__ = ["HOLDS", "feel_text", "newtons", "piece_words", "weight_words"]

HOLDS = {"linear": "", "folds": "folds", "sideways": "buckles sideways", "beyond": "beyond the model"}


def newtons(force_n: float) -> str:
    """A force with the two digits that are known."""
    return number(force_n)


def weight_words(force_n: float) -> str:
    """Say a force as what would rest on the piece."""
    mass = force_n / 9.80665  # standard gravity
    if mass < 1:
        return f"like {newtons(1000 * mass)} g resting on it"
    return f"like {newtons(mass)} kg resting on it"


def piece_words(piece: Piece) -> str:
    """Name the piece and its sizes."""
    a, b, h = (f"{v:g}" for v in piece.size_mm)
    if piece.kind == "pad":
        across = ", pressed across the print's vertical" if piece.direction == "in-plane" else ""
        return f"pad {a} × {b} × {h} mm{across}"
    if piece.kind == "ring":
        return f"ring {a} / {b} mm, {h} mm high"
    return f"bellows {a} / {b} mm, {h} mm high, {piece.folds} folds"


def feel_text(feel: Feel) -> str:
    """What to choose, or what it feels like, then what it rests on."""
    f = feel
    at = f"{f.deflection_mm:g} mm"
    first = f.choices[0]
    lines = [f"piece       {piece_words(f.piece)}; pressed {at} ({100 * f.strain:.0f} % of its height)"]
    if f.wanted_n is None:
        lines += [
            f"choice      {first.choice.words()}",
            f"force       {newtons(first.force_n)} N; 90 % range {newtons(first.low_n)} to {newtons(first.high_n)} N",
            f"            {weight_words(first.force_n)}",
            f"stiffness   {newtons(first.stiffness_n_per_mm)} N/mm at that deflection",
        ]
        if first.holds != "linear":
            lines.append(f"holds       {HOLDS[first.holds]}: see the notes")
        if f.measured_factor is not None and f.measured_n is not None:
            lines.append(
                f"measured    {number(f.measured_n, 4)} N: your spool is ×{number(f.measured_factor)} of the model; "
                f"ask again with `factor` {number(f.measured_factor, 3)}"
            )
    else:
        lines += [
            f"wanted      {number(f.wanted_n, 4)} N; the choices tried reach {' to '.join(map(newtons, f.reach_n))} N",
            "",
            "nearest choices (force; 90 % range; chance of lying within a quarter of the wanted force)",
        ]
        lines += [_row(p) for p in f.choices]
        lines.append("")
    lines += [
        f"spread      ×{number(s, 3)} {name}" for name, s in sorted(f.spread_parts.items(), key=lambda kv: -kv[1])
    ]
    lines.append(f"check       {f.check.sentence()}")
    lines += [f"note        {n}" for n in f.notes]
    lines += [f"assumed     {a}" for a in f.assumed]
    lines += [f"caution     {c}" for c in f.cautions]
    return "\n".join(lines)


def _row(p: Predicted) -> str:
    span = f"{newtons(p.low_n)} to {newtons(p.high_n)} N"
    return (
        f"  {p.choice.words():<32} {newtons(p.force_n):>6} N  {span:<18} {100 * (p.chance_near or 0):>3.0f} %"
        f"  {HOLDS[p.holds]}".rstrip()
    )
