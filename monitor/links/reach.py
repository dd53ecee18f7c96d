"""Whether an address for notices can be reached, as far as that can be seen without sending anything.

Looked up, connected, TLS, at a mail server also the login; then goodbye. What lies behind (a wrong path, a full box)
only a test notice shows.
"""

from __future__ import annotations

import socket
import ssl
import urllib.request
from typing import Final
from urllib.parse import urlsplit

from monitor.errors import LinkError
from monitor.links import mail, senders, webhook
from monitor.links.deadline import within

DEADLINE_SECONDS: Final = 8.0
_PORTS: Final = {
    "webhook+https": 443, "webhook+http": 80, "mqtt": 1883, "mqtts": 8883, "json": 80, "jsons": 443, "form": 80,
    "forms": 443, "xml": 80, "xmls": 443,
}  # fmt: skip
"""Kinds of addresses whose host and port are told in them, and the port where it is not."""
_WITH_TLS: Final = ("webhook+https", "mqtts", "jsons", "forms", "xmls")


def reach(address: str, deadline_seconds: float = DEADLINE_SECONDS) -> str:
    """Goes as far as the receiver's door; says in words how far that was.

    Raises
    ------
    LinkError : why it cannot be reached
    """
    said: list[str] = []
    within(deadline_seconds, lambda: said.append(_words(address, deadline_seconds)), f"reach {address}")
    return said[0]


def _words(address: str, deadline_seconds: float) -> str:
    if address == senders.TERMINAL:
        return "prints where the service runs"
    if address.startswith(mail.SCHEMES):
        plugin = senders.plugin_of(address)
        if plugin is not None and mail.ours(plugin):
            try:
                return mail.knock(plugin, deadline_seconds)
            except LinkError as exc:
                raise LinkError(senders.without_secrets(str(exc), address)) from exc
    parts = urlsplit(address)
    if parts.scheme not in _PORTS or not parts.hostname:
        return "is understood; whether it works only a test notice shows"
    if parts.scheme.startswith("webhook+") and _through_a_proxy(parts.scheme.removeprefix("webhook+"), parts.hostname):
        return "is understood; it goes through a proxy, so that only a test notice shows whether it works"
    trusted = "verify=no" not in parts.query
    return _door(parts.hostname, parts.port or _PORTS[parts.scheme], parts.scheme in _WITH_TLS, trusted,
                 deadline_seconds)  # fmt: skip


def _through_a_proxy(scheme: str, host: str) -> bool:
    proxies = urllib.request.getproxies()
    return (scheme in proxies or "all" in proxies) and not urllib.request.proxy_bypass(host)


def _door(host: str, port: int, tls: bool, trusted: bool, deadline_seconds: float) -> str:
    """Connects and hangs up."""
    try:
        with socket.create_connection((host, port), timeout=0.8 * deadline_seconds) as plain:
            if not tls:
                return "answers"
            context = mail.trust(trusted) if not trusted else webhook.trust()
            with context.wrap_socket(plain, server_hostname=host):
                return "answers, its certificate is good" if trusted else "answers; its certificate is not looked at"
    except socket.gaierror as exc:
        raise LinkError(f"no answer: no computer has this name ({exc.strerror}). Look for a misspelling.") from exc
    except ssl.SSLCertVerificationError as exc:
        raise LinkError(f"no answer: no trusted connection ({exc.verify_message})") from exc
    except ssl.SSLError as exc:
        raise LinkError(f"no answer: no TLS there ({exc.reason or exc})") from exc
    except TimeoutError as exc:
        raise LinkError(f"no answer: nothing within {deadline_seconds:g} s") from exc
    except OSError as exc:
        raise LinkError(f"no answer: no connection ({exc.strerror or exc})") from exc
