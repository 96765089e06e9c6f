"""Reading a motion program: strict, streaming, never from comment tags.

Plain words of RS274 and the printer words that extend it. Anything whose meaning the file alone does not settle is
refused with its line, or, where controllers merely differ, listed as a question. Start at `_Reader.line`.
"""

import math
import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from pliant.errors import ProgramError
from pliant.program.dialects import BEHAVIOURS
from pliant.records.program import BEAD, DWELL, HOME, PRIME, RECOVER, RETRACT, STATE_DTYPE, TRAVEL, Program

__all__ = ["read_program"]

_LONGEST_LINE = 1 << 20
_WORD = re.compile(rb"[ \t]*([A-Za-z])[ \t]*([+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+))?")
_E_AFTER_DIGIT = re.compile(rb"[0-9.][Ee][+-]?[0-9]")
_FREE_TEXT = {0.0, 1.0, 23.0, 28.0, 30.0, 117.0, 118.0, 928.0}
_MACRO = {98.0, 99.0, 808.0}
_INCH = 25.4


def _lines(path: Path) -> Iterator[bytes]:
    """Yield lines without their ends (LF, CRLF or CR), reading in bounded pieces."""
    rest, count, after_cr = b"", 0, False
    with path.open("rb") as file:
        while piece := file.read(_LONGEST_LINE):
            if after_cr and piece[:1] == b"\n":
                piece = piece[1:]
            after_cr = piece[-1:] == b"\r"
            parts = (rest + piece).replace(b"\r\n", b"\n").replace(b"\r", b"\n").split(b"\n")
            rest = parts.pop()
            for part in parts:
                count += 1
                yield part
            if len(rest) > _LONGEST_LINE:
                raise ProgramError(
                    f"{path} line {count + 1}: longer than 1 MiB; a program has short lines: wrong file?"
                )
    if rest:
        yield rest


class _Reader:
    """State of the machine while a program is read; `rows` grows by one tuple a move."""

    def __init__(self, path: Path, dialect: str) -> None:
        self.path, self.dialect = path, dialect
        self.behaviour = BEHAVIOURS["e-on-its-own" if dialect == "auto" else dialect]
        self.number = 0
        self.position = [0.0, 0.0, 0.0]
        self.offset = [0.0, 0.0, 0.0]
        self.known = [True, True, True]
        self.e_register = 0.0
        self.absolute, self.e_absolute, self.e_absolute_other = True, True, True
        self.unit, self.feed = 1.0, math.nan
        self.nozzle, self.speed_factor, self.flow_factor, self.volumetric = math.nan, 1.0, 1.0, 0.0
        self.plane = 17
        self.motion = -1
        self.debt, self.tool, self.percent = 0.0, 0.0, 0
        self.rows: list[tuple[float, ...]] = []
        self.points: list[tuple[float, float, float]] = [(0.0, 0.0, 0.0)]
        self.asked: dict[str, list[int]] = {}
        self.warned: dict[str, list[int]] = {}

    def fail(self, text: str) -> ProgramError:
        return ProgramError(f"{self.path} line {self.number}: {text}")

    def ask(self, what: str) -> None:
        self.asked.setdefault(what, []).append(self.number)

    def warn(self, what: str) -> None:
        self.warned.setdefault(what, []).append(self.number)

    def line(self, raw: bytes) -> None:
        """Read one line: strip comments, verify the checksum, split into words, run the command."""
        if b"\0" in raw:
            raise self.fail("a NUL byte: this is not a text program; save it as plain text")
        text = self._without_comments(raw).strip()
        if not text or self.percent == 2:
            return
        if text == b"%":
            self.percent = 2 if self.percent == 1 else 1
            return
        if text[:1] == b"/":
            self.ask("a line with block delete (/): run here, skipped where the switch is on")
            text = text[1:].lstrip()
        words = self._words(text)
        if not words:
            return
        if self.behaviour.many_commands:
            starts = [i for i, (letter, _) in enumerate(words) if letter in "GMT"]
            for i, start in enumerate(starts):
                self._command(words[start : starts[i + 1] if i + 1 < len(starts) else None])
            if not starts:
                self._command(words)
            return
        commands = [w for w in words if w[0] in "GM"]
        if len(commands) > 1:
            self.ask("two commands on a line: the first counts here, some controllers run both")
            words = [w for w in words if w[0] not in "GM" or w is commands[0]]
        self._command(words)

    def _without_comments(self, raw: bytes) -> bytes:
        if b"(" not in raw:
            return raw.split(b";", 1)[0]
        kept, depth = bytearray(), False
        for byte in raw:
            if depth:
                depth = byte != 0x29
            elif byte == 0x28:
                depth = True
            elif byte == 0x3B:
                break
            else:
                kept.append(byte)
        return bytes(kept)

    def _words(self, text: bytes) -> list[tuple[str, float | None]]:
        if b"*" in text:
            head, _, tail = text.rpartition(b"*")
            if not re.fullmatch(rb"[0-9]{1,3}\s*", tail):
                raise self.fail("a checksum needs 1 to 3 digits after *; write e.g. *57 or drop it")
            total = 0
            for byte in head:
                total ^= byte
            if total != int(tail):
                raise self.fail(f"checksum is {int(tail)} but the line gives {total}: damaged; write the file again")
            text = head
        words: list[tuple[str, float | None]] = []
        at = 0
        while at < len(text):
            if text[at] in b"[]{}#=<>" or text[at : at + 1] in (b"O", b"o"):
                raise self.fail("an expression, parameter or loop: the file is not self-contained; expand it first")
            found = _WORD.match(text, at)
            if not found:
                if not text[at:].strip():
                    break
                shown = text[at : at + 12].decode("ascii", "replace")
                raise self.fail(f"cannot read {shown!r}; a word is a letter and a plain number, e.g. X12.5")
            at = found.end()
            letter, number = found[1].decode().upper(), found[2]
            value = float(number) if number is not None else None
            if value is None and letter in "GM":
                raise self.fail(f"{letter} without a number; expected e.g. {letter}1")
            words.append((letter, value))
            first = next(((a, b) for a, b in words if a in "GM"), None)
            if first and first[0] == "M" and first[1] in _FREE_TEXT:
                return [first]
            if at < len(text) and text[at] in b".,:":
                raise self.fail(f"malformed number after {letter}; allowed are digits with one point, e.g. {letter}0.5")
        if _E_AFTER_DIGIT.search(text):
            self.ask("E straight after a digit (X1E5): two words here, an exponent to some controllers")
        if words and words[0][0] == "N":
            words = words[1:]
        return words

    def _command(self, words: list[tuple[str, float | None]]) -> None:
        letter, code = words[0]
        given: dict[str, float | None] = {}
        if letter not in "GMT":
            motion_words = any(w[0] in "XYZEIJR" for w in words)
            if motion_words:
                self.ask("a line of bare axes: repeats the last motion in the standard, ignored by many controllers")
                if self.motion < 0:
                    return
                letter, code = "G", float(self.motion)
            elif letter == "F":
                letter, code = "G", 1.0
            else:
                self.warn(f"unknown word {letter}: passed over")
                return
        else:
            words = words[1:] if words[0][0] in "GMT" else words
        for key, value in words:
            if key in "GM":
                continue
            if key in given:
                self.ask(f"letter {key} twice on a line: the last counts here, the first to some controllers")
                if self.behaviour.many_commands:
                    continue
            given[key] = value
        if letter == "T":
            if code not in (None, 0.0):
                raise self.fail("more than one tool; programs for one filament are read: use tool T0 alone")
        elif letter == "G":
            self._g(float(code or 0), given)
        else:
            self._m(float(code or 0), given)

    def _need(self, given: dict[str, float | None], key: str) -> float:
        value = given[key]
        if value is None:
            raise self.fail(f"{key} without a number; expected e.g. {key}12")
        return value

    def _g(self, code: float, given: dict[str, float | None]) -> None:
        if code in (0.0, 1.0, 2.0, 3.0):
            self._move(int(code), given)
        elif code == 4.0:
            seconds = self._need(given, "S") if "S" in given else 0.0
            if "S" not in given and "P" in given:
                seconds = self._need(given, "P") / 1000
            if not 0 <= seconds <= 86400:
                raise self.fail(f"a dwell of {seconds:g} s; allowed is 0 to 86400")
            self._row(DWELL, self.position, 0.0, 0.0, math.nan, dwell=seconds)
        elif code in (17.0, 18.0, 19.0):
            self.plane = int(code)
        elif code in (20.0, 21.0):
            self.unit = _INCH if code == 20.0 else 1.0
            if code == 20.0:
                self.ask("inches (G20): some controllers reject them")
        elif code in (90.0, 91.0):
            self.absolute = code == 90.0
            self.e_absolute_other = self.absolute if not self.behaviour.g90_sets_e else self.e_absolute_other
            if self.behaviour.g90_sets_e:
                self.e_absolute = self.absolute
        elif code == 92.0:
            for k, axis in enumerate("XYZ"):
                if axis in given:
                    self.offset[k] = self.position[k] - self._need(given, axis) * self.unit
            if "E" in given:
                self.e_register = self._need(given, "E") * self.unit
        elif code == 28.0:
            named = [k for k, axis in enumerate("XYZ") if axis in given] or [0, 1, 2]
            for k in named:
                self.known[k], self.offset[k] = False, 0.0
        elif code in (10.0, 11.0):
            raise self.fail(
                "the controller's own retraction (G10/G11) has a length this file does not tell; use E moves"
            )
        elif code in (65.0, 66.0):
            raise self.fail("a macro call: the file is not self-contained; expand it first")
        elif code in (53.0, 54.0, 55.0, 56.0, 57.0, 58.0, 59.0) or 92.0 < code < 93.0:
            raise self.fail(f"G{code:g} shifts coordinates by values the file does not tell; remove it")
        elif code not in (29.0, 94.0, 61.0, 64.0, 80.0):
            self.warn(f"unknown command G{code:g}: passed over")

    def _m(self, code: float, given: dict[str, float | None]) -> None:
        if code in _MACRO:
            raise self.fail(f"M{code:g} calls or repeats other lines: the file is not self-contained; expand it first")
        if code in (82.0, 83.0):
            self.e_absolute = self.e_absolute_other = code == 82.0
        elif code in (104.0, 109.0):
            key = "S" if "S" in given else "R" if "R" in given else None
            if key:
                self.nozzle = self._need(given, key) or self.nozzle
        elif code == 106.0 and "S" in given and 0 < (given["S"] or 0.0) <= 1:
            self.ask("a fan setting between 0 and 1: a share of full speed to some controllers, 1/255 to others")
        elif code in (220.0, 221.0) and "S" in given:
            factor = self._need(given, "S") / 100
            if not 0 < factor <= 10:
                raise self.fail(f"M{code:g} S{100 * factor:g}; allowed is a percentage above 0, at most 1000")
            if code == 220.0:
                self.speed_factor = factor
            else:
                self.flow_factor = factor
        elif code == 200.0:
            diameter = self._need(given, "D") * self.unit if "D" in given else 0.0
            if diameter < 0:
                raise self.fail(f"M200 D{diameter:g}; allowed is a diameter of 0 or more")
            self.volumetric = math.pi * diameter**2 / 4
        elif code in (2.0, 30.0):
            self.percent = 2

    def _row(
        self, kind: int, end: list[float], length: float, filament: float, speed: float,
        *, dwell: float = 0.0, sweep: float = 0.0, centre: tuple[float, float] = (math.nan, math.nan),
    ) -> None:  # fmt: skip
        self.rows.append((self.number, kind, length, filament, speed, self.nozzle, dwell, sweep, *centre))
        self.points.append((end[0], end[1], end[2]))

    def _move(self, code: int, given: dict[str, float | None]) -> None:
        self.motion = code
        if "F" in given:
            feed = self._need(given, "F") * self.unit / 60
            if feed <= 0:
                raise self.fail(f"F{given['F']:g}; a feed must be above 0, in units a minute")
            self.feed = feed
        for axis in "ABCUVW":
            if axis in given:
                raise self.fail(f"axis {axis} is not understood; only X, Y, Z and E move here")
        end = list(self.position)
        for k, axis in enumerate("XYZ"):
            if axis not in given:
                continue
            value = self._need(given, axis) * self.unit
            if abs(value) > 1e5:
                raise self.fail(f"{axis}{value:g} mm is beyond any machine; allowed is 100 m either way")
            end[k] = value + (self.offset[k] if self.absolute else self.position[k])
        jump = [k for k, axis in enumerate("XYZ") if axis in given and self.absolute and not self.known[k]]
        if jump:  # after homing the way to the first absolute place is the machine's own
            for k in jump:
                self.position[k], self.known[k] = end[k], True
            self._row(HOME, self.position, 0.0, 0.0, math.nan)
        filament = 0.0
        if "E" in given:
            asked = self._need(given, "E") * self.unit
            if self.e_absolute != self.e_absolute_other:
                self.ask("an E move after G90/G91: filament mode follows them on some controllers, M82/M83 alone here")
            filament = asked - self.e_register if self.e_absolute else asked
            self.e_register += filament
            filament = filament * self.flow_factor / (self.volumetric or 1.0)
            if not abs(filament) < 1e5:
                raise self.fail(f"E asks for {filament:g} mm of filament in one move; check M82/M83 and G92")
        start = self.position
        if code in (2, 3) and ("I" in given or "J" in given or "R" in given):
            length, sweep, centre = self._arc(code, given, start, end)
        elif code in (2, 3) and end != start:
            raise self.fail("an arc needs I/J or R; give the centre from the start point")
        else:
            length, sweep, centre = math.dist(start, end), 0.0, (math.nan, math.nan)
        if length == 0 and filament == 0:
            return
        if math.isnan(self.feed):
            self.warn("a move before any F: 25 mm/s taken")
            self.feed = 25.0
        flat = math.hypot(end[0] - start[0], end[1] - start[1]) > 0 or sweep != 0
        if filament < 0:
            kind = RETRACT
            self.debt -= filament
        elif filament > 0:
            owed, self.debt = self.debt, max(0.0, self.debt - filament)
            kind = RECOVER if owed > 0 and not flat else BEAD if length > 0 else PRIME
        else:
            kind = TRAVEL
        self._row(kind, end, length, filament, self.feed * self.speed_factor, sweep=sweep, centre=centre)
        self.position = end

    def _arc(
        self, code: int, given: dict[str, float | None], start: list[float], end: list[float]
    ) -> tuple[float, float, tuple[float, float]]:
        if self.plane != 17:
            raise self.fail("an arc outside the XY plane (G18/G19); use straight moves there")
        dx, dy = end[0] - start[0], end[1] - start[1]
        if "R" in given:
            if "I" in given or "J" in given:
                raise self.fail("an arc with both R and I/J; give one")
            radius = self._need(given, "R") * self.unit
            chord = math.hypot(dx, dy)
            if chord == 0 or radius == 0:
                raise self.fail("an arc by R needs a different end point and a radius; use I/J for a full turn")
            rise = radius**2 - chord**2 / 4
            if rise < -0.02 * radius**2:
                raise self.fail(f"radius {abs(radius):g} mm is too short for a chord of {chord:g} mm")
            side = 1.0 if (code == 3) == (radius > 0) else -1.0
            h = side * math.sqrt(max(rise, 0.0)) / chord
            cx, cy = start[0] + dx / 2 - dy * h, start[1] + dy / 2 + dx * h
        else:
            cx = start[0] + (self._need(given, "I") * self.unit if "I" in given else 0.0)
            cy = start[1] + (self._need(given, "J") * self.unit if "J" in given else 0.0)
        ax, ay, bx, by = start[0] - cx, start[1] - cy, end[0] - cx, end[1] - cy
        r1, r2 = math.hypot(ax, ay), math.hypot(bx, by)
        if r1 == 0:
            raise self.fail("an arc of no radius; I and J give the centre from the start point")
        off = abs(r1 - r2)
        if "R" not in given and (off > 0.5 or (off > 0.005 and off > 0.001 * r1)):
            raise self.fail(f"the arc's ends lie {off:.3g} mm apart in radius; allowed is 0.005 mm or 0.1 %")
        sweep = math.atan2(ax * by - ay * bx, ax * bx + ay * by)
        if math.hypot(dx, dy) == 0:
            sweep = 0.0
        if code == 3 and sweep <= 0:
            sweep += 2 * math.pi
        elif code == 2 and sweep >= 0:
            sweep -= 2 * math.pi
        return math.hypot(r1 * sweep, end[2] - start[2]), sweep, (cx, cy)


def _told(found: dict[str, list[int]]) -> tuple[str, ...]:
    said = []
    for what, lines in found.items():
        more = f" and {len(lines) - 5} more" if len(lines) > 5 else ""
        said.append(f"{what} (line {', '.join(map(str, lines[:5]))}{more})")
    return tuple(said)


def read_program(path: str | Path, dialect: str = "auto") -> Program:
    """Read a motion program.

    Parameters
    ----------
    path : str or Path
        The file; read in bounded pieces.
    dialect : str, default "auto"
        A behaviour of `dialects.BEHAVIOURS`; `auto` reads as `e-on-its-own` and lists where others would differ.

    Returns
    -------
    Program

    Raises
    ------
    ProgramError
        One line that names the file, the line, what is allowed and the way out.
    """
    file = Path(path)
    if dialect != "auto" and dialect not in BEHAVIOURS:
        raise ProgramError(f"unknown dialect {dialect!r}; choose auto, {', '.join(BEHAVIOURS)}")
    reader = _Reader(file, dialect)
    try:
        for raw in _lines(file):
            reader.number += 1
            reader.line(raw.removeprefix(b"\xef\xbb\xbf") if reader.number == 1 else raw)
    except OSError as error:
        raise ProgramError(f"{file}: cannot be read ({error.strerror}); check the name and the rights") from error
    if not any(row[1] not in (DWELL, HOME) for row in reader.rows):
        raise ProgramError(f"{file}: empty: no line moves anything; choose a motion program")
    table = np.array(reader.rows, dtype=np.float64)
    temps, state = np.unique(np.nan_to_num(table[:, 5], nan=-1.0), return_inverse=True)
    states = np.zeros(temps.size, dtype=STATE_DTYPE)
    for name in ("print_accel", "retract_accel", "travel_accel", "junction_mm", "corner_mm_per_s", "advance_s"):
        states[name] = np.nan
    states["nozzle_c"] = np.where(temps < 0, np.nan, temps)
    return Program(
        path=str(file),
        dialect=dialect,
        n_lines=reader.number,
        line=table[:, 0].astype(np.int64),
        kind=table[:, 1].astype(np.uint8),
        point_mm=np.array(reader.points, dtype=np.float64),
        length_mm=table[:, 2],
        filament_mm=table[:, 3],
        speed_mm_per_s=np.nan_to_num(table[:, 4], nan=1.0),
        n_bytes=0,
        e_word=np.full(len(table), np.nan),
        f_word=np.full(len(table), np.nan),
        state=state.astype(np.int32).reshape(-1),
        states=states,
        dwell_s=table[:, 6],
        sweep_rad=table[:, 7],
        centre_mm=table[:, 8:10],
        questions=_told(reader.asked),
        warnings=_told(reader.warned),
    )
