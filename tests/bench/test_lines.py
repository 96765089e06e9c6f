"""Work in its processes: progress, stopping, what is left, and many visitors at once."""

import asyncio
import re
import threading
import time
from functools import cache
from urllib.parse import parse_qsl, urlsplit

import httpx
import pytest

from bench_visitor import JSON, ORIGIN, Visitor, opened
from pliant.bench.intake import Limits
from pliant.bench.lines import Work
from pliant.workflows.workshop import feet_program


@cache
def _long():
    return feet_program(layers=100)  # seconds of work


def _news(visitor, answer):
    """What a page is told while work goes on: what is done, and the share of it."""
    uid, version, told = answer.json()["id"], 0, []
    while True:
        news = visitor.get(f"/work/{uid}?since={version}").json()
        version = news["version"]
        if news["state"] == "working":
            told.append((news["doing"], news["share"]))
        elif news["state"] != "waiting":
            return told


def _until(asked, patience_s=120.0):
    end = time.monotonic() + patience_s
    while time.monotonic() < end:
        if asked():
            return
        time.sleep(0.05)
    raise AssertionError("it did not happen")


def test_roundtrip_first_visit_keeps_everything_in_the_book(bench):
    answer = bench.first(machine_name="Bench 2", spool_name="Harbour 85A", nozzle_low_c="210", nozzle_high_c="230")
    found = bench.done(answer).json()
    assert found["verdict"] in ("feeds", "marginal", "jams")
    assert 0 <= found["jam_probability_error"] < found["jam_probability"] + 1e-3
    book = bench.get("/book?limit=500").json()
    titles = [e["title"] for e in book["entries"]]
    assert any(t.startswith("Bench 2@") for t in titles) and any(t.startswith("Harbour 85A@") for t in titles)
    assert any("feet.gcode" in t for t in titles)
    counts = book["counts"]
    bench.done(bench.first(machine_name="Bench 2", spool_name="Harbour 85A", nozzle_low_c="210", nozzle_high_c="230"))
    again = bench.get("/book").json()["counts"]
    assert again["machine"] == counts["machine"] and again["filament"] == counts["filament"]


def test_the_check_of_the_bench_is_the_check_of_the_command_line(bench, tmp_path):
    from pliant.workflows.check import check
    from pliant.workflows.shelf import machine_text, spool_text

    program = feet_program(layers=3)
    (tmp_path / "p.gcode").write_text(program)
    (tmp_path / "m.toml").write_text(machine_text("open-gap", "Same", 6, 25, 0.4))
    (tmp_path / "f.toml").write_text(spool_text("Same", 85, "A"))
    ours = check(tmp_path / "p.gcode", tmp_path / "m.toml", tmp_path / "f.toml").to_json()
    found = bench.done(bench.first(program, machine_name="Same", spool_name="Same")).json()
    for key in ("verdict", "jam_probability", "jam_probability_error", "mechanism", "peak_push_n", "time_s", "runs"):
        assert found[key] == ours[key], key


def test_roundtrip_what_is_not_measured_is_a_range(bench):
    import tempfile
    from pathlib import Path

    from pliant.records.machine import read_machine
    from pliant.workflows.shelf import machine_text

    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "m.toml"
        place.write_text(machine_text("tube-2.0", 'A "tube"', None, 500, None))
        machine = read_machine(place)
    assert machine.name == 'A "tube"'
    gap, tube = machine.path
    assert (gap.length_mm.low, gap.length_mm.high) == pytest.approx((2.0, 4.5), rel=0.01)
    assert tube.length_mm.value == 500 and tube.length_mm.spread < 1.1
    assert machine.nozzle_mm.value == 0.4


def test_mistakes_on_the_first_page_are_told(bench):
    for fields, words in (
        ({"kind": "nothing"}, "choose the kind of machine"),
        ({"hardness": ""}, "write the hardness"),
        ({"hardness": "soft"}, "the hardness of the spool"),
        ({"gap_mm": "six"}, "A, the open gap"),
        ({"gap_mm": "1e999"}, "A, the open gap"),
        ({"nozzle_low_c": "210"}, "give both nozzle temperatures"),
        ({"nozzle_low_c": "230", "nozzle_high_c": "210"}, "the lower one first"),
    ):
        answer = bench.first(**fields)
        assert answer.status_code == 422, fields
        assert words in answer.json()["error"]
    nothing = bench.post("/first", {"kind": "open-gap", "hardness": "85A"})
    assert nothing.status_code == 422 and "no program was sent" in nothing.json()["error"]


def test_a_program_may_come_later(small):
    later = small[0].post("/first", {"kind": "open-gap", "hardness": "85A", "program_later": "yes"})
    assert (later.status_code, later.json().get("location")) == (201, "/check"), later.text


def test_a_program_that_cannot_be_read_is_told_by_its_own_name(bench):
    answer = bench.done(bench.first(b"G28\nG1 X" + b"9" * 400 + b"\n", name="odd one.gcode"))
    assert answer.status_code == 422
    assert answer.json()["error"].startswith("odd one.gcode line 2")


def test_roundtrip_mended_program_is_certified_and_comes_down(bench):
    bench.done(bench.first(machine_name="Bench 2", spool_name="Harbour 85A"))
    answer = bench.post("/mend", {}, {"program": ("feet.gcode", feet_program(layers=2))})
    told = _news(bench, answer)
    shares = [share for _, share in told]
    assert shares == sorted(shares) and len(set(shares)) >= 4, told
    assert any(doing.startswith("rewriting: ") for doing, _ in told), told
    found = bench.done(answer).json()
    assert found["certified"] and found["output"] == "feet-mended.gcode"
    assert found["after"]["jam_probability"] < found["before"]["jam_probability"]
    got = bench.get(answer.json()["location"] + "/program")
    assert got.headers["content-disposition"] == 'attachment; filename="feet-mended.gcode"'
    assert got.text.count("\n") >= feet_program(layers=2).count("\n") * 0.9
    assert all("pliant-" not in o["figure"] for o in found["certificate"])
    page = bench.client.get(answer.json()["location"]).text
    assert page.count("<b>holds:</b>") == len(found["certificate"])
    assert "pliant-" not in page and page.count('class="sheet"') >= 2  # layers before and after, drawn
    assert ("Send the mended program to the machine" in page) == found["meets_target"]
    shown = bench.get(f"/book/record/{found['kept']}").json()
    assert shown["record"]["fields"]["certified"] is True
    # a print of it is told of the mended program, with what was found in that one
    (slip,) = set(re.findall(r'href="(/book\?[^"]*)#outcome"', page))
    sent = dict(parse_qsl(urlsplit(slip.replace("&amp;", "&")).query))
    wrote = bench.post("/book/outcome", sent | {"outcome": "ok"}).json()
    printed = bench.get(f"/book/record/{wrote['uid']}").json()
    refers = {r["kind"]: r for r in printed["refers_to"]}
    assert "feet-mended.gcode" in refers["program"]["title"]
    assert refers["mended"]["uid"] == found["kept"]
    about = bench.get(f"/book/record/{refers['finding']['uid']}").json()["record"]["fields"]
    assert about["jam_probability"] == pytest.approx(found["after"]["jam_probability"])
    assert bench.post("/mend", {"chosen": "yes", "pass": "magic"}, {"program": ("a.gcode", "G28\n")}).status_code == 422


def test_roundtrip_plan_and_its_handles(bench):
    bench.done(bench.first(machine_name="Bench 2", spool_name="Harbour 85A"))
    answer = bench.post("/plan", {"nozzle_c": "205", "layer_height_mm": "0.2", "behind_outside": "50"})
    found = bench.done(answer).json()
    assert found["works"] and found["values"]["nozzle_c"] <= 230
    place = answer.json()["location"]
    assert "Settings:" in bench.client.get(place + "/sheet").text
    speed, celsius = found["window"]["recipe"]
    handles = {"layer_height_mm": 0.2, "width_mm": 0.45, "speed_mm_per_s": speed, "nozzle_c": celsius}
    here = bench.get(place + "/window", params=handles).json()
    assert here["jam_probability"] <= 0.02
    quicker = bench.get(place + "/window", params=handles | {"speed_mm_per_s": 10 * speed}).json()
    assert quicker["jam_probability"] > here["jam_probability"]
    assert "<svg" in quicker["drawing_wide"] and "style=" not in quicker["drawing_wide"]
    assert bench.get(place + "/window", params=handles | {"nozzle_c": "hot"}).status_code == 422
    assert bench.get(place + "/window").status_code == 422
    empty = bench.post("/plan", {})
    assert empty.status_code == 422 and "at least the nozzle temperature" in empty.json()["error"]


def test_regression_the_first_layer_can_be_given_its_height(bench):
    bench.done(bench.first(machine_name="Bench 2", spool_name="Harbour 85A"))
    sent = {"program": ("feet.gcode", feet_program(layers=2))}
    asked = {"chosen": "yes", "pass": "first-layer"}
    refused = bench.post("/mend", asked, sent)
    assert refused.status_code == 422 and "such as 0.1 mm" in refused.json()["error"]
    found = bench.done(bench.post("/mend", asked | {"height_mm": "0,1"}, sent)).json()
    assert found["changes"] == {"first layer": 1} and found["certified"]
    assert "0.1 mm higher with the part" in found["certificate"][-1]["figure"].replace("0.100", "0.1")


def test_roundtrip_outcomes_and_new_versions(bench):
    bench.done(bench.first(machine_name="Versions", spool_name="Versions"))
    shelf = bench.get("/check").json()
    machine, spool = shelf["machines"][0], shelf["filaments"][0]
    assert (machine["name"], spool["name"]) == ("Versions", "Versions")
    pair = {"machine": machine["uid"], "filament": spool["uid"]}
    wrote = bench.post("/book/outcome", pair | {"outcome": "jammed", "at_minutes": "3,5", "note": "bowed <out>"})
    assert wrote.status_code == 201
    uid = wrote.json()["uid"]
    again = bench.post(f"/book/outcome/{uid}", {"outcome": "ok", "note": "it was the spool holder"})
    assert again.status_code == 201
    history = bench.get("/book/history?filament=Versions").json()
    assert history["by_machine"] == {"Versions": {"ok": 1}}
    text = bench.get(f"/book/record/{machine['uid']}").json()["record"]["fields"]["text"]
    new = bench.post("/book/text", {"kind": "machine", "text": text.replace("length_mm = 6", "length_mm = 5")})
    assert new.status_code == 201 and new.json()["version"] == machine["version"] + 1
    differ = bench.get(f"/book/compare?first={new.json()['uid']}").json()
    assert [(r["first"], r["second"]) for r in differ["rows"] if not r["same"]] == [(6, 5)]
    bad = bench.post("/book/text", {"kind": "machine", "text": 'name = "x"\ngap = 3'})
    assert bad.status_code == 422 and bad.json()["error"].startswith("machine: unknown key 'gap'")
    assert bench.post("/book/outcome", pair | {"outcome": "splendid"}).status_code == 422


def test_roundtrip_feel_and_dry_answer_at_once(bench):
    bench.done(bench.first(machine_name="Bench 2", spool_name="Harbour 85A"))
    felt = bench.get("/feel?piece=ring&size_1=60&size_2=44&size_3=6&deflection_mm=1&force_n=100").json()
    assert felt["choices"][0]["low_n"] < felt["choices"][0]["force_n"] < felt["choices"][0]["high_n"]
    spool = bench.get("/dry").json()["filaments"][0]["uid"]
    dried = bench.get(f"/dry?filament={spool}").json()
    assert dried["strand_h"]["value"] < dried["spool_h"]["value"]
    wrong = bench.get("/feel?piece=ring&size_1=40&size_2=44&size_3=6&deflection_mm=1")
    assert wrong.status_code == 422 and "inner diameter" in wrong.json()["error"]


def test_roundtrip_a_part_is_looked_at(bench):
    from workshop_parts import part_files

    mesh = dict(part_files())["gasket.stl"]
    bench.done(bench.first(machine_name="Bench 2", spool_name="Harbour 85A"))
    found = bench.done(bench.post("/part", {}, {"mesh": ("gasket.stl", mesh)})).json()
    assert found["name"] == "gasket" and found["orientations"]
    broken = bench.done(bench.post("/part", {}, {"mesh": ("x.stl", b"solid nothing")}))
    assert broken.status_code == 422 and broken.json()["error"].startswith("x.stl")
    head, faces = mesh[:80], [mesh[84 + 50 * k : 134 + 50 * k] for k in range(int.from_bytes(mesh[80:84], "little"))]
    open_mesh = head + (len(faces) - 1).to_bytes(4, "little") + b"".join(faces[1:])  # a triangle is missing
    refused = bench.done(bench.post("/part", {}, {"mesh": ("open.stl", open_mesh)}))
    assert refused.status_code == 422 and "tick that on the page Part" in refused.json()["error"]
    looked = bench.done(bench.post("/part", {"holes": "yes"}, {"mesh": ("open.stl", open_mesh)}))
    assert looked.status_code == 200 and looked.json()["orientations"]


def test_roundtrip_a_piece_that_was_measured_gives_a_factor_that_can_be_used(bench):
    piece = "/feel?piece=pad&size_1=20&size_2=20&size_3=10&deflection_mm=1&hardness=85A"
    plain = bench.get(piece).json()["choices"][0]["force_n"]
    measured = bench.get(f"{piece}&measured_n=30").json()
    assert measured["measured_factor"] == pytest.approx(30 / plain, rel=0.02)
    page = bench.client.get(f"{piece}&measured_n=30").text
    assert "ask again with the factor below" in page and "--factor" not in page and "`factor`" not in page
    again = bench.get(f"{piece}&factor={measured['measured_factor']}").json()["choices"][0]
    assert again["force_n"] == pytest.approx(30, rel=0.02)


def test_roundtrip_a_coupon_its_readings_and_what_they_teach(bench):
    bench.done(bench.first(machine_name="To learn", spool_name="To learn"))
    made = bench.done(bench.post("/coupon", {"kind": "ladder"})).json()
    assert bench.get(f"/coupon/{made['id']}/program").text.startswith(";")
    sheet = bench.get(f"/readings/{made['kept']}").json()
    assert sheet["asked"] == ["answer"] and len(sheet["sheet"]["step"]) == len(made["steps"])
    page = bench.get(f"/readings/{made['kept']}", headers={"accept": "text/html"}).text
    assert "Which failed first?" in page and page.count('name="failed_at"') == len(made["steps"]) + 1
    for at in ("0", "99", "1.5", "last"):
        assert bench.post(f"/readings/{made['kept']}", {"failed_at": at}).status_code == 422
    nothing = bench.done(bench.post(f"/readings/{made['kept']}", {}))
    assert nothing.status_code == 422 and "nothing filled in" in nothing.json()["error"]
    said = {f"answer_{k}": "held" if k < 4 else "failed" if k == 4 else "" for k in range(len(made["steps"]))}
    learned = bench.done(bench.post(f"/readings/{made['kept']}", {"failed_at": "5"})).json()  # one tap says as much
    assert learned["changed"]
    newest = bench.get("/check").json()
    by_name = {k["name"]: k for k in newest["machines"]}
    assert by_name["To learn"]["uid"] == learned["kept"]["machine"] and by_name["To learn"]["version"] > 1
    twice = bench.done(bench.post(f"/readings/{made['kept']}", said))
    assert twice.status_code == 422 and "learned from already" in twice.json()["error"]


def test_a_picture_fills_in_the_sheet_of_a_stop_start_piece(bench):
    cv2 = pytest.importorskip("cv2")
    from pliant.coupons.readings import settings_from
    from pliant.coupons.stop_start import rows_of
    from pliant.photo.marks import piece_code
    from rendered import Scene, render

    bench.done(bench.first(machine_name="To see", spool_name="To see"))
    made = bench.done(bench.post("/coupon", {"kind": "stop-start"})).json()
    place = f"/readings/{made['kept']}"
    page = bench.get(place, headers={"accept": "text/html"}).text
    assert 'name="photo"' in page and "Or step by step" in page
    blank = bench.done(bench.post(place, {}, {"photo": ("a.png", b"GIF89a")}))
    assert blank.status_code == 422 and blank.json()["error"].startswith("a.png: is no JPEG and no PNG")
    steps = settings_from(bench.get(place).json()["sheet"])
    seen = render(rows_of(steps), piece_code(steps), [(9.0, 7.5), (14.0, 11.0), (21.0, 15.0)], Scene())
    jpeg = cv2.imencode(".jpg", seen, [cv2.IMWRITE_JPEG_QUALITY, 88])[1].tobytes()
    learned = bench.done(bench.post(place, {}, {"photo": ("piece.jpg", jpeg)})).json()
    assert any("piece.jpg: row 1: tail" in note for note in learned["notes"]) and learned["changed"]
    twice = bench.done(bench.post(place, {}, {"photo": ("again.jpg", jpeg)}))
    assert twice.status_code == 422 and "learned from already" in twice.json()["error"]


def test_work_can_be_stopped_and_the_next_still_runs(bench):
    answer = bench.first(_long())
    uid = answer.json()["id"]
    _until(lambda: bench.get(f"/work/{uid}").json()["state"] == "working")
    assert bench.post(f"/work/{uid}/stop").status_code == 202
    _until(lambda: bench.get(f"/work/{uid}").json()["state"] == "stopped")
    ended = bench.get(answer.json()["location"])
    assert ended.status_code == 410 and "stopped" in ended.json()["error"]
    assert bench.done(bench.first()).status_code == 200


def test_a_killed_process_is_told_and_replaced(bench):
    desk = bench.client.app.app.state.desk
    answer = bench.first(_long())
    uid = answer.json()["id"]
    _until(lambda: bench.get(f"/work/{uid}").json()["state"] == "working")
    import multiprocessing

    for child in multiprocessing.active_children():
        child.kill()
    _until(lambda: desk.lines.works[uid].ended)
    assert "the process that did the work ended" in desk.lines.works[uid].error
    assert bench.done(bench.first()).status_code == 200


def test_news_wait_for_news(bench):
    answer = bench.first(_long())
    uid = answer.json()["id"]
    first = bench.get(f"/work/{uid}").json()
    later = bench.get(f"/work/{uid}?since={first['version']}").json()
    assert later["version"] > first["version"] or later["state"] in ("done", "stopped")
    bench.post(f"/work/{uid}/stop")


async def _slow(app, visitor, chunks, pause_s):
    """A body that comes in drops, straight into the application."""
    head = b'--x\r\nContent-Disposition: form-data; name="program"; filename="a.gcode"\r\n\r\n'
    body = [head, *chunks, b"\r\n--x--\r\n"]
    cookie = "; ".join(f"{k}={v}" for k, v in visitor.client.cookies.items())
    headers = {
        "host": "127.0.0.1:8137", "origin": ORIGIN, "content-type": "multipart/form-data; boundary=x",
        "x-bench-token": visitor.token, "cookie": cookie, "accept": "application/json",
    }  # fmt: skip
    sent, said = iter(body), []

    async def receive():
        await asyncio.sleep(pause_s)
        piece = next(sent, None)
        return {"type": "http.request", "body": piece or b"", "more_body": piece is not None}

    async def send(message):
        said.append(message)

    scope = {
        "type": "http", "method": "POST", "path": "/check", "raw_path": b"/check", "query_string": b"",
        "headers": [(k.encode(), v.encode()) for k, v in headers.items()], "http_version": "1.1",
        "scheme": "http", "server": ("127.0.0.1", 8137), "client": ("127.0.0.1", 1), "root_path": "",
    }  # fmt: skip
    await app(scope, receive, send)
    return said[0]["status"]


def test_slow_senders_are_cut_off(small):
    visitor, work = small
    app = visitor.client.app
    assert asyncio.run(_slow(app, visitor, [b"G1\n"], 1.4)) == 408  # nothing for longer than a pause
    assert asyncio.run(_slow(app, visitor, [b"G1\n"] * 60, 0.05)) == 408  # always a little, never enough
    assert [p for p in work.rglob("*") if p.is_file() and "uploads" in p.parts] == []


def test_roundtrip_work_of_an_older_bench_is_shown_under_the_names_of_today(tmp_path):
    (tmp_path / "result.json").write_text('{"after": {"jam_probability": 0.01, "speed_factor": 1.0}}')
    assert Work("0", "mend", tmp_path, {}, [], {}).result()["after"]["speed_share"] == 1.0


def test_80_at_once_lose_nothing(tmp_path):
    limits = Limits(file_bytes=1 << 20)
    with opened(tmp_path, 0, limits=limits) as client:
        visitor = Visitor(client)
        visitor.post("/first", {"kind": "open-gap", "hardness": "85A", "program_later": "yes", "machine_name": "M"})
        pair = visitor.get("/check").json()
        fields = {"machine": pair["machines"][0]["uid"], "filament": pair["filaments"][0]["uid"], "outcome": "ok"}
        answers, gate = [], threading.Barrier(20)

        def twenty(who):
            own = httpx.Client(transport=client._transport, base_url=ORIGIN, cookies=client.cookies)
            gate.wait()
            for k in range(2):
                data = {"token": visitor.token, "note": f"{who}-{k}"} | fields
                answers.append(own.post("/book/outcome", data=data, headers=JSON | {"origin": ORIGIN}).status_code)
                answers.append(own.get("/book?limit=5", headers=JSON).status_code)

        threads = [threading.Thread(target=twenty, args=(k,)) for k in range(20)]
        for t in threads:
            t.start()
        for t in threads:
            t.join(200)
        assert sorted(set(answers)) == [200, 201] and len(answers) == 80
        assert visitor.get("/book").json()["counts"]["outcome"] == 40
