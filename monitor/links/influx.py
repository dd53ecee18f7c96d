"""InfluxDB: points as lines, one write of them, and what the answer means. Decides nothing: who waits, halves or goes
on is `service/archive.py`.

One form for all servers: line protocol in a POST, to `/api/v2/write` through influxdb-client (InfluxDB 1.8, 2.x, 3.x),
or to `/write` of servers before 1.8, which that client cannot address, through urllib3, the client's own transport.
Writes are single synchronous ones: its batching writer drops what it cannot deliver, and says so only in a log.

References
----------
InfluxDB line protocol: escapes, field types, timestamps. InfluxDB 1.8 and 2.x API: `/write`, `/api/v2/write`, 204 for
success, and the statuses read below. RFC 9110 10.2.3: Retry-After.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal, TypeVar
from urllib.parse import urlencode

import numpy as np
from numpy.typing import NDArray

from monitor.errors import LinkError
from monitor.links.deadline import within
from monitor.links.webhook import retry_after

if TYPE_CHECKING:
    import urllib3

# influxdb-client and urllib3 are imported where they are used: 13 MB that a farm without InfluxDB spares.

Precision = Literal["ms", "ns"]
WORDS_LETTERS: Final = 300
"""Of a server's own words so many are kept."""
_T = TypeVar("_T")


# --- lines -----------------------------------------------------------------------------------------------------

_TAG = str.maketrans({",": r"\,", "=": r"\=", " ": r"\ ", "\n": r"\n", "\r": r"\r", "\t": r"\t"})
_TEXT = str.maketrans({'"': r"\"", "\\": r"\\"})


def head(measurement: str, tags: Mapping[str, str]) -> str:
    """The first part of a line: measurement and tags; empty tags are left out.

    >>> head("fan", {"site": "home", "fan": "bin 1"})
    'fan,fan=bin\\\\ 1,site=home'
    """
    told = [f",{name}={_tag(value)}" for name, value in sorted(tags.items()) if value]
    return measurement + "".join(told)


def _tag(value: str) -> str:
    escaped = value.translate(_TAG)
    return f"{escaped} " if escaped.endswith("\\") else escaped  # which would take the comma after it for its own


def text_field(value: str) -> str:
    """A text as a field's value.

    >>> text_field('the "north" fan')
    '"the \\\\"north\\\\" fan"'
    """
    return f'"{value.translate(_TEXT)}"'


def lines(
    heads: Sequence[str], times: Iterable[int], numbers: Mapping[str, NDArray[Any]], *, whole: Sequence[str] = ()
) -> list[str]:
    """Lines of many points with fields that are numbers; what is not finite is left out.

    Parameters
    ----------
    heads : of each point, shape (n,)
    times : of each, in the unit of the write
    numbers : field -> values, shape (n,), in the order in which they stand in the line
    whole : those that are whole numbers
    """
    told: list[list[str]] = [[] for _ in heads]
    for name, values in numbers.items():
        known = np.isfinite(values)
        begin, end = f"{name}=", "i" if name in whole else ""
        texts = map(str, values[known].astype(np.int64).tolist()) if end else map(repr, values[known].tolist())
        for row, text in zip(np.flatnonzero(known).tolist(), texts, strict=True):
            told[row].append(f"{begin}{text}{end}")
    return [f"{first} {','.join(some)} {at}" for first, some, at in zip(heads, told, times, strict=True)]


# --- where to --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Target:
    """A bucket of a server, or a database of one before 1.8."""

    url: str
    """Without a slash at its end."""
    bucket: str
    """With `api` "v1" the database."""
    org: str = ""
    api: Literal["v1", "v2"] = "v2"
    username: str | None = None
    secret: str | None = field(default=None, repr=False)
    """The token, or with `api` "v1" the password."""
    ca_file: Path | None = None
    verify_tls: bool = True
    timeout_seconds: float = 10.0
    """For one write, from first to last byte."""

    @property
    def identity(self) -> str:
        """What tells it from another target."""
        return f"{self.url} {self.bucket}"

    def __str__(self) -> str:
        return f"{self.bucket} at {self.url}"


# --- what an answer means --------------------------------------------------------------------------------------


class Kind(StrEnum):
    """Who can do something about a write that was not taken."""

    LINES = "lines"
    """Some lines are the trouble: others may be taken."""
    SIZE = "size"
    """Too much at once."""
    SETTINGS = "settings"
    """Somebody has to put something right here or at the server; all is kept meanwhile."""
    WAIT = "wait"
    """It passes by itself."""


class WriteError(LinkError):
    """A write that was not taken as a whole."""

    def __init__(
        self, message: str, kind: Kind, *, dropped: int | None = None, named: bool = True,
        retry_after_seconds: float | None = None,
    ) -> None:  # fmt: skip
        """
        Parameters
        ----------
        dropped : so many lines were left out and all others were taken; None: nothing is known to be taken
        named : the words are about lines for certain
        """
        self.kind = kind
        self.dropped = dropped
        self.named = named
        super().__init__(message, retry_after_seconds=retry_after_seconds)


_DROPPED = re.compile(r"partial write: .*?dropped=(\d+)", re.DOTALL)
"""InfluxDB 1.x and 2.x: the other lines of the write are stored."""
_ABOUT_LINES = re.compile(
    r"partial write|unable to parse|field type|type conflict|beyond retention|line protocol|max-values-per-tag"
    r"|time outside range|invalid (?:field|tag|number|boolean|timestamp|measurement)|missing (?:fields?|tag)",
    re.IGNORECASE,
)  # fmt: skip
_NO_SUCH_PLACE = re.compile(r"bucket|database|organization|\borg\b|retention policy", re.IGNORECASE)


def judge(
    target: Target, status: int, headers: Mapping[str, str], body: str, now: Callable[[], datetime]
) -> WriteError | None:  # fmt: skip
    """What the answer to a write means; None: it is stored.

    Parameters
    ----------
    headers : with names in small letters
    """
    words = _words(body)
    if _is_page(headers, body) or 300 <= status < 400:
        where = f" and points to {headers['location']}" if "location" in headers else ""
        return WriteError(
            f"{target.url} answers a write with HTTP {status} and a page{where}, as no InfluxDB does: "
            "put the server's own address into [influx] url", Kind.SETTINGS,
        )  # fmt: skip
    if status == 204:
        return None
    if 200 <= status < 300:
        return WriteError(
            f"{target.url} answers a write with HTTP {status} where InfluxDB says 204: see [influx] url", Kind.SETTINGS
        )
    if status in (400, 422):
        dropped = _DROPPED.search(body)
        return WriteError(
            words, Kind.LINES, dropped=int(dropped[1]) if dropped else None, named=bool(_ABOUT_LINES.search(body))
        )
    if status == 413:
        return WriteError(f"too much at once for {target.url}: {words}", Kind.SIZE)
    if status in (401, 403, 404):
        return WriteError(_what_to_do(target, status, words), Kind.SETTINGS)
    after = retry_after(headers.get("retry-after"), now())
    if status == 429 or status >= 500 or status == 408:
        return WriteError(f"{target.url} says HTTP {status}: {words}", Kind.WAIT, retry_after_seconds=after)
    return WriteError(f"{target.url} refuses with HTTP {status}: {words}. See [influx] url and api", Kind.SETTINGS)


def _what_to_do(target: Target, status: int, words: str) -> str:
    login = "token_file" if target.api == "v2" else "username and password_file"
    place = f'the bucket "{target.bucket}"' if target.api == "v2" else f'the database "{target.bucket}"'
    if status == 401:
        return f"{target.url} does not know us: {words}. Put {login} right under [influx]"
    if status == 403:
        return f"{target.url} lets us not write to {place}: {words}. Give us the right there, or put {login} right"
    if _NO_SUCH_PLACE.search(words):
        org = f' of the organization "{target.org}"' if target.org else ""
        return f"{target.url} has not {place}{org}: {words}. Make it there, or put [influx] right"
    path = "/api/v2/write" if target.api == "v2" else "/write"
    other = 'api = "v1" is for servers before 1.8' if target.api == "v2" else 'api = "v2" is for servers from 1.8 on'
    return f"{target.url} has no address {path}: {words}. See [influx] url; {other}"


def _words(body: str) -> str:
    """The server's own words, in one line."""
    found: Any = body
    try:
        read = json.loads(body)
        if isinstance(read, dict):
            found = read.get("message") or read.get("error") or body
            if read.get("data"):  # InfluxDB 3 lists the lines here
                found = f"{found}: {json.dumps(read['data'])}"
    except ValueError:
        pass
    return _one_line(found) or "no reason given"


def _one_line(words: Any) -> str:
    # JSON may hold halves of a letter, which no database and no page can take.
    return " ".join(str(words).split())[:WORDS_LETTERS].encode("utf-8", "replace").decode()


def _is_page(headers: Mapping[str, str], body: str) -> bool:
    begins = body.lstrip()[:9].lower()
    return "html" in headers.get("content-type", "").lower() or begins.startswith(("<!doctype", "<html"))


# --- the call --------------------------------------------------------------------------------------------------


class Writer:
    """Writes to one target. For one thread."""

    def __init__(self, target: Target, now: Callable[[], datetime] = lambda: datetime.now(UTC)) -> None:
        self.target = target
        self._now = now
        self._client: Any = None
        self._pool: urllib3.PoolManager | None = None

    def write(self, some: Sequence[str], precision: Precision) -> None:
        """Writes lines; returning means that the server has stored them all.

        Parameters
        ----------
        precision : the unit of their times

        Raises
        ------
        WriteError : it has not
        """
        body = "\n".join(some).encode()
        if self.target.api == "v2" and self._client is None:  # outside the deadline: the first import takes a while
            from influxdb_client.client.influxdb_client import InfluxDBClient

            self._client = InfluxDBClient(
                url=self.target.url, token=self.target.secret or "", org=self.target.org,
                timeout=int(1000 * self.target.timeout_seconds), verify_ssl=self.target.verify_tls,
                ssl_ca_cert=str(self.target.ca_file) if self.target.ca_file else None,
            )  # fmt: skip
        send = self._send_v2 if self.target.api == "v2" else self._send_v1
        error = judge(self.target, *self._outside(lambda: send(body, precision)), self._now)
        if error is not None:
            raise error

    def look(self) -> str:
        """Knocks with a write of nothing, which a server judges like any other; says in words what was found.

        Raises
        ------
        WriteError : it is not there, does not know us or the bucket
        """
        status, headers, body = self._outside(lambda: self._post(b"", "ms"))
        if status == 400 and not _is_page(headers, body):
            status = 204  # some servers want at least one line, once all else is right
        error = judge(self.target, status, headers, body, self._now)
        if error is not None:
            raise error
        version = headers.get("x-influxdb-version")
        return f"{self.target} answers{f' (InfluxDB {version})' if version else ''} and lets us in; nothing was written"

    def close(self) -> None:
        """Closes the connections; the next write opens one again."""
        if self._client is not None:
            self._client.close()
        if self._pool is not None:
            self._pool.clear()
        self._client = self._pool = None

    def _outside(self, work: Callable[[], _T]) -> _T:
        """Does what may take for ever, within the deadline, and translates errors of the outside world."""
        import urllib3

        found: list[_T] = []
        url = self.target.url
        try:
            within(self.target.timeout_seconds, lambda: found.append(work()), f"influx {self.target.identity}")
        except urllib3.exceptions.NewConnectionError as exc:  # to urllib3 a time-out, even where it was refused
            raise WriteError(f"no connection to {url}: {_reason(exc)}", Kind.WAIT) from exc
        except urllib3.exceptions.TimeoutError as exc:
            self._forget()
            raise WriteError(f"{url} does not answer within {self.target.timeout_seconds:g} s", Kind.WAIT) from exc
        except urllib3.exceptions.SSLError as exc:
            raise WriteError(
                f"no trusted connection to {url}: {_reason(exc)}. See [influx] url and ca_file", Kind.SETTINGS
            ) from exc
        except (urllib3.exceptions.HTTPError, OSError) as exc:
            raise WriteError(f"no connection to {url}: {_reason(exc)}", Kind.WAIT) from exc
        except ValueError as exc:  # e.g. influxdb-client reads every answer as UTF-8, urllib3 each address in it
            words = f"{url} answers with what is no text, or no address: see [influx] url"
            raise WriteError(words, Kind.SETTINGS) from exc
        except WriteError:
            raise
        except LinkError as exc:  # of `within`
            self._forget()
            raise WriteError(
                f"{url} does not answer within {self.target.timeout_seconds:g} s ({exc})", Kind.WAIT
            ) from exc
        return found[0]

    def _forget(self) -> None:
        """A call that hangs keeps its connection: the next one gets another."""
        self._client = self._pool = None

    def _send_v2(self, body: bytes, precision: Precision) -> tuple[int, dict[str, str], str]:
        from influxdb_client.client.write_api import SYNCHRONOUS
        from influxdb_client.rest import ApiException

        target, client = self.target, self._client
        try:
            client.write_api(write_options=SYNCHRONOUS).write(target.bucket, target.org, body, precision)
        except ApiException as exc:
            if not exc.status:  # its form of urllib3's SSLError
                raise WriteError(
                    f"no trusted connection to {target.url}: {_one_line(exc.reason)}. See [influx] url and ca_file",
                    Kind.SETTINGS,
                ) from exc
            return int(exc.status), _small(exc.headers or {}), _text(exc.body)
        answer = client.api_client.last_response
        return int(answer.status), _small(answer.getheaders()), _text(answer.data)

    def _send_v1(self, body: bytes, precision: Precision) -> tuple[int, dict[str, str], str]:
        return self._post(body, precision)

    def _post(self, body: bytes, precision: Precision) -> tuple[int, dict[str, str], str]:
        import urllib3

        target = self.target
        if self._pool is None:
            self._pool = urllib3.PoolManager(
                cert_reqs="CERT_REQUIRED" if target.verify_tls else "CERT_NONE",
                ca_certs=str(target.ca_file) if target.ca_file else None,
            )
        headers = {"content-type": "text/plain; charset=utf-8", "user-agent": "fan-amp-monitor"}
        if target.api == "v2":
            query = {"org": target.org, "bucket": target.bucket, "precision": precision}
            headers |= {"authorization": f"Token {target.secret}"} if target.secret else {}
        else:
            query = {"db": target.bucket, "precision": precision}
            if target.username:
                headers |= urllib3.make_headers(basic_auth=f"{target.username}:{target.secret or ''}")
        path = "/api/v2/write" if target.api == "v2" else "/write"
        answer = self._pool.request(
            "POST", f"{target.url}{path}?{urlencode(query)}", body=body, headers=headers, retries=False,
            timeout=urllib3.Timeout(total=target.timeout_seconds),
        )  # fmt: skip
        return answer.status, _small(answer.headers), _text(answer.data)


def _small(headers: Mapping[str, str]) -> dict[str, str]:
    return {str(name).lower(): str(value) for name, value in headers.items()}


def _text(body: Any) -> str:
    return body.decode("utf-8", "replace") if isinstance(body, bytes) else str(body or "")


def _reason(exc: BaseException) -> str:
    """The innermost cause: what urllib3 puts around it says the same at length."""
    inner: BaseException = exc
    while isinstance(inner.__cause__ or inner.__context__, OSError):
        inner = inner.__cause__ or inner.__context__ or inner
    if isinstance(inner, OSError) and inner.strerror:
        return inner.strerror
    return _one_line(inner)
