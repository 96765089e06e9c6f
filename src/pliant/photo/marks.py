"""The frame of marks that lies around a piece: where they are, and which.

Marks of an open standard, four by four bits within a black border [1]_: four corners, one above and one below, which
tell the form of the frame, and one on either side, which tell the piece. Eight, so that the bend of a lens shows too.

References
----------
.. [1] S. Garrido-Jurado, R. Munoz-Salinas, F. J. Madrid-Cuevas, M. J. Marin-Jimenez, Automatic generation and detection
   of highly reliable fiducial markers under occlusion, Pattern Recognition 47 (2014) 2280-2292,
   doi:10.1016/j.patcog.2014.01.005.
"""

import hashlib
import json
from collections.abc import Sequence

from pliant.records.coupon import Step

__all__ = [
    "CORNERS", "EDGE_MM", "FORM", "MARK_MM", "SCALE_MM", "WINDOW_MM", "mark_bits", "mark_places", "piece_code",
]  # fmt: skip

MARK_MM, WINDOW_MM, EDGE_MM = 14.0, 100.0, 144.0  # [mm] a mark; the opening that the piece lies in; the whole frame
SCALE_MM = 100.0  # [mm] the line to lay a ruler on
_AT_MM = 62.0  # [mm] from the middle of the frame to the middle of a mark
CORNERS = (0, 1, 2, 3)  # top left, top right, bottom right, bottom left
FORM = (4, 5)  # above, below: the first form of the frame; another form takes others
_PIECES = 40  # ids 10 to 49, twice: 1600 codes

# The 50 patterns of the standard's dictionary of 4 x 4 bits, row by row, white is 1: written out once from OpenCV
# 5.0.0, DICT_4X4_50 (aruco module, Apache-2.0). A test compares them where OpenCV is there.
_BITS = (
    "b532 0f9a 332d 9946 549e 79cd 9e2e c4f2 feda cf56 f991 11a7 0eb7 2a0f 24b1 263e 4665 6600 6c5e 76af 868b b02b "
    "ccd5 dd82 fe47 9471 ace4 a554 2123 346f 4415 57b2 9ecf f0cb 08ae 0929 1875 04ff 0df6 1c5a 1718 2a28 328c 38b2 "
    "24e8 2eeb 2d3f 4b64 502e 5013"
)


def mark_bits(number: int) -> tuple[tuple[bool, ...], ...]:
    """Four rows of four fields of a mark, top row first; true is white."""
    word = int(_BITS.split()[number], 16)
    return tuple(tuple(bool(word >> (15 - 4 * r - c) & 1) for c in range(4)) for r in range(4))


def mark_places(code: tuple[int, int]) -> dict[int, tuple[float, float]]:
    """Middle of every mark of a piece's frame by its number, from the middle of the frame, y up. [mm]"""
    a = _AT_MM
    corners = dict(zip(CORNERS, ((-a, a), (a, a), (a, -a), (-a, -a)), strict=True))
    return corners | {FORM[0]: (0.0, a), FORM[1]: (0.0, -a), code[0]: (-a, 0.0), code[1]: (a, 0.0)}


def piece_code(steps: Sequence[Step]) -> tuple[int, int]:
    """The two marks that tell this piece from others: from what its steps set, so that its readings file knows them.

    Parameters
    ----------
    steps : sequence of Step
        Of the piece.

    Returns
    -------
    tuple of int
        Two different numbers. One frame in 1560 of another piece has the same two.
    """
    set_ = [[f"{v:.3f}" for v in (s.flow_mm3_per_s, s.width_mm, s.gap_mm, s.speed_mm_per_s, s.wait_s, s.back_mm,
                                  s.before_mm, s.after_mm)] for s in steps]  # fmt: skip
    number = int(hashlib.sha256(json.dumps(set_).encode()).hexdigest()[:8], 16)
    first, second = number % _PIECES, number // _PIECES % (_PIECES - 1)
    return 10 + first, 10 + second + (second >= first)
