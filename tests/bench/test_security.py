"""Strangers, other pages, hostile names and too much of everything."""

import json
import re

import httpx
import pytest

from bench_visitor import JSON, ORIGIN
from pliant.bench.store import Store, plain_name
from pliant.workflows.workshop import feet_program

TINY = "G28\nG1 Z0.2 F600\nM83\nM109 S220\nG1 X10 F1200\nG1 X60 E1.7\n"
MARKUP = "<img src=x onerror=alert(1)>\"'&lt;script>"


def _kept(work):
    return [p for p in work.rglob("*") if p.is_file() and p.name != "lock"]


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1", "127.0.0.1:1", "localhost.evil.example:8137", ""])
def test_other_hosts_are_refused(bench, host):
    answer = bench.client.get("/", headers={"host": host})
    assert answer.status_code == 421
    assert "own address only" in answer.json()["error"]


def test_localhost_is_the_same_bench(bench):
    assert bench.client.get("/", headers={"host": "localhost:8137"}).status_code == 200


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "https://127.0.0.1:8137", "http://127.0.0.1:8138"])
def test_forms_of_other_pages_are_refused(bench, origin):
    answer = bench.client.post("/check", data={"token": bench.token}, headers=JSON | {"origin": origin})
    assert answer.status_code == 403
    assert "not sent by a page of the bench" in answer.json()["error"]


def test_a_form_without_origin_is_refused(bench):
    assert bench.client.post("/check", data={"token": bench.token}, headers=JSON).status_code == 403
    cross = {"origin": ORIGIN, "sec-fetch-site": "cross-site"}
    assert bench.client.post("/check", data={"token": bench.token}, headers=JSON | cross).status_code == 403


@pytest.mark.parametrize("token", ["", "0" * 64, "é" * 9])
def test_a_form_without_our_token_is_refused(bench, token):
    for files in (None, {"program": ("a.gcode", "G28\n")}):
        answer = bench.post("/check", {"token": token}, files)
        assert answer.status_code == 403
        assert "load it again" in answer.json()["error"]


def test_a_token_belongs_to_one_browser(bench):
    own = httpx.Cookies(bench.client.cookies)
    try:
        bench.client.cookies.clear()
        assert bench.get("/first").json()["token"] != bench.token  # comes with a cookie of its own
        assert bench.post("/check").status_code == 403  # the old token with the new cookie
    finally:
        bench.client.cookies = own
    assert bench.get("/first").json()["token"] == bench.token


def test_a_file_before_the_token_is_not_written(small):
    visitor, work = small
    parts = [("program", ("a.gcode", "G28\n" * 1000)), ("token", (None, visitor.token))]
    answer = visitor.client.post("/check", files=parts, headers=JSON | {"origin": ORIGIN})
    assert answer.status_code == 403
    assert _kept(work) == []


def test_every_answer_is_marked(bench):
    for path in ("/", "/first", "/nowhere", "/static/bench.css", "/openapi.json"):
        head = bench.client.get(path).headers
        assert head["content-security-policy"] == (
            "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' data:; connect-src 'self'; "
            "form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
        )
        assert head["x-content-type-options"] == "nosniff"
        assert "server" not in head
    own = httpx.Cookies(bench.client.cookies)
    cookie = bench.client.get("/", headers={"cookie": "pliant_bench_8137=x"}).headers["set-cookie"]
    bench.client.cookies = own
    assert "HttpOnly" in cookie and "SameSite=Strict" in cookie


def test_pages_hold_no_inline_script_or_style(bench):
    bench.done(bench.first())
    for path in ("/", "/first", "/check", "/mend", "/plan", "/part", "/feel", "/dry", "/book", "/nowhere"):
        page = bench.client.get(path).text
        assert "<html" in page
        page = re.sub(r">[^<]*<", "><", page)  # names in the text are words, whatever they say
        assert re.search(r"<style|\sstyle=|\son\w+=|<script(?![^>]*\ssrc=)", page) is None, path
        for address in re.findall(r'(?:src|href|action)="([^"#]*)"', page):
            assert address.startswith("/"), (path, address)


def test_a_program_whose_names_and_comments_are_markup_stays_text(bench):
    program = feet_program(layers=2).replace("; invented", f"; {MARKUP} invented") + f"M117 {MARKUP}\n"
    fields = {"machine_name": MARKUP, "spool_name": MARKUP}
    answer = bench.first(program, name=f"{MARKUP}.gcode", **fields)
    found = bench.done(answer)
    assert found.status_code == 200
    page = bench.client.get(answer.json()["location"]).text
    assert "&lt;img src=x onerror=alert(1)&gt;" in page
    for path in (answer.json()["location"], "/check", "/book", "/mend", "/first"):
        text = bench.client.get(path).text
        assert "<img" not in text and "onerror=alert(1)>" not in text
        assert re.search(r"<script(?![^>]*(\ssrc=|application/json))", text) is None
    bench.first(name="plain.gcode", machine_name="Bench 2", spool_name="Soft")


@pytest.mark.parametrize(
    ("name", "plain"),
    [
        ("../../etc/passwd", "passwd"),
        ("..\\..\\boot.ini", "boot.ini"),
        ("..", "file"),
        ("", "file"),
        ("/abs/.hidden", "hidden"),
        ("a\x00b\n<c>.gcode", "a_b__c_.gcode"),
        ("é" * 300 + ".gcode", "é" * 74 + ".gcode"),
    ],
)
def test_names_from_outside_are_one_plain_leaf(name, plain):
    assert plain_name(name) == plain


def test_a_name_never_leaves_the_work_folder(small):
    visitor, work = small
    answer = visitor.first(TINY, name="../../../../../../tmp/pliant-escaped.gcode")
    assert answer.status_code == 202
    assert [p.name for p in _kept(work) if "uploads" in p.parts] == ["pliant-escaped.gcode"]
    for path in ("/static/..%2f..%2fapp.py", "/static/%2e%2e/app.py", "/check/..%2f..%2flock", "/work/../lock"):
        assert visitor.get(path).status_code == 404


def test_caps_on_what_is_sent_in(small):
    visitor, work = small
    big = visitor.first("G1 X1\n" * 60_000)
    assert big.status_code == 413 and "larger than" in big.json()["error"]
    assert visitor.first(note="x" * 30_000).status_code == 413
    assert visitor.first(**{f"f{k}": "x" for k in range(40)}).status_code == 413
    assert visitor.post("/check", {"note": "x" * 30_000}).status_code == 413
    assert visitor.post("/book/outcome", {"outcome": "ok"}, {"file": ("a", "b")}).status_code == 413
    lying = {"content-length": "99999999999", "content-type": "multipart/form-data; boundary=x"}
    assert visitor.client.post("/check", content=b"", headers=JSON | {"origin": ORIGIN} | lying).status_code == 413
    assert [p for p in _kept(work) if "uploads" in p.parts] == []


def test_broken_forms_are_refused_in_words(small):
    visitor, work = small
    head = JSON | {"origin": ORIGIN, "content-type": "multipart/form-data; boundary=x", "x-bench-token": visitor.token}
    part = b'--x\r\nContent-Disposition: form-data; name="program"; filename="a.gcode"\r\n\r\nG28\r\n'
    for body, status in (
        (part, 400),  # no end
        (b"rubbish", 400),
        (b"--x\r\nContent-Disposition: form-data\r\n\r\nx\r\n--x--\r\n", 400),
        (b"--x\r\nX: " + b"y" * 9000 + b"\r\n\r\nx\r\n--x--\r\n", 400),
        (part + part.replace(b"G28", b"G29") + b"--x--\r\n", 400),
        (part.replace(b"G28\r\n", b"\r\n") + b"--x--\r\n", 422),
    ):
        answer = visitor.client.post("/check", content=body, headers=head)
        assert (answer.status_code, list(answer.json())) == (status, ["error"]), body[:60]
    for kind in ("application/json", "text/plain", ""):
        answer = visitor.client.post("/check", content=b"{}", headers=head | {"content-type": kind})
        assert answer.status_code == 415
    assert [p for p in _kept(work) if "uploads" in p.parts] == []


def test_a_zip_bomb_is_refused(bench, tmp_path):
    import zipfile

    bomb = tmp_path / "bomb.3mf"
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as out:
        out.writestr("3D/3dmodel.model", b"<a>" + b" " * 500_000_000)
    bench.done(bench.first())
    answer = bench.done(bench.post("/part", {}, {"mesh": ("bomb.3mf", bomb.read_bytes())}))
    assert answer.status_code == 422
    assert "bomb.3mf" in answer.json()["error"] and "/work/" not in answer.json()["error"]


def test_errors_have_one_shape_and_no_traceback(bench):
    for method, path, status in (
        ("get", "/nowhere", 404),
        ("get", "/check/" + "0" * 24, 404),
        ("get", "/book/record/zz", 404),
        ("get", "/book/record/" + "0" * 16, 404),
        ("get", "/book?kind=nonsense", 422),
        ("get", "/book?limit=-1", 422),
        ("get", "/feel?piece=cube", 422),
        ("get", "/feel?piece=pad&size_1=1e9&size_2=1&size_3=1&deflection_mm=1", 422),
        ("get", "/dry?filament=nobody", 422),
        ("get", "/work/nothing/rules.css", 404),
        ("post", "/check", 403),
        ("put", "/check", 405),
        ("delete", "/book", 405),
    ):
        answer = getattr(bench.client, method)(path, headers=JSON)
        assert answer.status_code == status, path
        assert answer.headers["content-type"] == "application/json"
        assert list(answer.json()) == ["error"]
        assert "Traceback" not in answer.text
        if method == "get":
            page = bench.client.get(path)
            assert page.status_code == status and "That did not work." in page.text


def test_a_fault_of_ours_is_told_without_its_inside(tmp_path, monkeypatch):

    from bench_visitor import PORT, TestClient
    from pliant.bench import routes_ask
    from pliant.bench.app import make_app

    def broken(kind):
        raise ZeroDivisionError("secret inside")

    monkeypatch.setattr(routes_ask, "starter", broken)
    app = make_app(port=PORT, book=str(tmp_path / "b.sqlite"), work=tmp_path / "w", processes=1)
    with TestClient(app, base_url=ORIGIN, raise_server_exceptions=False) as client:
        answer = client.get("/plan", headers=JSON)
        assert answer.status_code == 500
        assert "internal fault (ZeroDivisionError)" in answer.json()["error"]
        assert "secret" not in answer.text
        assert client.get("/first", headers=JSON).status_code == 200


def test_what_a_killed_run_left_behind_goes(tmp_path):
    left = tmp_path / "run-killed"
    (left / "uploads" / "0" / ".part").parent.mkdir(parents=True)
    (left / "uploads" / "0" / ".part").write_text("half")
    (left / "lock").write_text("")
    living = Store(tmp_path)
    assert not left.exists()
    second = Store(tmp_path)
    assert living.folder.exists() and second.folder.exists()  # a living run keeps its folder
    living.close()
    second.close()
    assert list(tmp_path.iterdir()) == []


def test_the_description_names_every_address(bench):
    told = bench.get("/openapi.json").json()
    from pliant.bench.routes import TABLE

    assert {(p, m.upper()) for p, ways in told["paths"].items() for m in ways} == {(w.path, w.method) for w in TABLE}
    names = [op["operationId"] for ways in told["paths"].values() for op in ways.values()]
    assert len(set(names)) == len(names)
    assert json.loads(json.dumps(told)) == told
