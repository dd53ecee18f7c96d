"""Notices for other systems: CloudEvents in a signed POST.

References
----------
CloudEvents 1.0.2, core specification and JSON event format, structured mode: attributes, media type.
Standard Webhooks 1.0.0: headers `webhook-id`, `webhook-timestamp`, `webhook-signature`; the id is the same at each try;
any 2xx is success; 410 means that the receiver is gone for good; signatures by an old and a new secret stand in one
header with spaces between.
"""

from __future__ import annotations

import base64
import binascii
import json
import math
import socket
import ssl
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final

from monitor.alarms.notice import Notice
from monitor.errors import ConfigError, Fault, LinkError

if TYPE_CHECKING:
    import httpx

# httpx and standardwebhooks are imported where they are used: five megabytes that a farm without a webhook spares.

SCHEMES: Final = ("webhook+https://", "webhook+http://")
EVENT_TYPE: Final = "fan-amp-monitor.alarm."
"""First part of an event's type; the notice's kind follows."""
MEDIA_TYPE: Final = "application/cloudevents+json; charset=utf-8"
LONGEST_RETRY_AFTER_SECONDS: Final = 86_400.0
SECRET_BYTES: Final = (24, 64)
"""Standard Webhooks 1.0.0, symmetric signature: between 24 and 64 bytes."""


def id_of(notice: Notice) -> str:
    """What a receiver knows a repeat by, as `webhook-id` and `id`: the notice's, and when it was made [ms].

    A database that was begun anew, or restored from a backup, gives its numbers once more: a receiver that leaves out
    what it knows already would leave out other notices. No full stop in it: that parts what is signed.
    """
    return f"{notice.id}-{int(notice.created.timestamp() * 1000)}"


def event(notice: Notice) -> dict[str, Any]:
    """A notice as a CloudEvents 1.0 event; the same at each try."""
    data = {
        **notice.data,
        "priority": notice.priority,
        "subject": notice.subject,
        "short": notice.short,
        "long": notice.long,
    }
    fan = notice.data.get("fan")
    return {
        "specversion": "1.0",
        "id": id_of(notice),
        "source": f"/sites/{notice.site}",
        "type": EVENT_TYPE + notice.kind,
        "time": notice.created.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z"),
        **({"subject": str(fan)} if fan else {}),
        "datacontenttype": "application/json",
        "data": data,
    }


def keys_of(secret: str) -> list[str]:
    """The secrets of a secret file: one, or while it is being changed for another both, each on a line of its own."""
    return secret.split()


def signed(notice: Notice, secret: str, now: datetime) -> tuple[bytes, dict[str, str]]:
    """Body and headers of a notice.

    Parameters
    ----------
    secret : `whsec_` and base64; of several on lines of their own each signs, and the receiver takes any
    now : aware; the receiver refuses what is too old
    """
    from standardwebhooks import Webhook

    body = json.dumps(event(notice), ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    stamp = now.astimezone(UTC)
    signatures = [Webhook(key).sign(id_of(notice), stamp, body) for key in keys_of(secret)]
    if not signatures:
        raise ValueError("there is no secret")
    headers = {
        "content-type": MEDIA_TYPE,
        "user-agent": "fan-amp-monitor",
        "webhook-id": id_of(notice),
        "webhook-timestamp": str(math.floor(stamp.timestamp())),
        "webhook-signature": " ".join(signatures),
    }
    return body.encode(), headers


def post(address: str, notice: Notice, secret: str, deadline_seconds: float, now: datetime) -> None:
    """Posts a notice; returning means a 2xx. Redirects are not followed: the signature is meant for one receiver.

    Raises
    ------
    LinkError : anything else
    """
    import httpx
    from standardwebhooks.webhooks import EmptyWebhookSecretError

    url = address.removeprefix("webhook+")
    try:
        body, headers = signed(notice, secret, now)
    except (ValueError, RuntimeError, EmptyWebhookSecretError) as exc:
        raise LinkError(f"not sent: the notice cannot be signed ({exc})", permanent=True) from exc
    try:
        with (
            httpx.Client(timeout=httpx.Timeout(deadline_seconds), follow_redirects=False, verify=trust()) as client,
            client.stream("POST", url, content=body, headers=headers) as answer,
        ):
            status = answer.status_code
            after = retry_after(answer.headers.get("retry-after"), now)
    except httpx.TimeoutException as exc:
        raise LinkError(f"no answer: {_step(exc)} within {deadline_seconds:g} s") from exc
    except httpx.ConnectError as exc:
        raise LinkError(f"no answer: {no_connection(exc, str(exc))}") from exc
    except (httpx.InvalidURL, httpx.UnsupportedProtocol) as exc:
        raise LinkError(f"not sent: the address is not one ({exc})", permanent=True) from exc
    except (httpx.HTTPError, httpx.StreamError) as exc:
        raise LinkError(f"no answer: the connection broke ({type(exc).__name__}: {exc})") from exc
    if 200 <= status < 300:
        return
    if status == 410:
        raise LinkError("gone: the receiver says it wants no more (HTTP 410). Take its address out.", permanent=True)
    if 300 <= status < 400:
        raise LinkError(f"refused: HTTP {status}, it points elsewhere. Put the new address into the settings.")
    raise LinkError(f"refused: HTTP {status}", retry_after_seconds=after)


def no_connection(exc: BaseException, otherwise: str) -> str:
    """Why there is none, in words for whoever must act; they name nothing of the address.

    Parameters
    ----------
    otherwise : where neither TLS nor the computer's network says why
    """
    inner: BaseException | None = exc
    while inner is not None:
        if isinstance(inner, ssl.SSLCertVerificationError):
            return f"no trusted connection (its certificate: {inner.verify_message})"
        if isinstance(inner, ssl.SSLError):
            return f"no TLS there ({inner.reason or 'it speaks otherwise'})"
        if isinstance(inner, socket.gaierror):
            return f"no computer has this name ({inner.strerror}). Look for a misspelling."
        if isinstance(inner, OSError) and inner.strerror:
            return f"no connection ({inner.strerror})"
        inner = inner.__cause__ or inner.__context__
    return f"no connection ({otherwise})"


def check(address: str, secret: str) -> None:
    """Looks at a webhook's address and secret.

    Raises
    ------
    ConfigError : all that is wrong with them
    """
    import httpx

    faults = []
    try:
        host = httpx.URL(address.removeprefix("webhook+")).host
    except httpx.InvalidURL:
        host = ""
    if not host:
        faults.append(Fault("to", "webhook+https://HOST/PATH", f'"{address.split("://")[0]}://..."'))
    low, high = SECRET_BYTES
    for one in keys_of(secret) or [""]:
        try:
            key = base64.b64decode(one.removeprefix("whsec_"), validate=True)
        except (binascii.Error, ValueError):
            key = b""
        if not low <= len(key) <= high:
            found = f"{len(key)} bytes" if key else "something else"
            faults.append(Fault("secret_file", f"whsec_ and {low} to {high} bytes in base64", found))
    if faults:
        raise ConfigError("a webhook for notices cannot work:", faults)


@lru_cache(maxsize=1)
def trust() -> ssl.SSLContext:
    """Which certificates are trusted. Kept: reading them all takes a tenth of a second, at every try."""
    import httpx
    import standardwebhooks  # noqa: F401 - loaded here, before the time of a try counts

    return httpx.create_ssl_context()


def _step(exc: httpx.TimeoutException) -> str:
    import httpx

    return "no connection" if isinstance(exc, httpx.ConnectTimeout) else "nothing"


def retry_after(text: str | None, now: datetime) -> float | None:
    """Seconds of a Retry-After header (RFC 9110 10.2.3: seconds or a date); None where none makes sense."""
    if text is None:
        return None
    text = text.strip()
    if text.isascii() and text.isdigit():
        seconds = float(text[:9])
    else:
        try:
            seconds = (parsedate_to_datetime(text) - now).total_seconds()
        except (ValueError, TypeError, OverflowError):
            return None
    return min(max(seconds, 0.0), LONGEST_RETRY_AFTER_SECONDS)
