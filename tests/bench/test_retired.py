"""Who printed, and what is retired: kept, neither offered nor counted, and taken back."""

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
