"""A bench that is closed and opened again: what was made is there, and nothing is told that is not so."""

import shutil
import time

import pytest

from bench_visitor import Visitor, opened
from pliant.bench.store import Store, made_beside
from pliant.workflows.workshop import feet_program

_READ = {"accept": "text/html"}
_RIGID = {"nozzle_c": "205", "layer_height_mm": "0.2", "behind_outside": "50"}


def _made(visitor):
    """One page of each kind of work, and what each holds."""
    pair = {"machine": "", "filament": ""}
    begun = {
        "check": visitor.first(machine_name="Bench 2", spool_name="Harbour 85A"),
        "coupon": visitor.post("/coupon", pair | {"kind": "ladder"}),
        "plan": visitor.post("/plan", pair | _RIGID),
        "mend": visitor.post("/mend", pair, {"program": ("feet.gcode", feet_program(layers=2))}),
    }
    done = {kind: visitor.done(answer) for kind, answer in begun.items()}
    assert {kind: a.status_code for kind, a in done.items()} == dict.fromkeys(begun, 200), {
        k: a.text[:200] for k, a in done.items()
    }
    return {kind: a.json()["location"] for kind, a in begun.items()}, {kind: a.json() for kind, a in done.items()}


def test_roundtrip_every_page_opens_again_after_a_restart(tmp_path):
    with opened(tmp_path) as client:
        visitor = Visitor(client)
        places, found = _made(visitor)
        pages = {kind: visitor.get(place, headers=_READ).text for kind, place in places.items()}
        program = visitor.get(places["mend"] + "/program").content
        coupon = visitor.get(places["coupon"] + "/program").content
        sheet = visitor.get(places["plan"] + "/sheet").json()
        desk = client.app.app.state.desk
        assert {w.state for w in desk.lines.works.values() if not w.passing} == {"done"}
        uploads = set(desk.store.uploads)
    shutil.rmtree(tmp_path / "nothing", ignore_errors=True)
    with opened(tmp_path) as client:
        visitor = Visitor(client)
        for kind, place in places.items():
            again = visitor.get(place)
            assert again.status_code == 200 and again.json() == found[kind], kind
            main = pages[kind].split("<main", 1)[1].split("<footer>", 1)[0]
            now = visitor.get(place, headers=_READ).text.split("<main", 1)[1].split("<footer>", 1)[0]
            assert _untold(now) == _untold(main), kind
            work = place.rsplit("/", 1)[1]
            assert visitor.get(f"/work/{work}/report.html").status_code == 200
            assert visitor.get(f"/work/{work}/rules.css").status_code == 200
        assert visitor.get(places["mend"] + "/program").content == program
        assert visitor.get(places["coupon"] + "/program").content == coupon
        assert visitor.get(places["plan"] + "/sheet").json() == sheet
        handles = {"layer_height_mm": 0.2, "width_mm": 0.45, "speed_mm_per_s": 10, "nozzle_c": 220}
        assert visitor.get(places["plan"] + "/window", params=handles).status_code == 200
        # the lists and the records lead there
        assert places["check"] in visitor.get("/check", headers=_READ).text
        for kind in ("mend", "coupon", "plan"):
            assert places[kind] in visitor.get(f"/book/record/{found[kind]['kept']}", headers=_READ).text
        finding = visitor.get("/book?kind=finding").json()["entries"][-1]["uid"]
        assert places["check"] in visitor.get(f"/book/record/{finding}", headers=_READ).text
        assert uploads <= set(client.app.app.state.desk.store.uploads)
        # an outcome told now still belongs to the mended program
        printed = client.app.app.state.desk.lines.find(places["mend"].rsplit("/", 1)[1]).about["printed"]
        told = visitor.post("/book/outcome", {"upload": printed, "outcome": "ok"}).json()
        refers = {r["kind"]: r["title"] for r in visitor.get(f"/book/record/{told['uid']}").json()["refers_to"]}
        assert "feet-mended.gcode" in refers["program"]


def _untold(page):
    """Without the tokens of a run and without what the book has learned since."""
    import re

    return re.sub(r'name="token" value="[0-9a-f]+"', "", page)


def test_work_of_a_bench_that_was_closed_says_so_and_can_be_begun_again(tmp_path):
    with opened(tmp_path, 0) as client:
        uid = Visitor(client).first().json()["id"]
    with opened(tmp_path) as client:
        visitor = Visitor(client)
        ended = visitor.get(f"/check/{uid}")
        assert ended.status_code == 410 and "the bench was closed" in ended.json()["error"]
        page = visitor.get(f"/check/{uid}", headers=_READ).text
        assert f'action="/work/{uid}/again"' in page
        again = visitor.post(f"/work/{uid}/again")
        assert visitor.done(again).status_code == 200
        done = again.json()["id"]
        assert visitor.post(f"/work/{done}/again").status_code == 422


def test_work_goes_on_when_nobody_looks_and_the_corner_of_each_page_shows_it(bench):
    answer = bench.first(feet_program(layers=30), name="corner.gcode")
    uid = answer.json()["id"]
    told, end = [], time.monotonic() + 120
    while time.monotonic() < end:  # nobody asks for its own page
        page = bench.get("/dry", headers=_READ).text
        mine = next((w for w in bench.get("/work").json()["works"] if w["id"] == uid), None)
        told.append(mine)
        if mine and mine["ended"]:
            break
        assert f'data-going="{uid}"' in page and f"/work/{uid}/stop" in page
        time.sleep(0.1)
    assert mine["state"] == "done" and "corner.gcode" in mine["what"]
    assert "is ready" in bench.get("/dry", headers=_READ).text
    assert bench.get(f"/check/{uid}").status_code == 200
    assert uid not in [w["id"] for w in bench.get("/work").json()["works"]]  # it was looked at


def test_time_left_comes_from_what_earlier_work_took(bench):
    desk = bench.client.app.app.state.desk
    assert bench.done(bench.first(feet_program(layers=6), name="before.gcode")).status_code == 200
    uid = bench.first(feet_program(layers=100), name="left.gcode").json()["id"]
    work, end = desk.lines.find(uid), time.monotonic() + 60
    while work.begun is None and time.monotonic() < end:
        time.sleep(0.02)
    left = desk.lines.left_s(work)
    assert left is not None and 0 < left < 600
    assert " left" in bench.get(f"/work/{uid}").json()["left"]
    bench.post(f"/work/{uid}/stop")


def test_a_known_name_typed_again_offers_what_was_learned(tmp_path):
    with opened(tmp_path) as client:
        visitor = Visitor(client)
        visitor.done(visitor.first(machine_name="Bench 2", spool_name="Harbour 85A"))
        made = visitor.done(visitor.post("/coupon", {"kind": "ladder"})).json()
        said = {f"answer_{k}": "held" if k < 4 else "failed" if k == 4 else "" for k in range(len(made["steps"]))}
        learned = visitor.done(visitor.post(f"/readings/{made['kept']}", said)).json()["kept"]["machine"]
        unsaid = {"same_machine": "", "same_filament": ""}
        answer = visitor.first(machine_name="Bench 2", spool_name="Harbour 85A", **unsaid)
        assert answer.status_code == 409 and list(answer.json()) == ["error"]
        where = answer.headers["location"]
        known = visitor.get(where).json()["known"]
        assert [(k["kind"], k["version"], k["pieces"]) for k in known] == [("machine", 2, 1), ("filament", 2, 1)]
        page = visitor.get(where, headers=_READ).text
        assert "learned from one piece" in page and 'name="upload"' in page
        upload = client.app.app.state.desk.store.programs()[0].uid
        slip = {"kind": "open-gap", "gap_mm": "6", "guide_mm": "25", "nozzle_mm": "0.4", "hardness": "85A"}
        slip |= {"machine_name": "Bench 2", "spool_name": "Harbour 85A", "upload": upload}
        kept = visitor.post("/first", slip | {"same_machine": "known", "same_filament": "known"})
        assert kept.status_code == 202 and kept.json()["about"]["machine_uid"] == learned
        other = visitor.post(
            "/first", slip | {"same_machine": "other", "other_machine": "Bench 3", "same_filament": "known"}
        )
        assert other.json()["about"]["machine"] == "Bench 3"
        version = visitor.post("/first", slip | {"same_machine": "version", "same_filament": "known"})
        names = {m["name"]: m["version"] for m in visitor.get("/check").json()["machines"]}
        assert version.status_code == 202 and names["Bench 2"] == 3
        for one in (kept, other, version):
            visitor.post(f"/work/{one.json()['id']}/stop")


def test_two_people_at_one_machine_the_second_is_told(bench):
    bench.done(bench.first(machine_name="Shared", spool_name="Shared"))
    mine = next(m for m in bench.get("/check").json()["machines"] if m["name"] == "Shared")
    text = bench.get(f"/book/record/{mine['uid']}").json()["record"]["fields"]["text"]
    form = {"kind": "machine", "seen": mine["uid"]}
    one = bench.post("/book/text", form | {"text": text.replace("length_mm = 6", "length_mm = 5")})
    assert one.status_code == 201
    other = form | {"text": text.replace("length_mm = 6", "length_mm = 8")}
    told = bench.post("/book/text", other)
    assert told.status_code == 409 and "Shared was changed meanwhile" in told.json()["error"]
    page = bench.post("/book/text", other, headers=_READ)
    assert page.status_code == 409 and "length_mm = 5" in page.text and "length_mm = 8" in page.text
    kept = bench.post("/book/text", other | {"seen": one.json()["uid"]})
    assert kept.status_code == 201 and kept.json()["version"] == mine["version"] + 2


def test_try_again_leads_to_a_slip_that_is_filled_in(bench):
    bench.done(bench.first(machine_name="Again", spool_name="Again"))
    made = bench.done(bench.post("/coupon", {"kind": "ladder"})).json()
    said = {f"answer_{k}": "" for k in range(len(made["steps"]))} | {"notes": "all twelve looked alike"}
    bad = bench.post(f"/readings/{made['kept']}", said)
    refused = bench.done(bad)
    assert refused.status_code == 422
    for start, words in (
        (bad, "all twelve looked alike"),
        (bench.post("/check", {}, {"program": ("odd one.gcode", b"G28\nG1 X" + b"9" * 400 + b"\n")}), "odd one.gcode"),
        (bench.post("/next", {"upload": _upload(bench, b"G28\nG1 X1 X2\n")}), "two words.gcode"),
        (bench.post("/part", {}, {"mesh": ("torn.stl", b"solid nothing")}), "torn.stl"),
    ):
        assert bench.done(start).status_code == 422
        page = bench.get(start.json()["location"], headers=_READ)
        import html
        import re

        back = html.unescape(re.search(r'href="([^"]+)">Try again', page.text)[1])
        slip = bench.get(back, headers=_READ)
        assert slip.status_code == 200 and words in slip.text, back
    refused = bench.post(
        "/book/outcome", {"outcome": "odd"}, headers=_READ | {"referer": f"{bench.origin}/book?limit=7"}
    )
    assert 'href="/book?limit=7">Try again' in refused.text
    foreign = bench.post("/book/outcome", {"outcome": "odd"}, headers=_READ | {"referer": "http://evil.example/x"})
    assert "evil" not in foreign.text


def _upload(bench, content):
    bench.post("/check", {}, {"program": ("two words.gcode", content)})
    return bench.client.app.app.state.desk.store.programs()[0].uid


def test_the_same_file_is_kept_once_and_the_tidy_up_says_what_goes(bench):
    desk = bench.client.app.app.state.desk
    for _ in range(2):
        bench.done(bench.first(feet_program(layers=1), name="once.gcode", machine_name="T", spool_name="T"))
    kept = [u for u in desk.store.programs() if u.name == "once.gcode"]
    assert len(kept) == 1 and kept[0].path.read_text() == feet_program(layers=1)
    page = bench.get("/kept?older_days=0").json()
    assert kept[0].uid in [h["id"] for h in page["would_go"]] and page["bytes"] <= page["bound_bytes"]
    work = next(w for w in reversed(desk.lines.works.values()) if w.about.get("program") == "once.gcode")
    assert bench.post("/kept", {"older_days": "0"}).json()["removed"] >= 2
    assert not kept[0].path.exists()
    gone = bench.get(f"/check/{work.uid}")
    assert gone.status_code == 404 and "was removed on" in gone.json()["error"]
    assert kept[0].uid in [r["uid"] for r in bench.get("/kept").json()["removed"]]


def test_limit_the_oldest_makes_room_and_what_is_needed_stays(tmp_path):
    store = Store(tmp_path, keep_bytes=250)
    for k in range(4):
        uid, out = store.begin_upload()
        out.write(b"x" * 99 + str(k).encode())
        out.close()
        made = store.finish_upload(uid, f"{k}.gcode", "program", f"{k}" * 64)
        store.uploads[made.uid] = type(made)(made.uid, made.name, made.path, 100, "program", float(k))
    held = store.held([])
    assert [h.name for h in held] == ["0.gcode", "1.gcode", "2.gcode", "3.gcode"]
    assert [h.name for h in store.over(held, needed={held[0].uid})] == ["1.gcode", "2.gcode"]
    store.remove(store.over(held, needed=set()), "to stay within the bound")
    assert [u.name for u in store.programs()] == ["3.gcode", "2.gcode"]
    assert [r["name"] for r in store.removed()] == ["1.gcode", "0.gcode"]
    store.close()
    again = Store(tmp_path)
    assert [u.name for u in again.programs()] == ["3.gcode", "2.gcode"]
    again.close()


@pytest.mark.parametrize("book", ["/a/b/book.sqlite", "postgresql://host/db"])
def test_what_is_made_lies_beside_the_book(book, monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    place = made_beside(book)
    assert place.name.endswith(".made") and (str(place) == "/a/b/book.sqlite.made" or place.is_relative_to(tmp_path))


def test_an_outcome_written_later_stands_on_the_page_of_its_verdict(bench):
    answer = bench.first(machine_name="Later", spool_name="Later")
    found = bench.done(answer).json()
    assert found["past"]["counts"] == {}
    upload = answer.json()["about"]["upload"]
    wrote = bench.post("/book/outcome", {"outcome": "jammed", "note": "it bowed out above the inlet", "upload": upload})
    assert wrote.status_code == 201
    place = answer.json()["location"]
    assert bench.get(place).json()["past"]["counts"] == {"jammed": 1}
    assert "it bowed out above the inlet" in bench.get(place, headers=_READ).text


def test_an_outcome_belongs_to_the_version_it_was_printed_with(bench):
    answer = bench.first(machine_name="Older", spool_name="Older")
    bench.done(answer)
    about = answer.json()["about"]
    text = bench.get(f"/book/record/{about['machine_uid']}").json()["record"]["fields"]["text"]
    newer = bench.post("/book/text", {"kind": "machine", "text": text.replace("length_mm = 6", "length_mm = 5")}).json()
    pair = {"machine": about["machine_uid"], "filament": about["filament_uid"], "upload": about["upload"]}
    page = bench.get("/book", params=pair, headers=_READ).text
    assert f'<option value="{about["machine_uid"]}" selected>' in page
    wrote = bench.post("/book/outcome", pair | {"outcome": "ok"}).json()
    refers = {r["kind"]: r["uid"] for r in bench.get(f"/book/record/{wrote['uid']}").json()["refers_to"]}
    assert refers["machine"] == about["machine_uid"] and "program" in refers
    # and an old page leads on with the newest version, never with another machine
    again = bench.post("/check", pair)
    assert again.json()["about"]["machine_uid"] == newer["uid"]
    bench.post(f"/work/{again.json()['id']}/stop")


@pytest.mark.parametrize("path, words", [("/plan", "are needed"), ("/first", "is usual")])
def test_a_slip_says_what_it_needs(bench, path, words):
    assert words in bench.get(path, headers=_READ).text


def test_the_usual_lengths_are_those_of_the_kind():
    from pliant.records.starters import MACHINES, starter
    from pliant.workflows.shelf import usual_lengths

    for kind in MACHINES:
        gap, guide = (float(said.removesuffix(" mm")) for said in usual_lengths(kind))
        assert f"length_mm = {gap:g}" in starter("machine", kind).replace(".0 ", " ").replace(".0\n", "\n")
        assert (guide > 100) == kind.startswith("tube")


def test_a_question_of_the_reader_is_answered_on_the_page_and_kept(bench):
    program = feet_program(layers=1).replace("M83\n", "M83\nG90\n")
    answer = bench.first(program, name="asks.gcode", machine_name="Asks", spool_name="Asks")
    found = bench.done(answer).json()
    assert found["dialect_questions"]
    place = answer.json()["location"]
    assert "Which does your controller do?" in bench.get(place, headers=_READ).text
    assert bench.post(f"{place}/answer", {"dialect": "any"}).status_code == 422
    again = bench.post(f"{place}/answer", {"dialect": "e-on-its-own"})
    bench.done(again)
    kept = bench.get(f"/book/record/{again.json()['about']['machine_uid']}").json()["record"]["fields"]
    assert kept["version"] == 2 and 'dialect = "e-on-its-own"' in kept["text"]
    assert "Which does your controller do?" not in bench.get(again.json()["location"], headers=_READ).text


@pytest.mark.parametrize(
    "text",
    [
        'name = "A"\n',
        'name = "A"\n[program]\n',
        'name = "A"\nprogram.dialect = "auto"\n',
        "[program]\ndialect = 'auto'",
    ],
)
def test_roundtrip_what_a_controller_does_is_set_in_any_record(text):
    import tomllib

    from pliant.workflows.shelf import with_dialect

    was, now = tomllib.loads(text), tomllib.loads(with_dialect(text, "many-per-line"))
    assert now.pop("program")["dialect"] == "many-per-line"
    was.pop("program", None)
    assert now == was


def test_the_words_are_those_of_the_docs_without_keys_and_commands(bench):
    from pathlib import Path

    import pliant
    from pliant.bench.glossary import glossary

    docs = Path(__file__).parents[2] / "docs" / "glossary.md"
    assert (Path(pliant.__file__).parent / "bench" / "glossary.md").read_text("utf-8") == docs.read_text("utf-8")
    words = bench.get("/words").json()["words"]
    assert words["push"] == "Axial force in the filament. [N]" and len(words) > 40
    assert sum(len(entries) for _, entries in glossary()) == len(words)
    assert not [w for w, said in words.items() if not said or "`" in said or "_" in said or "pliant plan" in said]


def test_the_book_is_searched_exported_and_takes_records_in(bench):
    bench.done(bench.first(machine_name="Findable", spool_name="Findable soft"))
    bench.post("/book/outcome", {"outcome": "jammed", "note": "near the inlet"})
    hits = bench.get("/book", params={"q": "findable inlet"}).json()["entries"]
    assert [(e["kind"], "near the inlet" in e["detail"]) for e in hits] == [("print", True)]
    assert bench.get("/book", params={"q": "no such words"}).json()["entries"] == []
    lines = bench.get("/book/export").text.splitlines()
    assert len(lines) > 4 and any("Findable soft" in line for line in lines)
    from pliant.records.starters import starter

    for kind, text in (("machine", starter("machine", "guided")), ("filament", starter("filament"))):
        made = bench.post("/book/text", {"kind": ""}, {"file": (f"{kind}.toml", text)})
        assert made.status_code == 201 and made.json()["kind"] == kind, made.text


def test_a_file_of_another_kind_is_led_to_its_place(bench):
    from workshop_parts import part_files

    mesh = dict(part_files())["gasket.stl"]
    sent = bench.post("/check", {}, {"program": ("gasket.stl", mesh)})
    assert bench.done(sent).status_code == 422
    page = bench.get(sent.json()["location"], headers=_READ).text
    import re

    (where,) = re.findall(r'href="(/part\?upload=[0-9a-f]{24})"', page)
    assert "gasket.stl" in bench.get(where, headers=_READ).text
    looked = bench.post("/part", {"upload": where.rsplit("=", 1)[1]})
    assert bench.done(looked).json()["name"] == "gasket"


def test_the_list_of_checks_tells_their_verdicts(bench):
    bench.done(bench.first(name="listed.gcode", machine_name="Listed", spool_name="Listed"))
    page = bench.get("/check", headers=_READ).text
    line = next(li for li in page.split("<li>") if "listed.gcode" in li)
    assert "<b>jams</b>, " in line or "<b>marginal</b>, " in line or "<b>feeds</b>, " in line
