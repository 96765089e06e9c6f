"""A bench in this process, with real worker processes beside it; the book and the work folder are thrown away."""

import time
import warnings

from pliant.bench.app import make_app
from pliant.workflows.workshop import feet_program

with warnings.catch_warnings():  # it asks for a newer client than the lock holds; this one serves
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

PORT = 8137
ORIGIN = f"http://127.0.0.1:{PORT}"
JSON = {"accept": "application/json"}


class Visitor:
    """A browser without a screen: keeps the cookie, sends the token and the origin."""

    def __init__(self, client):
        self.client, self.origin = client, str(client.base_url).rstrip("/")
        self.token = self.get("/first").json()["token"]

    def get(self, path, **more):
        return self.client.get(path, headers=JSON | more.pop("headers", {}), **more)

    def post(self, path, fields=None, files=None, headers=None):
        data = {"token": self.token} | (fields or {})
        if files is None:
            return self.client.post(path, data=data, headers=JSON | {"origin": self.origin} | (headers or {}))
        parts = [(k, (None, str(v))) for k, v in data.items()] + [(k, f) for k, f in files.items()]
        return self.client.post(path, files=parts, headers=JSON | {"origin": self.origin} | (headers or {}))

    def first(self, program=None, name="feet.gcode", **fields):
        """Go through the first visit; the answer is the one to the form."""
        slip = {"kind": "open-gap", "gap_mm": "6", "guide_mm": "25", "nozzle_mm": "0.4", "hardness": "85A"}
        slip |= {"same_machine": "version", "same_filament": "version"}  # a name that is known gets another version
        text = feet_program(layers=2) if program is None else program
        return self.post("/first", slip | fields, {"program": (name, text)})

    def done(self, answer, patience_s=240.0):
        """Wait for the work that an answer began."""
        assert answer.status_code == 202, answer.text
        place = answer.json()["location"]
        until = time.monotonic() + patience_s
        while time.monotonic() < until:
            answer = self.get(place)
            if answer.status_code != 202:
                return answer
            time.sleep(0.1)
        raise AssertionError(f"{place} is not done after {patience_s} s: {answer.text}")


def opened(folder, processes=1, **more):
    """A bench; with no processes it starts at once, and what is begun waits."""
    app = make_app(port=PORT, book=str(folder / "book.sqlite"), work=folder / "work", processes=processes, **more)
    return TestClient(app, base_url=ORIGIN, follow_redirects=False)
