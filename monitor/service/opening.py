"""What the service and the commands open alike: the database with its sites, the broker's address."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from monitor.errors import ConfigError
from monitor.links.assembly import Assembly
from monitor.links.forms import Forms
from monitor.links.influx import Target
from monitor.links.mqtt import Broker, BrokerAddress, Inbox
from monitor.records import register
from monitor.records.database import Database
from monitor.settings import Settings, WebSettings, secret


def make_directory(path: Path) -> None:
    """The directory that holds the database and what else is kept.

    Raises
    ------
    ConfigError : it cannot be made
    """
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise ConfigError(
            f"cannot make the data directory {path.absolute()}: {exc.strerror}. "
            "Start from another directory, or set `data` in the settings."
        ) from exc


def only_with_accounts(web: WebSettings) -> str:
    """Why the pages are not opened to others, and what to do."""
    return (
        f"web.listen is {web.listen}: without accounts the pages are for this computer only. Make one with amp-monitor "
        "accounts add NAME --role manage --all-sites, or use 127.0.0.1 (from elsewhere: an SSH tunnel)."
    )


def broker_address(settings: Settings) -> BrokerAddress:
    """The broker of the settings, with its password read from its file."""
    mqtt = settings.mqtt
    return BrokerAddress(
        mqtt.host, mqtt.port, mqtt.root, mqtt.client_id, mqtt.username,
        secret(mqtt.password_file) if mqtt.password_file else None, mqtt.ca_file, mqtt.cert_file, mqtt.key_file,
    )  # fmt: skip


def influx_target(settings: Settings) -> Target | None:
    """Where the copy goes, with its secret read from its file; None where the settings name no place."""
    influx = settings.influx
    if influx.url is None:
        return None
    file, bucket = influx.token_file, influx.bucket
    if influx.api == "v1":
        file, bucket = influx.password_file, influx.database
    return Target(
        influx.url.rstrip("/"), bucket or "", influx.org, influx.api, influx.username,
        secret(file) if file else None, influx.ca_file, influx.verify_tls, influx.timeout_seconds,
    )  # fmt: skip


def forms(settings: Settings) -> Forms:
    """How other loggers' messages are read."""
    return Forms(settings.intake.form, settings.mqtt.root)


def broker_link(settings: Settings, *, say: Callable[[str], None], clock: Callable[[], float]) -> Broker:
    """The link to the broker, not started; it takes what other loggers send as well, if the settings have forms."""
    if not settings.intake.form:
        return Broker(broker_address(settings), say=say, clock=clock)
    read = forms(settings)
    return Broker(broker_address(settings), Inbox(assembly=Assembly(read)), also=read.filters, say=say, clock=clock)


def seed_sites(database: Database, settings: Settings, now: datetime, *, all_of_it: bool = False) -> None:
    """Brings the sites of the settings into the register; without any at all, one called `home`.

    What a settings file says of a site counts when it says so for the first time or says it otherwise than at the last
    start: whoever sets a time zone there must not be told the time of another, and what was changed on the page
    Register since must not be undone by a start. What it does not say stays. What it says of the table of conditions
    is different: it stands nowhere else, so it holds at every start, and what it no longer says must end. Only the
    service itself (`all_of_it`) ends it: a command may be called without the settings.
    """
    known = {site.site: site for site in register.sites(database)}
    told = register.said_by_settings(database)
    for key, said in settings.sites.items():
        before = known.get(key, register.Site(key, key, machine_zone(), 0.0, "us", "17:00"))
        given = said.model_dump_json(include=said.model_fields_set - {"conditions"})
        changes = {name: getattr(said, name) for name in said.model_fields_set if name != "name" or said.name}
        if key in known and told.get(key) == given:
            changes = {name: value for name, value in changes.items() if name == "conditions"}
        if all_of_it:
            changes["conditions"] = said.conditions
        register.put_site(database, replace(before, **changes), now, said=given)
    for key in known.keys() - settings.sites.keys() if all_of_it else ():
        register.put_site(database, replace(known[key], conditions={}), now)
    if not settings.sites and not known:
        register.put_site(database, register.Site("home", "Home", machine_zone(), 0.0, "us", "17:00"), now)


def machine_zone() -> str:
    """The machine's time zone by its IANA name; UTC where it cannot be told."""
    candidates = [os.environ.get("TZ", "")]
    with contextlib.suppress(OSError):
        candidates.append(str(Path("/etc/localtime").resolve()).partition("zoneinfo/")[2])
    for name in candidates:
        with contextlib.suppress(KeyError, ValueError, OSError):
            return ZoneInfo(name).key
    return "UTC"
