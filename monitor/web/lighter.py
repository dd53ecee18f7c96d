"""A page made small for its way: lists come again each time something changes, often to a phone on a weak link."""

from __future__ import annotations

import gzip

from starlette.requests import Request
from starlette.responses import Response

LEAST_BYTES = 2048
"""Smaller ones gain nothing."""
LEVEL = 4
"""A list of a hundred fans becomes a twelfth in a few milliseconds; higher levels take far longer for little more."""


def lighter(request: Request, page: Response) -> Response:
    """The same page compressed, where the browser takes that (RFC 9110, 12.5.3).

    Only for pages that hold nothing secret beside what was typed into their address: how well a page compresses tells
    something of both.
    """
    page.headers.append("vary", "accept-encoding")
    if not _takes_gzip(request.headers.get("accept-encoding", "")) or len(page.body) < LEAST_BYTES:
        return page
    page.body = gzip.compress(bytes(page.body), LEVEL, mtime=0)
    page.headers["content-encoding"] = "gzip"
    page.headers["content-length"] = str(len(page.body))
    return page


def _takes_gzip(text: str) -> bool:
    """Whether gzip is among what is accepted.

    >>> _takes_gzip("gzip, deflate, br"), _takes_gzip("br, GZIP;q=0.5"), _takes_gzip("gzip;q=0"), _takes_gzip("*")
    (True, True, False, False)
    """
    for coding in text.lower().split(","):
        name, _, weight = coding.replace(" ", "").partition(";q=")
        if name == "gzip":
            return weight.strip("0.") != "" or not weight
    return False
