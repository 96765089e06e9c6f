"""What the reader says: its errors, questions and warnings, worded from the marks that the kernel leaves.

An error says what, what is allowed and the way out. A question names a choice that the file leaves to the
controller, and what was taken; a warning names what was passed over. Both carry the first few lines concerned.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.kernels import machine
from pliant.program.dialects import Behaviour

__all__ = ["asked", "error_text", "questions", "warnings"]

_FIRST_WARNING = machine.ASK_NAMES.index("NO_FEED")

_ERRORS = {
    "NUL": "a NUL byte: a program is plain text; the file is damaged or of another kind",
    "TOO_LONG": "longer than 1 MiB; a program has short lines: wrong file?",
    "UNREADABLE": "cannot read {shown!r}; a word is a letter and a plain number, e.g. X12.5",
    "LOOSE_NUMBER": "a number without a letter, {shown!r}; write each word as a letter and an unbroken number",
    "MALFORMED": "malformed number after {letter}; allowed are digits with one point, e.g. {letter}0.5",
    "NO_NUMBER": "{letter} without a number; expected e.g. {letter}12",
    "EXPRESSION": "an expression, parameter or loop: the file is not self-contained; expand it first",
    "NAMED_MACRO": "{shown!r} is a named macro or statement: the file is not self-contained; expand it first",
    "CALL": "{letter}{a:g} calls or repeats other lines: the file is not self-contained; expand it first",
    "CHECKSUM_FORM": "a checksum needs 1 to 3 digits after * (or 5, a CRC-16); write e.g. *57 or drop it",
    "CHECKSUM": "checksum is {a:.0f} but the line gives {b:.0f}: damaged; write the file again",
    "TOOLS": "more than one tool; programs for one filament are read: use tool T0 alone",
    "MIXING": "{letter}{a:g} mixes filaments; programs for one filament are read",
    "FEED_RANGE": "F{a:g}; a feed must be above 0, in units a minute, and at most 1 km/s",
    "RANGE": "{letter} gives {a:g}; allowed is {b:g} to {c:g}",
    "AXIS": "axis {letter} is not understood; only X, Y, Z and E move here",
    "FAR": "{letter}{a:g} mm is beyond any machine; allowed is {b:g} mm either way, G92 included",
    "FILAMENT": "E asks for {a:g} mm of filament in one move; check M82/M83 and G92",
    "FIRMWARE": "the controller's own retraction (G10/G11) has a length this file does not tell; add M207 S F or use "
    "E moves",
    "FIRMWARE_LIFT": "the controller's own retraction (G10/G11) lifts by {a:g} mm (M207 Z); use Z moves for the lift",
    "G10_OFFSETS": "G10 with words sets offsets or tools, which is not followed; remove it",
    "SHIFT": "G{a:g} shifts coordinates by values the file does not tell; remove it",
    "MOTION_WORD": "G{a:g} moves in a way this reader does not follow; use G0, G1, G2 and G3",
    "FEED_MODE": "G{a:g} gives feeds per time or per turn; use G94, units a minute",
    "CENTRE_MODE": "G90.1 makes arc centres absolute, which printers do not follow; give I/J from the start point",
    "ARC_PLANE": "an arc outside the XY plane (G18/G19); use straight moves there",
    "ARC_CENTRE": "an arc needs I/J or R; give the centre from the start point",
    "ARC_BOTH": "an arc with both R and I/J; give one",
    "ARC_R": "an arc by R needs a different end point and a radius; use I/J for a full turn",
    "ARC_SHORT": "radius {a:.6g} mm does not reach: half the way between the ends is {b:.6g} mm; allowed is 1 % less",
    "ARC_RADIUS": "an arc of no radius; I and J give the centre from the start point",
    "ARC_ENDS": "the arc's ends lie {a:.3g} mm apart in radius; allowed is 0.005 mm or 0.1 %",
    "ARC_TURNS": "an arc with P{a:g} extra turns, which controllers count differently; write the turns out",
    "PERCENTAGE": "M{a:g} S{b:g}; allowed is a percentage above 0, at most 1000",
}

# name of the mark: text, and the Behaviour field that decides with what it says when False and when True
_QUESTIONS: dict[str, tuple[str, str, str, str]] = {
    "E_MODE": ("an E move after G90/G91: filament mode ", "g90_sets_e",
               "follows them on some controllers, M82/M83 alone here", "follows them here, M82/M83 alone elsewhere"),
    "E_AFTER_DIGIT": ("E straight after a digit (X1E5): ", "exponent",
                      "two words here, an exponent to some controllers",
                      "an exponent here, two words to other controllers"),
    "TWO_COMMANDS": ("two commands on a line: ", "many_commands", "the first counts here, some controllers run both",
                     "both run here, some controllers run the first alone"),
    "REPEATED": ("a letter twice on a line: ", "first_repeated", "the last counts here, the first to some controllers",
                 "the first counts here, the last to some controllers"),
    "FAN": ("a fan setting between 0 and 1: ", "fan_share", "1/255 here, a share of full speed to some controllers",
            "a share of full speed here, 1/255 to some controllers"),
    "E_STANDS": ("M82 after moves under M83 without G92 E: ", "relative_advances",
                 "those moves count here, not on some controllers", "those moves do not count here, elsewhere they do"),
    "FACTOR": ("M220/M221 and a move of filament alone: ", "factors_everywhere",
               "not scaled here, but by some controllers", "scaled here, not by some controllers"),
    "G92_ALONE": ("G92 without words: ", "bare_g92_zeroes", "does nothing here, zeroes all axes on some controllers",
                  "zeroes all axes here, does nothing on some controllers"),
}  # fmt: skip
_TEXTS = {
    "BARE_AXES": "a line of bare axes: repeats the last motion in the standard, ignored by many controllers",
    "INNER_BLANK": "a blank between a letter and its number: one word here, a word without number to some controllers",
    "BRACKETS": "a comment in ( ): some controllers read the words inside it",
    "UNCLOSED": "a ( without its ): the rest of the line is taken for a comment",
    "BLOCK_DELETE": "a line with block delete (/): run here, skipped where the switch is on",
    "INCHES": "inches (G20): some controllers reject them",
    "WORDS_BEFORE": "words before the command of their line: they belong to it here, lost on some controllers",
    "STRETCHED": "an arc whose R falls short of half the way between its ends: a half circle here, refused by some "
    "controllers",
    "NO_FEED": "a move before any F: 25 mm/s taken",
    "STRAY_PERCENT": "a % that opens no program: passed over",
    "AFTER_END": "lines after the end of the program (M2, M30 or %) are not read",
    "UNKNOWN_WORD": "a line without a command that this reader knows: passed over",
    "PAUSE": "a pause: how long it lasts is not counted",
    "LIMITS": "M201/M203 set the machine's limits: not followed, the machine record counts",
    "OTHER_TOOL": "a word for a second tool, heater or fan: passed over",
    "MORE_UNKNOWN": "further unknown commands: passed over",
    "CUT_SHORT": "the last line moves and has no end: the file may be cut short, even inside a number",
    "UNKNOWN_START": "filament is laid from a place that homing leaves unknown: that stretch of bead is not counted; "
    "travel to where it starts first",
    "UNKNOWN_AXIS": "filament is laid while homing leaves an axis unknown: that bead is taken to lie where the axis "
    "was before; travel to a named X, Y and Z first",
}


def error_text(w: NDArray[np.int64], f: NDArray[np.float64], buffer: NDArray[np.uint8], stop: int) -> str:
    """Word the error that the kernel left.

    Parameters
    ----------
    w, f : ndarray
        The machine.
    buffer : ndarray
        The bytes being read, `(n,)`.
    stop : int
        End of the valid bytes.

    Returns
    -------
    str
        What is wrong, what is allowed and the way out, without file and line.
    """
    name = machine.ERRORS[w[machine.STATUS]]
    at = int(w[machine.DETAIL_AT])
    piece = bytes(buffer[at : min(at + 16, stop)]).replace(b"\r", b"\n").split(b"\n", 1)[0]
    detail: dict[str, Any] = {
        "letter": chr(65 + int(w[machine.DETAIL_LETTER])),
        "a": f[machine.DETAIL_A],
        "b": f[machine.DETAIL_B],
        "c": f[machine.DETAIL_C],
        "shown": piece[:12].decode("ascii", "replace"),
    }
    return _ERRORS[name].format(**detail)


def asked(w: NDArray[np.int64], name: str) -> bool:
    """Whether a mark of `kernels.machine.ASK_NAMES` was left."""
    return bool(w[machine.ASK0 + machine.ASK_WIDTH * machine.ASK_NAMES.index(name)])


def with_lines(text: str, count: int, lines: list[int]) -> str:
    """Append the first lines concerned and how many more there are."""
    more = f" and {count - len(lines)} more" if count > len(lines) else ""
    return f"{text} (line {', '.join(map(str, lines))}{more})"


def questions(w: NDArray[np.int64], behaviour: Behaviour) -> tuple[str, ...]:
    """Word the choices that the file leaves to the controller."""
    return tuple(_worded(w, k, behaviour) for k in range(_FIRST_WARNING) if asked(w, machine.ASK_NAMES[k]))


def warnings(w: NDArray[np.int64], f: NDArray[np.float64], behaviour: Behaviour) -> tuple[str, ...]:
    """Word what was passed over or taken for granted."""
    said = [_worded(w, k, behaviour) for k in range(_FIRST_WARNING, machine.ASKS) if asked(w, machine.ASK_NAMES[k])]
    for k in range(machine.STRANGES):
        letter, count, *lines = w[machine.STRANGE0 + k * machine.ASK_WIDTH :][: machine.ASK_WIDTH].tolist()
        if count:
            text = f"unknown command {chr(65 + letter)}{f[machine.STRANGE_NUMBER + k]:g}: passed over"
            said.append(with_lines(text, count, lines[:count]))
    return tuple(said)


def _worded(w: NDArray[np.int64], which: int, behaviour: Behaviour) -> str:
    at = machine.ASK0 + which * machine.ASK_WIDTH
    count, _, *lines = w[at : at + machine.ASK_WIDTH].tolist()
    name = machine.ASK_NAMES[which]
    if name in _QUESTIONS:
        start, field, when_false, when_true = _QUESTIONS[name]
        text = start + (when_true if getattr(behaviour, field) else when_false)
    else:
        text = _TEXTS[name]
    return with_lines(text, count, lines[:count])
