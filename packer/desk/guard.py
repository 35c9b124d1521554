"""What stands before every address of the desk: who may ask, and who may change anything.

The desk can start a fetch and write to folders, so it is stricter than the view: loopback names only, a cookie
that a one-time token in the printed link gave, and for changes an Origin of its own (RFC 6454) and a body whose type
no plain form of another site can send.
"""

from __future__ import annotations

import hmac
import secrets
import threading
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from packer.view.guard import Access, answer_safely

__all__ = ["REPORT_PATH", "DeskGuard", "Tokens"]

REPORT_PATH = "/api/report"
# The report carries its style and pictures in itself, and runs nothing.
_REPORT_POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; frame-ancestors 'none'"
_COOKIE = "lastbar-desk"
_BODY_TYPES = ("application/json", "application/octet-stream")
_USED = """<!doctype html><html lang="en"><meta charset="utf-8"><title>The desk</title>
<link rel="stylesheet" href="/static/desk.css"><body class="shut"><main><h1>The desk</h1>
<p>This link opens the desk once, in one browser. The terminal in which you started
<code>lastbar desk</code> shows a fresh link.</p></main></body></html>"""


class Tokens:
    """The token of the printed link, good for one use, and the pass that a browser keeps for it."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._pass = secrets.token_urlsafe(32)
        self.token = secrets.token_urlsafe(32)

    def use(self, token: str) -> str | None:
        """The pass for a token, which is spent by that; None for any other text."""
        with self._lock:
            if not hmac.compare_digest(token.encode("utf-8", "replace"), self.token.encode()):
                return None
            self.token = secrets.token_urlsafe(32)
            return self._pass

    def admits(self, cookies: str) -> bool:
        """Whether a Cookie header holds the pass."""
        try:
            shown = SimpleCookie(cookies).get(_COOKIE)
        except CookieError:
            return False
        return shown is not None and hmac.compare_digest(shown.value.encode(), self._pass.encode())


class DeskGuard:
    """ASGI middleware in front of the desk's addresses."""

    def __init__(self, app: ASGIApp, tokens: Tokens) -> None:
        self._app, self._tokens, self._names = app, tokens, Access()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or let the desk answer. If cancelled: the connection is dropped, nothing else."""
        if scope["type"] != "http":
            return

        def more(headers: MutableHeaders) -> None:
            if scope["path"] == REPORT_PATH:
                headers["Content-Security-Policy"] = _REPORT_POLICY
            if scope["path"].startswith("/api/"):
                headers.setdefault("Cache-Control", "no-store")

        async def answer(scope: Scope, receive: Receive, send: Send) -> None:
            await (self._refusal(scope) or self._app)(scope, receive, send)

        failure = _refused(500, "The desk failed at this request.")
        await answer_safely(scope, receive, send, answer, failure, more)

    def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        host = headers.get("host")
        if not self._names.knows_host(host):
            return _refused(421, "This is not the host that was asked for.")
        if scope["path"] == "/open":
            return self._opened(scope)
        if scope["path"] in ("/static/desk.css", "/static/mark.svg"):
            return None  # what the page without a pass needs; it tells nothing
        if not self._tokens.admits(headers.get("cookie", "")):
            if scope["path"] == "/":
                return HTMLResponse(_USED, 403)
            return _refused(403, "Open the desk by the link in its terminal first.")
        if scope["method"] in ("GET", "HEAD"):
            return None
        return self._refused_change(scope, headers, host or "")

    @staticmethod
    def _refused_change(scope: Scope, headers: Headers, host: str) -> Response | None:
        if scope["method"] != "POST":
            return _refused(405, "The desk knows GET and POST.")
        if headers.get("origin") != f"http://{host}":
            return _refused(403, "Only the desk's own page may change anything.")
        kind = headers.get("content-type", "").partition(";")[0].strip().lower()
        if kind not in _BODY_TYPES:
            return _refused(415, f"A body has to be {' or '.join(_BODY_TYPES)}.")
        return None

    def _opened(self, scope: Scope) -> Response:
        if scope["method"] != "GET":
            return _refused(405, "The link is opened by GET.")
        try:
            asked = parse_qs(scope["query_string"].decode("latin-1"), max_num_fields=10)
        except ValueError:
            return HTMLResponse(_USED, 403)
        if (given := self._tokens.use(asked.get("token", [""])[0])) is None:
            return HTMLResponse(_USED, 403)
        answer = RedirectResponse("/", 303)  # the token leaves the address bar at once
        answer.set_cookie(_COOKIE, given, httponly=True, samesite="strict", path="/")
        return answer


def _refused(status: int, words: str) -> Response:
    return JSONResponse({"error": words}, status)
