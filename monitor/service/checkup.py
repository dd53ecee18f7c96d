"""`check`: what works, what does not, and what to do about it. Changes nothing; sends nothing unless it is asked to."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import shutil
import socket
import ssl
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from zoneinfo import ZoneInfo

from monitor.alarms.notice import Notice, group_of, notice_id
from monitor.alarms.trial_notice import KIND, test_notice
from monitor.errors import ConfigError, LinkError
from monitor.links import influx, senders
from monitor.links.heartbeat import shown
from monitor.links.probe import knock
from monitor.links.reach import reach
from monitor.records import accounts, archive, register
from monitor.records.database import open_database
from monitor.records.rows import from_ms, to_ms
from monitor.records.scope import ALL
from monitor.records.start import load
from monitor.records.tables import PARTITION
from monitor.service.heartbeat import url_of
from monitor.service.opening import broker_address, forms, influx_target, only_with_accounts
from monitor.settings import RouteSettings, Settings, WebSettings, address_of, secret

ANSWER_SECONDS = 5.0
"""A running service says within so long how it is."""
LEAST_FREE_SHARE = 0.10
BUILT_YEAR = 2026
"""A clock that shows less was never set."""


@dataclass(frozen=True)
class Finding:
    """One thing looked at."""

    what: str
    ok: bool
    words: str
    """What was found, and if it is wrong what to do next."""


def checkup(settings: Settings) -> list[Finding]:
    """Looks at everything the service needs; one broken thing hides no other."""
    return [*_clock(settings), *_disk(settings), *_database(settings), *_broker(settings), *_forms(settings),
            *_people(settings), *_pages(settings), *_routes(settings), *_heartbeat(settings),
            *_influx(settings), *_backup(settings)]  # fmt: skip


def _clock(settings: Settings) -> Iterator[Finding]:
    now = datetime.now(UTC)
    good = now.year >= BUILT_YEAR
    words = f"{now:%Y-%m-%d %H:%M} UTC"
    yield Finding("clock", good, words if good else f"{words} cannot be: set it, or let it be set by NTP")


def _disk(settings: Settings) -> Iterator[Finding]:
    here = settings.data.absolute()
    while not here.exists():
        here = here.parent
    usage = shutil.disk_usage(here)
    share = usage.free / usage.total
    words = f"{usage.free / 1e9:.1f} GB free ({100 * share:.0f} %) at {here}"
    yield Finding("disk", share >= LEAST_FREE_SHARE, words if share >= LEAST_FREE_SHARE else f"{words}: make room")


def _database(settings: Settings) -> Iterator[Finding]:
    try:
        with closing(open_database(settings.database_url, create=False)) as database:
            fans = register.fans(database, ALL)
            newest = load(database).newest_row_ms
    except (ConfigError, LinkError) as exc:
        yield Finding("database", False, str(exc))
        return
    yield Finding("database", True, f"opens, {len(fans)} {'fan' if len(fans) == 1 else 'fans'} in the register")
    if not fans:
        yield Finding("fans", False, "none in the register: amp-monitor fans import SITE/FAN FAN.toml")
    if newest is not None:
        heard = from_ms(newest)
        ahead = (heard - datetime.now(UTC)).total_seconds()
        if ahead > 120:
            yield Finding(
                "clock", False, f"readings up to {heard:%Y-%m-%d %H:%M} UTC are stored: the clock is behind, set it"
            )
        else:
            yield Finding("last reading", True, f"came {heard:%Y-%m-%d %H:%M} UTC")


def _backup(settings: Settings) -> Iterator[Finding]:
    directory = settings.backup.directory
    if directory is None:
        return
    there = directory.is_dir() and os.access(directory, os.W_OK)
    words = f"each night at {settings.backup.at} to {directory}"
    if not there:
        words += ": no such directory, or it may not be written. Plug its disk in, or make it"
    yield Finding("backup", there, words)


def _broker(settings: Settings) -> Iterator[Finding]:
    try:
        yield Finding("broker", True, knock(broker_address(settings), forms(settings).filters))
    except (ConfigError, LinkError) as exc:
        yield Finding("broker", False, str(exc))


def _forms(settings: Settings) -> Iterator[Finding]:
    for form in settings.intake.form:
        words = f"reads {form.topic}"
        waits = form.assemble_seconds
        if waits:
            words += f", and puts together what comes within {waits:g} s"
        # A broker that holds messages back sends the next parts only after those before them are committed.
        short = 0 < waits < settings.commit_seconds + 1.0
        if short:
            words += f": make it {settings.commit_seconds + 1.0:g} s or more, readings are committed each "
            words += f"{settings.commit_seconds:g} s and a broker may hold back what comes next until then"
        yield Finding(f"form {form.name}", not short, words)


def _influx(settings: Settings) -> Iterator[Finding]:
    """Writes nothing there: a write of nothing shows whether address, token and bucket are right."""
    try:
        target = influx_target(settings)
        if target is None:
            return
        with closing(influx.Writer(target)) as writer:
            yield Finding("influx", True, writer.look())
    except (ConfigError, LinkError) as exc:
        yield Finding("influx", False, str(exc))
        return
    with contextlib.suppress(ConfigError, LinkError):  # told of the database itself
        with closing(open_database(settings.database_url, create=False)) as database:
            at = archive.cursor(database, target.identity)
            behind = archive.newest(database).reading - (at or archive.beginning()).reading
            refused = archive.refused(database, target.identity, 1)
        if at is not None:
            yield Finding("influx copy", True, f"{behind} reading{'' if behind == 1 else 's'} to be copied")
        if at is not None and refused:
            said = f"{target} has refused {at.refused} lines, the last one with: {refused[0].words}"
            yield Finding("influx lines", False, f"{said}. They stay in the database; see what else writes to it")


def _pages(settings: Settings) -> Iterator[Finding]:
    web = settings.web
    if not web.loopback:
        if not _accounts(settings):
            yield Finding("pages", False, only_with_accounts(web))
            return
        if web.cert_file is None:
            words = (
                f"{web.address} is open beyond this computer without https: passwords and sessions can be read on the "
                "way. Give web.cert_file and web.key_file, or listen on 127.0.0.1 behind a proxy that speaks https"
            )
            yield Finding("pages", False, words)
    try:
        with socket.create_connection((_reached(web), web.port), timeout=2.0):
            yield Finding("pages", True, f"something serves them at {web.address}")
        yield from _running(web)
    except OSError:
        yield Finding("pages", True, f"{web.address} is free; the service does not run now")


def _accounts(settings: Settings) -> int | None:
    """How many accounts there are; None: it cannot be told."""
    try:
        with closing(open_database(settings.database_url, create=False)) as database:
            return len(accounts.listed(database, ALL))
    except (ConfigError, LinkError):
        return None


def _people(settings: Settings) -> Iterator[Finding]:
    count = _accounts(settings)
    if count is not None:
        words = f"{count} {'account' if count == 1 else 'accounts'}"
        yield Finding("people", True, words if count else "no accounts: the pages are open to this computer only")


def _reached(web: WebSettings) -> str:
    """Where the pages are reached from this computer, which listens everywhere perhaps."""
    return {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(web.host, web.host)


def _running(web: WebSettings) -> Iterator[Finding]:
    """What the running service says of itself."""
    connection = http.client.HTTPConnection(_reached(web), web.port, timeout=ANSWER_SECONDS)
    if web.cert_file is not None:  # the name in it is another than this computer's own address
        trusting = ssl.create_default_context()
        trusting.check_hostname, trusting.verify_mode = False, ssl.CERT_NONE
        connection = http.client.HTTPSConnection(_reached(web), web.port, timeout=ANSWER_SECONDS, context=trusting)
    try:
        connection.request("GET", "/healthz")
        late = json.load(connection.getresponse())["late"]
        yield Finding("service", not late, "; ".join(late) or "nothing is late")
    except (OSError, http.client.HTTPException, ValueError, TypeError, KeyError):
        yield Finding("service", False, f"what answers at {web.address} is not this service, or it hangs")
    finally:
        connection.close()


def _routes(settings: Settings) -> list[Finding]:
    """Each address, as far as can be seen without sending; all at once, since dead ones take seconds each."""
    if not settings.notices.route:
        words = "no [[notices.route]]: notices only go to the terminal or journal; nobody is called"
        return [Finding("notices", False, words)]
    return _at_each_address(settings, lambda route, place, address, signing: reach(address))


def send_tests(settings: Settings, print_line: Callable[[str], None], by: str) -> list[Finding]:
    """Sends a real test notice to every address of every route; what each of them said."""
    now = datetime.now(UTC)
    zones = [ZoneInfo(site.time_zone) for site in settings.sites.values()]

    def send(route: RouteSettings, place: int, address: str, signing: str | None) -> str:
        texts = test_notice(route.name, senders.shown(address), by, now, zones[0] if zones else None)
        group = group_of(PARTITION, KIND, f"check-{to_ms(now)}", route.name)
        notice = Notice(
            notice_id(group, place), "", 0, 0, route.name, place, KIND, "low", False, texts.subject, texts.short,
            texts.long, texts.data, now,
        )  # fmt: skip
        senders.send(address, notice, secret=signing, print_line=print_line)
        return "has taken the test notice"

    return _at_each_address(settings, send)


def _at_each_address(
    settings: Settings, work: Callable[[RouteSettings, int, str, str | None], str]
) -> list[Finding]:  # fmt: skip
    found: list[Callable[[], Finding]] = []
    with ThreadPoolExecutor(max_workers=16) as pool:
        for route in settings.notices.route:
            what = f"notices {route.name}"
            for place, named in enumerate(route.to):
                try:
                    address = address_of(named)
                    signing = secret(route.secret_file) if route.secret_file else None
                    senders.check_address(address, signing)
                except ConfigError as exc:
                    found.append(partial(Finding, what, False, str(exc)))
                    continue
                if nobody := senders.left_out(address):
                    words = f"{senders.shown(address)}: it names who has no mail address there: {', '.join(nobody)}"
                    found.append(partial(Finding, what, False, f"{words}. No notice reaches them."))
                trying = pool.submit(work, route, place, address, signing)
                found.append(partial(_finding, what, address, trying))
        return [finding() for finding in found]


def _finding(what: str, address: str, trying: Future[str]) -> Finding:
    try:
        return Finding(what, True, f"{senders.shown(address)}: {trying.result()}")
    except LinkError as exc:
        return Finding(what, False, f"{senders.shown(address)}: {exc}")


def _heartbeat(settings: Settings) -> Iterator[Finding]:
    try:
        url = url_of(settings.heartbeat)
    except ConfigError as exc:
        yield Finding("heartbeat", False, str(exc))
        return
    if url is not None:  # a call from here would say that the service works
        every = f"calls {shown(url)} each {settings.heartbeat.every_seconds:g} s while"
        yield Finding("heartbeat", True, f"{every} the service works (not called now)")
