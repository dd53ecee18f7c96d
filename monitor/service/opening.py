"""What the service and the commands open alike: the database with its sites, the broker's address."""

from __future__ import annotations

import contextlib
import os
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from monitor.errors import ConfigError
from monitor.links.mqtt import BrokerAddress
from monitor.records import register
from monitor.records.database import Database
from monitor.settings import Settings, secret


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


def broker_address(settings: Settings) -> BrokerAddress:
    """The broker of the settings, with its password read from its file."""
    mqtt = settings.mqtt
    return BrokerAddress(
        mqtt.host, mqtt.port, mqtt.root, mqtt.client_id, mqtt.username,
        secret(mqtt.password_file) if mqtt.password_file else None, mqtt.ca_file, mqtt.cert_file, mqtt.key_file,
    )  # fmt: skip


def seed_sites(database: Database, settings: Settings, now: datetime) -> None:
    """Sites of the settings that the register does not know yet; without any, one called `home`."""
    for key, site in settings.sites.items():
        register.put_site(
            database,
            register.Site(key, site.name or key, site.time_zone, site.altitude_m, site.units, site.supper),
            now,
            replace=False,
        )
    if not settings.sites and not register.sites(database):
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
