"""Every page of the bench in each of its states: what has to be asked of a bench before the page can be looked at.

`empty_pages` are those of a bench whose book holds nothing; `filled` asks for the rest, all of it real work, and gives
an address for each.
"""

import re
import time
from urllib.parse import quote

from pliant.workflows.workshop import RECORDS, feet_program, gasket_program
from workshop_parts import part_files

LONG = "The machine in the corner by the window, with the blue lid and a new tube, since spring"
MARKUP = "<img src=x onerror=alert(1)>"
NOTHING_LAID = "; no bead anywhere\nG28\nM109 S220\nG1 X10 Y10 F3000\nG1 X60 F3000\n"
FORMS = ("first", "check", "mend", "plan", "part", "feel", "dry", "coupon", "book")
FEEL = "/feel?piece=ring&size_1=60&size_2=44&size_3=6&deflection_mm=1"
_RIGID = {
    "nozzle_c": "205",
    "layer_height_mm": "0.2",
    "behind_outside": "50",
    "on_outside": "40",
    "sparse_inside": "60",
}


def slowed(program, mm_per_min=120):
    """The same program with every bead so slow that it feeds."""
    return re.sub(r"^G1 F\d+$", f"G1 F{mm_per_min}", program, flags=re.MULTILINE)


def empty_pages():
    """Pages of a bench whose book holds nothing."""
    return {"empty-home": "/"} | {f"empty-{name}": f"/{name}" for name in FORMS} | {"empty-history": "/book/history"}


def filled(visitor, learn=True):
    """Ask for work of every kind; gives the address of each page by the name of its state.

    Learning and weighing the pieces take half a minute each, so a test may go without (`learn` false).
    """
    pages, begun = {}, {}

    def keep(kind, text):
        answer = visitor.post("/book/text", {"kind": kind, "text": text})
        assert answer.status_code == 201, answer.text
        return answer.json()["uid"]

    def begin(name, path, fields, files=None):
        answer = visitor.post(path, fields, files)
        assert answer.status_code == 202, (name, answer.text)
        begun[name] = pages[name] = answer.json()["location"]

    records = RECORDS | {"long.machine.toml": RECORDS["bench-2.machine.toml"].replace("Bench 2", LONG)}
    records |= {"markup.filament.toml": RECORDS["85A.filament.toml"].replace("Harbour 85A", MARKUP)}
    first = keep("machine", records["bench-2.machine.toml"].replace("value = 6.0", "value = 7.0"))
    uid = {name: keep(name.split(".")[1], text) for name, text in records.items()}
    bench = {"machine": uid["bench-2.machine.toml"]}
    soft = bench | {"filament": uid["85A.filament.toml"]}
    stiff = bench | {"filament": uid["95A.filament.toml"]}
    worst = {"machine": uid["long-tube.machine.toml"], "filament": uid["75A.filament.toml"]}
    odd = {"machine": uid["long.machine.toml"], "filament": uid["markup.filament.toml"]}
    meshes = dict(part_files())

    def program(text, name="feet.gcode"):
        return {"program": (name, text)}

    wrote = visitor.post("/book/outcome", soft | {"outcome": "jammed", "at_minutes": "3", "note": "bowed <b>out</b>"})
    assert wrote.status_code == 201, wrote.text
    visitor.post("/book/outcome", soft | {"outcome": "ok"})
    begin("coupon", "/coupon", soft | {"kind": "ladder"})
    begin("check-feeds", "/check", stiff, program(slowed(feet_program(layers=2))))
    begin("check-jams", "/check", soft, program(feet_program(layers=3)))
    begin("check-refused", "/check", worst, program(gasket_program(layers=2), "gasket.gcode"))
    begin("check-nothing-laid", "/check", soft, program(NOTHING_LAID, "travel.gcode"))
    begin(
        "check-odd-names", "/check", odd, program(feet_program(layers=2) + f"M117 {MARKUP}\n", f"{'long' * 30}.gcode")
    )
    begin("check-unreadable", "/check", soft, program("G28\nG1 X" + "9" * 400 + "\n", "odd one.gcode"))
    begin("mend", "/mend", soft, program(feet_program(layers=2)))
    begin("mend-not-enough", "/mend", worst, program(gasket_program(layers=2), "gasket.gcode"))
    begin("mend-nothing-needed", "/mend", stiff, program(slowed(feet_program(layers=2))))
    begin("mend-error", "/mend", soft, program(NOTHING_LAID + "G1 X1 X2\n", "two.gcode"))
    begin("plan", "/plan", stiff | _RIGID)
    begin("plan-refused", "/plan", worst | _RIGID)
    begin("part", "/part", soft, {"mesh": ("gasket.stl", meshes["gasket.stl"])})
    begin("part-poor", "/part", soft, {"mesh": ("boot.stl", next(m for n, m in meshes.items() if "bellows" in n))})
    begin("part-error", "/part", soft, {"mesh": ("torn.stl", b"solid nothing")})
    _wait(visitor, begun)
    made = visitor.get(pages["coupon"]).json()
    said = {f"answer_{k}": "held" if k < 4 else "failed" if k == 4 else "" for k in range(len(made["steps"]))}
    if learn:
        begin("learn", f"/readings/{made['kept']}", said)
        begin("next", "/next", stiff)
        _wait(visitor, {name: begun[name] for name in ("learn", "next")})
    finding = visitor.get("/book?kind=finding").json()["entries"][0]["uid"]
    pages |= {f"{name}-form": f"/{name}" for name in FORMS}
    pages |= {
        "plan-sheet": pages["plan"] + "/sheet",
        "plan-refused-sheet": pages["plan-refused"] + "/sheet",
        "readings": f"/readings/{made['kept']}",
        "feel-choices": f"{FEEL}&force_n=100",
        "feel-one": f"{FEEL}&hardness=85A&measured_n=40",
        "feel-beyond": "/feel?piece=column&size_1=40&size_2=36&size_3=60&deflection_mm=50&force_n=100000",
        "feel-error": "/feel?piece=ring&size_1=40&size_2=44&size_3=6&deflection_mm=1",
        "dry": f"/dry?filament={uid['95A.filament.toml']}&temperature_c=60",
        "dry-cold": f"/dry?filament={uid['75A.filament.toml']}&temperature_c=30&room_humidity_percent=80",
        "dry-error": f"/dry?filament={uid['95A.filament.toml']}&temperature_c=warm",
        "book-machine": f"/book/record/{uid['bench-2.machine.toml']}",
        "book-print": f"/book/record/{wrote.json()['uid']}",
        "book-finding": f"/book/record/{finding}",
        "book-history": f"/book/history?filament={quote('Harbour 85A')}",
        "book-compare": f"/book/compare?first={first}&second={uid['bench-2.machine.toml']}",
        "book-error": "/book?kind=nonsense",
        "gone": "/check/" + "0" * 24,
        "nowhere": "/nowhere",
    }
    return pages


def _wait(visitor, begun, patience_s=900.0):
    """Ask about all of it, over and over, as open pages do."""
    until = time.monotonic() + patience_s
    while 202 in {visitor.get(place).status_code for place in begun.values()}:  # each is asked every time
        assert time.monotonic() < until
        time.sleep(0.2)
