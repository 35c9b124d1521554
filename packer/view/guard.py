"""What stands before every endpoint: who may ask, in what way, and what each answer carries.

A page of any other site that is open in the same browser can send requests here, and by rebinding its name to
a loopback address can even read the answers; the Host header then still bears that name. So a request is only
answered under a loopback name or the address that was shared on purpose (RFC 9110, 7.4: 421 otherwise).
"""

from __future__ import annotations

import hmac
import logging
import random
import secrets
from collections.abc import Callable
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["HEADERS", "Access", "Guard", "answer_safely", "new_code"]

_LOG = logging.getLogger(__name__)
_LOOPBACK = frozenset({"localhost", "127.0.0.1", "[::1]"})
_METHODS = ("GET", "HEAD")
_ALPHABET = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"  # no 0 and O, no 1 and I
_CODE_LENGTH = 12  # 32**12: 60 bits, out of reach of guessing over a network
_COOKIE = "lastbar-view"

HEADERS = {
    "Content-Security-Policy": (
        "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; object-src 'none'"
    ),
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
}

_ASK = """<!doctype html><html lang="en"><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1"><title>Access code</title>
<link rel="stylesheet" href="/static/view.css"><body class="ask"><main><h1>Maps on board</h1>
<p>Open the link that the planner shared, or type its access code.</p>
<form action="/open"><label for="code">Access code</label>
<input id="code" name="code" autocomplete="off" autocapitalize="characters" spellcheck="false" required>
<button>Open</button></form></main></body></html>"""


def new_code(rng: random.Random | None = None) -> str:
    """An access code of twelve letters and digits; from the system's own randomness unless one is given."""
    source = rng or random.SystemRandom()
    return "".join(source.choice(_ALPHABET) for _ in range(_CODE_LENGTH))


@dataclass(frozen=True, slots=True)
class Access:
    """Under which names the view answers, and the code it asks for; None asks for none.

    `pass_word` is what a browser keeps once it has shown the code: good until the view stops.
    """

    names: frozenset[str] = frozenset()
    code: str | None = field(default=None, repr=False)
    pass_word: str = field(default_factory=lambda: secrets.token_urlsafe(24), repr=False)

    def knows_host(self, host: str | None) -> bool:
        """Whether a Host header names this machine; any port, since a tunnel may have changed it."""
        if not host or any(c in host for c in "/@?#\\ "):
            return False
        try:
            parts = urlsplit(f"//{host}")
            name, _ = parts.hostname or "", parts.port
        except ValueError:
            return False
        return (f"[{name}]" if ":" in name else name) in _LOOPBACK | self.names

    def opens(self, code: str) -> bool:
        """Whether this is the code, however it was typed; takes as long whatever is wrong with it."""
        typed = "".join(c for c in code.upper() if c in _ALPHABET)
        return self.code is not None and hmac.compare_digest(typed.encode(), self.code.encode())

    def admits(self, cookies: str) -> bool:
        """Whether a Cookie header holds the pass."""
        if self.code is None:
            return True
        try:
            shown = SimpleCookie(cookies).get(_COOKIE)
        except CookieError:
            return False
        return shown is not None and hmac.compare_digest(shown.value.encode(), self.pass_word.encode())


def _nothing_more(_: MutableHeaders) -> None:
    """For answers that carry no more than every page's headers."""


async def answer_safely(
    scope: Scope,
    receive: Receive,
    send: Send,
    answer: ASGIApp,
    failure: Response,
    more: Callable[[MutableHeaders], None] = _nothing_more,
) -> None:
    """Send what `answer` says with the headers of every page and those that `more` sets; `failure` where it raises.

    If cancelled: the connection is dropped, nothing else.
    """
    started = False

    async def marked(message: Message) -> None:
        nonlocal started
        if message["type"] == "http.response.start":
            started = True
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers[name] = value
            more(headers)
            headers.setdefault("Cache-Control", "no-cache")
        await send(message)

    try:
        await answer(scope, receive, marked)
    except Exception:  # noqa: BLE001  # the last place before the wire: a sentence, never a traceback
        _LOG.debug("No answer at %s", scope["path"], exc_info=True)
        if not started:
            await failure(scope, receive, marked)


class Guard:
    """ASGI middleware in front of the view's endpoints."""

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self._app, self._access = app, access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or let the endpoints answer. If cancelled: the connection is dropped, nothing else."""
        if scope["type"] != "http":
            return

        async def answer(scope: Scope, receive: Receive, send: Send) -> None:
            await (self._refusal(scope) or self._app)(scope, receive, send)

        failure = PlainTextResponse("The map page could not answer this request.\n", 500)
        await answer_safely(scope, receive, send, answer, failure)

    def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        if not self._access.knows_host(headers.get("host")):
            return PlainTextResponse("This request was meant for another host.\n", 421)
        if scope["method"] not in _METHODS:
            return PlainTextResponse("This page is read-only.\n", 405, headers={"Allow": ", ".join(_METHODS)})
        if scope["path"] == "/open":
            return self._opened(scope)
        # The style sheet is what the page that asks for the code needs; it tells nothing.
        if self._access.admits(headers.get("cookie", "")) or scope["path"] == "/static/view.css":
            return None
        if scope["path"] == "/":
            return HTMLResponse(_ASK, 403)
        return PlainTextResponse("Open the link with the access code first.\n", 403)

    def _opened(self, scope: Scope) -> Response:
        if self._access.code is None:
            return RedirectResponse("/", 303)
        try:
            asked = parse_qs(scope["query_string"].decode("latin-1"), max_num_fields=10)
        except ValueError:
            return HTMLResponse(_ASK, 400)
        if not self._access.opens(asked.get("code", [""])[0]):
            return HTMLResponse(_ASK, 403)
        answer = RedirectResponse("/", 303)  # the code leaves the address bar at once
        answer.set_cookie(_COOKIE, self._access.pass_word, httponly=True, samesite="lax", path="/")
        return answer
