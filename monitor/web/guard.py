"""What comes from another site's page is not carried out; and headers that keep pages to themselves.

A page on the internet that a browser has open must change nothing here with that browser's session: what changes
something comes from our own pages (Fetch Metadata, W3C; Origin, RFC 6454) or from no browser at all. Who may ask at all
is the door's business (`web.door`), which comes next.
"""

from __future__ import annotations

import ipaddress
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from monitor.records.acknowledge_links import PATH as LINKS
from monitor.web.problems import refusal

SECURITY_HEADERS = {
    # No inline script or style anywhere: what a hostile name brings along can never run.
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "manifest-src 'self'; worker-src 'self'; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=(), usb=()",
}
SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})


def is_loopback(host: str) -> bool:
    """Whether a host name or address, without a port, means this computer itself.

    >>> [is_loopback(host) for host in ("127.0.0.1", "::1", "localhost", "192.168.1.4", "127.0.0.1.example.com")]
    [True, True, True, False, False]
    """
    if host.lower() == "localhost":
        return True
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return False
    mapped = getattr(address, "ipv4_mapped", None)
    return bool((mapped or address).is_loopback)


def host_of(header: str) -> str | None:
    """The host in a Host header without its port; None for what cannot be one.

    >>> host_of("127.0.0.1:8080"), host_of("[::1]:8080"), host_of("localhost"), host_of("a@b"), host_of("")
    ('127.0.0.1', '::1', 'localhost', None, None)
    """
    if not header or any(letter in header for letter in "@/?#\\ "):
        return None
    try:
        parts = urlsplit(f"//{header}")
        _ = parts.port  # raises when it is no number
    except ValueError:
        return None
    return parts.hostname


def same_origin(headers: Headers) -> bool:
    """Whether a request that changes something comes from our own pages, or from a program that is no browser.

    Browsers send Origin with every POST and cannot be made to leave it out; a request with neither Origin nor Fetch
    Metadata comes from a command or a program on this computer.
    """
    origin = headers.get("origin")
    if origin is not None:
        parts = urlsplit(origin)
        return parts.scheme in ("http", "https") and parts.netloc.lower() == headers.get("host", "").lower() != ""
    return headers.get("sec-fetch-site") in (None, "same-origin", "none")


def from_the_link_page(headers: Headers) -> bool:
    """Whether a form of the page behind a link may have been sent by that page.

    Its address is a permission, so it tells nobody where it is (Referrer-Policy: no-referrer), and then browsers tell
    the origin as null too (Fetch, W3C). A page of somebody else that sends null lacks the signature.
    """
    if headers.get("origin") == "null":
        return headers.get("sec-fetch-site") in (None, "same-origin")
    return same_origin(headers)


class Guard:
    """Refuses what does not come from here, and puts the security headers on every answer."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in SECURITY_HEADERS.items():
                    headers.setdefault(name, value)  # a review's report has a policy of its own, as strict for scripts
                # What pages show is of this moment; files of ours may be kept if they are asked after.
                headers.setdefault("cache-control", "no-cache" if scope["path"].startswith("/static/") else "no-store")
            await send(message)

        why_not = self._why_not(scope)
        if why_not is None:
            await self.app(scope, receive, send_guarded)
        else:
            await refusal(scope, why_not)(scope, receive, send_guarded)

    def _why_not(self, scope: Scope) -> str | None:
        headers = Headers(scope=scope)
        allowed = from_the_link_page if scope["path"].startswith(LINKS) else same_origin
        if scope["method"] not in SAFE_METHODS and not allowed(headers):
            return "This request came from another site's page and was not carried out. Do it from our own page."
        return None
