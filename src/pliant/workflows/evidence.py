"""What the prints of a book and the trade say of a machine and a spool: evidence for the next answer."""

from dataclasses import replace
from pathlib import Path

from pliant.feed.witness import PRACTICE_WEIGHT, Seen, Witnesses
from pliant.records.filament import Filament
from pliant.records.machine import Machine

__all__ = ["with_witnesses"]


def with_witnesses(
    machine: Machine, filament: Filament, book: str | Path | None = None, *, practice: bool = False,
    near: str | Path | None = None,
) -> Filament:  # fmt: skip
    """The filament with what the prints of a book and the trade say of it on this machine.

    Parameters
    ----------
    machine, filament : Machine, Filament
        As read from their files.
    book : str or Path, optional
        The book; None, or one that is not there: no prints.
    practice : bool, default False
        Whether to hear the trade.
    near : str or Path, optional
        A program beside which those of older prints may lie, that the book keeps by name and hash alone.

    Returns
    -------
    Filament
        Itself where there is nothing to hear.
    """
    seen: tuple[Seen, ...] = ()
    left_out: tuple[str, ...] = ()
    if book is not None:
        # a sixth of a second for the library under the book, which most verdicts can do without
        from pliant.workflows.past_prints import seen_in

        seen, left_out = seen_in(book, machine, filament, None if near is None else Path(near).parent)
    if not (seen or left_out or practice):
        return filament
    said = Witnesses(machine, filament, seen, PRACTICE_WEIGHT if practice else None, left_out)
    return replace(filament, evidence=said)
