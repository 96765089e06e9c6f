"""Every address of the description, asked nonsense: always an answer in words, never a fault."""

import re

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bench_visitor import JSON, ORIGIN
from pliant.bench.routes import TABLE

_WORDS = st.one_of(
    st.text(max_size=30),
    st.sampled_from(
        ["", "0", "-1", "1e308", "nan", "inf", "1_000", "0x10", "٣", "../..", "%00", "ladder", "pad", "85A"]
    ),
    st.integers().map(str),
    st.floats().map(str),
)
# work is begun elsewhere; here it would only fill the line
_WAYS = [way for way in TABLE if not (way.method == "POST" and way.good == 202)]


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_nonsense_is_answered_in_words(bench, data):
    way = data.draw(st.sampled_from(_WAYS))
    path = re.sub(r"{\w+}", lambda _: data.draw(st.text("0123456789abcdef.", min_size=1, max_size=24)), way.path)
    fields = {name: data.draw(_WORDS) for name in way.fields if data.draw(st.booleans())}
    if way.method == "GET":
        answer = bench.client.get(path, params=fields, headers=JSON)
    else:
        answer = bench.client.post(path, data={"token": bench.token} | fields, headers=JSON | {"origin": ORIGIN})
    assert answer.status_code < 500, (path, fields, answer.text)
    if answer.status_code >= 400:
        assert list(answer.json()) == ["error"] and answer.json()["error"]


def test_nonsense_on_a_form_that_begins_work_begins_none(bench):
    desk = bench.client.app.app.state.desk
    before = set(desk.lines.works)
    for way in TABLE:
        if way.method == "POST" and way.good == 202 and (way.fields or way.file):
            path = way.path.replace("{uid}", "0" * 16)
            answer = bench.post(path, dict.fromkeys(way.fields, "\x00nonsense<"))
            assert 400 <= answer.status_code < 500, (path, answer.text)
            assert list(answer.json()) == ["error"]
    assert set(desk.lines.works) == before
