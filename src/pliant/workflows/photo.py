"""A picture in place of a ruler: the empty lengths of a stop-start sheet filled in from it."""

# ruff: noqa: E501 (sentences stay whole)
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pliant.coupons.readings import read_readings, readings_from, settings_from
from pliant.coupons.stop_start import rows_of
from pliant.errors import PliantError
from pliant.files import Source
from pliant.photo.marks import piece_code
from pliant.photo.piece import read_piece
from pliant.records.coupon import Readings
from pliant.records.machine import load_toml

__all__ = ["filled", "read_with_photo"]


def filled(data: dict[str, Any], photo: Source, name: str) -> tuple[dict[str, Any], tuple[str, ...]]:
    """A stop-start sheet with the lengths that a picture shows.

    Parameters
    ----------
    data : dict
        The sheet as `coupons.readings` takes it, its lengths empty.
    photo : str, Path or Text
        The picture.
    name : str
        Of the sheet, for errors.

    Returns
    -------
    dict
        The sheet filled in.
    tuple of str
        What was read, in sentences.

    Raises
    ------
    PliantError
        If the sheet is of another piece, is filled in already, or the picture is not fit to be read.
    """
    if data.get("coupon") != "stop-start":
        raise PliantError(
            f"{name}: is the sheet of a {data.get('coupon')!r}; only a stop-start piece is read from a picture, fill this "
            "one in by hand"
        )
    steps = settings_from(data, name)
    by_hand = [
        k for k, table in enumerate(data["step"]) if any(table.get(key, "") != "" for key in ("tail_mm", "lead_mm"))
    ]
    if by_hand:
        raise PliantError(
            f"{name}: step {by_hand[0] + 1} is filled in by hand already; leave out the picture, or empty the lengths of all rows"
        )
    read = read_piece(photo, rows_of(steps), piece_code(steps))
    tables = []
    for table, tail, lead in zip(data["step"], read.tails, read.leads, strict=True):
        new = dict(table)
        for key, length in (("tail", tail), ("lead", lead)):
            if length.mm is not None:
                new |= {f"{key}_mm": round(length.mm, 2), f"{key}_spread_mm": round(max(length.spread_mm, 0.01), 2)}
        tables.append(new)
    if all(x.mm is None for x in (*read.tails, *read.leads)):
        raise PliantError(f"{read.name}: no length can be read ({read.tails[0].why}); measure with a ruler")
    return {**data, "step": tables}, read.words


def read_with_photo(sheets: Sequence[str | Path | Readings], photo: Source) -> tuple[list[Readings], tuple[str, ...]]:
    """Sheets read, the one of a stop-start piece among them filled in from a picture.

    Parameters
    ----------
    sheets : sequence of str, Path or Readings
        Just one of a stop-start piece among them, as a file, its lengths empty.
    photo : str, Path or Text
        The picture.

    Returns
    -------
    list of Readings
    tuple of str
        What was read from the picture.

    Raises
    ------
    PliantError
        As `filled`, or if no one sheet is meant.
    """
    hint = "`coupon()` writes a file to fill in"
    plain = {k: load_toml(s, hint) for k, s in enumerate(sheets) if not isinstance(s, Readings)}
    meant = [k for k, data in plain.items() if data.get("coupon") == "stop-start"]
    if len(meant) != 1:
        raise PliantError(
            f"a picture goes with the readings file of one stop-start piece, and {len(meant) or 'none'} of them "
            f"{'are' if len(meant) > 1 else 'is'} given; give the file that came with the piece"
        )
    name = str(sheets[meant[0]])
    data, said = filled(plain[meant[0]], photo, name)
    found = [readings_from(data, name) if k in meant else s if isinstance(s, Readings) else read_readings(s)
             for k, s in enumerate(sheets)]  # fmt: skip
    return found, said
