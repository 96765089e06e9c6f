"""Drawings of the kinds of machine: what to recognise, and where to measure. Not to scale; no machine in particular."""

from markupsafe import Markup

__all__ = ["KINDS", "machine_drawing"]

KINDS = {
    "open-gap": ("Open gap", "Behind the wheels you see bare filament before it enters the hot end."),
    "guided": ("Guided", "A close guide takes the filament right behind the wheels."),
    "dual-drive": ("Both wheels driven", "Two toothed wheels, both turning; usually with gears beside them."),
    "tube-2.0": ("Long tube, 2.0 mm", "The drive sits on the frame and pushes through a long tube. Usual bore."),
    "tube-1.9": ("Long tube, 1.9 mm", "A long tube as well, sold as a close fit for soft filament."),
}
_OPEN = {"open-gap": 44, "guided": 15, "dual-drive": 20}


def machine_drawing(kind: str, marks: bool = False) -> Markup:
    """Draw one kind of machine; with `marks`, the three places to measure are named A, B and C.

    Parameters
    ----------
    kind : str
        A key of `KINDS`.
    marks : bool
        Whether to show where to measure.

    Returns
    -------
    Markup
        One SVG element.
    """
    tube = kind.startswith("tube")
    body = _tube(kind, marks) if tube else _direct(kind, marks)
    said = KINDS[kind][0] + (
        ": A is the open gap behind the wheels, B the length of the guide or tube, C the bore of the nozzle."
        if marks
        else "."
    )
    box = "0 0 260 320" if marks else "20 0 170 300"
    return Markup(f'<svg class="machine" viewBox="{box}" role="img" aria-label="{said}">{body}</svg>')


def _wheel(x: float, y: float, driven: bool) -> str:
    teeth = f'<circle cx="{x}" cy="{y}" r="20" class="teeth"/>' if driven else ""
    return f'<circle cx="{x}" cy="{y}" r="18" class="wheel"/>{teeth}<circle cx="{x}" cy="{y}" r="4" class="hub"/>'


def _spool(x: float, y: float) -> str:
    return (
        f'<circle cx="{x}" cy="{y}" r="24" class="wheel"/><circle cx="{x}" cy="{y}" r="17" class="wound"/>'
        f'<circle cx="{x}" cy="{y}" r="12" class="wound"/><circle cx="{x}" cy="{y}" r="5" class="hub"/>'
    )


def _hot_end(x: float, top: float) -> str:
    """Barrel, heated block, nozzle."""
    fins = "".join(f'<path class="thin" d="M{x - 15} {top + 4 + 7 * k}h30"/>' for k in range(3))
    return (
        f'{fins}<path class="part" d="M{x - 18} {top + 26}h36v26h-36z"/>'
        f'<path class="part" d="M{x - 9} {top + 52}h18l-5 14h-8z"/>'
    )


def _measure(name: str, x: float, upper: float, lower: float, at: float, words: str) -> str:
    """A dimension line from `upper` to `lower`, at `x`, with witness lines from the drawing at `at`."""
    middle = (upper + lower) / 2
    return (
        f'<path class="witness" d="M{at} {upper}H{x + 5}M{at} {lower}H{x + 5}"/>'
        f'<path class="dimension" d="M{x} {upper}V{lower}M{x - 4} {upper + 4}l8 -8M{x - 4} {lower + 4}l8 -8"/>'
        f'<text class="letter" x="{x + 10}" y="{middle + 1:.0f}">{name}</text>'
        f'<text class="where" x="{x + 26}" y="{middle + 1:.0f}">{words}</text>'
    )


def _direct(kind: str, marks: bool) -> str:
    x, pinch = 105.0, 92.0
    gap = float(_OPEN[kind])
    inlet = pinch + gap + 20
    end = inlet + 62
    both = kind == "dual-drive"
    parts = [
        _spool(66, 32),
        f'<path class="strand" d="M82 14C98 20 {x} 40 {x} 60V{end + 30}"/>',
        _wheel(x - 21, pinch, True) + _wheel(x + 21, pinch, both),
    ]
    if both:
        parts.append(f'<path class="thin" d="M{x - 21} {pinch}h42"/>')
    parts.append(f'<path class="wall" d="M{x - 6} {inlet}V{end}M{x + 6} {inlet}V{end}"/>')
    parts.append(f'<path class="part" d="M{x - 16} {inlet}h10v14h-10zM{x + 6} {inlet}h10v14h-10z"/>')
    parts.append(_hot_end(x, end))
    if kind == "open-gap" and not marks:
        parts.append(f'<ellipse class="look" cx="{x}" cy="{pinch + gap / 2 + 10}" rx="17" ry="{gap / 2 + 9}"/>')
    if marks:
        parts.append(_measure("A", 160, pinch, inlet, x + 2, "open gap"))
        parts.append(_measure("B", 160, inlet, end, x + 18, "guide"))
        parts.append(_bore(x, end + 66))
    return "".join(parts)


def _bore(x: float, tip: float) -> str:
    return (
        f'<path class="dimension" d="M{x + 3} {tip + 2}L160 {tip + 14}"/>'
        f'<text class="letter" x="170" y="{tip + 18}">C</text>'
        f'<text class="where" x="186" y="{tip + 18}">nozzle</text>'
    )


def _tube(kind: str, marks: bool) -> str:
    x, hot, pinch, inlet = 62.0, 150.0, 206.0, 162.0
    close = kind == "tube-1.9"
    half = 4 if close else 6
    parts = [
        _spool(62, 272),
        f'<path class="strand" d="M{x} 250V{inlet}"/>',
        _wheel(x - 21, pinch, True) + _wheel(x + 21, pinch, False),
        f'<path class="part" d="M{x - 15} {inlet}h30v-14h-30z"/>',
    ]
    for r in (44 - half, 44 + half):
        parts.append(f'<path class="wall" d="M{106 - r} 148V70A{r} {r} 0 0 1 {106 + r} 70V176"/>')
    parts.append(f'<path class="strand" d="M{x} {inlet}V70A44 44 0 0 1 {hot} 70V200"/>')
    parts.append(_hot_end(hot, 178))
    if marks:
        parts.append(
            f'<path class="witness" d="M{x} {pinch}H24M{x - 15} {inlet - 14}H24"/>'
            f'<path class="dimension" d="M28 {pinch}V{inlet - 14}M24 {pinch + 4}l8 -8M24 {inlet - 10}l8 -8"/>'
            f'<text class="letter" x="8" y="{(pinch + inlet) / 2 - 1}">A</text>'
            f'<text class="where" x="92" y="292">A: open gap</text>'
            '<text class="letter" x="166" y="40">B</text><text class="where" x="182" y="40">tube, end</text>'
            '<text class="where" x="182" y="56">to end</text>'
        )
        parts.append(
            f'<path class="dimension" d="M{hot + 3} 246L186 262"/><text class="letter" x="192" y="268">C</text>'
            '<text class="where" x="206" y="268">nozzle</text>'
        )
    return "".join(parts)
