"""Who may ask this server for anything: the right host name, no foreign page, and the key where one is wanted.

A browser will carry requests of any site to a server on the loopback, and a name can be made to point there (DNS
rebinding). So the host that is asked for must be one of ours (RFC 9110, 7.2), an ``Origin`` (RFC 6454) that is sent
must be this page's own, and what changes anything must send one. The key travels once in the address and then in a
cookie that other sites cannot have sent (``SameSite=Strict``, ``HttpOnly``; RFC 6265 and its successor draft).
"""

from __future__ import annotations

import hmac
import ipaddress
from collections.abc import Iterable
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs

from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

KEY = "key"
"""Word in the page's address before the key."""

SAFE = frozenset({"GET", "HEAD"})

HEADERS = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data: blob:; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}


@dataclass(frozen=True, slots=True)
class Asked:
    """What of a request is judged; header values as text, "" for none."""

    method: str
    host: str
    origin: str
    site: str
    cookie: str
    query: str


def host_allowed(host: str, *, names: Iterable[str], port: int, any_address: bool) -> bool:
    """Whether ``host`` (name or address, with the port) is one of ours. ``any_address``: the server listens on all of
    this machine's addresses, so that each of them, and no name that is not ours, will do."""
    name, _, told = host.rpartition(":") if not host.endswith("]") else (host, "", "")
    if told != str(port):
        return False
    if name.lower() in {one.lower() for one in names}:
        return True
    return any_address and _is_address(name)


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name.removeprefix("[").removesuffix("]"))
    except ValueError:
        return False
    return True


@dataclass(frozen=True, slots=True)
class Rule:
    """``names`` are this page's host names; ``key`` "" for none wanted."""

    names: frozenset[str]
    port: int
    any_address: bool = False
    key: str = ""

    @property
    def cookie_name(self) -> str:
        """Cookies do not tell ports apart, hence one for each."""
        return f"nightbench-{self.port}"

    def refuses(self, asked: Asked) -> str:
        """Why nothing is answered, in words; "" where it is."""
        if not host_allowed(asked.host, names=self.names, port=self.port, any_address=self.any_address):
            return "this page is not served under that host name"
        if asked.origin and asked.origin != f"http://{asked.host}":
            return "asked for by another site's page"
        if asked.site not in ("", "same-origin", "none"):
            return "asked for by another site's page"
        if asked.method not in SAFE and not asked.origin:
            return "what changes anything must come from this page itself"
        if self.key and not self.has_key(asked):
            return "this page wants its key: open the whole address that `nightbench watch` printed"
        return ""

    def has_key(self, asked: Asked) -> bool:
        """Whether the right key came along, in the cookie or in the address."""
        return any(hmac.compare_digest(one.encode(), self.key.encode()) for one in self._keys(asked))

    def key_in_address(self, asked: Asked) -> bool:
        """Whether it stands in the address, from where it should go."""
        told = parse_qs(asked.query).get(KEY, [])
        return any(hmac.compare_digest(one.encode(), self.key.encode()) for one in told)

    def _keys(self, asked: Asked) -> Iterable[str]:
        yield from parse_qs(asked.query).get(KEY, [])
        try:
            found = SimpleCookie(asked.cookie).get(self.cookie_name)
        except CookieError:
            found = None
        if found is not None:
            yield found.value


class Gate:
    """ASGI: lets through what ``rule`` allows."""

    def __init__(self, app: ASGIApp, rule: Rule) -> None:
        self._app, self._rule = app, rule

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return  # nothing else is spoken here: the server ends the connection

        async def safely(message: Message) -> None:
            if message["type"] == "http.response.start":
                told = {name.lower() for name, _ in message["headers"]}
                added = [(k.encode(), v.encode()) for k, v in HEADERS.items() if k.encode() not in told]
                message = {**message, "headers": [*message["headers"], *added]}
            await send(message)

        await self._answer(_asked(scope), scope)(scope, receive, safely)

    def _answer(self, asked: Asked, scope: Scope) -> ASGIApp | Response:
        if why := self._rule.refuses(asked):
            return PlainTextResponse(f"refused: {why}\n", status_code=403)
        if self._rule.key and self._rule.key_in_address(asked):
            answer = RedirectResponse(scope["path"], status_code=303)
            answer.set_cookie(self._rule.cookie_name, self._rule.key, httponly=True, samesite="strict", path="/")
            return answer
        return self._app


def _asked(scope: Scope) -> Asked:
    found: dict[str, str] = {}
    for name, value in scope["headers"]:
        key = name.decode("latin-1").lower()
        # A header that came twice is none: who sends two hosts wants one of them overlooked.
        found[key] = "\0" if key in ("host", "origin") and key in found else value.decode("latin-1")
    return Asked(
        method=scope["method"],
        host=found.get("host", ""),
        origin=found.get("origin", ""),
        site=found.get("sec-fetch-site", ""),
        cookie=found.get("cookie", ""),
        query=scope["query_string"].decode("latin-1"),
    )
