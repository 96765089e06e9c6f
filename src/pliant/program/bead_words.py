"""Words that only set how beads are laid: fan, accelerations, corners, advance. Every bead has them in its state."""

import numpy as np
from numpy.typing import NDArray

from pliant.language.line import read_line
from pliant.records.program import Program

__all__ = ["SOFT", "fields_set", "other_states"]

SOFT = ("fan", "print_accel", "retract_accel", "travel_accel", "junction_mm", "corner_mm_per_s", "advance_s")

# by command and letters; a line with any other letter may do more than the reader knows
_SETS: dict[tuple[str, float], dict[str, tuple[str, ...]]] = {
    ("M", 106): {"S": ("fan",)},
    ("M", 107): {"": ("fan",)},
    ("M", 204): {
        "S": ("print_accel", "travel_accel"), "P": ("print_accel",), "R": ("retract_accel",), "T": ("travel_accel",)
    },
    ("M", 205): {"J": ("junction_mm",), "X": ("corner_x",), "Y": ("corner_y",)},
    ("M", 900): {"K": ("advance_s",)},
}  # fmt: skip


def fields_set(text: bytes) -> tuple[str, ...] | None:
    """States that a line sets and nothing else.

    Parameters
    ----------
    text : bytes
        The line.

    Returns
    -------
    tuple of str, or None
        Names of fields; `corner_x` and `corner_y` together make `corner_mm_per_s`. Empty for a comment, None for a
        line that may do more.

    Examples
    --------
    >>> fields_set(b"M204 P500 T900"), fields_set(b"; wall"), fields_set(b"M106 P1 S9")
    (('print_accel', 'travel_accel'), (), None)
    """
    line = read_line(text)
    if line.is_comment:
        return ()
    if line.bad >= 0 or line.deletable or len(line.commands) != 1 or line.command is None:
        return None
    letters = _SETS.get(line.command)
    said = [w for w in line.words if (w.letter, w.value) != line.command]
    if letters is None or any(w.letter not in letters or w.value is None for w in said):
        return None
    return tuple(f for w in said for f in letters[w.letter]) or letters.get("")


def other_states(program: Program, known: NDArray[np.bool_] | None = None) -> NDArray[np.int64]:
    """Number the states of a program so that those that differ in nothing but how beads are laid have one number.

    Parameters
    ----------
    program : Program
        The moves.
    known : ndarray of bool, (n_states, k), optional
        States that differ here get other numbers as well.

    Returns
    -------
    ndarray of int, (n_states,)
    """
    states = program.states
    names = [n for n in states.dtype.names or () if n not in SOFT]
    parts = [np.asarray(states[n], dtype=np.float64).reshape(len(states), -1) for n in names]
    plain = np.nan_to_num(np.column_stack(parts), nan=-1e9)
    if known is not None:
        plain = np.column_stack([plain, known])
    return np.asarray(np.unique(plain, axis=0, return_inverse=True)[1].reshape(-1), dtype=np.int64)
