"""What every request passes before a page sees it, and what every answer carries.

In order: the Host it names (DNS rebinding), how many there were of late, the device's token, and for whatever changes
something its Origin and the device's form token. Without a token only the join page and its style answer.
"""

from __future__ import annotations

import hmac
import ipaddress
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from sillwright.page.devices import Device, device_of
from sillwright.page.refusal import Refusal
from sillwright.page.store import Store

COOKIE = "sillwright"
FORM_TOKEN_HEADER = "x-sillwright-form"
LANGUAGE_COOKIE = "sillwright-language"

# No host but this one, no script or style that stands in a page. ``blob:`` is for a photo shown before it is sent.
CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; "
    "form-action 'self'; worker-src 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": CONTENT_POLICY,
    "x-content-type-options": "nosniff",
    # Nothing is told to other hosts. "no-referrer" would make browsers send "Origin: null" with our own forms too
    # (Fetch standard, "append a request Origin header"), and Origin could then not be checked.
    "referrer-policy": "same-origin",
    "x-frame-options": "DENY",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "permissions-policy": "geolocation=(), microphone=()",
    "cache-control": "no-store",
}
_SAFE = ("GET", "HEAD")
_OPEN = ("/join", "/static/page.css")


@dataclass
class Bucket:
    """So many at once, and so many a second after that, for each who asks."""

    burst: float
    per_s: float
    clock: Callable[[], float] = time.monotonic
    _left: dict[str, tuple[float, float]] = field(default_factory=dict)

    def take(self, who: str) -> bool:
        """Whether one more may pass."""
        now = self.clock()
        if len(self._left) > 4000:  # those that are full again need not be remembered
            self._left = {k: v for k, v in self._left.items() if v[0] + (now - v[1]) * self.per_s < self.burst}
        left, then = self._left.get(who, (self.burst, now))
        left = min(left + (now - then) * self.per_s, self.burst)
        self._left[who] = (left - 1.0 if left >= 1.0 else left, now)
        return left >= 1.0


def all_requests() -> Bucket:
    """Four phones that send photos in pieces of half a megabyte stay far under it."""
    return Bucket(burst=400, per_s=60)


def all_joins() -> Bucket:
    """Ten tries at once, then one in six seconds: codes of 60 bits are not found so in their ten minutes."""
    return Bucket(burst=10, per_s=1 / 6)


class Guard:
    """The middleware. ``host_names`` are the names, other than addresses and localhost, the server may be called by."""

    def __init__(self, app: ASGIApp, store: Store, host_names: frozenset[str], requests: Bucket, joins: Bucket) -> None:
        self._app, self._store, self._host_names = app, store, host_names
        self._requests, self._joins = requests, joins

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or answer it."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        answer = self._stopped(scope)
        await (self._app if answer is None else answer)(scope, receive, with_headers)

    def _stopped(self, scope: Scope) -> Response | None:
        """The answer to a request that goes no further; None where it may."""
        headers, path, method = Headers(scope=scope), scope["path"], scope["method"]
        who = scope["client"][0] if scope.get("client") else ""
        if not host_is_ours(headers.get("host", ""), self._host_names):
            return PlainTextResponse("This address is not the page's own.", 421)
        joining = method == "POST" and path == "/join"
        if not self._requests.take(who) or (joining and not self._joins.take(who)):
            return PlainTextResponse("Too many requests. Wait a minute.", 429, {"retry-after": "60"})
        request = Request(scope)
        device = device_of(self._store, request.cookies.get(COOKIE))
        scope.setdefault("state", {})["device"] = device
        if device is None and not any(path == one or path.startswith(f"{one}/") for one in _OPEN):
            if method == "GET" and "text/html" in headers.get("accept", ""):
                return RedirectResponse("/join", 303)
            return PlainTextResponse("Join first: scan the code on the laptop.", 401)
        if method not in _SAFE and not origin_is_ours(headers, scope["scheme"]):
            return PlainTextResponse("This did not come from the page itself.", 403)
        return None


def host_is_ours(host: str, names: frozenset[str]) -> bool:
    """Whether a Host header is an address, localhost or one of the server's names.

    A page elsewhere can have its own name point at this server, but no other name, and no address.
    """
    try:
        name = urlsplit(f"//{host}").hostname or ""
        if name == "localhost" or name in names:
            return True
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return "@" not in host


def origin_is_ours(headers: Headers, scheme: str) -> bool:
    """Whether a browser says that a request came from this page. What names no origin is held by its form token."""
    origin = headers.get("origin")
    return origin is None or origin == f"{scheme}://{headers.get('host', '')}"


def check_form_token(device: Device, given: str | None) -> None:
    """Raises Refusal where a request that changes something does not carry the device's own form token."""
    if not given or not hmac.compare_digest(given.encode("utf-8", "replace"), device.form_token.encode()):
        raise Refusal(403, "form_token")
