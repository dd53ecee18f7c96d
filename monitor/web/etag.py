"""Answers that are asked for again and again: whoever holds one asks whether it still holds (RFC 9110, 13.1.2).

The tag is of the finished answer. So it cannot be stale, two accounts share one only where they are told the same, and
it costs next to nothing beside the answer; what is saved is the way to a phone at the far end of a field.
"""

from __future__ import annotations

import hashlib
import re

from starlette.requests import Request
from starlette.responses import Response

from monitor.records.sessions import SESSION
from monitor.web.reader import current

CACHED = "private, no-cache"
"""Whoever asked may keep an answer, nobody on the way; and must ask each time whether it still holds."""
LEFT_NOWHERE = "no-store"
"""A browser is used by many: what it was told with somebody's session does not stay behind on its disk."""
VARIES = "Authorization, Cookie"
"""What an answer depends on beside its address: who asks."""
_TAG = re.compile(r'(?:W/)?("[^"]*")')


def tag_of(body: bytes | memoryview) -> str:
    """The entity tag of an answer: 96 bits of its BLAKE2b (RFC 7693), so that no two answers ever share one.

    >>> tag_of(b"") == tag_of(b""), tag_of(b"") == tag_of(b" "), len(tag_of(b""))
    (True, False, 26)
    """
    return f'"{hashlib.blake2b(body, digest_size=12).hexdigest()}"'


def holds(given: str, tag: str) -> bool:
    """Whether If-None-Match names a tag. Weak and strong tags are compared alike (RFC 9110, 8.8.3.2).

    >>> holds('"a", W/"b"', '"b"'), holds("*", '"b"'), holds('"a"', '"b"'), holds("b", '"b"')
    (True, True, False, False)
    """
    return given.strip() == "*" or tag in _TAG.findall(given)


def conditional(request: Request, answer: Response) -> Response:
    """The answer with its tag, or 304 to whoever holds it already. Streams and errors stay as they are."""
    body = getattr(answer, "body", None)
    if request.method not in ("GET", "HEAD") or answer.status_code != 200 or body is None:
        return answer
    tag = tag_of(body)
    varies = answer.headers.get("vary")  # e.g. Accept, where a route has its answer in several kinds
    shown = current().shown
    keeps = LEFT_NOWHERE if shown is not None and shown[0] == SESSION else CACHED
    headers = {"etag": tag, "cache-control": keeps, "vary": VARIES if varies is None else f"{VARIES}, {varies}"}
    if holds(",".join(request.headers.getlist("if-none-match")), tag):
        return Response(status_code=304, headers=headers)
    answer.headers.update(headers)
    return answer
