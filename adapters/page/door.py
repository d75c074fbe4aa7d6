"""Who gets in: the address that was asked for, where a request comes from, its size, and the code.

Loopback needs no code.  A page on the laboratory's network asks each device for a code that is
shown in the terminal and works once; the device then has a cookie for `COOKIE_S`.
"""

from __future__ import annotations

import json
import secrets
from collections.abc import Awaitable, Callable, Iterable, MutableMapping
from http.cookies import CookieError, SimpleCookie
from typing import Any

from pipeline.clock import Clock

COOKIE = "cuffwatt_page"
COOKIE_S = 12 * 3600.0
BODY_BYTES = 16_384
WRONG_CODES, WRONG_WITHIN_S = 5, 60.0
# without letters and digits that are taken for one another
_LETTERS = "ABCDEFGHJKMNPQRSTUVWXYZ23456789"
_OPEN = ("/", "/page.js", "/entries.js", "/chart.js", "/page.css", "/code")
_HEADERS = (
    (b"content-security-policy", b"default-src 'self'; frame-ancestors 'none'; base-uri 'none'"),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cache-control", b"no-store"),
)  # fmt: skip

Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]


class Refused(Exception):
    """A request that does not get in: HTTP status and words."""

    def __init__(self, status: int, words: str) -> None:
        super().__init__(words)
        self.status, self.words = status, words


class Door:
    """Checks requests.  `hosts` are the exact values of Host that are served.

    `show` is told each code as it is made; None: no code is asked for (loopback alone).
    """

    def __init__(self, hosts: Iterable[str], clock: Clock, show: Callable[[str], None] | None = None) -> None:
        self.hosts = frozenset(hosts)
        self._clock, self._show = clock, show
        self._cookies: dict[str, float] = {}
        self._wrong: dict[str, list[float]] = {}
        self._code = ""
        self._new_code()

    def _new_code(self) -> None:
        if self._show is not None:
            self._code = "".join(secrets.choice(_LETTERS) for _ in range(8))
            self._show(f"{self._code[:4]}-{self._code[4:]}")

    def enter(self, code: str, address: str) -> str:
        """The cookie for a code, which is then used up; Refused 403, or 429 after too many wrong ones."""
        now_s = self._clock.elapsed()
        recent = [at_s for at_s in self._wrong.get(address, []) if now_s - at_s < WRONG_WITHIN_S]
        if len(recent) >= WRONG_CODES:
            raise Refused(429, f"too many wrong codes; wait {WRONG_WITHIN_S:.0f} s and look at the terminal")
        given = code.upper().replace("-", "").replace(" ", "")
        if self._show is None or not secrets.compare_digest(given.encode(), self._code.encode()):
            # what is too old is forgotten for everybody, so that this does not grow
            self._wrong = {
                who: times for who, times in self._wrong.items() if now_s - times[-1] < WRONG_WITHIN_S
            }
            self._wrong[address] = [*recent, now_s]
            raise Refused(403, "this is not the code that the terminal shows now; each works once")
        self._new_code()
        cookie = secrets.token_urlsafe(32)
        alive = {key: until_s for key, until_s in self._cookies.items() if until_s > now_s}
        self._cookies = alive | {cookie: now_s + COOKIE_S}
        return cookie

    def check(self, method: str, path: str, headers: dict[str, list[str]]) -> None:
        """Whether a request gets in; Refused says why not."""
        host = headers.get("host", [])
        if len(host) != 1:
            raise Refused(400, "a request needs one Host")
        if host[0].lower() not in self.hosts:
            raise Refused(421, "this address is not served here; use the one that the terminal shows")
        origin = headers.get("origin", [])
        own = [f"http://{host[0].lower()}"]
        if origin not in ([], own) or (method == "POST" and origin != own):
            raise Refused(403, "this request does not come from the page itself")
        if method not in ("GET", "POST"):
            raise Refused(405, "only GET and POST are known here")
        if method == "POST":
            self._check_body(headers)
        if path not in _OPEN and self._show is not None and not self._knows(headers):
            raise Refused(401, "the code that the terminal shows is wanted first")

    def _check_body(self, headers: dict[str, list[str]]) -> None:
        length = headers.get("content-length", [])
        if len(length) != 1 or not length[0].isdigit() or "transfer-encoding" in headers:
            raise Refused(411, "an entry says how long it is")
        if int(length[0]) > BODY_BYTES:
            raise Refused(413, f"an entry has at most {BODY_BYTES} bytes")
        if headers.get("content-type", [""])[0].split(";")[0].strip() != "application/json":
            raise Refused(415, "an entry is application/json")

    def _knows(self, headers: dict[str, list[str]]) -> bool:
        now_s = self._clock.elapsed()
        for text in headers.get("cookie", []):
            try:
                sent = SimpleCookie(text)
            except CookieError:
                continue
            if COOKIE in sent and self._cookies.get(sent[COOKIE].value, 0.0) > now_s:
                return True
        return False


class Guarded:
    """An ASGI application behind a door, with headers that keep the page to itself."""

    def __init__(self, app: Callable[[Message, Receive, Send], Awaitable[None]], door: Door) -> None:
        self._app, self._door = app, door

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            return
        headers: dict[str, list[str]] = {}
        for name, value in scope["headers"]:
            headers.setdefault(name.decode("latin-1"), []).append(value.decode("latin-1"))

        async def send_kept(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", []), *_HEADERS]
            await send(message)

        try:
            self._door.check(scope["method"], scope["path"], headers)
        except Refused as refused:
            body = json.dumps({"error": refused.words}).encode()
            start = {"type": "http.response.start", "status": refused.status}
            kind = [(b"content-type", b"application/json"), (b"content-length", str(len(body)).encode())]
            # what was sent along is not read, so this connection ends here
            await send_kept(start | {"headers": [*kind, (b"connection", b"close")]})
            await send({"type": "http.response.body", "body": body})
            return
        await self._app(scope, receive, send_kept)
