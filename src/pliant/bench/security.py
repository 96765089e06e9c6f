"""Who may speak to the bench, and what a page may load.

The bench answers on loopback only, to its own name, and takes a change only from its own pages: the `Host` line keeps
out a name that was pointed at this computer, `Origin` and the token keep out other pages in the same browser, and the
content policy lets a page load nothing but what the bench itself serves.
"""

import hashlib
import hmac
import json
import secrets
from http.cookies import CookieError, SimpleCookie
from typing import Any

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["Guard", "Keeper"]

_POLICY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
_HEADERS = {
    "content-security-policy": _POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",  # `no-referrer` would turn the Origin of our own forms into `null`
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "x-frame-options": "DENY",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
}
_SAFE = ("GET", "HEAD")


class Keeper:
    """Makes and checks the token that every form carries; it is bound to the browser's cookie and to this run."""

    def __init__(self, port: int):
        # cookies are shared between the ports of a host, so the name carries ours and the secret never leaves
        self.cookie_name = f"pliant_bench_{port}"
        self._secret = secrets.token_bytes(32)

    def token(self, session: str) -> str:
        """Token of a browser's session."""
        return hmac.new(self._secret, session.encode(), hashlib.sha256).hexdigest()

    def holds(self, session: str, token: str) -> bool:
        """Whether the token belongs to the session."""
        given = token.encode("utf-8", "replace")
        return bool(session) and hmac.compare_digest(self.token(session).encode(), given)


class Guard:
    """The outermost layer: refuses strangers, gives each browser a session, and marks every answer."""

    def __init__(self, app: ASGIApp, keeper: Keeper, hosts: frozenset[str]):
        self.app, self.keeper, self.hosts = app, keeper, hosts
        self.origins = frozenset(f"http://{host}" for host in hosts)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or refuse it."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return  # the bench speaks nothing else
        headers = Headers(scope=scope)
        session = self._session(headers)
        fresh = not session
        session = session or secrets.token_urlsafe(24)
        scope["bench_session"] = session
        scope["bench_token"] = self.keeper.token(session)

        async def marked(message: Message) -> None:
            if message["type"] == "http.response.start":
                out = MutableHeaders(raw=message.setdefault("headers", []))
                for name, value in _HEADERS.items():
                    out[name] = value
                if "cache-control" not in out:
                    out["cache-control"] = "no-cache, private"
                if fresh:
                    cookie = f"{self.keeper.cookie_name}={session}; Path=/; HttpOnly; SameSite=Strict"
                    out.append("set-cookie", cookie)
            await send(message)

        refusal = self._refusal(scope["method"], headers)
        if refusal:
            await _refuse(marked, *refusal)
            return
        await self.app(scope, receive, marked)

    def _refusal(self, method: str, headers: Headers) -> tuple[int, str] | None:
        hosts = headers.getlist("host")
        if len(hosts) != 1 or hosts[0].lower() not in self.hosts:
            said = sorted(self.hosts)[0]
            return 421, f"the bench answers to its own address only; open http://{said}/"
        if method in _SAFE:
            return None
        if method != "POST":
            return 405, f"{method[:20]} is not used here; pages are read with GET and forms sent with POST"
        if headers.get("origin") not in self.origins:
            return 403, "this form was not sent by a page of the bench; open the bench and use its own form"
        if headers.get("sec-fetch-site", "same-origin") != "same-origin":
            return 403, "this form was not sent by a page of the bench; open the bench and use its own form"
        return None

    def _session(self, headers: Headers) -> str:
        try:
            cookie = SimpleCookie(headers.get("cookie", ""))
        except CookieError:
            return ""
        held = cookie.get(self.keeper.cookie_name)
        value = held.value if held is not None else ""
        return value if 20 <= len(value) <= 64 and value.isascii() else ""


async def _refuse(send: Any, status: int, text: str) -> None:
    body = json.dumps({"error": text}).encode()
    head = [(b"content-type", b"application/json"), (b"content-length", str(len(body)).encode())]
    await send({"type": "http.response.start", "status": status, "headers": head})
    await send({"type": "http.response.body", "body": body})
