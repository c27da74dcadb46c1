"""What every request passes before a page sees it, and every answer on its way out: host, origin, headers, faults.

Sources: OWASP Cross-Site Request Forgery Prevention Cheat Sheet (Fetch Metadata with Origin as fall-back); W3C Content
Security Policy Level 3; RFC 9110 section 6.6.1 (no Date without a clock).
"""

from __future__ import annotations

import ipaddress
import logging
from collections.abc import Callable, Iterable
from email.utils import formatdate

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

log = logging.getLogger("holdwater.web")

POLICY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)

HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    # Not no-referrer: browsers would then send `Origin: null` with our own forms.
    "referrer-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}

BODY_MOST = 64 * 1024
"""Longest body that is read, bytes. The forms need less than 100."""


STRANGE_NAME = """This address is not one of this page's names.
Open the page by its number, or add the name to hosts under [page] in the config.
"""

STRANGE_FORM = """Only the page's own buttons may change anything.
Open the page and press the button there.
"""


class BodyTooLong(Exception):  # noqa: N818 — a fact about the request, turned into a 413
    """The body is longer than `BODY_MOST`."""


class Guard:
    """ASGI layer around the whole page.

    Args:
        app: what it guards.
        hosts: names it answers to besides the address it was reached at.
        date: gives the wall clock in ms, or None while the clock is not trusted.
    """

    def __init__(self, app: ASGIApp, hosts: Iterable[str], date: Callable[[], int | None]) -> None:
        self._app = app
        self._hosts = frozenset(_bare(host) for host in hosts)
        self._date = date

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        begun = False

        async def out(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                self._add_headers(MutableHeaders(scope=message))
            await send(message)

        refusal = self._refusal(scope)
        if refusal is not None:
            await refusal(scope, receive, out)
            return
        try:
            await self._app(scope, receive, out)
        except Exception:
            log.exception("a page failed: %s %s", scope["method"], scope["path"][:200])
            if begun:
                raise
            text = "This page failed. The service goes on; its log says why.\n"
            await PlainTextResponse(text, status_code=500)(scope, receive, out)

    def _add_headers(self, headers: MutableHeaders) -> None:
        for name, value in HEADERS.items():
            headers[name] = value
        headers.setdefault("cache-control", "no-store")
        at_ms = self._date()
        if at_ms is not None:
            headers["date"] = formatdate(at_ms / 1000, usegmt=True)

    def _refusal(self, scope: Scope) -> PlainTextResponse | None:
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        if not self._knows(host, scope.get("server")):
            return PlainTextResponse(STRANGE_NAME, status_code=400)
        if scope["method"] not in {"GET", "HEAD"} and not own_form(headers, host):
            return PlainTextResponse(STRANGE_FORM, status_code=403)
        return None

    def _knows(self, host: str, server: tuple[str, int | None] | None) -> bool:
        """Whether a Host header is a configured name, the address that was reached, or localhost over loopback.

        A name nobody configured is refused: a page elsewhere could point such a name here (DNS rebinding).
        """
        name = _bare(_without_port(host))
        if not name or server is None:
            return False
        if name in self._hosts:
            return True
        try:
            reached = ipaddress.ip_address(server[0].partition("%")[0])
        except ValueError:
            return False
        if name == "localhost":
            return reached.is_loopback
        try:
            return ipaddress.ip_address(name) == reached
        except ValueError:
            return False


def _without_port(host: str) -> str:
    if host.startswith("["):
        return host[1:].partition("]")[0]
    return host.partition(":")[0] if host.count(":") == 1 else host


def _bare(host: str) -> str:
    return host.strip().lower().rstrip(".")


def own_form(headers: Headers, host: str) -> bool:
    """Whether a request that changes something comes from our own page.

    Browsers that know Fetch Metadata say `same-origin`; they leave it out on plain http, where `Origin` must be ours.
    """
    site = headers.get("sec-fetch-site")
    if site is not None:
        return site == "same-origin"
    return headers.get("origin", "").lower() in {f"http://{host.lower()}", f"https://{host.lower()}"}


async def body_of(request: Request) -> bytes:
    """The body, counted while it comes in.

    Raises:
        BodyTooLong: more than `BODY_MOST`; what follows is not read.
    """
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > BODY_MOST:
            raise BodyTooLong
    return bytes(body)
