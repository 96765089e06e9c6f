"""Who printed; what is retired: kept, neither offered nor counted, taken back; the numbers of a record as a form."""

from bench_visitor import Visitor, opened

_READ = {"accept": "text/html"}


def test_roundtrip_a_mistake_and_a_spool_that_is_gone(tmp_path):
    with opened(tmp_path, 0) as client:
        visitor = Visitor(client)
        visitor.first(machine_name="Bench 2", spool_name="Harbour 85A")
        made = visitor.post("/book/outcome", {"outcome": "jammed", "printed_by": " Ada <b> ", "note": "typed twice"})
        assert made.status_code == 201
        uid = made.json()["uid"]
        assert [e["detail"] for e in visitor.get("/book?q=ada").json()["entries"]] == ["jammed by Ada <b>: typed twice"]
        page = visitor.get("/book", headers=_READ).text
        assert '<option value="Ada &lt;b&gt;">' in page and "retired" not in page
        assert "Retire it" in visitor.get(f"/book/record/{uid}", headers=_READ).text
        assert visitor.post(f"/book/retire/{uid}", {"note": "a mistake"}).status_code == 201
        assert not [e for e in visitor.get("/book").json()["entries"] if e["kind"] == "print"]
        assert "1 retired" in visitor.get("/book", headers=_READ).text
        assert uid in visitor.get("/book?retired=shown", headers=_READ).text
        shown = visitor.get(f"/book/record/{uid}", headers=_READ).text
        assert "neither offered nor counted" in shown and "Take it back" in shown
        assert visitor.post(f"/book/retire/{uid}", {"undo": "yes"}).status_code == 201
        assert [e["uid"] for e in visitor.get("/book").json()["entries"] if e["kind"] == "print"] == [uid]

        spool = visitor.get("/check").json()["filaments"][0]["uid"]
        visitor.post(f"/book/retire/{spool}")
        assert visitor.get("/check").json()["filaments"] == []
        page = visitor.get(f"/book/record/{spool}", headers=_READ).text
        assert "Take it back" in page
        visitor.post(f"/book/retire/{spool}", {"undo": "yes"})
        assert [f["uid"] for f in visitor.get("/check").json()["filaments"]] == [spool]
        assert visitor.post(f"/book/retire/{'0' * 16}").status_code == 404
        program = visitor.get("/book?kind=finding").json()["entries"]
        assert program == []


def test_roundtrip_the_numbers_of_a_record_are_a_form(tmp_path):
    with opened(tmp_path, 0) as client:
        visitor = Visitor(client)
        visitor.first(machine_name="Bench 2", spool_name="Harbour 85A")
        uid = visitor.get("/check").json()["machines"][0]["uid"]
        page = visitor.get(f"/book/record/{uid}", headers=_READ).text
        assert "How long the gap is" in page and "How wide the guide is inside" in page
        assert 'name="v.nozzle_mm" value="0.4"' in page
        same = visitor.post(f"/book/form/{uid}", {"v.nozzle_mm": "0.4"})
        assert same.status_code == 422 and "nothing was changed" in same.json()["error"]
        wrong = visitor.post(f"/book/form/{uid}", {"v.path0.length_mm": "long"})
        assert wrong.status_code == 422 and wrong.json()["error"].startswith("how long the gap is: write a number")
        made = visitor.post(f"/book/form/{uid}", {"v.path0.length_mm": "5,5 to 6,5", "v.nozzle_mm": "0.4"})
        assert made.status_code == 201 and made.json()["version"] == 2
        text = visitor.get(f"/book/record/{made.json()['uid']}").json()["record"]["fields"]["text"]
        assert "length_mm = [5.5, 6.5]" in text and "# " in text
        late = visitor.post(f"/book/form/{uid}", {"v.path0.length_mm": "7"})
        assert late.status_code == 409 and "was changed meanwhile" in late.json()["error"]
