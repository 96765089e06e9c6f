"""A second reader of motion programs, written from the standard for tests alone: slow, plain, one object a word.

It shares no code with `pliant.kernels.scan` and splits lines with regular expressions where that one walks bytes.
`read(data, dialect)` gives a `Result` or raises `Refused(line)`.
"""

import math
import re
from dataclasses import dataclass, field

NAN = math.nan
INCH = 25.4

DIALECTS = {
    "e-follows-g90": {"g90_sets_e"} | {"relative_counts", "factors_everywhere"},
    "e-on-its-own": {"relative_counts", "bare_g92_zeroes", "factors_everywhere"},
    "many-per-line": {"many", "first", "exponent", "fan_share"},
}

UNSIGNED = rb"(?:[0-9]+\.?[0-9]*|\.[0-9]+)"
NUMBER = re.compile(rb"[+-]?" + UNSIGNED)
NUMBER_E = re.compile(rb"[+-]?" + UNSIGNED + rb"(?:[Ee][+-]?[0-9]+)?")
LOOKS_LIKE_E = re.compile(rb"[Ee][+-]?[0-9]")
FREE_TEXT = {0, 1, 23, 28, 30, 32, 98, 117, 118, 928}
SHAPES = (*range(73, 80), *range(81, 90))  # motion words of the standard that draw a whole shape
QUIET = {
    17, 18, 20, 21, 22, 23, 24, 26, 27, 28, 29, 31, 36, 39, 42, 73, 74, 75, 76, 77, 78, 80, 81, 84, 85, 105, 108, 110,
    111, 113, 114, 115, 117, 118, 119, 145, 150, 154, 155, 211, 300, 302, 400, 413, 420, 500, 501, 502, 503, 504, 862,
    928,
}  # fmt: skip


class Refused(Exception):
    """The program cannot be read; `args[0]` is the line, `args[1]` why."""


@dataclass
class State:
    nozzle_c: float = NAN
    bed_c: float = NAN
    fan: float = 0.0
    flow_factor: float = 1.0
    speed_share: float = 1.0
    print_accel: float = NAN
    retract_accel: float = NAN
    travel_accel: float = NAN
    junction_mm: float = NAN
    corner_mm_per_s: float = NAN
    advance_s: float = NAN
    offset_mm: tuple = (0.0, 0.0, 0.0)
    e_absolute: bool = True
    absolute: bool = True
    unit: float = 1.0
    filament_area_mm2: float = 0.0
    tool: int = 0


@dataclass
class Row:
    line: int
    kind: str
    end: tuple
    length: float = 0.0
    filament: float = 0.0
    speed: float = 1.0
    dwell: float = 0.0
    sweep: float = 0.0
    centre: tuple = (NAN, NAN)
    e_word: float = NAN
    f_word: float = NAN
    state: State | None = None


@dataclass
class Result:
    rows: list = field(default_factory=list)
    asked: dict = field(default_factory=dict)
    unknown: dict = field(default_factory=dict)
    n_lines: int = 0


def read(data: bytes, dialect: str) -> Result:
    return Plain(DIALECTS[dialect]).file(data)


def xor(data: bytes) -> int:
    total = 0
    for byte in data:
        total ^= byte
    return total


def crc16(data: bytes, polynomial: int, reflected: bool) -> int:
    """Bit by bit over a string of bits, starting from zero."""
    register = 0
    for byte in data:
        bits = [(byte >> k) & 1 for k in (range(8) if reflected else range(7, -1, -1))]
        for bit in bits:
            top = (register >> 15) & 1
            register = (register << 1) & 0xFFFF
            if top ^ bit:
                register ^= polynomial
    return int(f"{register:016b}"[::-1], 2) if reflected else register


class Plain:
    def __init__(self, how):
        self.how = how
        self.result = Result()
        self.s = State()
        self.place = [0.0, 0.0, 0.0]
        self.known = [True, True, True]
        # the filament register three ways: as read, with the other rule for G90, with the other rule for M83 moves
        self.e = {"here": 0.0, "other": 0.0, "stands": 0.0}
        self.e_absolute_other = True
        self.feed = NAN
        self.owed = 0.0
        self.plane = 17
        self.motion = None
        self.diameter = 0.0
        self.back = {"S": NAN, "F": NAN, "Z": 0.0, "extra": 0.0, "extra_f": NAN}
        self.withdrawn = False
        self.jerk = {"X": NAN, "Y": NAN}
        self.saved_speed = 1.0
        self.ended = self.opened = self.seen = False
        self.number = 0

    def refuse(self, why):
        raise Refused(self.number, why)

    def ask(self, what):
        lines = self.result.asked.setdefault(what, [])
        if not lines or lines[-1] != self.number:
            lines.append(self.number)

    def limited(self, value, low, high, why):
        if not low <= value <= high:
            self.refuse(why)
        return value

    # ---- lines ----

    def file(self, data):
        lines = re.split(rb"\r\n|\r|\n", data)
        ended = lines[-1] == b""
        if ended:
            lines.pop()
        for self.number, raw in enumerate(lines, 1):
            if b"\0" in raw or len(raw) > 1 << 20:
                self.refuse("NUL or too long")
            line = (raw.removeprefix(b"\xef\xbb\xbf") if self.number == 1 else raw).strip(b" \t")
            if not line or line.startswith(b";"):
                continue
            if self.ended:
                if line[:1] not in (b"(", b"%"):
                    self.ask("AFTER_END")
                continue
            self.line(line)
        self.result.n_lines = len(lines)
        rows = self.result.rows
        if not ended and rows and rows[-1].line == len(lines) and rows[-1].kind not in ("dwell", "home"):
            self.ask("CUT_SHORT")
        return self.result

    def pieces(self, line):
        """Split at comments: (kind, start, text), where kind is `text` or `end` (nothing more on this line)."""
        at = 0
        while at < len(line):
            byte = line[at : at + 1]
            if byte == b";":
                return
            if byte == b"(":
                self.ask("BRACKETS")
                close = line.find(b")", at)
                if close < 0:
                    self.ask("UNCLOSED")
                    return
                at = close + 1
                continue
            stop = min([k for k in (line.find(b";", at), line.find(b"(", at)) if k >= 0], default=len(line))
            yield at, line[at:stop]
            at = stop

    def only_comment(self, text):
        return all(not piece.strip(b" \t") for _, piece in self.pieces(text))

    def line(self, line):
        at, mark = next(
            ((a + len(p) - len(p.lstrip(b" \t")), p.lstrip(b" \t")) for a, p in self.pieces(line) if p.strip(b" \t")),
            (0, b""),
        )
        if not mark:
            return
        if mark.startswith(b"%"):
            if not self.opened and not self.seen:
                self.opened = True
            elif not self.only_comment(line[at + 1 :]):
                self.refuse("text after %")
            elif self.opened:
                self.ended = True
            else:
                self.ask("STRAY_PERCENT")
            self.seen = True
            return
        self.seen = True
        if mark.startswith(b"/"):
            self.ask("BLOCK_DELETE")
            at += 1
        words = self.words(line, at)
        self.commands(words)

    # ---- words ----

    def checksum(self, line, star):
        told = re.match(rb"[0-9]*", line[star + 1 :])[0]
        if len(told) not in (1, 2, 3, 5) or not self.only_comment(line[star + 1 + len(told) :]):
            self.refuse("form of checksum")
        body, value = line[:star], int(told)
        crc = (crc16(body, 0x1021, False), crc16(body, 0x8005, True))
        if value not in (crc if len(told) == 5 else (xor(body),)):
            self.refuse("checksum")

    def words(self, line, at):
        words, numbered = [], False
        pattern = NUMBER_E if "exponent" in self.how else NUMBER
        while at < len(line):
            byte = line[at : at + 1]
            if byte in b" \t":
                at += 1
                continue
            if byte == b";":
                break
            if byte == b"(":
                self.ask("BRACKETS")
                close = line.find(b")", at)
                if close < 0:
                    self.ask("UNCLOSED")
                    break
                at = close + 1
                continue
            if byte == b"*":
                self.checksum(line, at)
                break
            if not byte.isalpha() or not byte.isascii():
                self.refuse("not a word")
            letter = byte.decode().upper()
            after = at + 1
            gap = len(line[after:]) - len(line[after:].lstrip(b" \t"))
            short = letter in "GMTN"
            found = (NUMBER if short else pattern).match(line, after + gap)
            if found:
                if gap:
                    self.ask("INNER_BLANK")
                if not short and (b"e" in found[0].lower() or LOOKS_LIKE_E.match(line, found.end())):
                    self.ask("E_AFTER_DIGIT")
            at = found.end() if found else after
            if line[at : at + 1] in (b".", b",", b":"):
                self.refuse("malformed number")
            value = float(found[0]) if found else None
            if letter == "N" and not words and not numbered:
                if value is None:
                    self.refuse("N without number")
                numbered = True
                continue
            if not words:
                following = line[at : at + 1]
                if letter == "O":
                    self.refuse("O word")
                if value is None and letter not in "GM" and following.isalpha() and following.isascii():
                    third = line[at + 1 : at + 2]
                    if letter != "T" or third == b"_" or (third.isalpha() and third.isascii()):
                        self.refuse("named macro")
            if letter in "GM" and value is None:
                self.refuse("command without number")
            words.append((letter, value))
            if letter == "M" and value in FREE_TEXT:
                text = line[at:].split(b";", 1)[0]
                if numbered and b"*" in text:
                    self.checksum(line, at + text.rindex(b"*"))
                break
        return words

    def commands(self, words):
        """Gather words under the commands of the line, then run what this dialect runs."""
        groups = []
        loose = []
        for letter, value in words:
            if letter in "GM" or (letter == "T" and not groups):
                if groups:
                    self.ask("TWO_COMMANDS")
                elif loose:
                    self.ask("WORDS_BEFORE")
                if not groups:
                    groups.append((letter, value, loose))
                elif "many" in self.how:
                    groups.append((letter, value, []))
                continue
            target = groups[-1][2] if groups else loose
            if letter in [k for k, _ in target]:
                self.ask("REPEATED")
            target.append((letter, value))
        if not groups and loose:
            groups.append((None, None, loose))
        for letter, value, given in groups:
            if self.ended:
                return
            order = reversed(given) if "first" in self.how else given
            self.command(letter, value, dict(order))

    # ---- commands ----

    def command(self, letter, value, given):
        if letter == "T":
            if value is not None and abs(value) > 1e-4:
                self.refuse("tool")
        elif letter is None:
            if set(given) & set("XYZEIJRABCUVW"):
                self.ask("BARE_AXES")
                if self.motion is not None or set(given) & set("ABCUVW"):
                    self.move(self.motion or 0, given)
            elif "F" in given:
                before = self.motion
                self.move(1, given)
                self.motion = before
            else:
                self.ask("UNKNOWN_WORD")
        else:
            tenth = round(value * 10) if -0.05 < value < 1e6 else None
            if tenth is None or abs(tenth - value * 10) > 1e-3:
                self.result.unknown.setdefault((letter, value), []).append(self.number)
                return
            whole, tenth = divmod(tenth, 10)
            known = (self.g if letter == "G" else self.m)(whole if tenth == 0 else (whole, tenth), given)
            if not known:
                self.result.unknown.setdefault((letter, value), []).append(self.number)

    def need(self, given, key):
        if given[key] is None:
            self.refuse(f"{key} without number")
        return given[key]

    def ranged(self, given, key, low, high, scale=1.0):
        return self.limited(self.need(given, key) * scale, low, high, key) if key in given else None

    def second(self, given, keys):
        """Whether an index picks another tool, heater or fan than the first."""
        if any(given.get(k) is not None and abs(given[k]) > 1e-4 for k in keys):
            self.ask("OTHER_TOOL")
            return True
        return False

    def add(self, kind, end=None, **more):
        end = tuple(self.place if end is None else end)
        self.result.rows.append(Row(self.number, kind, end, state=State(**vars(self.s)), **more))
        self.place = list(end)

    def shift(self, axis, value):
        offset = list(self.s.offset_mm)
        offset[axis] = value
        self.s.offset_mm = tuple(offset)

    def g(self, code, given):
        if code in (0, 1, 2, 3):
            self.move(code, given)
        elif code == 4:
            seconds = self.ranged(given, "S", 0, 86400)
            if seconds is None:
                seconds = self.ranged(given, "P", 0, 86400, 1e-3) or 0.0
            self.add("dwell", dwell=seconds)
        elif code in (10, 11):
            self.own_retraction(code == 10, given)
        elif code in (17, 18, 19):
            self.plane = code
        elif code == 20:
            self.s.unit = INCH
            self.ask("INCHES")
        elif code == 21:
            self.s.unit = 1.0
        elif code == 28:
            for k, axis in enumerate("XYZ"):
                if axis in given or not set(given) & set("XYZ"):
                    self.known[k] = False
                    self.shift(k, 0.0)
        elif code == 80:
            self.motion = None
        elif code in (90, 91):
            self.s.absolute = code == 90
            if "g90_sets_e" in self.how:
                self.s.e_absolute = self.s.absolute
            else:
                self.e_absolute_other = self.s.absolute
        elif code == 92:
            self.declare(given)
        elif code in (29, 94, 61, (61, 1), 64, (91, 1)):
            pass
        elif code in (6, 65, 66, 93, 95, (90, 1)) or (code[0] if isinstance(code, tuple) else code) in (
            5,
            33,
            38,
            92,
            *range(52, 60),
            *SHAPES,
        ):
            self.refuse("G word")
        else:
            return False
        return True

    def e_per_unit(self):
        return self.s.unit**3 if self.s.filament_area_mm2 else self.s.unit

    def declare(self, given):
        words = {k: self.need(given, k) for k in "XYZE" if k in given}
        if not words:
            self.ask("G92_ALONE")
            if "bare_g92_zeroes" not in self.how:
                return
            words = dict.fromkeys("XYZE", 0.0)
        place = list(self.place)
        for k, axis in enumerate("XYZ"):
            if axis not in words:
                continue
            value = self.limited(words[axis] * self.s.unit, -1e5, 1e5, axis)
            if self.known[k]:
                self.shift(k, self.place[k] - value)
            else:
                self.shift(k, 0.0)
                self.known[k] = None  # heard of just now
                place[k] = value
        if None in self.known:
            self.known = [k is None or k for k in self.known]
            self.add("home", place)
        if "E" in words:
            value = self.limited(words["E"], -1e8, 1e8, "E") * self.e_per_unit()
            self.e = dict.fromkeys(self.e, value)

    def own_retraction(self, back, given):
        if set(given) & set("LPRSXYZ"):
            self.refuse("offsets")
        b = self.back
        if math.isnan(b["S"]) or math.isnan(b["F"]) or b["Z"] != 0:
            self.refuse("unknown retraction")
        if back == self.withdrawn:
            return
        self.withdrawn = back
        if back:
            length, speed = -b["S"], b["F"]
        else:
            length = max(0.0, b["S"] + b["extra"])
            speed = b["F"] if math.isnan(b["extra_f"]) else b["extra_f"]
        self.owed = max(0.0, self.owed - length)
        if length:
            self.add("retract" if back else "recover", filament=length, speed=speed)

    def m(self, code, given):
        s, unit = self.s, self.s.unit
        if code in (82, 83):
            s.e_absolute = self.e_absolute_other = code == 82
        elif code in (104, 109, 140, 190):
            if not self.second(given, "T") and not self.second(given, "P") and not self.second(given, "H"):
                target = self.ranged(given, "S" if "S" in given else "R", 0, 1000)
                if target is not None:
                    setattr(s, "nozzle_c" if code < 140 else "bed_c", target)
        elif code in (106, 107):
            if self.second(given, "P"):
                return True
            if code == 107:
                s.fan = 0.0
            elif not set(given) - {"P"}:
                s.fan = 1.0
            elif "S" in given:
                value = self.ranged(given, "S", 0, 1e9)
                if 0 < value <= 1:
                    self.ask("FAN")
                s.fan = value if value <= 1 and "fan_share" in self.how else min(1.0, value / 255)
        elif code == 200:
            if not self.second(given, "T"):
                diameter, on = self.ranged(given, "D", 0, 100, unit), self.ranged(given, "S", 0, 1)
                if diameter is not None:
                    self.diameter = diameter
                turn_on = on != 0 if on is not None else diameter is not None
                s.filament_area_mm2 = math.pi / 4 * self.diameter**2 if turn_on else 0.0
        elif code == 204:
            both, p, r, t = (self.ranged(given, k, 1e-3, 1e9, unit) for k in "SPRT")
            s.print_accel = p or both or s.print_accel
            s.retract_accel = r or s.retract_accel
            s.travel_accel = t or both or s.travel_accel
        elif code == 205:
            junction = self.ranged(given, "J", 0, 1e6, unit)
            s.junction_mm = s.junction_mm if junction is None else junction
            for axis in "XY":
                if axis in given:
                    self.jerk[axis] = self.ranged(given, axis, 0, 1e6, unit)
            told = [v for v in self.jerk.values() if not math.isnan(v)]
            s.corner_mm_per_s = min(told, default=NAN)
        elif code == 207:
            for key, low, high, scale in (("S", 0, 1e3, unit), ("F", 1e-3, 1e6, unit / 60), ("Z", -1e5, 1e5, unit)):
                if key in given:
                    self.back[key] = self.ranged(given, key, low, high, scale)
        elif code == 208:
            if "S" in given:
                self.back["extra"] = self.ranged(given, "S", -1e3, 1e3, unit)
            if "F" in given:
                self.back["extra_f"] = self.ranged(given, "F", 1e-3, 1e6, unit / 60)
        elif code == 220:
            if "B" in given:
                self.saved_speed = s.speed_share
            if "S" in given:
                s.speed_share = self.factor(given)
            elif "R" in given:
                s.speed_share = self.saved_speed
        elif code == 221:
            if not self.second(given, "T") and not self.second(given, "D") and "S" in given:
                s.flow_factor = self.factor(given)
        elif code == 900:
            value = self.ranged(given, "K", 0, 1e4)
            s.advance_s = s.advance_s if value is None else value
        elif code in (32, 98, 99, 808, 163, 164, 165, 166, 567):
            self.refuse("M word")
        elif code in (0, 1, 25, 226, 600, 601):
            self.ask("PAUSE")
        elif code in (2, 30):
            self.ended = True
        elif code in (201, 203):
            self.ask("LIMITS")
        elif code == 6:
            if self.second(given, "T"):
                self.refuse("tool")
        else:
            return code in QUIET
        return True

    def factor(self, given):
        value = self.need(given, "S") / 100
        if not 0 < value <= 10:
            self.refuse("percentage")
        return value

    # ---- moves ----

    def move(self, code, given):
        self.motion = code
        if set(given) & set("ABCUVW"):
            self.refuse("axis")
        given_numbers = {k: self.need(given, k) for k in "XYZEF" if k in given}
        if "F" in given_numbers:
            feed = given_numbers["F"] * self.s.unit / 60
            if not 0 < feed <= 1e6:
                self.refuse("feed")
            self.feed = feed
        goal, jump = list(self.place), list(self.place)
        jumps = astray = False
        for k, axis in enumerate("XYZ"):
            if axis not in given_numbers:
                continue
            word = given_numbers[axis] * self.s.unit
            goal[k] = word + (self.s.offset_mm[k] if self.s.absolute else self.place[k])
            self.limited(word, -1e5, 1e5, "far")
            self.limited(goal[k], -1e5, 1e5, "far")
            if self.s.absolute and not self.known[k]:
                self.known[k] = jumps = True
                jump[k] = goal[k]
                astray = astray or k < 2
        if jumps:
            self.add("home", jump)
        start = self.place
        arc = None
        if code in (2, 3) and set(given) & set("IJR"):
            arc = self.arc(code, given, start, goal)
            length = math.hypot(arc[0] * arc[2], goal[2] - start[2])
        elif code in (2, 3) and goal != start:
            self.refuse("arc without centre")
        else:
            length = math.dist(start, goal)
        filament = self.filament(given_numbers["E"], length) if "E" in given_numbers else 0.0
        if length == 0 and filament == 0:
            return
        if math.isnan(self.feed):
            self.ask("NO_FEED")
            self.feed = 25.0
        if filament > 0 and astray:
            self.ask("UNKNOWN_START")
        owed = self.owed
        self.owed = max(0.0, owed - filament) if filament > 0 else owed - filament
        across = goal[:2] != start[:2] or arc is not None
        if filament < 0:
            kind = "retract"
        elif filament == 0:
            kind = "travel"
        elif owed > 0 and not across:
            kind = "recover"
        else:
            kind = "bead" if length > 0 else "prime"
        if length == 0 and self.s.speed_share != 1:
            self.ask("FACTOR")
        scaled = length > 0 or "factors_everywhere" in self.how
        self.add(
            kind, goal, length=length, filament=filament,
            speed=self.feed * (self.s.speed_share if scaled else 1.0),
            sweep=arc[2] if arc else 0.0, centre=arc[1] if arc else (NAN, NAN),
            e_word=given_numbers.get("E", NAN), f_word=given_numbers.get("F", NAN),
        )  # fmt: skip

    def filament(self, word, length):
        self.limited(word, -1e8, 1e8, "E")
        value = word * self.e_per_unit()
        deltas = {}
        for name in self.e:
            absolute = self.e_absolute_other if name == "other" else self.s.e_absolute
            counts = ("relative_counts" in self.how) != (name == "stands")
            deltas[name] = value - self.e[name] if absolute else value
            self.e[name] = value if absolute else self.e[name] + (value if counts else 0.0)
        if abs(deltas["here"] - deltas["other"]) > 1e-6:
            self.ask("E_MODE")
        if abs(deltas["here"] - deltas["stands"]) > 1e-6:
            self.ask("E_STANDS")
        if length == 0 and self.s.flow_factor != 1:
            self.ask("FACTOR")
        factor = self.s.flow_factor if length > 0 or "factors_everywhere" in self.how else 1.0
        filament = deltas["here"] * factor / (self.s.filament_area_mm2 or 1.0)
        if not abs(filament) < 1e5:
            self.refuse("too much filament")
        return filament

    def arc(self, code, given, start, goal):
        """Radius, centre and signed sweep."""
        if self.plane != 17:
            self.refuse("plane")
        i, j, r, p = (self.need(given, k) if k in given else None for k in "IJRP")
        if p:
            self.refuse("extra turns")
        for value in (i, j, r):
            self.limited((value or 0.0) * self.s.unit, -1e7, 1e7, "far")
        a, b = complex(*start[:2]), complex(*goal[:2])
        if r is not None:
            if i is not None or j is not None or a == b or r == 0:
                self.refuse("arc by R")
            r *= self.s.unit
            rise = r * r - abs(b - a) ** 2 / 4
            if rise < -0.02 * r * r:
                self.refuse("short R")
            if abs(b - a) / 2 - abs(r) > max(0.005, 0.001 * abs(r)):
                self.ask("STRETCHED")
            left = (code == 3) == (r > 0)
            c = (a + b) / 2 + (1j if left else -1j) * (b - a) / abs(b - a) * math.sqrt(max(rise, 0.0))
        else:
            c = a + complex(i or 0.0, j or 0.0) * self.s.unit
            off = abs(abs(a - c) - abs(b - c))
            if a == c or off > 0.5 or off > max(0.005, 0.001 * abs(a - c)):
                self.refuse("centre")
        if a == b:
            turn = 2 * math.pi
        else:
            u, v = a - c, b - c
            turn = math.atan2(u.real * v.imag - u.imag * v.real, u.real * v.real + u.imag * v.imag)
            if code == 2:
                turn = -turn
            if turn <= 0:
                turn += 2 * math.pi
        return abs(a - c), (c.real, c.imag), turn if code == 3 else -turn
