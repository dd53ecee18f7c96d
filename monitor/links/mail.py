"""Mail, by SMTP: what the Apprise library has read from a `mailto:` address, sent by ourselves.

Its own mails carry a new Message-ID at each try, so that a repeat cannot be recognised, and one receiver of several
that is refused makes all others get the mail again at each try for a day. Here the mail is the same at each try, and
who has it is left out of the next.

References
----------
RFC 5322 3.6.1 (date), 3.6.4 (Message-ID, References); RFC 2047 by Python's `email`; RFC 3834 5 (Auto-Submitted: no
answers of machines, such as "I am away", are wanted); RFC 5321 4.2 (replies).
"""

from __future__ import annotations

import contextlib
import re
import smtplib
import socket
import ssl
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from email.errors import MessageError
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime
from functools import lru_cache
from typing import Any, Final
from urllib.parse import parse_qsl, unquote, urlsplit

from monitor.alarms.notice import Notice
from monitor.errors import LinkError
from monitor.links import taken

SCHEMES: Final = ("mailto:", "mailtos:")
NAME: Final = "Fan amp monitor"
SHARE_OF_DEADLINE: Final = 0.8
"""A single wait for the server takes so much of the deadline at most: it is named before we give up."""
GOODBYE_SECONDS: Final = 1.0
NOBODY: Final = "it names nobody whom a mail could reach; see its `to`"


def ours(plugin: Any) -> bool:
    """Whether we can send what this address asks for; one with PGP is left to the library."""
    return str(getattr(plugin, "pgp_mode", "none")).lower() in ("none", "no", "false", "") and all(
        hasattr(plugin, name) for name in ("smtp_host", "secure_mode", "from_addr", "targets", "cc", "bcc", "reply_to")
    )


def send(plugin: Any, notice: Notice, deadline_seconds: float, now: datetime) -> None:
    """Sends a notice to all receivers of an address; returning means that the server has taken it for each.

    Parameters
    ----------
    plugin : what Apprise has made of the address
    now : aware; when this try is made

    Raises
    ------
    LinkError : not all of them, with what the server said of each
    """
    everybody = receivers(plugin)
    if not everybody:
        raise LinkError(f"not sent: {NOBODY}", permanent=True)
    try:
        mail = letter(plugin, notice, now)
    except (ValueError, MessageError) as exc:
        raise LinkError(f"not sent: no mail can be made for this address ({exc})", permanent=True) from exc
    has_it, last = taken.by(notice.id), taken.last(notice.id)
    waiting = sorted((to for to in everybody if to not in has_it), key=lambda to: to == last)
    until, to = time.monotonic() + deadline_seconds, ""
    refused: dict[str, str] = {}
    try:
        while waiting:
            with _server(plugin, deadline_seconds) as server:
                while waiting and (server.sock is not None or not to):
                    to = waiting.pop(0)
                    try:
                        server.send_message(mail, plugin.from_addr[1], [to])
                        has_it.add(to)
                    except smtplib.SMTPRecipientsRefused as exc:
                        refused |= {one: f"refused: {_reply(*answer)}" for one, answer in exc.recipients.items()}
                    except (smtplib.SMTPDataError, smtplib.SMTPServerDisconnected) as exc:
                        # It may be about this one only: the others are tried all the same, while there is time.
                        if len(everybody) == 1 or time.monotonic() >= until:
                            raise
                        refused[to] = _told(exc, deadline_seconds)
        if refused:
            outcome = "refused" if any(said.startswith("refused") for said in refused.values()) else "no answer"
            each = (f"{_shown(one)}: {said.partition(': ')[2]}" for one, said in refused.items())
            raise LinkError(f"{outcome}: {'; '.join(each)}")
    except (OSError, smtplib.SMTPException, LinkError) as exc:
        taken.note(notice.id, has_it, to if len(everybody) > 1 else "")
        some = f" ({len(has_it)} of {len(everybody)} receivers have it)" if has_it else ""
        raise LinkError(f"{_told(exc, deadline_seconds)}{some}") from exc
    taken.note(notice.id, set())


def knock(plugin: Any, deadline_seconds: float) -> str:
    """Connects, logs in, says goodbye; in words how far that went.

    Raises
    ------
    LinkError : it did not
    """
    try:
        with _server(plugin, deadline_seconds) as server:
            server.noop()
    except (OSError, smtplib.SMTPException) as exc:
        raise LinkError(_told(exc, deadline_seconds)) from exc
    how = [f"the mail server at {plugin.smtp_host}:{plugin.port} answers"]
    if plugin.secure_mode in ("ssl", "starttls"):
        how.append("its certificate is good" if plugin.verify_certificate else "its certificate is not looked at")
    if plugin.user and plugin.password:
        how.append("the login is taken")
    return ", ".join(how)


def receivers(plugin: Any) -> list[str]:
    """Everybody an address names, once each, in its order."""
    named = [*(to for _, to in plugin.targets), *sorted(plugin.cc), *sorted(plugin.bcc)]
    return list(dict.fromkeys(named))


def unreadable(plugin: Any, address: str) -> list[str]:
    """Whom an address names without its being a mail address that the library takes: it leaves them out in silence."""
    taken_as = [to.lower().replace("+", " ") for to in receivers(plugin)]
    try:
        parts = urlsplit(address)
        asked = parse_qsl(parts.query)
    except ValueError:
        return []
    many = [value for key, value in asked if key in ("to", "cc", "bcc")]
    in_path = [one for one in map(unquote, parts.path.split("/")) if "@" in one]
    named = [*in_path, *(one for value in many for one in re.split(r"[,;]", value))]
    return [one.strip() for one in named if one.strip() and not any(to in one.lower() for to in taken_as)]


def letter(plugin: Any, notice: Notice, now: datetime) -> EmailMessage:
    """A notice as a mail, plain text in UTF-8; but for the date the same at each try."""
    name, sender = plugin.from_addr
    domain = sender.rpartition("@")[2]
    made = int(notice.created.timestamp() * 1000)
    mail = EmailMessage(SMTP)
    mail["From"] = _address(name or NAME, sender)
    mail["To"] = [_address(name or "", to) for name, to in plugin.targets]
    if plugin.cc:
        mail["Cc"] = [_address(plugin.names.get(to) or "", to) for to in sorted(plugin.cc)]
    if plugin.reply_to:
        mail["Reply-To"] = [_address(plugin.names.get(to) or "", to) for to in sorted(plugin.reply_to)]
    # A name of a site may hold anything; a NUL in a header is refused by servers, at each try.
    mail["Subject"] = " ".join("".join(one if one.isprintable() else " " for one in notice.subject).split())
    mail["Date"] = format_datetime(now)
    # With the time it was made: in a new database the numbers begin anew, and must not seem to be repeats.
    mail["Message-ID"] = f"<{_word(notice.id)}.{made}@{domain}>"
    if notice.alarm_number:  # mail programs then show the notices of an alarm together
        mail["References"] = f"<{_word(f'{notice.site}.alarm.{notice.alarm_number}')}@{domain}>"
    mail["Auto-Submitted"] = "auto-generated"
    mail["X-Notice-Id"] = notice.id
    for key, value in plugin.headers.items():  # of the address: ?+Name=value
        if key not in mail:
            mail[key] = value
    mail.set_content(notice.long, charset="utf-8", cte="quoted-printable")
    return mail


def _address(name: str, address: str) -> Address:
    user, _, domain = address.rpartition("@")
    return Address(name, user, domain)


def _word(text: str) -> str:
    """A text as a part of a Message-ID (RFC 5322 dot-atom): all other characters as =XX."""
    return re.sub(r"[^A-Za-z0-9_-]|^$", lambda found: "".join(f"={byte:02X}" for byte in found[0].encode()), text)


@contextmanager
def _server(plugin: Any, deadline_seconds: float) -> Iterator[smtplib.SMTP]:
    """A connection to the mail server of an address, secured and logged in as it says."""
    here = socket.gethostname()
    how = {
        "timeout": min(plugin.socket_connect_timeout, SHARE_OF_DEADLINE * deadline_seconds),
        "local_hostname": here if "." in here else "[127.0.0.1]",  # left to itself it would ask a name server first
    }
    context = trust(bool(plugin.verify_certificate))
    if plugin.secure_mode == "ssl":
        server: smtplib.SMTP = smtplib.SMTP_SSL(plugin.smtp_host, plugin.port, context=context, **how)
    else:
        server = smtplib.SMTP(plugin.smtp_host, plugin.port, **how)
    try:
        if plugin.secure_mode == "starttls":
            server.starttls(context=context)
        if plugin.user and plugin.password:
            server.login(plugin.user, plugin.password)
        yield server
        # The mail is taken: whoever does not say goodbye must not make it seem that it is not.
        with contextlib.suppress(OSError, smtplib.SMTPException):
            if server.sock is not None:
                server.sock.settimeout(GOODBYE_SECONDS)
            server.quit()
    finally:
        server.close()


@lru_cache(maxsize=2)
def trust(verify: bool) -> ssl.SSLContext:
    """Which certificates are trusted. Kept: reading them all takes a tenth of a second, at every try."""
    context = ssl.create_default_context()
    if not verify:
        context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    return context


def _told(exc: Exception, deadline_seconds: float) -> str:
    """An error in our words, beginning with the short stable one."""
    if isinstance(exc, LinkError):
        return str(exc)
    if isinstance(exc, TimeoutError) or "timed out" in str(exc):
        return f"no answer: nothing within {deadline_seconds:g} s"
    if isinstance(exc, smtplib.SMTPServerDisconnected):
        return f"no answer: the mail server hung up ({exc})"
    if isinstance(exc, smtplib.SMTPResponseException) and not 200 <= exc.smtp_code <= 599:
        return f"no answer: half a one, or from no mail server ({_reply(exc.smtp_code, exc.smtp_error)})"
    if isinstance(exc, smtplib.SMTPAuthenticationError):
        return f"refused: the login: {_reply(exc.smtp_code, exc.smtp_error)}"
    if isinstance(exc, smtplib.SMTPResponseException):
        return f"refused: {_reply(exc.smtp_code, exc.smtp_error)}"
    if isinstance(exc, smtplib.SMTPException):
        return f"refused: {exc}"  # e.g. STARTTLS or a login are not offered
    if isinstance(exc, ssl.SSLError):
        return f"no answer: no trusted connection ({getattr(exc, 'verify_message', '') or exc.reason or exc})"
    if isinstance(exc, socket.gaierror):
        return f"no answer: no mail server has this name ({exc.strerror}). Look for a misspelling."
    return f"no answer: no mail server ({getattr(exc, 'strerror', None) or exc})"


def _reply(code: int, text: bytes | str) -> str:
    said = text.decode("utf-8", "replace") if isinstance(text, bytes) else text
    return f"{code} {' '.join(said.split())}"


def _shown(address: str) -> str:
    """A receiver as the page of notices may name it."""
    user, _, domain = address.rpartition("@")
    return f"{user[:1]}...@{domain}"
