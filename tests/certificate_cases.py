"""Damage done on purpose to a program, each with the obligations that have to fail. Line numbers are of `part()`."""

from certificate_part import part
from pliant.records.mending import Intent

__all__ = ["CASES", "LEGAL"]

ALL = "READING BEADS VOLUME ORDER REST STATES SPEED DEBT PUSH SPACE LINES END"
READS = ALL.removeprefix("READING ").replace(" REST", "")  # rest needs no pairs of beads
ISLANDS = Intent(may_reorder_islands=True)


def swap(old, new, at):
    """Replace words in one line; the words have to be there."""

    def edit(lines):
        assert old in lines[at]
        return [*lines[:at], lines[at].replace(old, new), *lines[at + 1 :]]

    return edit


def drop(*at):
    return lambda lines: [line for k, line in enumerate(lines) if k not in at]


def insert(at, *new):
    return lambda lines: [*lines[:at], *new, *lines[at:]]


def shuffle(*spans):
    """Lay spans of lines in another order: the whole range they cover is rewritten."""

    def edit(lines):
        low, high = min(s[0] for s in spans), max(s[1] for s in spans)
        return [*lines[:low], *(line for s in spans for line in lines[s[0] : s[1]]), *lines[high:]]

    return edit


def both(*edits):
    def edit(lines):
        for one in edits:
            lines = one(lines)
        return lines

    return edit


def scale_e(low, high, factor, beads=False):
    def edit(lines):
        out = list(lines)
        for k in range(low, high):
            if " E" in out[k] and (not beads or " X" in out[k]):
                head, _, tail = out[k].partition(" E")
                number, _, rest = tail.partition(" ")
                out[k] = f"{head} E{float(number) * factor:.5f} {rest}".rstrip()
        return out

    return edit


def rebase(*places):
    """Absolute E words after each place count from zero."""

    def edit(lines):
        out, base, last = [], 0.0, 0.0
        for k, line in enumerate(lines):
            if k in places:
                out.append("G92 E0")
                base = last
            head, found, tail = line.partition(" E")
            if found and line.startswith("G") and not line.startswith("G92"):
                number, _, rest = tail.partition(" ")
                last = float(number)
                out.append(f"{head} E{last - base:.7f} {rest}".rstrip())
            else:
                out.append(line)
        return out

    return edit


def number_lines(lines):
    out = []
    number = 0
    for line in lines:
        text = line.split(";")[0].strip()
        if not text:
            out.append(line)
            continue
        number += 1
        text = f"N{number} {text}"
        total = 0
        for byte in text.encode():
            total ^= byte
        out.append(f"{text}*{total}")
    return out


# name: (arguments of part, edit, intent, obligations that fail)
CASES = {
    "a bead dropped": ({}, drop(21), Intent(), "BEADS VOLUME SPACE"),
    "a bead dropped that the next one bridges": ({}, drop(19), Intent(), "BEADS VOLUME"),
    "a bead without its filament": ({}, swap(" E0.34000", "", 20), Intent(), "VOLUME"),
    "a point moved by 0.02 mm": ({}, swap("X24.600", "X24.620", 24), Intent(), "BEADS"),
    "a bead 0.02 mm higher": (
        {},
        both(swap("Y25.000", "Y25.000 Z0.220", 19), swap("Y25.000", "Y25.000 Z0.2", 20)),
        Intent(),
        "BEADS",
    ),
    "a layer 0.02 mm higher": ({}, swap("Z0.400", "Z0.420", 47), Intent(), READS),
    "layers swapped": ({}, shuffle((46, 80), (13, 46)), Intent(), "ORDER STATES SPEED DEBT PUSH SPACE LINES END"),
    "layers swapped where islands may be": (
        {},
        shuffle((46, 80), (13, 46)),
        ISLANDS,
        "ORDER STATES SPEED DEBT PUSH SPACE LINES END",
    ),
    "islands swapped without leave": ({}, shuffle((31, 46), (15, 31)), Intent(), "ORDER DEBT PUSH SPACE"),
    "runs that touch swapped": ({}, shuffle((22, 27), (15, 22)), ISLANDS, "ORDER"),
    "beads of a run reordered": ({}, shuffle((24, 26), (23, 24)), Intent(), "BEADS SPEED SPACE"),
    "a run reversed": (
        {},
        both(swap("X25.000 Y15.000", "X15.000 Y25.000", 18), swap("X15.000 Y25.000", "X25.000 Y15.000", 20)),
        ISLANDS,
        "BEADS SPACE",
    ),
    "a recover lost": ({}, drop(33), Intent(), "DEBT"),
    "a recover lost where retractions may change": ({}, drop(33), Intent(may_change_retraction=True), "DEBT"),
    "a recover doubled": ({}, insert(33, "G1 E0.80000"), Intent(), "DEBT PUSH"),
    "a retraction lost": ({}, drop(31), Intent(may_change_retraction=True), "DEBT"),
    "a retraction longer": (
        {},
        both(swap("0.80000", "0.90000", 31), swap("0.80000", "0.90000", 33)),
        Intent(may_change_retraction=True),
        "DEBT PUSH",
    ),
    "a retraction faster": ({}, swap("F1800", "F2400", 31), Intent(may_change_retraction=True), "DEBT"),
    "a retraction after the travel": ({}, shuffle((32, 33), (31, 32), (33, 34)), Intent(), "DEBT"),
    "a retraction pair dropped without leave": ({}, drop(31, 33), Intent(), "DEBT"),
    "the filament mode dropped": ({}, drop(3), Intent(), "VOLUME DEBT PUSH LINES END"),
    "the filament mode dropped from absolute": ({"absolute": True}, drop(3), Intent(), "LINES"),
    "the other filament mode": ({}, swap("M83", "M82", 3), Intent(), "VOLUME DEBT PUSH LINES END"),
    "a factor on one run": ({}, scale_e(23, 27, 1.05), Intent(), "VOLUME"),
    "a factor that is not the stated one": ({}, scale_e(18, 80, 1.1), Intent(flow_factor=1.15), "VOLUME DEBT"),
    "a small factor on all": ({}, scale_e(18, 80, 1.0004), Intent(), "VOLUME DEBT PUSH"),
    "a flow word": ({}, insert(53, "M221 S110"), Intent(), "READING VOLUME STATES DEBT PUSH LINES"),
    "a flow word on a part of the beads": ({}, insert(53, "M221 S110"), Intent(flow_factor=1.1), "VOLUME"),
    "a nozzle temperature changed": ({}, swap("S220", "S225", 7), Intent(), "STATES LINES"),
    "a nozzle temperature beyond the range": ({}, swap("S220", "S245", 7), Intent(nozzle_c=(210, 230)), "STATES"),
    "a nozzle word dropped": ({}, drop(5), Intent(), "LINES"),
    "the wait for the nozzle dropped": ({}, swap("M109", "M104", 7), Intent(nozzle_c=(210, 230)), "LINES"),
    "the bed changed": ({}, swap("S45", "S60", 4), Intent(), "STATES LINES"),
    "the fan changed": ({}, swap("S128", "S255", 48), Intent(), "STATES LINES"),
    "the fan one bead late": ({}, shuffle((47, 48), (49, 54), (48, 49)), Intent(), "STATES LINES"),
    "an acceleration changed": ({}, swap("P800", "P900", 8), Intent(), "STATES LINES"),
    "the advance dropped": ({}, drop(9), Intent(), "STATES LINES"),
    "a word unknown to us dropped": ({}, drop(49), Intent(), "LINES"),
    "a word unknown to us moved": ({}, shuffle((50, 55), (49, 50)), Intent(), "LINES"),
    "the last line lost": ({}, drop(86), Intent(), "LINES"),
    "the heater left on": ({}, drop(84), Intent(), "LINES"),
    "the file cut in the middle": ({}, lambda lines: lines[:60], Intent(), "READING BEADS VOLUME DEBT SPACE LINES END"),
    "the file cut in mid-line": ({}, lambda lines: [*lines[:44], lines[44][:13]], Intent(), ALL),
    "the shutdown cut in mid-line": ({}, lambda lines: [*lines[:84], "M104 S"], Intent(), ALL),
    "a bead line doubled": ({}, insert(19, "G1 X25.000 Y15.000 E0.34000 F1800"), Intent(), "DEBT PUSH"),
    "a word line doubled": ({}, insert(48, "M106 S128"), Intent(), "LINES"),
    "a comment dropped": ({}, drop(30), Intent(), "LINES"),
    "a bead added": ({}, insert(22, "G1 X15.000 Y20.000 E0.17"), Intent(), "BEADS VOLUME SPACE"),
    "a bead added where ways are free": (
        {},
        insert(22, "G1 X15.000 Y20.000 E0.17"),
        Intent(may_reroute=True),
        "BEADS VOLUME",
    ),
    "travel that lays filament": ({}, swap("Y15.400", "Y15.400 E0.02", 22), Intent(), "BEADS VOLUME PUSH"),
    "travel that lays filament where ways are free": (
        {},
        swap("Y15.000", "Y15.000 E1.2", 32),
        Intent(may_reroute=True),
        "BEADS VOLUME",
    ),
    "an arc turned the other way": ({}, swap("G3", "G2", 28), Intent(), "BEADS"),
    "an arc with its centre shifted": ({}, swap("I-2.000 J0.000", "I-2.000 J0.020", 28), Intent(), "BEADS"),
    "an arc made a chord": ({}, swap("G3 X18.000 Y20.000 I-2.000 J0.000", "G1 X18.000 Y20.000", 28), Intent(), "BEADS"),
    "an arc made chords": (
        {},
        both(
            swap("G3 X18.000 Y20.000 I-2.000 J0.000 E0.21363", "G1 X20.000 Y22.000 E0.10681", 28),
            insert(29, "G1 X18.000 Y20.000 E0.10681"),
        ),
        Intent(),
        "BEADS",
    ),
    "a bead faster": ({}, swap("F1800", "F1900", 18), Intent(), "SPEED"),
    "a bead slower without leave": ({}, swap("F1800", "F900", 18), Intent(may_slow=False), "SPEED"),
    "travel faster": ({}, swap("F7200", "F9000", 32), Intent(), "SPEED"),
    "travel faster where ways are free": ({}, swap("F7200", "F9000", 32), Intent(may_reroute=True), "SPEED"),
    "a speed factor": ({}, insert(14, "M220 S120"), Intent(), "READING STATES SPEED DEBT LINES"),
    "travel on another way without leave": ({}, insert(32, "G0 X30.000 Y30.000 F7200"), Intent(), "SPACE"),
    "travel below the layer": (
        {},
        insert(66, "G0 X30.000 Y15.000 Z0.200 F600", "G0 X45.000 Y15.000", "G0 Z0.400"),
        Intent(may_reroute=True),
        "SPACE",
    ),
    "travel out of the space": ({}, insert(32, "G0 X30.000 Y120.000 F7200"), Intent(may_reroute=True), "SPACE"),
    "travel to negative places": ({}, insert(32, "G0 X-3.000 Y20.000 F7200"), Intent(may_reroute=True), "SPACE"),
    "a G92 E altered": ({"absolute": True}, insert(19, "G92 E0"), Intent(), "VOLUME"),
    "a G92 X added": ({}, insert(19, "G92 X0"), Intent(), READS),
    "the units changed": ({}, swap("G21", "G20", 1), Intent(), f"READING {READS}"),
    "the units dropped": ({"unit": 25.4}, drop(1), Intent(), READS),
    "relative places": ({}, swap("G90", "G91", 2), Intent(), ALL),
    "an incremental block left open": (
        {},
        both(swap("G0 X2.000 Y90.000", "G91 ; ", 82), insert(83, "G0 X-50.000 Y75.000 F7200")),
        Intent(),
        "SPACE LINES END",
    ),
    "parked elsewhere": ({}, swap("Y90.000", "Y80.000", 82), Intent(may_reroute=True), "END"),
    "a checksum broken": (
        {},
        swap("G1 X25.000 Y25.000 E0.34000", "N7 G1 X25.000 Y25.000 E0.34000*9", 19),
        Intent(),
        ALL,
    ),
    "bare axes": ({}, swap("G1 X25.000 Y25.000", "X25.000 Y25.000", 19), Intent(), "READING"),
    "feeds dropped": ({}, lambda lines: [line.split(" F")[0] for line in lines], Intent(), "READING SPEED DEBT"),
    "a coast without leave": (
        {},
        both(swap("X15.000 Y15.000 E0.34000", "X15.000 Y16.000 E0.30600", 21), insert(22, "G1 X15.000 Y15.000")),
        Intent(),
        "VOLUME",
    ),
    "a coast not given back": (
        {},
        both(
            swap("X52.000 Y20.000 I2.000 J0.000 E0.21363", "X50.000 Y18.000 I2.000 J0.000 E0.106815", 45),
            insert(46, "G3 X52.000 Y20.000 I0.000 J2.000"),
        ),
        Intent(coast_mm_per_run=0.2),
        "DEBT",
    ),
    "a coast given back before the travel": (
        {},
        both(
            swap("X15.000 Y15.000 E0.34000", "X15.000 Y16.000 E0.30600", 21),
            insert(22, "G1 X15.000 Y15.000"),
            insert(23, "G1 E0.034 F1800"),
        ),
        Intent(coast_mm_per_run=0.05),
        "DEBT",
    ),
    "a coast too long": (
        {},
        both(
            swap("X52.000 Y20.000 I2.000 J0.000 E0.21363", "X50.000 Y18.000 I2.000 J0.000 E0.106815", 45),
            insert(46, "G3 X52.000 Y20.000 I0.000 J2.000"),
            swap("E0.80000", "E0.906815", 53),
        ),
        Intent(coast_mm_per_run=0.05),
        "VOLUME",
    ),
    "a gap in mid-run for a coast": (
        {},
        both(swap(" E0.34000", "", 19), swap("E0.80000", "E1.14000", 33)),
        Intent(coast_mm_per_run=0.5),
        "VOLUME DEBT PUSH",
    ),
    "a prime on the part": (
        {},
        insert(15, "G0 X18.000 Y20.000 F7200", "G1 X22.000 Y20.000 E0.2 F1200"),
        Intent(prime_mm=1),
        "BEADS",
    ),
    "a prime too long": (
        {},
        insert(15, "G0 X18.000 Y60.000 F7200", "G1 X48.000 Y60.000 E1.2 F1200"),
        Intent(prime_mm=1),
        "DEBT",
    ),
    "a prime in mid-print": (
        {},
        insert(50, "G0 X18.000 Y60.000 F7200", "G1 X48.000 Y60.000 E0.9 F1200"),
        Intent(prime_mm=1),
        "BEADS VOLUME DEBT SPACE",
    ),
}


# legal rewrites: (arguments of part, edit, intent)
LEGAL = {
    "nothing": ({}, lambda lines: lines, Intent()),
    "speeds lowered": ({}, both(swap("F1800", "F900", 18), swap("F1200", "F1000", 28)), Intent()),
    "a straight bead split in three": (
        {},
        both(
            swap("X25.000 Y15.000 E0.34000", "X18.333 Y15.000 E0.11332", 18),
            insert(19, "G1 X21.667 Y15.000 E0.11336 F1200", "G1 X25.000 Y15.000 E0.11332 F1800"),
        ),
        Intent(),
    ),
    "an arc split": (
        {},
        both(
            swap("X18.000 Y20.000 I-2.000 J0.000 E0.21363", "X20.000 Y22.000 I-2.000 J0.000 E0.10681", 28),
            insert(29, "G3 X18.000 Y20.000 I0.000 J-2.000 E0.10682 F900", "G1 F1200"),
        ),
        Intent(),
    ),
    "an arc by its radius": (
        {},
        both(
            swap("X18.000 Y20.000 I-2.000 J0.000 E0.21363", "X20.000 Y22.000 R2.000 E0.10682", 28),
            insert(29, "G3 X18.000 Y20.000 R2 E0.10681"),
        ),
        Intent(),
    ),
    "half arcs merged to a turn": (
        {},
        both(swap("X18.000 Y20.000 I-2.000 J0.000 E0.21363", "X22.000 Y20.000 I-2.000 J0.000 E0.42726", 28), drop(29)),
        Intent(),
    ),
    "a retraction pair removed": ({}, drop(31, 33), Intent(may_change_retraction=True)),
    "a retraction shortened and slowed": (
        {},
        both(swap("E-0.80000 F1800", "E-0.30000 F600", 31), swap("E0.80000 F1800", "E0.30000 F600", 33)),
        Intent(may_change_retraction=True),
    ),
    "a recover in two steps": ({}, both(swap("E0.80000", "E0.50000", 33), insert(34, "G1 E0.30000")), Intent()),
    "travel on another way": ({}, insert(32, "G0 X30.000 Y30.000 F7200"), Intent(may_reroute=True)),
    "travel higher": (
        {},
        both(insert(32, "G1 Z0.6 F600"), swap("G1 E0.80000", "G1 Z0.2 F600\nG1 E0.80000", 34)),
        Intent(may_reroute=True),
    ),
    "islands swapped": ({}, shuffle((31, 46), (15, 31)), ISLANDS),
    "islands of the last layer swapped": ({}, shuffle((65, 80), (50, 65)), ISLANDS),
    "both layers swapped": ({}, both(shuffle((31, 46), (15, 31)), shuffle((65, 80), (50, 65))), ISLANDS),
    "islands swapped, no retraction": (
        {},
        both(shuffle((31, 46), (15, 31)), drop(15, 17, 30, 32)),
        Intent(may_reorder_islands=True, may_change_retraction=True),
    ),
    "a flow word for the factor": ({}, insert(11, "M221 S110"), Intent(flow_factor=1.1)),
    "the factor in the words": ({}, scale_e(18, 80, 1.1, beads=True), Intent(flow_factor=1.1)),
    "the factor in all words": ({}, scale_e(15, 81, 1.1), Intent(flow_factor=1.1)),
    "the factor over a flow word": ({"flow": 95}, swap("S95", "S104.5", 11), Intent(flow_factor=1.1)),
    "filament words re-based": ({"absolute": True}, rebase(20), Intent()),
    "re-based in inches": ({"absolute": True, "unit": 25.4}, rebase(20, 40), Intent()),
    "words rounded": ({"digits": 7}, lambda lines: part(digits=5), Intent()),
    "nozzle cooler": ({}, both(swap("S220", "S212", 5), swap("S220", "S212", 7)), Intent(nozzle_c=(210, 230))),
    "another nozzle word": ({}, insert(48, "M104 S215"), Intent(nozzle_c=(210, 230))),
    "a coast": (
        {},
        both(
            swap("X15.000 Y15.000 E0.34000", "X15.000 Y16.000 E0.30600", 21),
            insert(22, "G1 X15.000 Y15.000"),
            insert(24, "G1 E0.034 F1800"),
        ),
        Intent(coast_mm_per_run=0.05),
    ),
    "a coast on an arc given back with the recover": (
        {},
        both(
            swap("X22.000 Y20.000 I2.000 J0.000 E0.21363", "X20.000 Y18.000 I2.000 J0.000 E0.106815", 29),
            insert(30, "G3 X22.000 Y20.000 I0.000 J2.000"),
            swap("E0.80000", "E0.906815", 34),
        ),
        Intent(coast_mm_per_run=0.2),
    ),
    "a coast at the very end": (
        {},
        both(
            swap("X52.000 Y20.000 I2.000 J0.000 E0.21363", "X50.000 Y18.000 I2.000 J0.000 E0.106815", 79),
            insert(80, "G3 X52.000 Y20.000 I0.000 J2.000"),
        ),
        Intent(coast_mm_per_run=0.2),
    ),
    "a coast where ways are free": (
        {},
        both(
            swap("X22.000 Y20.000 I2.000 J0.000 E0.21363", "X20.000 Y18.000 I2.000 J0.000 E0.106815", 29),
            insert(30, "G3 X22.000 Y20.000 I0.000 J2.000"),
            swap("E0.80000", "E0.906815", 34),
        ),
        Intent(coast_mm_per_run=0.2, may_reroute=True),
    ),
    "a prime": ({}, insert(15, "G0 X18.000 Y60.000 F7200", "G1 X48.000 Y60.000 E0.9 F1200"), Intent(prime_mm=1)),
    "a prime where islands are swapped": (
        {},
        both(
            shuffle((31, 46), (15, 31)),
            insert(15, "G0 X18.000 Y60.000 F7200", "G1 X48.000 Y60.000 E0.9 F1200", "G1 E0.05"),
        ),
        Intent(prime_mm=1, may_reorder_islands=True),
    ),
    "a prime in the bed's corner": (
        {},
        insert(15, "G0 X1.000 Y1.000 F7200", "G1 X1.000 Y60.000 E0.9 F1200"),
        Intent(prime_mm=1),
    ),
    "the part lifted": (
        {},
        both(swap("Z0.200", "Z0.250", 14), swap("Z0.400", "Z0.450", 47)),
        Intent(first_layer_may_widen=True, height_mm=0.05),
    ),
    "the first layer lifted alone": (
        {},
        swap("Z0.200", "Z0.250", 14),
        Intent(first_layer_may_widen=True, height_mm=0.05),
    ),
    "another line end": ({}, lambda lines: [line + "\r" for line in lines], Intent()),
    "numbered lines": ({}, number_lines, Intent()),
    "comments at motion": ({}, swap("E0.34000", "E0.34000 ; slower", 19), Intent()),
}
