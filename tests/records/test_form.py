"""A record as a form: what is not touched stays, byte by byte, and what is typed is what its reader then reads."""

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pliant.errors import RecordError
from pliant.files import Text
from pliant.records.filament import read_filament
from pliant.records.form import edited, lines_of
from pliant.records.machine import read_machine
from pliant.records.quantity import LIMITS
from pliant.records.starters import MACHINES, SPOOLS, starter

ALL = [("machine", like) for like in MACHINES] + [("filament", like) for like in SPOOLS]


@pytest.mark.parametrize(("kind", "like"), ALL)
def test_roundtrip_a_form_sent_back_as_it_came_changes_no_byte(kind, like):
    text = starter(kind, like)
    assert edited(kind, text, {line.name: line.said for line in lines_of(kind, text)}) == text


@given(
    which=st.integers(0, 18), low=st.floats(0.001, 1.0), more=st.floats(1.01, 3.0), comma=st.booleans(),
    between=st.sampled_from([" to ", "-", "–", None]),
)  # fmt: skip
def test_roundtrip_what_is_typed_is_what_the_reader_reads(which, low, more, comma, between):
    text = starter("machine", "open-gap")
    line = lines_of("machine", text)[which]
    least, most = LIMITS[str(line.place[-1])]
    low = round(least + low * (most - least) / 4, 3)
    high = min(round(low * more + 0.001, 3), most)
    words = f"{low:.3f}" if between is None else f"{low:.3f}{between}{high:.3f}"
    try:
        new = edited("machine", text, {line.name: words.replace(".", ",") if comma else words})
    except RecordError as error:  # a nozzle wider than its bore
        assert "must be smaller than" in str(error)
        return
    before, after = (dict(_leaves(tomllib.loads(t))) for t in (text, new))
    assert {k for k in before | after if before.get(k) != after.get(k)} <= {line.place}
    assert after[line.place] == pytest.approx(low if between is None else [low, high])
    read_machine(Text("new", new))
    kept = [row for row in text.splitlines() if "#" in row and str(line.place[-1]) not in row]
    assert set(kept) <= set(new.splitlines())  # comments stay


def _leaves(value, path=()):
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _leaves(inner, (*path, key))
    elif isinstance(value, list) and value and isinstance(value[0], dict):
        for i, inner in enumerate(value):
            yield from _leaves(inner, (*path, i))
    else:
        yield path, value


@pytest.mark.parametrize(
    ("name", "words", "said"),
    [
        ("nozzle_mm", "wide", "the nozzle: write a number, or a range such as 5 to 7, got 'wide'"),
        ("nozzle_mm", "-1", "write a number"),
        ("nozzle_mm", "0", "lies between 0.05 and 5 mm, got '0'"),
        ("nozzle_mm", "1e999", "lies between"),
        ("nozzle_mm", "0.6 to 0.4", "from the smaller to the larger"),
        ("nozzle_mm", "3", "must be smaller than hot_end.bore_mm"),
        ("path0.length_mm", "", "length_mm is missing"),
        ("__class__", "1", "the form has no such number"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line(name, words, said):
    with pytest.raises(RecordError) as caught:
        edited("machine", starter("machine", "open-gap"), {name: words}, lambda key: f"the {key.split('_')[0]}")
    assert said in str(caught.value) and "\n" not in str(caught.value)


def test_limit_an_emptied_line_is_taken_as_usual_and_a_missing_table_is_made():
    text = starter("machine", "open-gap")
    bare = edited("machine", text, {"pinch_force_n": "", "spool_pull_n": ""})
    assert read_machine(Text("bare", bare)).pinch_force_n.assumed
    assert [line.usual for line in lines_of("machine", bare) if line.name == "pinch_force_n"] == ["15 to 40"]
    small = 'name = "S"\n[[path]]\nkind = "gap"\nlength_mm = 6\n'
    assert read_machine(Text("s", edited("machine", small, {"grip_n": "15"}))).grip_n.value == 15
    spool = 'name = "S"\nshore = 85\nnozzle_c = [210, 230]\n'
    new = read_filament(Text("s", edited("filament", spool, {"soften_c": "140 to 150", "nozzle_c": "215 to 225"})))
    assert new.nozzle_c == (215, 225) and 140 < new.soften_c.value < 150
