"""An invented job to look at: said to be invented, not in the way of what is one's own, and gone with it."""

from bench_visitor import Visitor, opened

_READ = {"accept": "text/html"}


def test_roundtrip_the_example_gives_way_to_what_is_ones_own(tmp_path):
    with opened(tmp_path) as client:
        visitor = Visitor(client)
        assert "Look at an example first" in visitor.get("/", headers=_READ).text
        begun = visitor.post("/example")
        found = visitor.done(begun)
        assert found.status_code == 200 and found.json()["verdict"] in ("feeds", "marginal", "jams")
        page = visitor.get(begun.json()["location"], headers=_READ).text
        assert "All of this is invented" in page and "Begin with your machine" in page
        # the way in is still the first visit, and what it leads on to takes the invented pair
        assert "Look at an example first" in visitor.get("/", headers=_READ).text
        names = {m["name"] for m in visitor.get("/check").json()["machines"]}
        assert names == {"Example machine (invented)"}
        visitor.post("/first", {"kind": "open-gap", "hardness": "85A", "program_later": "yes"})
        assert [m["name"] for m in visitor.get("/check").json()["machines"]] == ["My machine"]
        assert "retired" in visitor.get("/book", headers=_READ).text
