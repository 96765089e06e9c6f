"""The frame of marks that is printed with a stop-start piece, to be laid around it before its picture is taken."""

# ruff: noqa: E501 (sentences stay whole)
from markupsafe import Markup

from pliant.photo.marks import EDGE_MM, MARK_MM, SCALE_MM, WINDOW_MM, mark_bits, mark_places, piece_code
from pliant.records.coupon import Coupon

__all__ = ["frame_of"]

_SAID = (
    "In place of the ruler: print this page at its full size (the line below is {scale:g} mm long), cut along the outer line, cut "
    "out the inner square, take off the line beside the piece, and lay the frame flat on the bed around the piece, first row below. Leave the piece where it was "
    "printed: peeled off, it bends. Put a lamp to one side, no flash. Hold the phone level above, so that the frame fills the "
    "picture and all eight marks are in it, tap on the piece to focus, and keep the picture as the camera took it. The two marks at the "
    "sides are those of this piece alone."
)
_WIDE, _HIGH = 150.0, 162.0  # [mm] of the drawing: as wide and high as coupon.css sets it
_BLACK, _WHITE = "black", "white"  # ink and paper themselves, whatever the page's colours


def frame_of(coupon: Coupon) -> dict[str, object]:
    """What to do with the frame, and its drawing at full size.

    Parameters
    ----------
    coupon : Coupon
        A stop-start piece.

    Returns
    -------
    dict
        `said` and `drawn`.
    """
    parts = [_square(0, 0, EDGE_MM, "none", 'stroke="grey" stroke-width=".2"')]
    parts.append(_square(0, 0, WINDOW_MM, "none", 'stroke="grey" stroke-width=".2" stroke-dasharray="2 1.5"'))
    for number, place in mark_places(piece_code(coupon.steps)).items():
        parts.append(_mark(number, *place))
    y, half = EDGE_MM / 2 + 6, SCALE_MM / 2
    ticks = "".join(f"M{x - half:g} {y - (2 if x % 10 == 0 else 1):g}V{y:g}" for x in range(int(SCALE_MM) + 1))
    parts.append(f'<path d="{ticks}M{-half:g} {y:g}H{half:g}" stroke="{_BLACK}" stroke-width=".15" fill="none"/>')
    parts.append(f'<text x="{half + 2:g}" y="{y:g}" font-size="3.5">{SCALE_MM:g} mm</text>')
    box = f"{-_WIDE / 2:g} {-_WIDE / 2:g} {_WIDE:g} {_HIGH:g}"
    drawn = (
        f'<svg viewBox="{box}" width="{_WIDE:g}mm" height="{_HIGH:g}mm" role="img" '
        f'aria-label="Frame of eight marks around a square opening">{"".join(parts)}</svg>'
    )
    return {"said": _SAID.format(scale=SCALE_MM), "drawn": Markup(drawn)}


def _square(x: float, y: float, side: float, fill: str, more: str = "") -> str:
    """A square around a place, y down."""
    return f'<rect x="{x - side / 2:g}" y="{y - side / 2:g}" width="{side:g}" height="{side:g}" fill="{fill}" {more}/>'


def _mark(number: int, x: float, y: float) -> str:
    """One mark, its middle there, y up: black, and its white fields as one path."""
    field = MARK_MM / 6
    left, top = x - MARK_MM / 2, -y - MARK_MM / 2
    white = "".join(
        f"M{left + (c + 1) * field:.4f} {top + (r + 1) * field:.4f}h{field:.4f}v{field:.4f}h{-field:.4f}z"
        for r, row in enumerate(mark_bits(number)) for c, bit in enumerate(row) if bit
    )  # fmt: skip
    return _square(x, -y, MARK_MM, _BLACK) + f'<path d="{white}" fill="{_WHITE}"/>'
