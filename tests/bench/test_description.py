"""What the description of the bench promises, held against the bench itself by schemathesis.

It makes requests from `/openapi.json`, some right and some wrong, and holds every answer against what stands there:
the status, the kind of content, the keys, and the one shape of an error.
"""

import json
import queue
import time
from collections import Counter
from contextlib import contextmanager

import pytest
import requests
import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from hypothesis.errors import Unsatisfiable
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from bench_visitor import JSON, ORIGIN, Visitor, opened
from pliant.bench.routes import TABLE
from pliant.workflows.workshop import feet_program

CHECKS = [not_a_server_error, status_code_conformance, content_type_conformance, response_schema_conformance]
EXAMPLES = 4  # of each address, right ones and wrong ones each


class _Held(queue.Queue):
    """A line that nobody serves: what is begun here waits, so that the run takes no longer than its requests."""

    def get(self, block=True, timeout=None):
        time.sleep(timeout or 0)
        raise queue.Empty


@pytest.fixture(scope="module")
def described(tmp_path_factory):
    """A bench with something of each kind on it, and its description, which names them."""
    with opened(tmp_path_factory.mktemp("described")) as client:
        client._transport.raise_server_exceptions = False  # a fault shall answer, as it does in earnest
        visitor = Visitor(client)
        begun = {
            "check": visitor.first(feet_program(layers=2)),
            "plan": visitor.post("/plan", {"nozzle_c": "205", "layer_height_mm": "0.2", "behind_outside": "50"}),
            "coupon": visitor.post("/coupon", {"kind": "ladder"}),
            "part": visitor.post("/part", {}, {"mesh": ("torn.stl", b"solid nothing")}),
        }
        there = {f"/{kind}/{{uid}}": answer.json()["id"] for kind, answer in begun.items()}
        found = {kind: visitor.done(answer) for kind, answer in begun.items()}
        assert [a.status_code for a in found.values()] == [200, 200, 200, 422]
        there |= {"/readings/{uid}": found["coupon"].json()["kept"], "/work/{uid}": there["/check/{uid}"]}
        there["/book/record/{uid}"] = visitor.get("/check").json()["machines"][0]["uid"]
        told = visitor.get("/openapi.json").json()
        for path, ways in told["paths"].items():
            near = next((uid for start, uid in there.items() if path.startswith(start)), None)
            for one in [p for way in ways.values() for p in way["parameters"] if near and p["name"] == "uid"]:
                one["schema"] = {"type": "string", "enum": [near, "0" * len(near)]}
        kept = visitor.get("/check").json()
        known = {"machine": kept["machines"][0]["uid"], "filament": kept["filaments"][0]["uid"]}
        for name, schema in _inputs(told):
            if name in known:
                schema |= {"enum": [known[name], ""]}
        client.app.app.state.desk.lines._lines["long"] = _Held()
        yield visitor, told


def _inputs(told):
    """Every field of every form and every query of the description, with its schema."""
    for path, ways in told["paths"].items():
        for way in ways.values():
            if path != "/book/history":  # which takes a name
                yield from ((p["name"], p["schema"]) for p in way["parameters"])
            for form in way.get("requestBody", {"content": {}})["content"].values():
                yield from form["schema"]["properties"].items()


def _faults(visitor, told, only=None, examples=EXAMPLES):
    """Ask every address, and tell what it answered against its own description; and which statuses came."""
    desk = visitor.client.app.app.state.desk
    schema = schemathesis.openapi.from_dict(told)
    faults, statuses = {}, {}

    @seed(8)
    @settings(
        max_examples=examples, deadline=None, database=None, phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(data=st.data())
    def ask(strategy, label, data):
        case = data.draw(strategy)
        answer = _sent(visitor, case)
        statuses[label][answer.status_code] += 1
        try:
            case.validate_response(answer, checks=CHECKS)
            if answer.status_code >= 400:
                assert list(answer.json()) == ["error"] and answer.json()["error"].strip(), answer.text
        except (AssertionError, BaseExceptionGroup) as error:
            each = error.exceptions if isinstance(error, BaseExceptionGroup) else [error]
            faults.setdefault(label, []).extend(f"{type(e).__name__}: {e} | {answer.text[:300]}" for e in each)

    for operation in (made.ok() for made in schema.get_all_operations()):
        if only is not None and operation.label not in only:
            continue
        statuses[operation.label] = Counter()
        for mode in (GenerationMode.POSITIVE, GenerationMode.NEGATIVE):
            with _nothing_to_make_wrong(mode):
                ask(strategy=operation.as_strategy(generation_mode=mode), label=operation.label)
        for job in desk.lines.works.values():
            if not job.ended:
                desk.lines.stop(job)
    return faults, statuses


@contextmanager
def _nothing_to_make_wrong(mode):
    """An address without inputs has no wrong ones."""
    try:
        yield
    except Unsatisfiable:
        assert mode is GenerationMode.NEGATIVE


def _sent(visitor, case):
    made = requests.Request(**case.as_transport_kwargs(ORIGIN)).prepare()
    headers = {k: v for k, v in made.headers.items() if k.lower() not in ("accept", "cookie", "user-agent", "host")}
    headers |= JSON | {"origin": ORIGIN, "x-bench-token": visitor.token}
    return visitor.client.request(made.method, made.url, content=made.body, headers=headers)


def test_every_answer_is_as_described(described):
    visitor, told = described
    faults, statuses = _faults(visitor, told)
    assert faults == {}, "\n".join(f"{label}: {told}" for label, all_ in faults.items() for told in all_)
    assert set(statuses) == {f"{way.method} {way.path}" for way in TABLE}
    good = [label for label, came in statuses.items() if any(status < 400 for status in came)]
    assert len(good) > len(statuses) / 2, statuses  # it is not all refusals


def test_the_run_finds_seeded_faults(described, monkeypatch):
    """Each kind of fault, planted in the answers on their way out, is found."""
    visitor, told = described
    real = visitor.client.request

    def faulty(method, url, **more):
        answer = real(method, url, **more)
        if "/book/compare" in url:
            answer.status_code, answer._content = 500, b'{"error": "oh"}'
        elif "/book/history" in url:
            answer.status_code = 418
        elif "/dry" in url:
            answer._content = json.dumps({"detail": "no"}).encode()
        elif "/feel" in url:
            answer.headers["content-type"] = "text/plain"
        elif "/first" in url:
            answer._content = b"{}"
        return answer

    monkeypatch.setattr(visitor.client, "request", faulty)
    planted = {
        "GET /book/compare": "ServerError", "GET /book/history": "UndefinedStatusCode", "GET /dry": "JsonSchemaError",
        "GET /feel": "UndefinedContentType", "GET /first": "JsonSchemaError",
    }  # fmt: skip
    faults, _ = _faults(visitor, told, only=(*planted, "GET /check"), examples=3)
    assert set(faults) == set(planted)
    for label, kind in planted.items():
        assert any(fault.startswith(kind) for fault in faults[label]), faults[label]
