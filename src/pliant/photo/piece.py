"""A picture in, the two lengths of every row of a stop-start piece out."""

# ruff: noqa: E501 (sentences stay whole)
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pliant.errors import PliantError
from pliant.files import Source
from pliant.photo.lengths import Length, lead_of, tail_of
from pliant.photo.marks import EDGE_MM, WINDOW_MM
from pliant.photo.picture import read_picture
from pliant.photo.place import Laid, contrast, find_piece, sampled
from pliant.photo.square import PIXEL_MM, Squared, square_up
from pliant.photo.track import Row
from pliant.photo.widths import Widths, widths_along

__all__ = ["PieceRead", "read_piece"]

_BURNT, _MOST_BURNT = 253, 0.04
_DIM = "no flash, move the lamp or the phone aside, and turn the brightness down by tapping on the piece"
_LEAST_CLEAR = 3.0  # contrast over noise of one profile; under it a width is a guess
_OFF = 0.35  # [-] how far the full bead may be from what was asked for
_MOST_SPREAD = 0.25  # of a width, of the full one


@dataclass(frozen=True)
class PieceRead:
    """What a picture says of a piece."""

    name: str
    tails: tuple[Length, ...]
    leads: tuple[Length, ...]
    widths: tuple[Widths, ...]
    laid: Laid
    squared: Squared

    @property
    def words(self) -> tuple[str, ...]:
        """What was read, a sentence each."""
        said = [
            f"{self.name}: {self.squared.px_per_mm:.0f} pixels a millimetre, edges {self.squared.blur_mm:.2f} mm soft, marks "
            f"within {self.squared.miss_mm:.2f} mm, piece within {self.laid.miss_mm:.2f} mm of its drawing"
        ]
        if abs(self.laid.stretch - 1) > 0.008:
            said.append(
                f"{self.name}: by the piece's own lanes the frame was printed at {1 / self.laid.stretch:.1%} of its size; "
                "this is allowed for"
            )
        for k, (tail, lead, w) in enumerate(zip(self.tails, self.leads, self.widths, strict=True)):
            said.append(
                f"{self.name}: row {k + 1}: tail {_words(tail)}, thin start {_words(lead)}; full bead {w.full_mm:.2f} mm wide, "
                f"one width is good to {w.spread_mm:.2f} mm"
            )
        return tuple(said)


def _words(length: Length) -> str:
    return f"not read ({length.why})" if length.mm is None else f"{length.mm:.1f} ± {length.spread_mm:.1f} mm"


def read_piece(source: Source, rows: Sequence[Row], code: tuple[int, int]) -> PieceRead:
    """Read a stop-start piece from a picture.

    Parameters
    ----------
    source : str, Path or Text
        The picture, JPEG or PNG.
    rows : sequence of Row
        The paths of the piece.
    code : tuple of int
        The two marks of its frame, of `marks.piece_code`.

    Returns
    -------
    PieceRead

    Raises
    ------
    PliantError
        One line with what to do, where the picture is not fit to be read.
    """
    name = Path(str(source)).name
    squared = square_up(read_picture(source), code, name, min(row.width_mm for row in rows))
    out = contrast(squared)
    burnt = _burnt(squared)
    opening = slice(*(round((EDGE_MM / 2 + side * WINDOW_MM / 2) / PIXEL_MM) for side in (-0.9, 0.9)))
    share = float(burnt[opening, opening].mean())
    if share > _MOST_BURNT:
        raise PliantError(
            f"{name}: the opening is burnt out, by shine or too much light, over {share:.0%} of it; {_DIM}"
        )
    laid = find_piece(out, rows, name)
    _require_light(burnt, rows, laid, name)
    widths = tuple(widths_along(out, row, laid, squared.blur_mm) for row in rows)
    for k, (w, row) in enumerate(zip(widths, rows, strict=True)):
        _require_clear(w, row, f"{name}: row {k + 1}")
    return PieceRead(
        name,
        tuple(tail_of(w, row, squared.blur_mm) for w, row in zip(widths, rows, strict=True)),
        tuple(lead_of(w, row, squared.blur_mm) for w, row in zip(widths, rows, strict=True)),
        widths, laid, squared,
    )  # fmt: skip


def _burnt(squared: Squared) -> NDArray[np.float32]:
    """Where a colour is at the end of its scale, as 0 or 1."""
    return np.asarray((squared.pixels.max(axis=2) >= _BURNT), dtype=np.float32)


def _require_light(burnt: NDArray[np.float32], rows: Sequence[Row], laid: Laid, name: str) -> None:
    """Refuse a picture that is burnt out where the bead is."""
    for k, row in enumerate(rows):
        s = np.arange(0.5, row.length_mm, 0.5)
        grid = row.at(s)[:, None] + np.arange(-0.8, 0.81, 0.1)[None, :, None] * np.array((0.0, 1.0))
        share = float((sampled(burnt, laid(grid)) > 0.5).mean())
        if share > _MOST_BURNT:
            raise PliantError(
                f"{name}: row {k + 1} is burnt out, by shine or too much light, over {share:.0%} of it; {_DIM}"
            )


def _require_clear(w: Widths, row: Row, where: str) -> None:
    if w.clear < _LEAST_CLEAR or w.spread_mm > _MOST_SPREAD * w.full_mm:
        raise PliantError(
            f"{where} hardly stands out from its ground (contrast {w.clear:.1f} times the noise, {_LEAST_CLEAR:g} is the "
            "least); light from the side, or a ground of another colour"
        )
    if abs(w.full_mm - row.width_mm) > _OFF * row.width_mm:
        raise PliantError(
            f"{where} is {w.full_mm:.2f} mm wide where its bead was asked for {row.width_mm:.2f} mm wide; check that this is "
            "the piece of the readings file, and that nothing else lies along it"
        )
