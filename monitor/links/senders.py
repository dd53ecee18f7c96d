"""One try to bring one notice to one address. When and how often is not asked here.

Forms of an address:

* `terminal:` prints it where the service runs;
* `webhook+https://...` or `webhook+http://...` posts it, signed, to a system;
* anything else is an address as the Apprise library knows it: `mailto://...` for mail (which we send ourselves), SMS
  gateways, chat, push, `mqtt://HOST/TOPIC` for a message at a broker.

A failed try is a LinkError whose text begins with a short stable word: "no answer", "refused", "gone", "not sent".
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any, Final
from urllib.parse import parse_qsl, unquote, urlsplit

from monitor.alarms.notice import Notice
from monitor.errors import ConfigError, Fault, LinkError
from monitor.links import mail, taken, webhook
from monitor.links.deadline import within

TERMINAL: Final = "terminal:"
RULE: Final = "-" * 80
DEADLINE_SECONDS: Final = 20.0
"""For one try, from first to last byte (Standard Webhooks 1.0.0 recommends 15 to 30 s)."""
ROOMY: Final = 10_000
"""An address that takes texts of so many characters, with a title, gets the long form; SMS and push the short one."""


def send(
    address: str,
    notice: Notice,
    *,
    deadline_seconds: float = DEADLINE_SECONDS,
    secret: str | None = None,
    print_line: Callable[[str], None] = print,
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
) -> None:
    """Sends a notice; returning means that the receiver has taken it.

    Parameters
    ----------
    secret : signs a webhook, `whsec_...`
    print_line : prints for `terminal:`

    Raises
    ------
    LinkError : it was not taken; `permanent` where another try is useless, `retry_after_seconds` where it said when
    """
    if address == TERMINAL:
        within(deadline_seconds, lambda: _print(notice, print_line), address)
    elif address.startswith(webhook.SCHEMES):
        webhook.trust()  # outside the deadline: the first one loads libraries and certificates
        within(deadline_seconds, lambda: webhook.post(address, notice, secret or "", deadline_seconds, now()), address)
    else:
        plugin = plugin_of(address)  # outside the deadline, too: the first one loads all plug-ins
        if plugin is None:
            raise LinkError(f"not sent: the address {shown(address)} is not understood", permanent=True)
        if address.startswith(mail.SCHEMES) and mail.ours(plugin):
            within(deadline_seconds, lambda: _mail(plugin, address, notice, deadline_seconds, now()), address)
        else:
            within(deadline_seconds, lambda: _apprise(plugin, address, notice, deadline_seconds), address)


def check_address(address: str, secret: str | None = None) -> None:
    """Looks at an address without sending anything.

    Raises
    ------
    ConfigError : nothing can ever be sent to it as it is
    """
    if address == TERMINAL:
        return
    if address.startswith(webhook.SCHEMES):
        webhook.check(address, secret or "")
        return
    plugin = plugin_of(address)
    if plugin is not None and address.startswith(mail.SCHEMES) and not mail.receivers(plugin):
        raise ConfigError(
            "an address for notices reaches nobody:",
            [Fault("to", "a mail address in its `to`, such as call@farm.example", ", ".join(left_out(address)))],
        )
    if plugin is None:
        raise ConfigError(
            "an address for notices is not understood:",
            [
                Fault(
                    "to",
                    "terminal:, webhook+https://... or an Apprise address such as mailto://...",
                    f'"{shown(address)}"',
                )
            ],
        )


def left_out(address: str) -> list[str]:
    """Whom an address names and will never reach, as they are written there; empty: it reaches everybody."""
    if not address.startswith(mail.SCHEMES):
        return []
    plugin = plugin_of(address)
    return [] if plugin is None or not mail.ours(plugin) else mail.unreadable(plugin, address)


def shown(address: str) -> str:
    """An address as people and logs may see it: addresses hold passwords and tokens in any of their parts."""
    if address == TERMINAL:
        return address
    try:
        parts = urlsplit(address)
        host, port = parts.hostname, parts.port
    except ValueError:
        return f"{address.split(':', 1)[0]}://..."
    if not parts.scheme:
        return "..."
    if parts.scheme in ("mailto", "mailtos", "mqtt", "mqtts") or address.startswith(webhook.SCHEMES):
        return f"{parts.scheme}://{host or '...'}{f':{port}' if port else ''}"
    return f"{parts.scheme}://..."  # of push and SMS services even the host part may be a token


def _print(notice: Notice, print_line: Callable[[str], None]) -> None:
    try:
        print_line(f"{RULE}\n{notice.long}")
    except (OSError, ValueError) as exc:  # ValueError: the terminal is closed
        raise LinkError(f"refused: the terminal takes nothing ({exc})") from exc


# ---------------------------------------------------------------------- Apprise


_SERVERS: Final = ("mailto", "mailtos", "mqtt", "mqtts", "json", "jsons", "xml", "xmls", "form", "forms")
"""Here user and host name a server, which the reader of a reason must know; in other addresses they may be tokens."""


_SILENCE: Final = ("timed out", "connection error", "connection refused", "could not be delivered")
"""In the library's words for a failed try: nobody said no, nobody was there."""


class _Lines(logging.Handler):
    """Apprise says why a try failed only to its log; each thread gathers its own lines."""

    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self._mine = threading.local()

    def begin(self) -> None:
        self._mine.lines = []

    def emit(self, record: logging.LogRecord) -> None:
        lines: list[str] | None = getattr(self._mine, "lines", None)
        if lines is None or len(lines) > 20:
            return
        text = record.getMessage()
        # Below a warning there may be whole messages and addresses; only what names the cause is wanted.
        if record.levelno >= logging.WARNING or "Exception" in text or "error=" in text:
            lines.append(" ".join(text.split()))

    def end(self) -> str:
        lines: list[str] = getattr(self._mine, "lines", [])
        self._mine.lines = None
        return "; ".join(lines)


_lines = _Lines()


def plugin_of(address: str) -> Any:
    """Apprise's sender for an address, None if there is none. Imported late: 20 MB that not every farm needs."""
    import apprise

    logger = logging.getLogger("apprise")
    if _lines not in logger.handlers:
        logger.addHandler(_lines)
        logger.setLevel(logging.DEBUG)
        logger.propagate = False
    asset = apprise.AppriseAsset(
        app_id="Fan amp monitor", app_desc="Fan amp monitor", app_url="", async_mode=False, secure_logging=True
    )
    # To follow one often turns the POST into a GET without our text, and any page that answers it looks like a receipt.
    asset.http_redirects = False
    return apprise.Apprise.instantiate(address, asset=asset, suppress_exceptions=True)


def _apprise(plugin: Any, address: str, notice: Notice, deadline_seconds: float) -> None:
    _lines.begin()
    until = time.monotonic() + deadline_seconds
    cause: Exception | None = None
    has_it = taken.by(notice.id)
    try:
        # A little under the deadline, so that the library names the cause before we give up.
        plugin.socket_connect_timeout = min(plugin.socket_connect_timeout, deadline_seconds * 0.8)
        plugin.socket_read_timeout = min(15.0, deadline_seconds * 0.8)
        # It pauses between several receivers of an address: never for so long that the last ones come too late.
        plugin.request_rate_per_sec = min(plugin.request_rate_per_sec, 0.5 * deadline_seconds / max(1, len(plugin)))
        if (
            str(getattr(plugin.overflow_mode, "value", "")) != "split"
        ):  # of one in parts it would have to know each part
            plugin.is_delivered = lambda key, per_message=False: repr(key) in has_it
            plugin.mark_delivered = lambda key, per_message=False: has_it.add(repr(key))
        if address.startswith(("mqtt://", "mqtts://")) and "qos=" not in address:
            plugin.qos = 1  # without it "sent" would mean "left us"
        if address.startswith(mail.SCHEMES):  # one with PGP, see `mail.ours`
            plugin.headers |= {"X-Notice-Id": notice.id, "Auto-Submitted": "auto-generated"}
        roomy = plugin.body_maxlen >= ROOMY and plugin.title_maxlen > 0
        try:
            sent = plugin.notify(
                body=notice.long if roomy else notice.short,
                title=notice.subject if plugin.title_maxlen > 0 else "",
                notify_type="info" if notice.kind == "cleared" else "warning",
                body_format="text",
            )
        except Exception as exc:  # more than a hundred plug-ins: what one stumbles over must not end our thread
            sent, cause = False, exc
    finally:
        why = _lines.end()
    if sent:
        taken.note(notice.id, set())
        return
    taken.note(notice.id, has_it)
    if cause is not None:
        why = f"{type(cause).__name__}: {cause}; {why}"
    silent = time.monotonic() >= until or any(word in why.lower() for word in _SILENCE)
    raise LinkError(
        f"{'no answer' if silent else 'refused'}: {without_secrets(why, address)[:500] or 'the library gave no reason'}"
    ) from cause


def _mail(plugin: Any, address: str, notice: Notice, deadline_seconds: float, now: datetime) -> None:
    try:
        mail.send(plugin, notice, deadline_seconds, now)
    except LinkError as exc:
        raise LinkError(without_secrets(str(exc), address)[:500], permanent=exc.permanent) from exc


def without_secrets(text: str, address: str) -> str:
    """Takes the parts of an address that may be secret out of a text."""
    try:
        parts = urlsplit(address)
        secrets = {parts.password or "", *parts.path.split("/"), parts.query}
        secrets.update(value for _, value in parse_qsl(parts.query))
        if parts.scheme not in _SERVERS:
            secrets |= {parts.username or "", parts.netloc.rpartition("@")[2].partition(":")[0]}
    except ValueError:
        return ""
    for secret in sorted(secrets, key=len, reverse=True):
        for form in (secret, unquote(secret)):
            if len(form) >= 4:
                text = text.replace(form, "***")
    return text
